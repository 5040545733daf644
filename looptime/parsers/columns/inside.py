"""Parts that are the sum of other parts: timers around other timers, not to be counted twice."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.stats.arrays import straight

__all__ = ["enclosing", "holds_others", "own"]

#: A timer around others also takes its own few instructions: within 2 % counts as equal.
NEAR = 0.02
#: Loops in which the sum must hold.
MOST = 0.9
#: Rows in which a timer holds all others, how nearly it grows with them, and the most beside them.
_HOLDS, _FOLLOWS, _BESIDE = 0.99, 0.95, 0.5
#: Loops that are looked at.
SAMPLE = 2000


def enclosing(values: Int, tick: int = 1) -> Int:
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


def _next(values: Int, typical: Float, parent: Int, tick: int) -> tuple[int, Int] | None:
    """The shortest stretch of outermost columns that add up to the one before or after it."""
    top = np.flatnonzero(parent < 0)
    full = np.unique(parent[parent >= 0])  # these have their parts already
    varied = [_varies(values[:, column]) for column in top]
    free = np.flatnonzero(~np.isin(top, full) & varied)
    for outer, low, length in _stretches(typical[top], free, tick):
        inner = top[low : low + length]
        if _adds_up(values[:, top[outer]], values[:, inner].sum(axis=1), length, tick):
            return int(top[outer]), inner
    everything = values[:, top].sum(axis=1)
    for at in free:
        whole, others = values[:, top[at]], np.delete(top, at)
        enough = np.count_nonzero(typical[others] >= _trifle(typical[top[at]])) >= 2
        if enough and _adds_up(whole, everything - whole, len(others), tick):
            return int(top[at]), others
    return None


def _stretches(typical: Float, free: Int, tick: int) -> list[tuple[int, int, int]]:
    """Column, start and length of the stretches whose medians may add up, shortest first.

    Sums of medians are near the medians of sums: only these are worth a closer look. One long part
    and trifles would make that part "the sum".
    """
    count = len(typical)
    reach = np.concatenate([[0.0], np.cumsum(typical)])
    length = np.arange(2, count)
    found = []
    for at in free.tolist():
        whole = typical[at]
        long = np.concatenate([[0], np.cumsum(typical >= _trifle(whole))])
        for side, low in enumerate((np.full(len(length), at + 1), at - length)):
            inside = (low >= 0) & (low + length <= count)
            start, parts = low[inside], length[inside]
            apart = np.abs(whole - (reach[start + parts] - reach[start]))
            near = apart <= 0.3 * whole + 20 * tick
            near &= long[start + parts] - long[start] >= 2
            rows = zip(parts[near].tolist(), start[near].tolist(), strict=True)
            found += [(many, at, side, first) for many, first in rows]
    return [(at, first, many) for many, at, _, first in sorted(found)]


def _trifle(whole: float) -> float:
    """The least that a part of such a whole must take as a rule, to be more than a trifle."""
    return NEAR * max(float(whole), 1.0)


def _varies(whole: Int) -> bool:
    """Whether there is something to compare: values that never vary say nothing."""
    return len(np.unique(whole)) >= min(3, len(whole))


def _adds_up(whole: Int, total: Int, parts: int, tick: int) -> bool:
    if len(whole) > 100 and not _near(whole[:50], total[:50], parts, tick).mean() >= 0.5:
        return False
    return bool(_near(whole, total, parts, tick).mean() >= MOST)


def _near(whole: Int, total: Int, parts: int, tick: int) -> Bool:
    """In which loops so many parts, of this total, add up to the whole."""
    room = np.maximum(NEAR * whole, 0.5 * tick * (parts + 1))
    return np.abs(whole - total) <= room


def holds_others(values: Float, at: int) -> bool:
    """Whether a timer holds all others and little else: never less, and longer as they are.

    What lies between its parts is its own, so that it need not equal their sum.

    Parameters
    ----------
    values : float64 array, shape (k, n)
        Durations of k timers in n loops, NaN where there is none.
    at : int
        The timer that is asked about.

    Examples
    --------
    >>> took = np.random.default_rng(1).uniform(1, 3, (2, 200))
    >>> both = np.stack([*took, took.sum(axis=0) + 0.3])
    >>> holds_others(both, 2), holds_others(both, 1)
    (True, False)
    """
    values = values[:, np.isfinite(values[at])]
    whole, total = values[at], np.nansum(np.delete(values, at, axis=0), axis=0)
    if len(values) < 3 or values.shape[1] < 3 or (line := straight(total, whole)) is None:
        return False
    close = line[1] ** 2 >= _FOLLOWS and 0.9 <= line[0] <= 1.1
    little = np.median(total) >= _BESIDE * np.median(whole)
    return bool(close and little and (total <= (1 + NEAR) * whole).mean() >= _HOLDS)


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
