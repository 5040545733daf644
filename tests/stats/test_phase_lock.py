"""Instants that keep the beat of something even, and those that do not."""

import numpy as np
import pytest

from looptime.stats.phase_lock import phase_lock


@pytest.mark.parametrize("off", [0.9, 1.0, 1.1])
@pytest.mark.parametrize("between", [3, 40])
def test_the_period_of_a_beat(off, between):
    """Every few beats of 21.7 ms, each 1 ms off as a rule: exp(-2 (pi / 21.7)^2) of an arrow."""
    rng = np.random.default_rng(between)
    beats = np.cumsum(rng.integers(1, 2 * between, 600))
    period, resultant = phase_lock(21.7 * beats + rng.normal(0, 1, 600), 21.7 * off)
    assert period == pytest.approx(21.7, rel=0.001)
    assert resultant == pytest.approx(np.exp(-2 * (np.pi / 21.7) ** 2), abs=0.03)


def test_a_beat_that_drifts():
    """100 ppm faster and slower by turns, seen for 20 minutes."""
    rng = np.random.default_rng(7)
    at = 20.0 * np.cumsum(rng.integers(1, 60, 2000))
    at += 1e-4 * 60_000 / (2 * np.pi) * np.sin(2 * np.pi * at / 60_000)
    assert phase_lock(at, 20)[1] > 0.9


def test_instants_without_a_beat():
    """In a hundred logs of chance the resultant stays below a third."""
    rng = np.random.default_rng(8)
    many = [phase_lock(np.cumsum(rng.uniform(5, 90, 250)), 25)[1] for _ in range(100)]
    assert max(many) < 1 / 3


@pytest.mark.parametrize("instants", [[0.0, 0.0, 0.0], [0.0, 1e9], [5.0, 1.0, 3.0]])
def test_few_instants_or_all_at_once(instants):
    """What is no series of instants has some resultant from 0 to 1, and the search an end."""
    assert 0 <= phase_lock(instants, 10)[1] <= 1


def test_instants_too_far_apart_for_a_beat_tell_nothing():
    """Two in eleven days; and a gap as long between two stretches that keep one counts for none."""
    assert phase_lock([0.0, 1e9], 10) == (10, 0)
    beat = 25.0 * np.arange(300)
    period, resultant = phase_lock(np.concatenate([beat, 1e9 + beat]), 25.2)
    assert (round(period, 1), round(resultant, 2)) == (25, 1)
