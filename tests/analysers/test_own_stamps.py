"""Samples with a stamp of their own: how old a reading is, told alike by each question.

Loops of 20 ms: the gyro is read from 1 to 3 ms, the writes end at 15 ms, and each sample was
measured 8 ms before its loop began.
"""

import numpy as np
import pytest

import looptime
from looptime.analysers.freshness import freshness
from looptime.analysers.own_stamps import sample_age_of
from looptime.controlling.value_instants import instants_of
from looptime.heading import Labels, sampling_from_run, study
from looptime.planner.answer.reading_age import reading_ages
from tests.build_run import make_run

KINDS = {"gyro.read": "sensor read", "lift.read": "sensor read", "drive.write": "actuator write"}
CALLS = [("gyro.read", 1, 2), ("lift.read", 4, 1), ("drive.write", 12, 3)]


def stamped(name="gyro_sample_age_ms", calls=CALLS, periods=(20.0,) * 300):
    """A run with a sample's age of 8 ms at each loop's start."""
    return make_run(periods, calls, KINDS, signals={name: np.full(len(periods), 8.0)})


@pytest.mark.parametrize("name", ["gyro_sample_age_ms", "sample_age_ms", "imu_age_ms"])
def test_each_question_counts_from_the_samples_own_stamp(name):
    """8 ms before the loop: 11 ms at the read's end, 20 at first use, 23 at last use."""
    run = stamped(name)
    found = {one.name: one for one in freshness(run)}
    gyro = found["gyro.read"]
    assert (gyro.age_at_pickup_ms.p50, gyro.age_at_first_use_ms.p50) == (11, 20)
    assert gyro.age_at_last_use_ms.p50 == 23
    assert found["lift.read"].age_at_first_use_ms.p50 == 8  # it has no stamp
    assert reading_ages(run)["gyro.read"].mean == 20
    for at in (sampling_from_run(run), instants_of(run, "gyro.read", "drive.write")):
        assert at.latency_s * 1e3 == pytest.approx([23] * len(at))
        assert (at.use_s - at.read_s) * 1e3 == pytest.approx([14] * (len(at) + 1))
    at = study(run, motion="steady:90", curve=False)
    assert at.age.mean_ms.value == pytest.approx(23 + 10)
    assert at.age_if == {}
    assert any("told by its own stamp" in note for note in at.to_dict()["notes"])


def test_no_other_pace_changes_how_old_a_value_is_when_it_is_read():
    """At twice the rate 14 ms from the read to the use become 7, and the 9 ms before it stay 9."""
    found = study(stamped(), motion="steady:90")
    for point in found.curve:
        period = 1e3 / point.rate_hz
        assert point.age_ms.value == pytest.approx(9 + (0.7 + 0.5) * period, rel=1e-6)


def test_a_stamp_goes_with_the_call_whose_words_it_has():
    """A lift's stamp is none of the gyro's, and one of the left wheel none of the right's."""
    assert sample_age_of(stamped("lift_sample_age_ms"), "gyro.read") is None
    assert sample_age_of(stamped("left_wheel_age_ms"), "right_wheel.read") is None
    run = stamped("lift_sample_age_ms")
    assert sampling_from_run(run).latency_s * 1e3 == pytest.approx([14] * 299)
    at = instants_of(run, "lift.read", "drive.write")
    assert at.latency_s * 1e3 == pytest.approx([23] * len(at))


def test_a_value_of_a_controller_that_no_call_reads_has_its_stamp():
    """Without a read call the signal's own stamp tells its age, from 8 ms before the loop on."""
    run = stamped("wheel_sample_age_ms")
    at = instants_of(run, None, "drive.write", value="wheel_m_s")
    assert at.latency_s * 1e3 == pytest.approx([23] * len(at))
    assert instants_of(run, None, "drive.write").latency_s * 1e3 == pytest.approx([15] * len(at))


def test_what_another_thread_reads_is_as_old_as_the_stamp_beside_the_loop():
    """Whenever the thread reads, the loop has at its start what was measured 8 ms before."""
    calls = [("gyro.read", 9, 2, "imu"), ("drive.write", 12, 3)]
    at = sampling_from_run(stamped(calls=calls), Labels("gyro.read"))
    assert at.latency_s * 1e3 == pytest.approx([23] * len(at))


