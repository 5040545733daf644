import math

import numpy as np
import pytest
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.prediction_limits import (
    extra_variance,
    prediction_limit,
    screen_baseline,
)

EIGHT = [1.0, 1.2, 0.9, 1.1, 1.0, 0.8, 1.1, 0.9]


def test_the_limit_by_hand():
    """Mean 10, variance 0.5, five runs: 10 + 2.1318 sqrt(0.5 x 1.2)."""
    limit = prediction_limit(11.0, [9, 10, 11, 10, 10])
    assert limit.high == pytest.approx(10 + 2.13185 * math.sqrt(0.6), abs=1e-4)
    assert not limit.beyond
    assert limit.p == pytest.approx(stats.t.sf(1 / math.sqrt(0.6), 4))
    assert limit.resolvable == pytest.approx((2.131847 + 0.940965) * math.sqrt(0.6), rel=1e-5)


def test_p_and_limit_agree():
    """At the limit itself the one-sided p is the level."""
    for alpha in (0.05, 0.01):
        high = prediction_limit(0, EIGHT, alpha).high
        assert prediction_limit(high, EIGHT, alpha).p == pytest.approx(alpha)


def test_the_limit_is_exceeded_as_often_as_it_says():
    """Of simulated unchanged runs about one in twenty lies beyond."""
    y = np.random.default_rng(1).normal(0, 1, (4000, 9))
    rate = np.mean([prediction_limit(row[0], row[1:]).beyond for row in y])
    assert 0.04 < rate < 0.06


def test_unequal_windows_widen_the_limit():
    """The extra variance goes under the root, and never below zero."""
    wide = prediction_limit(1, EIGHT, extra=0.04)
    assert wide.se**2 == pytest.approx(prediction_limit(1, EIGHT).se ** 2 + 0.04)
    assert extra_variance(0.05, [0.01, 0.03]) == pytest.approx(0.03)
    assert extra_variance(0.01, [0.05]) == 0


def test_a_baseline_of_four_is_refused():
    """Five runs are the least."""
    with pytest.raises(NotEnoughError, match="at least 5 values, there are 4"):
        prediction_limit(1, [1, 2, 3, 4])


@pytest.mark.parametrize(("value", "beyond", "p"), [(0.1, False, 1.0), (0.2, True, 0.0)])
def test_a_baseline_without_scatter(value, beyond, p):
    """Runs that agree to the last digit: the same again is within, more is beyond."""
    limit = prediction_limit(value, [0.1] * 6)
    assert (limit.beyond, limit.p) == (beyond, p)


def test_one_bad_run_of_eight_is_dropped():
    """Ten standard deviations off."""
    screened = screen_baseline([*EIGHT[:-1], 5.0])
    assert screened.odd.tolist() == [7]
    assert screened.kept.sum() == 7
    assert screened.usable


def test_one_bad_run_of_seven_is_kept_and_named():
    """With fewer than eight runs nothing is dropped."""
    screened = screen_baseline([*EIGHT[:6], 5.0])
    assert screened.odd.tolist() == [6]
    assert screened.kept.all()


def test_a_baseline_with_many_bad_runs_is_not_usable():
    """Three of eight are more than a quarter."""
    assert not screen_baseline([1.0, 1.01, 0.99, 1.0, 1.02, 7, 8, 9]).usable
    assert screen_baseline([1.0, 1.01, 0.99, 1.0, 1.02, 0.98, 8, 9]).usable


def test_screening_values_without_scatter_drops_none():
    """A MAD of zero is no yardstick."""
    assert screen_baseline([1.0] * 7 + [1.1]).kept.all()


def test_the_border_of_screening():
    """The limit is 4 x 1.4826 MAD: with MAD 1 a value 5.93 away stays and 5.94 goes."""
    base = [-1.0, 1.0, -1.0, 1.0, 0.0, 0.0, 1.0, -1.0]
    assert screen_baseline([*base, 5.93]).kept.all()
    assert screen_baseline([*base, 5.94]).odd.tolist() == [8]
