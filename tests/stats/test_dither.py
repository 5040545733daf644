import numpy as np
import pytest

from looptime.stats.dither import dither, is_coarse
from looptime.stats.quantiles import quantile


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
