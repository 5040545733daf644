"""Whether instants are spaced more evenly than chance spaces them."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values

__all__ = ["p_at_random"]

_DRAWS = 9999


def p_at_random(instants: ArrayLike) -> float:
    """P-value of the hypothesis that instants fall at random, against even spacing.

    Gaps of a Poisson process are exponential, whatever its rate. The statistic is Moran's, the sum
    of ``log(gap / mean gap)``, which is 0 for equal gaps and else below; its distribution is that
    over draws (always the same ones), so it holds for few instants.

    Parameters
    ----------
    instants : array_like, shape (n,)
        In any order and unit.

    Raises
    ------
    NotEnoughError
        If there are fewer than four.

    References
    ----------
    P. A. P. Moran, The random division of an interval, part II, J. R. Stat. Soc. B 13 (1951)
    147-150.

    Examples
    --------
    >>> p_at_random([0, 10, 21, 30, 41, 50, 61]) < 0.001
    True
    >>> p_at_random([0, 1, 14, 15, 20, 48, 50]) > 0.1
    True
    """
    gaps = np.diff(np.sort(as_values(instants, 4, "spacing")))
    drawn = np.random.default_rng(1).exponential(size=(_DRAWS, len(gaps)))
    evenness = _moran(np.vstack([gaps, drawn]))
    return float((evenness >= evenness[0] - 1e-12).mean())


def _moran(gaps: Float) -> Float:
    middle = gaps.mean(axis=1, keepdims=True)
    told: Float = np.log(np.maximum(gaps, 1e-12 * middle) / middle).sum(axis=1)
    return told
