"""The tick that a recorded loop keeps, and by how much it misses it."""

import numpy as np
import pytest

from looptime.planner.play.pacer import recorded_pace
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
