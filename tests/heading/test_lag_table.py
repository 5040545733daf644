"""Errors tabled by age: quantiles and resolution."""

import numpy as np
import pytest

from looptime.heading.age_distribution import interval_quantile
from looptime.heading.motion import Weave, turn
from looptime.heading.stale import stale_everywhere
from tests.heading.build import table_of
from tests.heading.logs import jittered


@pytest.mark.parametrize("motion", [turn(180, 180, 720), Weave("", 0.3, 1.5)])
@pytest.mark.parametrize("finer", [{"cells": 3200}, {"phases": 512}, {"sizes": 4000}])
def test_halving_the_resolution_moves_nothing(motion, finer):
    """Halving the steps of age or of phase moves no figure by more than 1e-4."""
    sampling = jittered()
    usual = stale_everywhere(motion, sampling, table_of(motion, sampling))
    fine = stale_everywhere(motion, sampling, table_of(motion, sampling, **finer))
    for name in ("mean", "rms", "p95"):
        assert getattr(fine, name).value == pytest.approx(getattr(usual, name).value, rel=1e-4)
    assert fine.max == pytest.approx(usual.max, rel=1e-4)
    assert fine.lateral.value == pytest.approx(usual.lateral.value, rel=1e-4, abs=1e-9)


def test_quantile_of_uniform_mixtures_is_exact():
    """The quantile solves the mixture's distribution function, points included."""
    rng = np.random.default_rng(2)
    low = rng.random(50)
    high = low + rng.random(50) * (rng.random(50) < 0.8)
    weight = rng.random(50)
    x = interval_quantile(low, high, weight, 0.6)
    inside = np.where(
        high > low, np.clip((x - low) / np.maximum(high - low, 1e-12), 0, 1), low <= x
    )
    assert weight @ inside == pytest.approx(0.6 * weight.sum(), rel=1e-9)