LAYOUTS = {
    "stages": ("loop_us,gyro_sample_us,gyro_end_us,calc_end_us,write_end_us",
               lambda t: f"{t},{t - 8000},{t + 3000},{t + 12000},{t + 15000}"),
    "costs": ("loop_start_us,gyro_sampled_us,gyro_read_us,calc_us,write_us",
              lambda t: f"{t},{t - 8000},3000,9000,3000"),
    "calls": ("start_us,duration_us,name,sample_time_us",
              lambda t: f"{t},3000,gyro.read,{t - 8000}\n{t + 3000},9000,calc,\n"
                        f"{t + 12000},3000,drive.write,"),
    "values": ("", lambda t: f'{{"loop_us":{t},"imu_captured_us":{t - 8000},"after_imu_us":'
                             f'{t + 3000},"after_calc_us":{t + 12000},'
                             f'"after_write_us":{t + 15000}}}'),
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
def test_each_layout_keeps_the_stamp_beside_its_stages_parts_or_calls(tmp_path, layout):
    """Loops of 20 and 22 ms by turns, used at 15 ms: 23 ms of latency whatever one row is."""
    header, row = LAYOUTS[layout]
    starts = 900_000 + 20_000 * np.arange(400) + 2000 * (np.arange(400) // 2)
    path = tmp_path / ("log.jsonl" if layout == "values" else "log.csv")
    path.write_text("\n".join([header] * bool(header) + [row(int(t)) for t in starts]) + "\n")
    run = looptime.read(str(path))
    assert run.layout == layout
    found = sampling_from_run(run)
    assert found.latency_s * 1e3 == pytest.approx([23] * len(found))


def held(rows=1200):
    """Loops of 15 ms; a sensor measures every 40 ms, and its value is there 4 ms later.

    Returns
    -------
    start, measured : float array, shape (rows,) [ms]
    sample : int array, shape (rows,)
    """
    start = 200.0 + 15 * np.arange(rows)
    sample = np.floor((start - 4.5) / 40).astype(int)
    return start, 0.5 + 40 * sample, sample


AGED = {
    "a stamp": ("loop_start_us,gyro_measured_at_us,enc_end_us,drive_end_us,loop_end_us",
                lambda t, m, k: f"{t * 1e3:.0f},{m * 1e3:.0f},{t * 1e3 + 3000:.0f},"
                                f"{t * 1e3 + 7900:.0f},{t * 1e3 + 8000:.0f}", True),
    "stamps in s": ("t,gyro_stamp,enc_ms,drive_ms",
                    lambda t, m, k: f"{t / 1e3:.6f},{m / 1e3:.6f},3.0{k % 7},5.0", True),
    "an age": ("t_ms,enc_ms,drive_ms,imu age (us)",
               lambda t, m, k: f"{t:.3f},3.0{k % 7},5.0,{(t - m) * 1e3:.0f}", True),
    "an age in tenths": ("t_ms,enc_ms,drive_ms,imu_age_ms",
                         lambda t, m, k: f"{t + 0.013 * (k % 5):.3f},3.0,5.0,{t - m:.1f}", True),
    "a read's stamp": ("t_us,gyro_read_us,drive_us,gyro_sample_time_us",
                       lambda t, m, k: f"{t * 1e3:.0f},90{k % 9},5000,{m * 1e3:.0f}", True),
    "a counter": ("loop_start_us,enc_end_us,drive_end_us,imu_seq",
                  lambda t, m, k: f"{t * 1e3:.0f},{t * 1e3 + 3000:.0f},{t * 1e3 + 8000:.0f},{k}",
                  False),
    "another clock": ("loop_start_us,imu_stamp_ms,enc_end_us,drive_end_us",
                      lambda t, m, k: f"{t * 1e3:.0f},{m + 91823:.0f},{t * 1e3 + 3000:.0f},"
                                      f"{t * 1e3 + 8000:.0f}", False),
}  # fmt: skip


@pytest.mark.parametrize("way", AGED)
def test_a_sample_counts_once_in_whatever_way_its_stamp_or_age_is_logged(tmp_path, way):
    """25 samples a second in loops of 15 ms: each is held for 2.67 loops, 5 in 8 repeat one.

    Ages at a loop's start go through 8 values in turn, 4.5 to 39.5 ms by 5: half are below 24.5.
    """
    header, row, aged = AGED[way]
    start, measured, sample = held()
    rows = [row(*one) for one in zip(start, measured, sample, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    found = {one.name: one for one in freshness(looptime.read(str(path)))}
    (one,) = (f for name, f in found.items() if "gyro" in name or "imu" in name)
    assert one.fresh_hz == pytest.approx(25, rel=0.005)
    assert one.repeat_share == pytest.approx(5 / 8, abs=0.003)
    assert one.longest_hold_loops == 3
    if not aged:
        assert not one.has_age
        return
    begun = 0.9 if one.source == "read" else 0.0  # picked up where the read ends
    assert one.age_at_pickup_ms.p50 == pytest.approx(24.5 + begun, abs=5.1)
    lasts = one.age_at_last_use_ms.p50 - one.age_at_pickup_ms.p50
    assert lasts == pytest.approx(15 - begun if one.source == "read" else 8, abs=0.3)
