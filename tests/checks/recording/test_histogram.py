"""Histograms merge exactly and stay within 1 %."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from looptime.checks.recording.histogram import ERROR_BOUND, Histogram, bin_edges
from looptime.errors import NotEnoughError

durations = st.lists(st.integers(-(10**6), 2**61), max_size=60)


@given(durations, st.floats(0, 1))
@settings(max_examples=200)
def test_every_quantile_is_within_the_bound(values, share):
    """The quantile differs from the sorted element by at most 1 % of it."""
    if not values:
        return
    exact = sorted(values)[max(int(np.ceil(share * len(values) - 1e-9 * len(values))), 1) - 1]
    assert abs(Histogram.of(values).quantile_ns(share) - exact) <= ERROR_BOUND * abs(exact) + 1e-9


@given(st.lists(durations, min_size=1, max_size=6), st.randoms())
@settings(max_examples=100)
def test_merging_is_exact_in_any_order_and_grouping(parts, random):
    """Any order and any grouping gives the histogram of all values at once."""
    whole = Histogram.of([v for part in parts for v in part])
    shuffled = [Histogram.of(part) for part in parts]
    random.shuffle(shuffled)
    assert Histogram.merged(shuffled) == whole
    one_by_one = Histogram.empty()
    for part in shuffled:
        one_by_one = part + one_by_one
    assert one_by_one == whole


def test_the_widest_bin_keeps_the_bound():
    """Half the width over the middle of every bin is at most 1 %, by whole-number arithmetic."""
    edges = [int(e) for e in bin_edges()]
    for low, high in pairwise(edges):
        assert high - low == 1 or 100 * (high - low) <= high + low


def test_sum_and_extremes_are_exact():
    """Sum, count and extremes carry no rounding."""
    x = np.random.default_rng(1).integers(1, 10**12, 1000)
    made = Histogram.of(x)
    assert (made.total_ns, made.count) == (sum(map(int, x)), 1000)
    assert (made.least_ns, made.most_ns) == (x.min(), x.max())
    assert made.quantile_ns(0) == pytest.approx(x.min(), rel=ERROR_BOUND)


def test_nothing_has_no_quantile():
    """An empty histogram says so."""
    with pytest.raises(NotEnoughError):
        Histogram.empty().quantile_ns(0.5)


def test_a_quantile_is_the_element_that_it_is_of_the_sorted_values():
    """Four values far apart: the second is the median, the third holds three quarters."""
    made = Histogram.of([1_000, 10_000, 100_000, 1_000_000])
    found = made.quantiles_ns([0.25, 0.5, 0.51, 0.75, 1.0])
    assert found == pytest.approx([1e3, 1e4, 1e5, 1e5, 1e6], rel=ERROR_BOUND)
