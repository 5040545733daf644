"""Columns with a sample's own stamp, and columns that only look like one."""

import numpy as np
import pytest

import looptime


def read(tmp_path, header, *columns):
    """The run that a log of these columns is read as."""
    rows = "\n".join(",".join(f"{x:.0f}" for x in row) for row in zip(*columns, strict=True))
    path = tmp_path / "log.csv"
    path.write_text(f"{header}\n{rows}\n", "utf-8")
    return looptime.read(str(path))


LOOP = 20_000 * np.arange(300) + 70_000 + 900 * (np.arange(300) % 4)


@pytest.mark.parametrize(
    ("header", "signal"),
    [
        ("loop_start_us,imuSampledAt_us", "imu_sampled_age_ms"),
        ("t_us,heading_measured_us", "heading_measured_age_ms"),
        ("cycle_us,compass_recv_us", "compass_recv_age_ms"),
        ("t_loop_us,t_imu_us", "imu_age_ms"),
    ],
)
def test_a_stamp_before_the_loops_is_an_age(tmp_path, header, signal):
    """A sample 6 ms before the loop's time is a signal with 6 ms, and no stage of the loop."""
    run = read(tmp_path, header, LOOP, LOOP - 6_000)
    assert not len(run.call_columns)
    assert run.signals.values[signal] == pytest.approx(np.full(len(run), 6.0))
    assert np.diff(run.loop_columns.start_ns)[:4].tolist() == [20_900_000] * 3 + [17_300_000]


def test_sampling_within_the_loop_is_a_stage(tmp_path):
    """What is sampled 2 ms after the loop's start, with other stages behind it, stays a stage."""
    run = read(
        tmp_path, "loop_start_us,sample_us,control_us,loop_end_us",
        LOOP, LOOP + 2_000, LOOP + 5_000, LOOP + 9_000,
    )  # fmt: skip
    assert run.signals is None or not run.signals.values
    assert {name.name for name in run.names} >= {"sample", "control"}


def test_a_stamp_of_another_epoch_is_none(tmp_path):
    """A sensor's clock that began 40 s earlier tells no age."""
    run = read(tmp_path, "loop_time_us,gyro_sample_time_us", LOOP + 40_000_000, LOOP)
    assert run.signals is None or "gyro_sample_age_ms" not in run.signals.values
