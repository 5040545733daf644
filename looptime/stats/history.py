"""Values of many runs in the order of recording: where their level changed for good."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values

__all__ = ["level_changes"]

#: Runs of the shortest stretch of one level.
LEAST = 3
#: Seed of the shuffles, fixed so that the same runs give the same answer every time.
SEED = 20


def _split_scores(rows: Float, least: int) -> Float:
    """Squared t-like score of each split of each row: between-sum of squares over the total."""
    k = rows.shape[1]
    u = rows - rows.mean(axis=1, keepdims=True)
    left = np.arange(least, k - least + 1)
    sums = np.cumsum(u, axis=1)[:, left - 1]
    return sums**2 / left + sums**2 / (k - left)


def level_changes(
    values: ArrayLike, level: float = 0.05, least: int = LEAST, shuffles: int = 999
) -> list[int]:
    """Runs at which the level of a figure changed, by splitting time and again.

    The best split of a stretch in two is kept if no more than the share `level` of random
    shuffles of the stretch splits as well; then both parts are looked at in turn. Under no change
    the order of the runs says nothing, so the level is exact for the first split.

    Parameters
    ----------
    values : array_like, shape (m,)
        One value per run in the order of recording, from `log_scale` or `count_scale`.
    level : float
        Share of histories without any change in which one is reported.
    least : int
        Fewest runs of a level.
    shuffles : int
        Random orders tried.

    Returns
    -------
    list of int
        Index of the first run of each new level.

    Raises
    ------
    NotEnoughError
        If there are fewer than ``2 least`` runs, or so few that no order could be significant.

    References
    ----------
    Binary segmentation with a permutation test of the largest split.

    Examples
    --------
    >>> level_changes([1.0, 1.1, 0.9, 1.0, 1.1, 2.0, 2.1, 1.9, 2.0, 2.1])
    [5]
    """
    y = as_values(values, max(2 * least, 6), "a change between runs")
    rng = np.random.default_rng(SEED)
    found: list[int] = []
    open_stretches = [(0, len(y))]
    while open_stretches:
        begin, end = open_stretches.pop()
        part = y[begin:end]
        if len(part) < max(2 * least, 6) or np.ptp(part) <= 1e-12 * float(np.abs(part).max()):
            continue
        scores = _split_scores(part[None, :], least)[0]
        best = int(np.argmax(scores))
        orders = rng.permuted(np.tile(part, (shuffles, 1)), axis=1)
        chance = _split_scores(orders, least).max(axis=1)
        p = (1 + int((chance >= scores[best] * (1 - 1e-9)).sum())) / (shuffles + 1)
        if p <= level:
            cut = begin + least + best
            found.append(cut)
            open_stretches += [(begin, cut), (cut, end)]
    return sorted(found)
