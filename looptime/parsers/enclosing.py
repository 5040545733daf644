"""Parts that are the sum of other parts: timers around other timers, not to be counted twice."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["enclosing", "own"]

Int = NDArray[Any]
#: A timer around others also takes its own few instructions: within 2 % counts as equal.
NEAR = 0.02
#: Loops in which the sum must hold.
MOST = 0.9


def enclosing(values: Int, tick: int = 1) -> NDArray[np.int64]:
    """Find the columns that equal the sum of columns beside them, loop for loop.

    Parameters
    ----------
    values : int64 array, shape (n, k) [ns]
        Durations, one row a loop, columns in the order of the log.
    tick : int
        Resolution [ns]; sums may differ by half a tick for each part.

    Returns
    -------
    int64 array, shape (k,)
        The column around each column, -1 for none.

    Examples
    --------
    >>> import numpy as np
    >>> a, b = np.array([300, 320, 310, 450]), np.array([100, 90, 130, 95])
    >>> enclosing(np.stack([a + b, a, b], axis=1)).tolist()
    [-1, 0, 0]
    >>> enclosing(np.stack([a, b], axis=1)).tolist()
    [-1, -1]
    """
    count = values.shape[1]
    parent = np.full(count, -1, np.int64)
    if len(values) < 3 or count < 3:
        return parent
    while True:
        found = _next(values, np.flatnonzero(parent < 0), parent, tick)
        if found is None:
            return parent
        outer, inner = found
        parent[inner] = outer


def _next(values: Int, top: Int, parent: Int, tick: int) -> tuple[int, Int] | None:
    """The shortest stretch of outermost columns that add up to the one before or after it."""
    for length in range(2, len(top)):
        for at, column in enumerate(top):
            if (parent == column).any():
                continue  # it has its parts already
            after, before = top[at + 1 : at + 1 + length], top[max(at - length, 0) : at]
            for inner in (after, before):
                if len(inner) == length and _is_sum(values[:, column], values[:, inner], tick):
                    return int(column), inner
    for at, column in enumerate(top):
        others = np.delete(top, at)
        free = len(others) > 1 and not (parent == column).any()
        if free and _is_sum(values[:, column], values[:, others], tick):
            return int(column), others
    return None


def _is_sum(whole: Int, parts: Int, tick: int) -> bool:
    typical = np.median(parts, axis=0)
    # one long part and trifles would make that part "the sum"; values that never vary say nothing
    if np.sort(typical)[-2] < NEAR * max(float(np.median(whole)), 1.0):
        return False
    if len(np.unique(whole)) < min(3, len(whole)):
        return False
    room = np.maximum(NEAR * whole, 0.5 * tick * (parts.shape[1] + 1))
    return bool((np.abs(whole - parts.sum(axis=1)) <= room).mean() >= MOST)


def own(values: Int, parent: Int) -> Int:
    """Durations without what lies within.

    Parameters
    ----------
    values : int64 array, shape (n, k) [ns]
        Durations; a part that was not logged is 0.
    parent : int array, shape (k,)
        As `enclosing` returns it.

    Examples
    --------
    >>> import numpy as np
    >>> own(np.array([[400, 300, 90]]), np.array([-1, 0, 0])).tolist()
    [[10, 300, 90]]
    """
    result = values.astype(np.int64, copy=True)
    for column in np.flatnonzero(parent >= 0):
        result[:, parent[column]] -= values[:, column]
    return np.maximum(result, 0, out=result)  # parts may add up to a rounding more
