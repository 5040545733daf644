import numpy as np
import pytest

from looptime.checks.gate.limits import limit_rows
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import record
from looptime.planner.answer.prediction import untold_tail
from looptime.stats.dither import (
    TOO_COARSE,
    dither,
    is_coarse,
    untold_ms,
    untold_there,
)
from looptime.stats.quantiles import quantile
from looptime.stats.twosample import compare_recordings
from tests.build_run import make_run


def test_coarse_means_above_a_fiftieth_of_the_quartile_range():
    """Quartiles 25 and 75, so the border lies at a tick of 1."""
    x = np.arange(1, 101)
    assert not is_coarse(x, 1.0)
    assert is_coarse(x, 1.01)
    assert not is_coarse(x, 0.0)
    assert is_coarse(np.full(10, 7.0), 1.0)


def test_noise_stays_within_half_a_tick_and_is_repeatable():
    """The same log gives the same verdict every time."""
    x = np.repeat([10.0, 11.0], 500)
    noisy = dither(x, 1.0)
    assert np.abs(noisy - x).max() <= 0.5
    assert (noisy == dither(x, 1.0)).all()
    assert (np.round(noisy[:500]) == 10).mean() > 0.99


def test_fine_values_are_left_alone():
    """A fine clock needs no noise."""
    x = np.random.default_rng(1).normal(10, 1, 100)
    assert (dither(x, 1e-6) == x).all()


def test_dither_recovers_the_median_that_rounding_hides():
    """The median of rounded values is a whole number; the dithered one is near the truth."""
    x = np.random.default_rng(2).normal(10.3, 0.8, 40_000)
    assert quantile(np.round(x), 0.5) == 10
    assert quantile(dither(np.round(x), 1.0), 0.5) == pytest.approx(10.3, abs=0.03)


def timed(mean_ms, tick_ms, seed, loops=4000, sd_ms=0.3):
    """Lengths of loops by a clock that steps by `tick_ms` [ms]."""
    at = np.cumsum(np.random.default_rng(seed).normal(mean_ms, sd_ms, loops + 1))
    return np.diff(np.floor(at / tick_ms) * tick_ms)


def test_lengths_of_one_step_or_none_tell_no_quantile_but_those_of_many_do():
    """Loops of 12 ms on a clock of 16 come out as 0 or 16; a stall of 300 ms is told by it."""
    x = timed(12, 16, 1)
    assert set(x) == {0, 16}
    assert untold_ms(x, 16.0) == 16
    assert [untold_there(x, 16.0, q) for q in (0.0, 16.0, 48.0, 304.0)] == [0, 16, 16, 0]
    assert untold_there(timed(5.3, 1, 1, sd_ms=0.01), 1.0, 6.0) == 1  # 5 or 6
    assert untold_ms(timed(200, 16, 1), 16.0) == 0


@pytest.mark.parametrize(("tick_ms", "told"), [(16.0, False), (0.001, True)])
def test_two_recordings_are_judged_by_their_mean_where_the_clock_tells_no_more(tick_ms, told):
    """Loops of 12 ms and of 13: the mean tells it on either clock, the quantiles on one."""
    before, after = timed(12, tick_ms, 1), timed(13, tick_ms, 2)
    found = compare_recordings(before, after, ["mean", "median", "p99", "worst5"], tick_ms)
    assert found["mean"].p < 1e-6
    for name in ("median", "p99", "worst5"):
        assert (found[name].refused == "") is told
        assert (found[name].p is not None) is told
    if not told:
        assert found["p99"].refused == TOO_COARSE


def test_a_limit_within_a_step_of_the_clock_is_not_judged():
    """A p99 of 12.7 ms is 16 by that clock: below 40 and above 5 it surely is, 15 can't be told."""
    run = make_run(timed(12, 16, 3), tick_ns=16_000_000)
    found = measure(record(run).series())
    rows = {}
    for limit in (5.0, 15.0, 40.0):
        (row,) = limit_rows([found], {"period_p99_ms": limit})
        rows[limit] = (row.verdict, row.note)
    # 16 is above 5 by less than a step: it may be any length up to 32
    assert rows == {5.0: ("can't tell", TOO_COARSE), 15.0: ("can't tell", TOO_COARSE),
                    40.0: ("pass", "")}  # fmt: skip
    (mean,) = limit_rows([found], {"period_mean_ms": 11.0})
    assert mean.verdict == "fail"


@pytest.mark.parametrize(("tick_ms", "told"), [(16.0, False), (0.001, True)])
def test_a_plan_says_that_its_p99_is_no_finer_than_the_clock(tick_ms, told):
    """The same loops on either clock."""
    run = make_run(timed(12, tick_ms, 4), tick_ns=round(tick_ms * 1e6))
    assert (untold_tail(run) == ()) is told
