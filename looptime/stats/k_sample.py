"""Whether values are alike in several groups: a permutation test of their ranks."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, Int, as_values

__all__ = ["k_sample"]

_SHUFFLES = 1999
#: Values looked at: more add to the time it takes and hardly to what is told.
_MOST = 400


def k_sample(values: ArrayLike, group: ArrayLike, size: ArrayLike) -> float:
    """P-value of the hypothesis that values are drawn alike, whichever group they belong to.

    Two statistics of the ranks are looked at, and the smaller p-value is doubled: the sum of
    squares between the groups, for groups that differ anyhow, and the covariance with the logarithm
    of a size, for values that grow or shrink with it. Their distribution is that over shuffles
    (always the same ones), so it holds for few values and any distribution.

    Parameters
    ----------
    values : array_like, shape (n,)
        What is compared; only its order counts.
    group : array_like of int, shape (n,)
        The group of each value.
    size : array_like, shape (n,)
        Above 0.

    Raises
    ------
    NotEnoughError
        If there are fewer than three values.

    References
    ----------
    W. H. Kruskal, W. A. Wallis, Use of ranks in one-criterion variance analysis, J. Am. Stat.
    Assoc. 47 (1952) 583-621.

    Examples
    --------
    >>> group = np.repeat([0, 1, 2], 6)
    >>> k_sample(np.tile([1, 2, 3, 4, 5, 6], 3), group, group + 1.0)
    1.0
    >>> k_sample(np.arange(18), group, group + 1.0) < 0.01
    True
    """
    x = as_values(values, 3, "a comparison of groups")
    groups, sizes = np.asarray(group), np.asarray(size)
    if len(x) > _MOST:
        some = np.linspace(0, len(x) - 1, _MOST).astype(np.int64)
        x, groups, sizes = x[some], groups[some], sizes[some]
    rank = _ranks(x)
    of, member = np.unique(groups, return_inverse=True)
    inside = (member[:, None] == np.arange(len(of))).astype(np.float64)
    log = np.log(sizes)
    order = np.random.default_rng(1).permuted(np.tile(rank, (_SHUFFLES, 1)), axis=1)
    every = np.vstack([rank, order])
    between = ((every @ inside) ** 2 / inside.sum(axis=0)).sum(axis=1)
    trend = np.abs(every @ (log - log.mean()))
    return min(1.0, 2.0 * min(_share_as_large(between), _share_as_large(trend)))


def _ranks(x: Float) -> Float:
    """Ranks about their mean, equal values sharing theirs."""
    _, place, count = np.unique(x, return_inverse=True, return_counts=True)
    upto: Int = np.cumsum(count)
    return np.asarray((upto - (count - 1) / 2)[place] - (len(x) + 1) / 2)


def _share_as_large(statistic: Float) -> float:
    slack = 1e-9 * max(float(np.abs(statistic).max()), 1e-300)
    return float((statistic >= statistic[0] - slack).mean())
