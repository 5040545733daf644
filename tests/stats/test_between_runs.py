import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.between_runs import (
    compare_runs,
    compare_runs_in_order,
    count_scale,
    log_scale,
    order_of_runs,
    resolvable_between_runs,
    runs_to_resolve,
)

sides = st.lists(st.floats(0, 10).map(lambda v: round(v, 3)), min_size=2, max_size=6)


@given(sides, sides)
@example([0.001, 7.988, 0.001, 0, 2.899], [0.001, 7.988, 0, 0, 2.899])
def test_it_is_students_test(a, b):
    """The p-value and the interval agree with an independent implementation."""
    if min(np.ptp(a), np.ptp(b)) < 0.01:
        return
    found = compare_runs(a, b)
    expected = stats.ttest_ind(b, a)
    assert found.p == pytest.approx(expected.pvalue, abs=1e-9)
    interval = expected.confidence_interval()
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high), abs=1e-9)


def test_history_moderates_the_variance():
    """Three and three runs with eight of history: squares and degrees of freedom add up."""
    a, b, old = [1.0, 2, 3], [3.0, 4, 5], [0.0, 2, 0, 2, 0, 2, 0, 2]
    found = compare_runs(a, b, old)
    assert found.df == 4 + 7
    assert found.sd**2 == pytest.approx((2 + 2 + 8) / 11)
    assert found.p == pytest.approx(2 * stats.t.sf(2 / (found.sd * math.sqrt(2 / 3)), 11))
    assert found.history == 8


def test_four_old_runs_are_no_history():
    """Fewer than five say too little and are left out."""
    assert compare_runs([1, 2, 3], [2, 3, 4], [1, 9, 1, 9]) == compare_runs([1, 2, 3], [2, 3, 4])


def test_one_run_a_side_needs_history():
    """Alone it is refused with what would do; with history it is answered."""
    with pytest.raises(NotEnoughError, match=r"record 3 \+ 3"):
        compare_runs([1.0], [2.0])
    found = compare_runs([1.0], [2.0], [1.0, 1.1, 0.9, 1.05, 0.95])
    assert found.df == 4
    assert found.p < 0.01


def test_runs_that_agree_to_the_last_digit():
    """No scatter at all has a defined answer."""
    assert compare_runs([1, 1, 1], [1, 1, 1]).p == 1
    assert compare_runs([1, 1, 1], [2, 2, 2]).p == 0


def test_percent_comes_from_the_logarithm():
    """A difference of log 1.05 is 5 %."""
    y = log_scale([10.0, 10.2, 9.8])
    found = compare_runs(y, y + math.log(1.05))
    assert found.percent == pytest.approx(5)
    low, high = found.percent_interval
    assert low < 5 < high


def test_scales():
    """Zeros have no logarithm; counts may be zero but not negative."""
    with pytest.raises(NotEnoughError, match="above 0"):
        log_scale([1.0, 0.0])
    assert count_scale([0, 4]) == pytest.approx([math.sqrt(0.375), math.sqrt(4.375)])
    with pytest.raises(ValueError):
        count_scale([-1])


def test_a_root_of_poisson_counts_scatters_evenly():
    """Its standard deviation is near one half whatever the mean."""
    rng = np.random.default_rng(1)
    sds = [count_scale(rng.poisson(m, 20_000)).std() for m in (4, 16, 64)]
    assert sds == pytest.approx([0.5, 0.5, 0.5], abs=0.03)


@pytest.mark.parametrize(
    ("a", "b", "letters", "separated", "imbalance"),
    [
        ([1, 2, 3], [4, 5, 6], "AAABBB", True, 1.0),
        ([4, 5, 6], [1, 2, 3], "BBBAAA", True, -1.0),
        ([1, 4], [2, 3], "ABBA", False, 0.0),
        ([1, 3], [2, 4], "ABAB", False, 0.5),
        ([1], [2], "AB", False, 1.0),
        ([1], [2, 3], "ABB", True, 1.0),
    ],
)
def test_the_order_is_read_from_the_times(a, b, letters, separated, imbalance):
    """Letters, separation and imbalance of small orders counted by hand."""
    found = order_of_runs(a, b)
    assert (found.letters, found.separated) == (letters, separated)
    assert found.imbalance == pytest.approx(imbalance)


def test_a_trend_over_the_runs_is_not_taken_for_a_difference():
    """A trend alone: Student sees a difference, the fit with the order does not."""
    y = np.arange(10.0) + np.random.default_rng(3).normal(0, 0.3, 10)
    times = np.arange(10.0)
    args = (y[:5], y[5:], times[:5], times[5:])
    assert compare_runs(*args[:2]).p < 0.01
    found = compare_runs_in_order(*args)
    assert found.p > 0.05
    assert found.order_slope == pytest.approx(1, abs=0.2)


def test_the_fit_with_order_agrees_with_a_regression():
    """Coefficient and error agree with least squares solved another way."""
    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, 4), rng.normal(1, 1, 5)
    ta, tb = [0, 2, 5, 8], [1, 3, 4, 6, 7]
    found = compare_runs_in_order(a, b, ta, tb)
    design = np.column_stack([np.ones(9), [0] * 4 + [1] * 5, ta + tb])
    y = np.concatenate([a, b])
    beta, rest, *_ = np.linalg.lstsq(design, y, rcond=None)
    error = math.sqrt(rest[0] / 6 * np.linalg.inv(design.T @ design)[1, 1])
    assert (found.difference, found.se, found.order_slope) == pytest.approx(
        (beta[1], error, beta[2])
    )
    assert found.df == 6


def test_a_fit_with_order_needs_four_runs():
    """Three unknowns and one run for the error."""
    with pytest.raises(NotEnoughError, match="at least 4"):
        compare_runs_in_order([1], [2, 3], [1], [2, 3])


@pytest.mark.parametrize("k", [2, 3, 5, 8])
def test_what_runs_resolve(k):
    """Resolvable differences equal 5.36, 3.04, 2.02 and 1.51 standard deviations."""
    expected = {2: 5.36, 3: 3.04, 5: 2.02, 8: 1.51}[k]
    assert resolvable_between_runs(1, k, k) == pytest.approx(expected, abs=0.006)
    rng = np.random.default_rng(k)
    y = rng.normal(0, 1, 2 * k)
    found = compare_runs(y[:k], y[k:])
    assert found.resolvable == pytest.approx(resolvable_between_runs(found.sd, k, k))


def test_what_too_few_runs_resolve():
    """One and one resolve nothing."""
    with pytest.raises(NotEnoughError):
        resolvable_between_runs(1, 1, 1)


def test_runs_that_would_do():
    """With a scatter of 0.7 % three runs a side resolve 2.13 %, four are needed for 2 %."""
    assert runs_to_resolve(0.7, 2.13) == 3
    assert runs_to_resolve(0.7, 2.0) == 4
    assert runs_to_resolve(0.7, 0.01) is None
