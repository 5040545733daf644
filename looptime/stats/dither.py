"""Dither: what lets quantiles be compared when the clock ticks coarsely."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values
from looptime.stats.quantiles import quantiles

__all__ = ["dither", "is_coarse"]

#: Seed of the noise, fixed so that the same log gives the same verdict every time.
SEED = 20


def is_coarse(x: ArrayLike, tick: float) -> bool:
    """Whether the tick is too coarse for quantiles: above a fiftieth of the quartile range.

    ``tick > (p75 - p25) / 50``.

    Parameters
    ----------
    x : array_like, shape (n,)
        Durations.
    tick : float
        Step of the clock [unit of `x`]; 0 for a continuous one.

    Examples
    --------
    >>> is_coarse([10, 11, 10, 10, 11, 12], tick=1), is_coarse([10.2, 11.7, 10.9], tick=0.001)
    (True, False)
    """
    if tick <= 0:
        return False
    low, high = quantiles(x, [0.25, 0.75])
    return bool(tick > (high - low) / 50)


def dither(x: ArrayLike, tick: float, seed: int = SEED) -> Float:
    """The values with uniform noise of plus or minus half a tick, where the tick is coarse.

    A quantile of rounded values moves in whole ticks and hides a change below one tick; the
    noise undoes the rounding on average. It serves verdicts on quantiles only: means and counts
    of overruns need none, and what is displayed is never dithered. Fine values come back
    as they are (see `is_coarse`).

    Parameters
    ----------
    x : array_like, shape (n,)
        Durations.
    tick : float
        Step of the clock [unit of `x`].
    seed : int
        Seed of the noise; the default makes verdicts repeatable.

    Returns
    -------
    float array, shape (n,)

    References
    ----------
    Non-subtractive dither in quantisation theory.

    Examples
    --------
    >>> bool(abs(dither([10, 11, 10, 10], tick=1) - [10, 11, 10, 10]).max() <= 0.5)
    True
    >>> dither([10.25, 11.5, 14.0], tick=0.001)
    array([10.25, 11.5 , 14.  ])
    """
    values = as_values(x)
    if not is_coarse(values, tick):
        return values
    return values + np.random.default_rng(seed).uniform(-tick / 2, tick / 2, len(values))
