"""Clocks that tick coarsely: dither, which lets quantiles be compared, and where nothing does."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values
from looptime.stats.quantiles import percentiles, quantiles

__all__ = [
    "FINER", "TOO_COARSE", "dither", "hides", "is_coarse", "untold_ms", "untold_there",
]  # fmt: skip

#: The next step where the clock does not tell.
FINER = "log the time of a finer clock"
#: Why a quantile has no verdict then.
TOO_COARSE = f"the clock steps by as much as loops differ: {FINER}"
_FEWEST = 50
#: Share of the usual length from which on a step hides how lengths differ, half of it of one step.
_LARGE = 0.25
#: Steps above the usual length from which on a length is told by any clock, give or take one.
_FAR = 2.0
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


def untold_ms(length_ms: Float, tick_ms: float = 0.0) -> float:
    """By how much each length may be off where the clock cannot tell how they differ [ms].

    A tick; or, where all lengths are one, that length, of which nobody knows how many ticks it is.
    It is 0 where the clock does tell.

    Examples
    --------
    >>> untold_ms(np.full(500, 16.0), 1.0), untold_ms(np.tile([20.0, 25.0], 99), 5.0)
    (16.0, 5.0)
    >>> untold_ms(np.tile([20.0, 21.0], 99), 1.0), untold_ms(np.full(10, 16.0))
    (0.0, 0.0)
    """
    if len(length_ms) < _FEWEST:
        return 0.0
    if (length_ms == length_ms[0]).all():
        return float(length_ms[0])
    low, middle, high = percentiles(length_ms, [5, 50, 95])
    return tick_ms if hides(low, middle, high, tick_ms) else 0.0


def untold_there(length_ms: Float, tick_ms: float, at_ms: float) -> float:
    """The same of a quantile of the lengths, or a bound: far above the usual one it is told.

    Examples
    --------
    >>> import numpy as np
    >>> x = np.tile([0.0, 16.0, 16.0], 99)
    >>> untold_there(x, 16.0, 32.0), untold_there(x, 16.0, 900.0)
    (16.0, 0.0)
    """
    step = untold_ms(length_ms, tick_ms) if tick_ms > 0 else 0.0
    return step if step and 0 < at_ms <= percentiles(length_ms, [50])[0] + _FAR * step else 0.0


def hides(low: float, middle: float, high: float, tick_ms: float) -> bool:
    """Whether a clock hides how lengths differ: its step is large, and they are one or two.

    Parameters
    ----------
    low, middle, high : float [ms]
        Percentiles 5, 50 and 95 of the lengths.
    tick_ms : float [ms]
        Step of the clock.

    Examples
    --------
    >>> hides(15.0, 16.0, 16.0, 1.0), hides(0.0, 16.0, 16.0, 16.0)
    (False, True)
    """
    few = high - low <= 1.01 * tick_ms
    return middle <= 0 or tick_ms > (_LARGE / 2 if few else _LARGE) * middle
