"""Clocks whose steps hide by how much lengths differ."""

from looptime.array_types import Float
from looptime.stats.quantiles import percentiles

__all__ = ["FINER", "TOO_COARSE", "hides", "untold_ms", "untold_quantile_ms"]

#: The next step where the clock does not tell.
FINER = "log the time of a finer clock"
#: Why a quantile has no verdict then.
TOO_COARSE = f"the clock steps by as much as loops differ: {FINER}"
_FEWEST = 50
#: Share of the usual length from which on a step hides how lengths differ, half of it of one step.
_LARGE = 0.25
#: Steps beyond which a length is told by any clock, give or take one.
_TOLD = 3.0


def untold_ms(length_ms: Float, tick_ms: float = 0.0) -> float:
    """By how much each length may be off where the clock cannot tell how they differ [ms].

    A tick; or, where all lengths are one, that length, of which nobody knows how many ticks it is.
    It is 0 where the clock does tell.

    Examples
    --------
    >>> import numpy as np
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


def untold_quantile_ms(untold: float, quantile_ms: float) -> float:
    """The same of a quantile of the lengths, given that of each: many steps of a clock are told.

    Examples
    --------
    >>> untold_quantile_ms(16.0, 32.0), untold_quantile_ms(16.0, 900.0)
    (16.0, 0.0)
    """
    return untold if 0 < quantile_ms <= _TOLD * untold else 0.0


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
