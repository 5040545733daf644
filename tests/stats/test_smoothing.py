"""Smoothing splines against what must hold of them, and a general library."""

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from looptime.stats.smoothing import smoothing_spline


def points(n, seed=0):
    """Unevenly spaced, a swing with noise."""
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.5, 1.5, n)) * 0.02
    return x, np.sin(3 * x) + rng.normal(0, 0.05, n)


@pytest.mark.parametrize("n", [5, 6, 40, 700])
@pytest.mark.parametrize("weight", [1e-12, 1e-6, 1e-3])
def test_it_is_the_spline_of_a_general_library(n, weight):
    """Values, slopes and integrals, also between the points."""
    x, y = points(n)
    ours, theirs = smoothing_spline(x, y, weight), make_smoothing_spline(x, y, lam=weight)
    at = np.linspace(x[0], x[-1], 501)
    np.testing.assert_allclose(ours(at), theirs(at), atol=1e-9)
    np.testing.assert_allclose(ours.derivative()(at), theirs.derivative()(at), atol=1e-7)
    integral = theirs.antiderivative()
    np.testing.assert_allclose(ours.antiderivative()(at), integral(at) - integral(x[0]), atol=1e-9)


def test_without_weight_it_goes_through_every_point():
    """And its second derivative is 0 at both ends."""
    x, y = points(30)
    spline = smoothing_spline(x, y, 0.0)
    np.testing.assert_allclose(spline(x), y, atol=1e-12)
    assert spline.derivative().derivative()(x[[0, -1]]) == pytest.approx([0, 0], abs=1e-6)


def test_much_weight_leaves_the_line_of_least_squares():
    """Only a straight line has no curvature."""
    x, y = points(50)
    line = np.polynomial.Polynomial.fit(x, y, 1)
    np.testing.assert_allclose(smoothing_spline(x, y, 1e4)(x), line(x), atol=1e-4)


def test_its_weighted_sum_is_the_least():
    """A spline through points a little elsewhere has a greater sum of both."""
    (x, y), weight = points(12), 1e-4

    def total(made):
        at = np.linspace(x[0], x[-1], 20_001)
        bend = made.derivative().derivative()(at)
        return ((y - made(x)) ** 2).sum() + weight * np.trapezoid(bend**2, at)

    least = total(smoothing_spline(x, y, weight))
    for seed in range(5):
        other = y + np.random.default_rng(seed).normal(0, 0.01, len(y))
        assert total(smoothing_spline(x, other, weight)) > least
