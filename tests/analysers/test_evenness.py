"""Evenness: what is even, and each thing that is not."""

import numpy as np
import pytest

from looptime.analysers.evenness import evenness


def periods(n=500, sd=0.5):
    """Periods of 20 ms."""
    return np.random.default_rng(1).normal(20, sd, n)


def test_even():
    """A fortieth of scatter is even; so are whole milliseconds of the same loop."""
    assert evenness(periods()).even
    assert evenness(np.round(periods()), 1.0).even


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (lambda x: x + np.random.default_rng(2).uniform(-8, 8, len(x)), "spread"),
        (lambda x: np.where(np.arange(len(x)) == 77, 120.0, x), "one period took 6 usual ones"),
        (lambda x: x + np.where(np.arange(len(x)) % 2, 1.5, -1.5), "take turns"),
    ],
)
def test_uneven(changed, why):
    """Scatter of half a period, one gap of six periods, long and short in turn."""
    found = evenness(changed(periods()))
    assert found.even is False
    assert why in found.why


@pytest.mark.parametrize(("x", "tick"), [(np.full(10, 20.0), 0.0), (np.full(500, 20.0), 16.0)])
def test_cannot_be_told(x, tick):
    """Ten loops; a clock that steps by most of a period."""
    assert evenness(x, tick).even is None
