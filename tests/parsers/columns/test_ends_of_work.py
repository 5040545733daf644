"""Starts and ends of the loops' work, each row: what is between them, computed by hand."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.slow import slow_loops
from tests.parsers.build import read

#: Loops of 20 ms whose gyro and drive take 1.5 and 5 ms or a little more, with 0.2 ms besides.
K = np.arange(200)
GYRO, DRIVE = 1.5 + 0.01 * (K % 7), 5 + 0.1 * (K % 5)
START = 0.02 * K + 0.00001 * (K % 3)
END = START + (GYRO + DRIVE + 0.2) / 1000


@pytest.mark.parametrize(
    ("head", "first"),
    [("loop_start_s,loop_end_s", 0), ("loop_start,loop_end", 1_790_000_000), ("t_s,done_s", 7)],
)
def test_what_lies_between_start_and_end_is_the_work(tmp_path, head, first):
    """In seconds of five digits as well; ends without a unit are in that of the starts."""
    rows = [f"{first + a:.5f},{first + b:.5f},{g:.2f},{d:.2f}" for a, b, g, d in
            zip(START, END, GYRO, DRIVE, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join([f"{head},gyro_ms,drive_ms", *rows]) + "\n")
    work = run.loop_columns.body_ns / 1e6
    assert work == pytest.approx((GYRO + DRIVE + 0.2)[: len(run)], abs=0.021)


def test_an_instant_before_the_parts_are_over_ends_nothing(tmp_path):
    """A frame that arrived 3 ms after the start: the parts do not fit in before it."""
    rows = [f"{a:.5f},{a + 0.003:.5f},{g:.2f},{d:.2f}" for a, g, d in
            zip(START, GYRO, DRIVE, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join(["loop_start_s,frame_s,gyro_ms,drive_ms", *rows]) + "\n")
    assert run.loop_columns.body_ns is None


def test_ends_to_the_millisecond_make_no_loop_slow(tmp_path):
    """Work of about 5 ms told as 4, 5 or 6 by its rounded ends: none of that stands out."""
    rng = np.random.default_rng(14)
    start = 2 + 0.02 * np.arange(1500) + np.abs(rng.normal(0, 0.00012, 1500))
    end = start + rng.normal(5, 0.25, 1500) / 1000
    gyro, drive = rng.normal(900, 60, 1500), rng.normal(3500, 100, 1500)
    rows = [f"{a:.3f},{b:.3f},{g:.0f},{d:.0f}" for a, b, g, d in
            zip(start, end, gyro, drive, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join(["start_s,end_s,gyro_us,drive_us", *rows]) + "\n")
    assert run.clock.tick_ns == 1_000_000
    assert not slow_loops(prepare(run))[0].any()


def test_an_instant_at_random_after_the_parts_ends_nothing(tmp_path):
    """A picture that arrives in each loop at any time, as a rule once the parts are over."""
    late = np.random.default_rng(5).uniform(0, 12, len(K))
    rows = [f"{a:.5f},{b + more / 1000:.5f},{g:.2f},{d:.2f}" for a, b, more, g, d in
            zip(START, END, late, GYRO, DRIVE, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join(["loop_start_s,frame_s,gyro_ms,drive_ms", *rows]) + "\n")
    assert run.loop_columns.body_ns is None
