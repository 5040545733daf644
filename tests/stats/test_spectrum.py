import math

import numpy as np
import pytest

from looptime.stats.spectrum import (
    band,
    fast_length,
    h_bounds,
    h_statistic,
    h_tail,
    log_trials,
    spectrum,
    within_reach,
)


def test_the_spectrum_is_the_sum_over_events():
    """On the grid it equals the direct sum of unit vectors at the bins of the events."""
    positions = np.array([3.0, 17, 18, 40, 77])
    z, grid = spectrum(positions, 80.0, 1.0, 0.5)
    f = np.arange(len(z)) * grid
    direct = np.abs(np.exp(2j * np.pi * np.multiply.outer(f, positions)).sum(axis=1)) ** 2 / 5
    assert z == pytest.approx(direct, abs=1e-5)


@pytest.mark.parametrize("length", [80.0, 83.0, 101.0, 194.0])
def test_left_out_bins_change_nothing_below_an_eighth_of_their_rate(length):
    """Events between the bins that are left keep their exact place in the spectrum."""
    positions = np.array([3.0, 17, 18, 40, 77])
    z, grid = spectrum(positions, length, 1.0, 0.125)
    f = np.arange(len(z)) * grid
    direct = np.abs(np.exp(2j * np.pi * np.multiply.outer(f, positions)).sum(axis=1)) ** 2 / 5
    assert f[-1] >= 0.125
    inside = f <= 0.125
    assert z[inside] == pytest.approx(direct[inside], abs=1e-3)


def best_p(positions, length, step, loop):
    """The smallest adjusted p on the fine grid."""
    z, grid = spectrum(positions, length, step, 0.5 / loop)
    low, high = band(grid, length, loop, len(z))
    frequency = np.arange(low, high) * grid
    octaves = math.log2(frequency[-1] / frequency[0])
    trials = log_trials(frequency, length, octaves)
    return float(np.exp(h_tail(h_statistic(z, low, high), len(positions)) + trials).min())


@pytest.mark.parametrize("every", [0.0, 5.5, 18.3, 61.0])
def test_what_is_out_of_reach_is_not_reached(every):
    """The fine spectrum never goes below a level that the bound excludes."""
    out = 0
    for seed in range(40):
        rng = np.random.default_rng([seed, int(every)])
        n = int(rng.integers(6, 80))
        at = rng.uniform(0, 1000, n)
        if every:  # from loosely to strictly in step
            at = np.arange(n) * every + rng.normal(0, every * rng.uniform(0, 0.5), n)
        at = np.sort(at[(at >= 0) & (at < 1000)])
        for step in (1.0, 0.25):
            p = best_p(at, 1000.0, step, 1.0)
            assert within_reach(at, 1000.0, step, 1.0, p * 1.001)
            out += not within_reach(at, 1000.0, step, 1.0, 1e-3)
    assert out > 40 or every


def test_the_bound_lies_above_every_point_between():
    """H on a grid four times as fine stays below the bound of its cell."""
    rng = np.random.default_rng(2)
    at = np.sort(rng.uniform(0, 500, 30))
    coarse, _ = spectrum(at, 511.0, 1.0, 0.5, 4)
    fine, _ = spectrum(at, 511.0, 1.0, 0.5, 16)
    h = h_statistic(fine, 40, 1300)
    bound = h_bounds(coarse, 10, 330)
    for k, value in enumerate(h, 40):
        assert value <= bound[k // 4 - 10] + 1e-4


def test_the_h_statistic_by_hand():
    """Harmonics 9 and 6: max(18, 18 + 12 - 4); one that leaves the grid is not used."""
    z = np.array([0.0, 9.0, 6.0, 0.0])
    assert h_statistic(z, 1, 2).tolist() == [2 * 9 + 2 * 6 - 4]
    assert h_statistic(z, 2, 4).tolist() == [12, 0]


@pytest.mark.parametrize("n", [6, 20])
def test_the_tail_of_the_h_statistic_is_not_understated(n):
    """Simulated phases exceed h no more often than 1.3 times the stated chance."""
    rng = np.random.default_rng(n)
    phases = rng.uniform(0, 2 * np.pi, (200_000, n))
    turn, total = np.exp(1j * phases), np.zeros(len(phases))
    power, best = np.ones_like(turn), np.full(len(phases), -np.inf)
    for _ in range(8):
        power = power * turn
        total += 2 * np.abs(power.sum(axis=1)) ** 2 / n - 4
        best = np.maximum(best, total + 4)
    for h in (12, 18, 24):
        expected = math.exp(h_tail([h], n)[0])
        assert (best > h).mean() < 1.3 * expected + 2e-5


def test_the_tail_falls_all_the_way():
    """A larger H is never more likely, for few events and for many."""
    for n in (6, 30, 1000, 10**6):
        assert (np.diff(h_tail(np.linspace(0, 16 * n, 500), n)) <= 0).all()


@pytest.mark.parametrize("n", [1, 2, 7, 17, 1000, 160_017])
def testfast_lengths_are_smooth_and_long_enough(n):
    """Only the factors 2, 3 and 5, and no smaller such number would do."""

    def smooth(v):
        for p in (2, 3, 5):
            while v % p == 0:
                v //= p
        return v == 1

    found = fast_length(n)
    assert found >= n
    assert smooth(found)
    assert not any(smooth(v) for v in range(n, found))
