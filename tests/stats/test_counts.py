import pytest
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.counts import (
    binomial_two_sided,
    poisson_at_least,
    rare_upper_bound,
    too_rare_to_gate,
)


@pytest.mark.parametrize(("count", "total"), [(0, 3), (1, 7), (4, 8), (7, 7)])
def test_even_sides_agree_with_the_exact_test(count, total):
    """At one half the distribution is symmetric, so both usual two-sided forms agree."""
    expected = stats.binomtest(count, total, 0.5).pvalue
    assert binomial_two_sided(count, total, 0.5) == pytest.approx(expected)


def test_uneven_sides_double_the_smaller_tail():
    """3 of 4 events on a side with a quarter of the loops."""
    tail = stats.binom.sf(2, 4, 0.25)
    assert binomial_two_sided(3, 4, 0.25) == pytest.approx(2 * tail)


def test_poisson_tail():
    """The tail agrees with an independent implementation."""
    assert poisson_at_least(0, 0.3) == 1
    assert poisson_at_least(5, 1.2) == pytest.approx(stats.poisson.sf(4, 1.2))


def test_the_rule_of_three():
    """3 / n, never above 1."""
    assert rare_upper_bound(300) == 0.01
    assert rare_upper_bound(1) == 1
    with pytest.raises(NotEnoughError):
        rare_upper_bound(0)


def test_fewer_than_three_events_a_run_are_too_rare():
    """The border is exactly 3."""
    assert not too_rare_to_gate([3, 3, 3, 3, 3])
    assert too_rare_to_gate([3, 3, 3, 3, 2])
