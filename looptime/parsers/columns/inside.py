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
#: Loops that are looked at.
SAMPLE = 2000


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
    values = values[:: max(1, len(values) // SAMPLE)]
    typical = np.median(values, axis=0)
    while True:
        found = _next(values, typical, parent, tick)
        if found is None:
            return parent
        outer, inner = found
        parent[inner] = outer


def _next(
    values: Int, typical: NDArray[np.float64], parent: Int, tick: int
) -> tuple[int, Int] | None:
    """The shortest stretch of outermost columns that add up to the one before or after it."""
    top = np.flatnonzero(parent < 0)
    reach = np.concatenate([[0.0], np.cumsum(typical[top])])
    full = {int(column) for column in parent[parent >= 0]}  # these have their parts already
    free = [at for at, column in enumerate(top) if int(column) not in full]
    for length in range(2, len(top)):
        for at in free:
            whole = typical[top[at]]
            for low in (at + 1, at - length):
                if low < 0 or low + length > len(top):
                    continue
                # sums of medians are near the medians of sums: only these are worth a closer look
                if abs(whole - (reach[low + length] - reach[low])) > 0.3 * whole + 20 * tick:
                    continue
                inner = top[low : low + length]
                if _is_sum(values[:, top[at]], values[:, inner], tick):
                    return int(top[at]), inner
    for at in free:
        others = np.delete(top, at)
        if len(others) > 1 and _is_sum(values[:, top[at]], values[:, others], tick):
            return int(top[at]), others
    return None


def _is_sum(whole: Int, parts: Int, tick: int) -> bool:
    if len(whole) > 100 and not _near(whole[:50], parts[:50], tick).mean() >= 0.5:
        return False
    typical = np.median(parts, axis=0)
    # one long part and trifles would make that part "the sum"; values that never vary say nothing
    if np.sort(typical)[-2] < NEAR * max(float(np.median(whole)), 1.0):
        return False
    if len(np.unique(whole)) < min(3, len(whole)):
        return False
    return bool(_near(whole, parts, tick).mean() >= MOST)


def _near(whole: Int, parts: Int, tick: int) -> NDArray[np.bool_]:
    """In which loops the parts add up to the whole."""
    room = np.maximum(NEAR * whole, 0.5 * tick * (parts.shape[1] + 1))
    return np.abs(whole - parts.sum(axis=1)) <= room


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
