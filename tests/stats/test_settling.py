import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from looptime.errors import NotEnoughError
from looptime.stats.settling import truncation, warm_up


@given(st.lists(st.floats(-10, 10), min_size=2, max_size=40))
def test_truncation_minimises_the_standard_error(values):
    """No other cut up to the half gives a smaller squared error of the mean."""
    y = np.array(values)
    scores = [((y[c:] - y[c:].mean()) ** 2).sum() / (len(y) - c) ** 2
              for c in range(len(y) // 2 + 1)]  # fmt: skip
    assert scores[truncation(y)] <= min(scores) + 1e-9


def test_a_step_is_cut_where_it_ends():
    """Two seconds at 12 ms, then 10 ms."""
    rng = np.random.default_rng(1)
    t = np.arange(4000) * 0.010
    x = np.where(t < 2, 12.0, 10.0) + rng.normal(0, 0.3, 4000)
    found = warm_up(x, t)
    assert found.seconds == pytest.approx(2, abs=0.26)
    assert found.loops == 25 * round(found.loops / 25)
    assert found.excess == pytest.approx(0.2, abs=0.02)


def test_a_faster_start_is_a_warm_up_too():
    """The guard asks for a difference, not for slowness."""
    t = np.arange(4000) * 0.010
    x = np.where(t < 2, 8.0, 10.0) + np.random.default_rng(2).normal(0, 0.3, 4000)
    assert 1.9 < warm_up(x, t).seconds < 4


def test_less_than_a_percent_is_not_worth_a_cut():
    """A step of 0.8 % that MSER sees is let go by the guard."""
    t = np.arange(4000) * 0.010
    x = np.where(t < 2, 10.08, 10.0) + np.random.default_rng(3).normal(0, 0.02, 4000)
    found = warm_up(x, t)
    assert found.unguarded_loops > 0
    assert found.loops == 0


@pytest.mark.parametrize("value", [0.0, 10.0])
def test_a_constant_run_has_no_warm_up(value):
    """Constant periods and zeros."""
    found = warm_up(np.full(2000, value), np.arange(2000) * 0.01)
    assert (found.loops, found.excess) == (0, 0)


def test_a_short_run_is_refused_with_the_length_that_would_do():
    """Eight windows of 25 loops at 60 ms, of 125 loops at 2 ms."""
    with pytest.raises(NotEnoughError, match="at least 200 loops"):
        warm_up(np.ones(100), np.arange(100) * 0.060)
    with pytest.raises(NotEnoughError, match=r"at least 1,000 loops .8 windows., there are 999"):
        warm_up(np.ones(999), np.arange(999) * 0.002)
