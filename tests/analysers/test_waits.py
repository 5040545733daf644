"""Delays that are checked once a loop, and gains that ignore the step."""

import numpy as np
import pytest

from looptime.analysers.waits import delay, gain_factors
from looptime.errors import NotEnoughError, UsageError
from tests.build_run import make_run


def test_uneven_loops_by_hand():
    """A delay of 10 ms in loops of 4, 8, 4, 8, ...: fires after 12 ms, two loops on."""
    found = delay(make_run([4, 8] * 10), 10)
    assert (found.p50_ms, found.max_ms, found.late_ms) == (12, 12, pytest.approx(2))
    assert (found.loops_min, found.loops_max) == (2, 2)


@pytest.mark.parametrize("delay_ms", [3.0, 10.0, 27.5])
def test_against_a_plain_loop(delay_ms):
    """The same as walking from loop to loop."""
    period = np.random.default_rng(2).uniform(4, 16, 300)
    run = make_run(period)
    start = np.append(run.loop_columns.start_ns, run.loop_columns.period_ns.sum()) / 1e6
    took = []
    for i in range(300):
        for later in start[i + 1 :]:
            if later - start[i] >= delay_ms:
                took.append(later - start[i])
                break
    found = delay(run, delay_ms)
    assert found.starts == len(took)
    assert found.mean_ms == pytest.approx(np.mean(took))
    assert found.max_ms == pytest.approx(max(took))


def test_a_delay_that_fits_exactly():
    """A delay of exactly one period fires after one loop."""
    assert delay(make_run([10] * 5), 10).p50_ms == 10


def test_refusals():
    """No delay below zero or without end, none longer than the run."""
    for no_delay in (0, float("inf"), float("nan"), 1e300):
        with pytest.raises(UsageError, match="above 0"):
            delay(make_run([10] * 5), no_delay)
    with pytest.raises(NotEnoughError, match=r"0\.05 s"):
        delay(make_run([10] * 5), 60)
    with pytest.raises(UsageError):
        gain_factors(0, 10)


def test_gains():
    """From 50 to 20 ms the integral acts 2.5 times as strongly, the derivative 0.4 times."""
    factors = gain_factors(50, 20)
    assert (factors.derivative, factors.integral) == (0.4, 2.5)


@pytest.mark.parametrize("assumed_s", [1.0, 0.02], ids=["per loop", "fixed step"])
def test_gains_of_code_that_is_run(assumed_s):
    """Code that ignores the step, run at two paces: what its parts do to the same error."""

    def parts(period_s):
        integral, last = 0.0, None
        for k in range(round(6.0 / period_s) + 1):
            error = 1.0 + 0.5 * k * period_s  # a ramp
            # by hand: what the integral gains over a constant error, the slope that is seen
            slope = None if last is None else (error - last) / assumed_s
            integral += 1.0 * assumed_s if k else 0.0
            last = error
        return integral, slope

    (slow_integral, slow_slope), (fast_integral, fast_slope) = parts(0.05), parts(0.02)
    factors = gain_factors(50, 20)
    assert fast_integral / slow_integral == pytest.approx(factors.integral, rel=1e-9)
    assert fast_slope / slow_slope == pytest.approx(factors.derivative, rel=1e-9)


def test_without_a_loop_no_delay_is_set():
    """Nothing to tell of, and not a lateness of nothing."""
    with pytest.raises(NotEnoughError, match="no loop"):
        delay(make_run([]), 10)
