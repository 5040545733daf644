"""Intervals of heading figures: leave out 20 blocks of consecutive loops in turn."""

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float
from looptime.heading.pattern import BLOCKS
from looptime.stats.jackknife import batch_variance

__all__ = ["figure"]

#: Student's t at 97.5 % with 19 degrees of freedom, and with 18 where a line was taken out.
_T19, _T18 = 2.093024054, 2.100922040


def figure(value: float, left_out: Float, *, positive: bool = False) -> Figure:
    """A figure with the interval that its values without one block each give.

    ``z_j = B value - (B - 1) value_(-j)`` with B blocks; the variance of their mean is corrected
    for correlation between neighbouring blocks (`looptime.stats.jackknife.batch_variance`).

    Parameters
    ----------
    value : float
        The figure over all loops.
    left_out : float array, shape (20,)
        The same figure without each block.
    positive : bool
        Whether the figure cannot be below 0.

    Returns
    -------
    Figure
        Without an interval where a block cannot be left out.

    References
    ----------
    Delete-group jackknife; method of batch means.

    Examples
    --------
    >>> figure(5.0, np.full(20, 5.0))
    Figure(value=5.0, low=5.0, high=5.0, level=0.95)
    """
    if not np.isfinite(value):
        return Figure(None)
    if len(left_out) != BLOCKS or not np.all(np.isfinite(left_out)):
        return Figure(float(value))
    z = BLOCKS * value - (BLOCKS - 1) * np.asarray(left_out, dtype=np.float64)
    if np.ptp(z) <= 1e-12 * (abs(value) * BLOCKS + 1e-300):
        return Figure(float(value), float(value), float(value))
    variance, drifting = batch_variance(z)
    half = (_T18 if drifting else _T19) * float(np.sqrt(variance))
    low = max(value - half, 0.0) if positive else value - half
    return Figure(float(value), float(low), float(value + half))
