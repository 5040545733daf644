"""A permutation test of whether groups are alike."""

import numpy as np
import pytest
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.k_sample import k_sample


def drawn(seed, shift=0.0):
    """60 values in three groups, the last of them moved."""
    rng = np.random.default_rng(seed)
    group = np.repeat([0, 1, 2], 20)
    return rng.exponential(1, 60) + shift * (group == 2), group


def test_agrees_with_the_large_sample_test_of_ranks():
    """Groups that differ, with sizes that do not: twice the p-value that others compute."""
    values, group = drawn(1, 0.6)
    expected = stats.kruskal(*(values[group == g] for g in range(3))).pvalue
    assert k_sample(values, group, np.ones(60)) == pytest.approx(2 * expected, abs=0.01)


def test_agrees_with_the_rank_correlation():
    """One size for each value in a group of its own: that of log size and rank, doubled."""
    rng = np.random.default_rng(4)
    size = np.exp(rng.normal(0, 1, 40))
    values = stats.rankdata(np.log(size) + rng.normal(0, 2.5, 40))
    expected = stats.pearsonr(np.log(size), values).pvalue
    assert k_sample(values, np.arange(40), size) == pytest.approx(2 * expected, abs=0.02)


def test_level():
    """Of 200 samples from one distribution at most 20 have p below 0.05 (99.9 % of binomials)."""
    ps = [k_sample(*drawn(seed), np.repeat([1.0, 2.0, 5.0], 20)) for seed in range(200)]
    assert sum(p < 0.05 for p in ps) <= 20


def test_many_values_and_too_few():
    """More values than are looked at still differ; two are not enough."""
    group = np.repeat([0, 1], 600)
    assert k_sample(group + np.linspace(0, 1, 1200), group, group + 1.0) < 0.01
    with pytest.raises(NotEnoughError):
        k_sample([1, 2], [0, 1], [1, 1])
