import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from looptime.errors import NotEnoughError
from looptime.stats.quantiles import (
    element_number,
    elements,
    percentiles,
    quantile,
    quantiles,
    time_quantiles,
    worst_mean,
)

periods = st.lists(st.integers(1, 10_000), min_size=1, max_size=80)
shares = st.sampled_from([0.01, 0.25, 0.5, 0.9, 0.95, 0.99, 1.0])


@given(periods, shares)
def test_a_quantile_is_the_smallest_value_that_enough_loops_do_not_exceed(x, p):
    """Counting by hand gives the same element."""
    need = p * len(x) - 1e-9
    expected = min(v for v in x if sum(w <= v for w in x) >= need)
    assert quantile(x, p) == expected


def test_rounding_of_the_product_does_not_move_the_element():
    """0.95 x 6,000 is 5700 although floating point may say a little more."""
    assert element_number(0.95, 6000) == 5700
    assert all(element_number(i / 1000, 1000) == i for i in range(1, 1001))


@given(periods, shares)
def test_a_time_quantile_covers_the_share_of_time(x, p):
    """A list in which each period is repeated once per unit of its length gives the answer."""
    by_moment = sorted(v for v in x for _ in range(v)) if sum(x) < 50_000 else None
    if by_moment is not None:
        expected = by_moment[max(math.ceil(p * len(by_moment) - 1e-9), 1) - 1]
        assert time_quantiles(x, [p])[0] == expected


def test_time_quantiles_of_zeros_are_zero():
    """All-zero durations have a defined answer."""
    assert time_quantiles([0, 0, 0], [0.5, 0.99]).tolist() == [0, 0]


def test_time_quantiles_refuse_negative_periods():
    """A negative period is a mistake of the caller."""
    with pytest.raises(ValueError, match="negative"):
        time_quantiles([-1, 2], [0.5])


@given(periods, st.sampled_from([0.01, 0.05, 0.3, 1.0]))
def test_the_worst_mean_is_an_average_of_quantiles(x, share):
    """Integrating the sorted values over the last share of ranks gives the same figure."""
    ordered = np.sort(np.array(x, dtype=float))
    edges = np.clip((np.arange(len(x) + 1) - (1 - share) * len(x)), 0, None)
    weights = np.diff(edges)
    assert worst_mean(x, share) == pytest.approx((weights * ordered).sum() / weights.sum())


def test_the_worst_mean_of_everything_is_the_mean():
    """With a share of 1 nothing is left out."""
    assert worst_mean([1, 2, 6], 1.0) == 3


def test_an_empty_run_has_no_quantile():
    """Nothing cannot be summarised."""
    with pytest.raises(NotEnoughError):
        quantiles([], [0.5])


@given(periods, st.lists(shares, min_size=1, max_size=4))
def test_elements_are_those_of_the_sorted_values(x, wanted):
    """Whatever the ties, and for places named twice."""
    places = sorted(element_number(p, len(x)) - 1 for p in wanted)
    assert elements(np.array(x), places) == [float(sorted(x)[k]) for k in places]


@given(periods, st.lists(st.integers(0, 100), min_size=1, max_size=4))
def test_percentiles_agree_with_numpy(x, percents):
    """Between the elements as NumPy's default has it."""
    values = np.array(x) / 7
    found = percentiles(values, sorted(percents))
    assert found == pytest.approx(np.percentile(values, sorted(percents)), rel=1e-14)
