"""Timers whose grid does not fit the period that a loop asks for."""

import numpy as np
import pytest

from looptime.analysers.wake_grid import wake_grid
from looptime.findings import summarise
from tests.build_run import make_run


def woken(asked, step, work=3.0, n=1200, seed=1):
    """Begins at the first step of the timer after each due time, up to 0.08 ms late."""
    rng = np.random.default_rng(seed)
    begin = np.ceil(np.arange(n + 1) * asked / step - 1e-9) * step + rng.uniform(0, 0.08, n + 1)
    return np.diff(begin), rng.normal(work, 0.1, n)


@pytest.mark.parametrize(
    ("asked", "step", "low", "high"), [(10, 4, 8, 12), (25, 10, 20, 30), (20, 3, 18, 21)]
)
def test_a_period_between_two_steps_is_kept_on_average_alone(asked, step, low, high):
    """Loops take the multiple below and the one above."""
    period, work = woken(asked, step)
    found = wake_grid(period, period - work, asked, 0.001)
    assert found.step_ms == pytest.approx(step, rel=0.01)
    assert (found.low_ms, found.high_ms) == pytest.approx((low, high), abs=0.1)


def test_a_period_that_fits_the_timer_is_kept():
    """12 ms of steps of 4 ms; and begins that scatter lie on no grid."""
    period, work = woken(12, 4)
    assert wake_grid(period, period - work, 12, 0.001) is None
    period = np.random.default_rng(2).normal(10, 2, 1200)
    assert wake_grid(period, period - 3, 10, 0.001) is None


def test_a_clock_as_coarse_as_that_shows_no_wakes():
    """Stamps in steps of 4 ms would look the same whatever the timer does."""
    period, work = woken(10, 4)
    stamps = np.floor(np.append(0, np.cumsum(period)) / 4) * 4
    assert wake_grid(np.diff(stamps), period - work, 10, 4.0) is None
    assert wake_grid(np.diff(stamps), period - work, 10, 0.001) is None


def test_a_loop_that_takes_the_ticks_that_its_work_needs_is_no_coarse_timer():
    """Work of 6 or 10 ms on ticks of 4: no wait is longer than one."""
    work = np.where(np.arange(1200) % 2, 6.0, 10.0) + np.random.default_rng(3).uniform(0, 1, 1200)
    period = np.ceil(work / 4) * 4 + np.diff(np.random.default_rng(4).uniform(0, 0.08, 1201))
    assert wake_grid(period, period - work, 10, 0.001, stated=True) is None


def test_without_its_waits_a_loop_is_held_against_what_its_log_states():
    """Loops of 8 and 12 ms may be what the work takes, unless 10 ms are said to be asked for."""
    period, _ = woken(10, 4)
    assert wake_grid(period, None, 10, 0.001) is None
    assert wake_grid(period, None, 10, 0.001, stated=True).step_ms == pytest.approx(4, rel=0.01)


def test_loops_that_lose_or_gain_on_the_period_were_not_asked_for_it():
    """Of 8 or 12 ms by the toss of a coin: over 32 loops 11 ms off, more than a step and a bit."""
    toss = np.random.default_rng(5).random(1200) < 0.5
    scatter = np.diff(np.random.default_rng(6).uniform(0, 0.08, 1201))
    period = np.where(toss, 8.0, 12.0) + scatter
    assert wake_grid(period, period - 3, 10, 0.001) is None
    evenly = np.where(np.arange(1200) % 2, 8.0, 12.0) + scatter
    assert wake_grid(evenly, evenly - 3, 10, 0.001).step_ms == pytest.approx(4, rel=0.01)


def test_no_call_is_named_for_a_coarse_timer():
    """The finding comes first, with the grid and both lengths; none says that loops are late."""
    period, work = woken(10, 4)
    work[::100] += 1.5
    run = make_run(
        period.tolist(),
        lambda k: [("work", 0, work[k]), ("slept", work[k], period[k] - work[k])],
        {"work": "compute", "slept": "pacing"},
        tick_ns=1000,
    )
    first, *others = summarise(run, keep_warmup=True).findings
    assert first.code == "coarse_wakes"
    assert first.value == pytest.approx(4, rel=0.01)
    assert "8 ms and 12 ms in turns, up to 2 ms off" in first.text.replace("8.0", "8")
    assert not first.evidence.calls
    assert not {f.code for f in others} & {"pacing_catches_up", "pacing_skips", "turns"}
