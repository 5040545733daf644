import numpy as np
import pytest

from looptime.stats.autocorrelation import inflation, lag_one


def test_a_constant_series_has_none():
    """Constant periods give a defined answer."""
    assert lag_one(np.zeros(20), 0.05) == 0


def test_lag_one_agrees_with_the_definition():
    """Products of neighbours over squares, and the bias on top."""
    u = np.repeat([1.0, -2.0, 1.0, 3.0, -3.0], 2)
    products = 1 - 2 + 4 - 2 + 1 + 3 + 9 - 9 + 9
    assert lag_one(u, 0.05) == pytest.approx(products / 48 + 0.05)


def test_lag_one_is_clipped():
    """Neither below 0 nor above 0.8."""
    assert lag_one(np.arange(200.0) - 99.5, 0.05) == 0.8
    assert lag_one(np.tile([1.0, -1.0], 10), 0.05) == 0


def test_inflation_of_no_correlation_is_one():
    """(1 + r) / (1 - r)."""
    assert inflation(0) == 1
    assert inflation(0.8) == pytest.approx(9)
