"""Loop numbers below zero: a signed counter that came from there, or that ran over."""

import numpy as np

from looptime.array_types import Int

__all__ = ["as_logged", "from_zero"]

_HALF, _WHOLE = 2**31, 2**32
#: Fewer numbers below zero than this do not count, but stand for none.
_FEWEST = 3


def from_zero(number: Int) -> tuple[Int, int] | None:
    """Numbers moved so that none lies below zero, and what was taken away from them.

    A number that rows lack is -1. Those below count if most of them are one more than the one
    before them; after 2^31 - 1 a signed counter goes on at -2^31.

    Parameters
    ----------
    number : int array, shape (n,)
        As logged, in the order of the log.

    Returns
    -------
    (int64 array, int) or None
        None where no number below zero counts, or some do not fit 32 bits.

    Examples
    --------
    >>> moved, first = from_zero(np.array([-3, -2, -1, 0, 1, -4]))
    >>> moved.tolist(), first
    ([1, 2, 3, 4, 5, 0], -4)
    >>> moved, first = from_zero(np.array([2**31 - 1, -(2**31), 1 - 2**31, 2 - 2**31]))
    >>> moved.tolist(), as_logged(moved, first).tolist()
    ([0, 1, 2, 3], [2147483647, -2147483648, -2147483647, -2147483646])
    >>> from_zero(np.array([5, -1, 6, -9999, -9999, 7])) is None
    True
    """
    below = number < -1
    if not below.any() or number.min() < -_HALF or number.max() >= _HALF:
        return None
    met = np.unique(number[below].astype(np.int64))
    if len(met) < _FEWEST or (np.diff(met) == 1).mean() < 0.5:
        return None
    moved = number.astype(np.int64)
    lacks = moved == -1
    if lacks.any():  # -1 counts where it follows -2
        last = np.maximum.accumulate(np.where(lacks, 0, np.arange(len(moved))))
        lacks &= moved[last] != -2
    if moved.max() - moved.min() >= _HALF:
        moved[moved < 0] += _WHOLE
    first = int(moved[~lacks].min())
    moved -= first
    moved[lacks] = -1
    return moved, first


def as_logged(moved: Int, first: int) -> Int:
    """The numbers that a signed counter of 32 bits shows."""
    logged: Int = (moved.astype(np.int64) + first + _HALF) % _WHOLE - _HALF
    return logged
