"""Whether instants are spaced more evenly than chance spaces them."""

import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.spacing import p_at_random


@pytest.mark.parametrize("count", [6, 25])
def test_instants_at_random_pass_for_even_as_rarely_as_the_level_says(count):
    """Of 2000 draws of a Poisson process one in twenty is below 0.05, one in a hundred 0.01."""
    rng = np.random.default_rng(3)
    p = np.array([p_at_random(np.cumsum(rng.exponential(size=count))) for _ in range(2000)])
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.015)
    assert (p < 0.01).mean() == pytest.approx(0.01, abs=0.007)


def test_neither_unit_nor_order_nor_origin_counts():
    """Milliseconds since boot, in reverse, tell what seconds since the start do."""
    at = np.cumsum(np.random.default_rng(4).gamma(4, size=12))
    assert p_at_random(5e6 + 1e3 * at[::-1]) == pytest.approx(p_at_random(at), abs=1e-3)


def test_two_equal_instants_are_the_opposite_of_even():
    """A gap of nothing makes the statistic as small as can be."""
    assert p_at_random([0, 1, 1, 2, 3, 4]) > 0.99


def test_needs_three_gaps():
    """Two gaps could be alike by chance."""
    with pytest.raises(NotEnoughError):
        p_at_random([0, 1, 2])
