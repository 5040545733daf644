"""Where the level changed between two runs."""

import numpy as np
import pytest
from scipy import stats

from looptime.checks.season.level_changes import cuts_of, least_step_percent, p_of_place


def test_a_change_pays_for_every_place_where_it_could_have_been():
    """Sixteen runs have eleven places with three runs on either side."""
    y = np.random.default_rng(9).normal(0, 1, 16)
    y[8:] += 1
    once = stats.ttest_ind(y[:8], y[8:]).pvalue
    assert p_of_place(y, [0, 8, 16], 1) == pytest.approx(min(11 * once, 1.0))
    assert 11 * once < 1


def test_a_change_holds_at_the_level_asked():
    """Five runs and five, 8 deviations apart: seen at one level, not at a stricter one."""
    y = np.random.default_rng(3).normal(0, 1, 10)
    y[5:] += 8
    p = p_of_place(y, [0, 5, 10], 1)
    assert cuts_of(y, 1.01 * p) == [0, 5, 10]
    assert cuts_of(y, 0.99 * p) == [0, 10]


@pytest.mark.parametrize("alpha", [0.05, 0.05 / 6])
@pytest.mark.parametrize("n", [8, 14])
def test_the_least_change_is_seen_in_four_of_five_seasons(n, alpha):
    """The last three of so many runs higher by it, in simulated seasons whose scatter is known."""
    sd, draw = 0.01, np.random.default_rng(8)
    even = np.tile([1.0, -1.0], n // 2)
    least = least_step_percent(sd * even / even.std(ddof=1), alpha)
    step = np.where(np.arange(n) < n - 3, 0.0, np.log1p(least / 100))
    seen = [len(cuts_of(sd * draw.normal(0, 1, n) + step, alpha)) > 2 for _ in range(300)]
    assert 0.77 < np.mean(seen) < 0.99


@pytest.mark.parametrize("n", [5, 6])
def test_too_few_runs_show_no_level(n):
    """Two stretches of three runs are six."""
    assert (least_step_percent(np.tile([0.0, 0.01], 3)[:n], 0.01) is None) == (n < 6)


def runs(seed, *levels):
    """Levels with their scatter, and how many runs each."""
    draw = np.random.default_rng(seed)
    return np.concatenate([level + draw.normal(0, sd, count) for level, sd, count in levels])


@pytest.mark.parametrize(
    ("seed", "levels", "small", "both", "left"),
    [
        (1, [(0, 1, 5), (8, 1, 5), (11, 1, 5)], 2, [0, 5, 10, 15], [0, 5, 15]),
        (1, [(0, 1, 5), (3, 1, 5), (11, 1, 5)], 1, [0, 5, 10, 15], [0, 10, 15]),
    ],
)
def test_each_change_is_held_against_the_level(seed, levels, small, both, left):
    """Of a change of 8 deviations and one of 3, the small one goes first, wherever it stands."""
    y = runs(seed, *levels)
    p = p_of_place(y, both, small)
    assert p_of_place(y, both, 3 - small) < 0.1 * p
    assert cuts_of(y, 1.01 * p) == both
    assert cuts_of(y, 0.99 * p) == left


def test_a_change_is_asked_again_once_the_next_one_is_gone():
    """Six even runs, three 5 above, seven that scatter: the middle stands out from the first only.

    Against all ten that follow, the first six are no level of their own.
    """
    y = runs(1, (0, 0.5, 6), (5, 0.5, 3), (2, 3, 7))
    assert p_of_place(y, [0, 6, 9, 16], 1) < 0.01 < p_of_place(y, [0, 6, 9, 16], 2)
    assert p_of_place(y, [0, 6, 16], 1) > 0.01
    assert cuts_of(y, 0.01) == [0, 16]


def test_few_runs_have_one_place_or_none():
    """Five runs have no place with three on either side, and pay for one; no chance is above 1."""
    y = np.array([0.0, 0.1, 1.0, 1.1, 1.2])
    once = stats.ttest_ind(y[:2], y[2:]).pvalue
    assert p_of_place(y, [0, 2, 5], 1) == pytest.approx(once)
    even = np.tile([0.0, 1.0], 8)
    assert p_of_place(even, [0, 8, 16], 1) == 1.0
