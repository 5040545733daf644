"""The tick that a recorded loop keeps, and by how much it misses it."""

import numpy as np
import pytest

from looptime.planner.play.pacer import recorded_pace
from looptime.planner.play.placing import _Source
from tests.build_run import make_flat_run


@pytest.mark.parametrize("least_wait_ms", [0.5, 8.0])
def test_jitter_counts_from_the_earliest_wakes(least_wait_ms):
    """Ticks of 20 ms, woken up to 1 ms late: half a millisecond on average, however long the wait.

    The earliest twentieth of the wakes, 0.05 ms late, is where the tick is taken to be.
    """
    rng = np.random.default_rng(2)
    n = 2000
    wake = rng.uniform(0, 1, n + 1)
    period = 20 + np.diff(wake)
    work = 20 - least_wait_ms - 1 - rng.uniform(0, 3, n)
    wait = period - work
    run = make_flat_run(
        (period * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": (wait * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )
    found, wait_known = recorded_pace(run)
    assert wait_known
    assert found.interval_ns == pytest.approx(20e6, rel=1e-4)
    assert found.jitter_ns.mean() / 1e6 == pytest.approx(0.5 - 0.05, abs=0.03)


@pytest.mark.parametrize(
    ("rule", "due", "now", "then"),
    [
        ("since start", 0.0, 25.0, 35.0),  # counted from when it was made
        ("since end", 0.0, 25.0, 37.0),  # and from when it was done, 2 ms later
        ("timetable", 20.0, 25.0, 30.0),  # 0, 10, 20 ...: a late one does not move the next
        ("timetable", 20.0, 47.0, 50.0),  # what was missed is not made up for
        ("timetable", 20.0, 20.0, 30.0),
    ],
)
def test_when_work_by_the_clock_is_due_again(rule, due, now, then):
    """Every 10 ms, by each rule."""
    empty = np.empty(0, np.int64)
    assert _Source("call", [], empty, [], rule, 10.0, due).next_due(now, 2.0) == then


def test_a_recording_is_played_round_and_round():
    """Dues at 3 and 7 of a lap of 10: the third is at 13."""
    source = _Source("call", [], np.empty(0, np.int64), [], "recorded", 10.0, 3.0, [3.0, 7.0])
    for turn, due in enumerate([3.0, 7.0, 13.0, 17.0, 23.0]):
        source.turn = turn
        assert source.next_due(0.0, 2.0) == due


def test_the_wait_of_a_loop_that_goes_on_misses_by_what_its_period_does():
    """A sleep of 20 ms less the work ends up to 1 ms late: jitter is what a period has more."""
    rng = np.random.default_rng(4)
    late = rng.uniform(0, 1, 1500)
    work = rng.uniform(5, 9, 1500)
    period = 20 + late
    run = make_flat_run(
        (period * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": ((period - work) * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )
    found, _ = recorded_pace(run)
    assert found.late == "go-on"
    assert np.ptp(found.jitter_ns) / 1e6 == pytest.approx(1.0, abs=0.01)
    assert np.corrcoef(found.jitter_ns, late)[0, 1] > 0.999
