"""Calls whose clock begins anew with every loop: laid one after another, as nothing says more."""

import numpy as np

from looptime.array_types import Int

__all__ = ["laid_in_turn"]

#: Share of the falls that must be those of a loop's begin, and of the begins that must be falls.
_MOSTLY = 0.95
#: A loop begins within this share of its own length from nought.
_NOUGHT = 0.1


def laid_in_turn(start: Int, end: Int, name: Int, loop: Int | None) -> tuple[Int, Int] | None:
    """When each row's loop began, and which loop that is, if each loop is counted from its begin.

    A counter that wraps, or a recorder that starts anew, falls in any call and to any instant: here
    nearly every fall is to about nought, at the number of another loop or, where none are
    numbered, at the call that comes first. A loop lasts at least until its last call ends.

    Parameters
    ----------
    start, end : int64 array, shape (n,) [ns]
        Of the calls, in the order of the log.
    name : int array, shape (n,)
        Codes of their names.
    loop : int array, shape (n,), optional
        Numbers of the loops, where they are logged.

    Returns
    -------
    (int64 array, int64 array) or None
        Begin of each row's loop [ns], and the number of that loop from 0; None where the clock
        goes on from loop to loop.

    Examples
    --------
    >>> import numpy as np
    >>> start, name = np.array([0, 4, 0, 5, 0, 4]), np.array([0, 1, 0, 1, 0, 1])
    >>> begin, number = laid_in_turn(start, start + 3, name, None)
    >>> begin.tolist(), number.tolist()
    ([0, 0, 7, 7, 15, 15], [0, 0, 1, 1, 2, 2])
    >>> laid_in_turn(np.arange(6), np.arange(6) + 1, name, None) is None
    True
    """
    fall = np.diff(start) < 0
    if not fall.any():
        return None
    begins = fall if loop is None else np.diff(loop) != 0
    if not begins.any():
        return None
    if not (fall[begins].mean() >= _MOSTLY and begins[fall].mean() >= _MOSTLY):
        return None
    first = np.concatenate([[0], np.flatnonzero(begins) + 1])
    length = np.maximum.reduceat(end, first)
    near = (start[first] >= 0) & (start[first] <= _NOUGHT * np.median(length))
    if near.mean() < _MOSTLY:
        return None
    if loop is None and np.bincount(name[first]).max() < _MOSTLY * len(first):
        return None
    number = np.cumsum(np.concatenate([[False], begins]))
    begin = np.cumsum(length) - length
    return begin[number], number
