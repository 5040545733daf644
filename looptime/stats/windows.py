"""Medians of short windows: what warm-up, drift and change points are judged on.

A window given in seconds becomes a number of loops, the same for all windows of a run, so that
all medians are equally certain.
"""

import numpy as np
from numpy.typing import ArrayLike

from looptime.records import dataclass
from looptime.stats.arrays import Float, as_pair, as_values, median

__all__ = ["WindowMedians", "loops_per_window", "window_medians"]


@dataclass(frozen=True)
class WindowMedians:
    """Middles of equal windows along a run."""

    #: Median of each window, or the mean of its middle half where that was asked for. [unit of the
    #: values]; shape (k,)
    medians: Float
    centres_s: Float  #: Mean start time of the loops in the window, shape (k,)
    loops: int  #: Loops in a window
    first: int  #: Index of the loop at which the first window begins


def loops_per_window(start_s: ArrayLike, window_s: float, least: int) -> int:
    """Loops in a window of so many seconds, and at least `least` of them.

    Parameters
    ----------
    start_s : array_like, shape (n,) [s]
        Start times, rising.
    window_s : float
        Length [s].
    least : int
        Fewest loops: 25 for windows of 0.25 s, 50 for windows of 0.5 s.

    Examples
    --------
    >>> loops_per_window(np.arange(100) * 0.002, 0.25, 25)
    125
    >>> loops_per_window(np.arange(100) * 0.060, 0.25, 25)
    25
    """
    times = as_values(start_s, 2, "a window")
    period = median(np.diff(times))
    if period <= 0:
        return least
    return max(least, round(window_s / period))


def _middle_means(table: Float) -> Float:
    """Mean of the values between the quartiles of each row."""
    width = table.shape[1]
    cut = width // 4
    if width - 2 * cut < 1 or cut == 0:
        return _medians(table)
    upper = np.partition(table, cut, axis=1)[:, cut:]
    middle = np.partition(upper, width - 2 * cut - 1, axis=1)[:, : width - 2 * cut]
    return np.asarray(middle.mean(axis=1))


def _medians(table: Float) -> Float:
    """Median of each row."""
    half = table.shape[1] // 2
    parted = np.partition(table, half, axis=1)
    upper = parted[:, half]
    return upper if table.shape[1] % 2 else (parted[:, :half].max(axis=1) + upper) / 2


def window_medians(
    x: ArrayLike,
    start_s: ArrayLike,
    loops: int,
    from_end: bool = False,
    middle_half: bool = False,
) -> WindowMedians:
    """Medians of windows of so many loops; loops that fill no whole window are left out.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in loop order.
    start_s : array_like, shape (n,) [s]
        Start times.
    loops : int
        Loops in a window.
    from_end : bool
        Whether the loops left out are the first rather than the last.
    middle_half : bool
        Take the mean of the typical loops of a window, those between its quartiles, instead of
        the median: as deaf to stalls, and about a sixth less noisy.

    Raises
    ------
    NotEnoughError
        If there is not one whole window.

    Examples
    --------
    >>> window_medians([1, 2, 9, 4, 5, 6, 7], np.arange(7.0), 3).medians
    array([2., 5.])
    """
    values, times = as_pair(x, start_s, loops, "a window")
    k = len(values) // loops
    first = len(values) - k * loops if from_end else 0
    stretch = slice(first, first + k * loops)
    table = values[stretch].reshape(k, loops)
    return WindowMedians(
        medians=_middle_means(table) if middle_half else _medians(table),
        centres_s=times[stretch].reshape(k, loops).mean(axis=1),
        loops=loops,
        first=first,
    )
