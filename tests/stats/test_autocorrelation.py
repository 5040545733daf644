import numpy as np
import pytest

from looptime.stats.autocorrelation import autocorrelation, inflation, lag_one


def test_it_agrees_with_the_definition():
    """A direct sum over the products gives the same numbers."""
    x = np.random.default_rng(1).normal(0, 1, 60)
    u = x - x.mean()
    direct = [sum(u[j] * u[j + k] for j in range(60 - k)) / (u @ u) for k in range(6)]
    assert autocorrelation(x, 5) == pytest.approx(direct)


def test_an_autoregression_shows_its_coefficient():
    """The lag-k correlation of a first-order autoregression is rho to the k."""
    rng = np.random.default_rng(2)
    x = np.zeros(100_000)
    for j, shock in enumerate(rng.normal(0, 1, len(x) - 1), 1):
        x[j] = 0.6 * x[j - 1] + shock
    assert autocorrelation(x, 3) == pytest.approx([1, 0.6, 0.36, 0.216], abs=0.02)


def test_a_constant_series_has_none():
    """Constant periods give a defined answer."""
    assert autocorrelation(np.full(50, 0.1), 3).tolist() == [1, 0, 0, 0]
    assert lag_one(np.zeros(20), 0.05) == 0


def test_lag_one_is_clipped():
    """Neither below 0 nor above 0.8."""
    assert lag_one(np.arange(200.0) - 99.5, 0.05) == 0.8
    assert lag_one(np.tile([1.0, -1.0], 10), 0.05) == 0


def test_inflation_of_no_correlation_is_one():
    """(1 + r) / (1 - r)."""
    assert inflation(0) == 1
    assert inflation(0.8) == pytest.approx(9)
