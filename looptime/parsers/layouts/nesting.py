"""Nesting of calls on one thread: depth, enclosing call and self time, without a loop over rows."""

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.records import dataclass

__all__ = ["Nest", "nest", "parents_first"]

_DEEPEST = 4096


@dataclass(frozen=True)
class Nest:
    """How calls lie within each other."""

    depth: NDArray[np.int16]  #: Number of calls that enclose each call, int16 array, shape (m,)
    parent: Int  #: Row of the call directly around it, -1 for none, shape (m,)
    #: End as far as it lies within the parent and before the next call beside it: rounding in the
    #: log can make neighbours overlap by a tick; shape (m,) [ns].
    end: Int
    self_ns: Int  #: That span minus the spans of the calls directly within it, shape (m,)
    overlaps: Bool  #: Calls that neither lie within another nor beside it, shape (m,)


def parents_first(start: Int, end: Int, by_end: bool = False) -> Int | None:
    """Order that puts calls by start, an enclosing call before what lies in it.

    Parameters
    ----------
    start, end : int64 array, shape (m,) [ns]
        In the order of the log: by start, or by end, or nearly so.
    by_end : bool
        Whether the rows are known to have been written as the calls ended: of two that share
        both instants, the later row then encloses the earlier.

    Returns
    -------
    int64 array, shape (m,), or None
        None where the rows already stand so.

    Examples
    --------
    >>> import numpy as np
    >>> parents_first(np.array([1, 0]), np.array([2, 3]))
    array([1, 0])
    """
    step = start[1:] - start[:-1]
    if len(step) == 0 or step.min() > 0:
        return None
    if step.min() >= 0:
        ties = step == 0
        # rows that start together and end in falling order already stand parents first
        inside = end[1:] >= end[:-1] if by_end else end[1:] > end[:-1]
        if not (ties & inside).any():
            return None
        if not by_end:
            return np.lexsort((-end, start))
    if (end[1:] >= end[:-1]).all():
        return _from_end_order(start)
    row = np.arange(len(start))
    return np.lexsort((-row, -end, start))


def _from_end_order(start: Int) -> Int:
    """Order by start of rows written as they ended: of equal starts, the last written encloses.

    Most rows stand in order already; the calls that enclose others are put in where they began.
    """
    behind = start[1:] < np.maximum.accumulate(start)[:-1]
    late = np.flatnonzero(behind)[::-1] + 1
    ready = np.flatnonzero(np.concatenate([[True], ~behind]))
    if len(late) > len(start) // 2 or (np.diff(start[ready]) == 0).any():
        backwards = np.arange(len(start) - 1, -1, -1)
        return backwards[np.argsort(start[::-1], kind="stable")]
    late = late[np.argsort(start[late], kind="stable")]
    return np.insert(ready, np.searchsorted(start[ready], start[late], side="left"), late)


def nest(start: Int, end: Int, tolerance: int = 0, share: float = 0.0) -> Nest:
    """Find how calls of one thread lie within each other.

    A call lies within the latest earlier one that has not yet ended. One level of nesting is
    found at a time, by comparing each start with the running maximum of the ends before it.

    Parameters
    ----------
    start, end : int64 array, shape (m,) [ns]
        In the order of `parents_first`.
    tolerance : int
        Overlap [ns] that counts as rounding.
    share : float
        So much of the shorter of two calls may the earlier run on after the later began, too; it
        then ends where that begins.

    Examples
    --------
    >>> import numpy as np
    >>> found = nest(np.array([0, 1, 5]), np.array([4, 3, 6]))
    >>> found.depth.tolist(), found.parent.tolist(), found.self_ns.tolist()
    ([0, 1, 0], [-1, 0, -1], [2, 2, 1])
    """
    count = len(start)
    length, given = end - start, end
    depth = np.zeros(count, np.int16)
    parent = np.full(count, -1, np.int64)
    overlaps = np.zeros(count, bool)
    rows: Int | None = None  # all of them
    level = 0
    while (rows is None or len(rows)) and level < _DEEPEST:
        top = _tops(start, end) if rows is None else _tops(start[rows], end[rows])
        within = np.flatnonzero(~top)
        if level:
            depth[rows] = level
        if not len(within):
            break
        if end is given:
            end = end.copy()
        tops = np.flatnonzero(top)
        up: Int = np.repeat(tops, np.diff(tops, append=len(top)) - 1)  # the latest top before each
        below = within if rows is None else rows[within]
        up = up if rows is None else rows[up]
        if (start[below] >= end[up]).any():  # hidden by a call that overlaps: one after another
            return _one_by_one(start, end, tolerance, share)
        late = np.flatnonzero(end[below] > end[up])
        if len(late):
            inner, outer = below[late], up[late]
            over, early = end[inner] - end[outer], end[outer] - start[inner]
            # the next call begins a rounding before the end of this one; where it may as well
            # lie within and end late, the smaller rounding decides
            most = np.maximum(tolerance, share * np.minimum(length[inner], length[outer]))
            beside = (early <= most) & ((over > tolerance) | (early < over))
            if beside.any():
                np.minimum.at(end, outer[beside], start[inner[beside]])
                continue
            slight = over <= tolerance
            end[inner[slight]] = end[outer[slight]]
            wrong = late[~slight]
            overlaps[below[wrong]] = True
            below, up = np.delete(below, wrong), np.delete(up, wrong)
        parent[below] = up
        rows = below
        level += 1
    self_ns = length if end is given else _self_ns(start, end, parent)
    return Nest(depth, parent, end, self_ns, overlaps)


def _self_ns(start: Int, end: Int, parent: Int) -> Int:
    """Spans minus the spans of the calls directly within them."""
    self_ns = end - start
    inner = np.flatnonzero(parent >= 0)
    if not len(inner):
        return self_ns
    up, spans = parent[inner], self_ns[inner]
    # neighbours mostly share their parent
    first = np.concatenate([[0], np.flatnonzero(up[1:] != up[:-1]) + 1])
    np.subtract.at(self_ns, up[first], np.add.reduceat(spans, first))
    return self_ns


def _one_by_one(start: Int, end: Int, tolerance: int, share: float) -> Nest:
    """The same with a stack of open calls: for stretches in which many calls overlap others.

    A call that overlaps another opens nothing, so that those after it are judged without it.
    """
    starts, ends = start.tolist(), end.tolist()
    depth, parent, wrong = [], [], np.zeros(len(starts), bool)
    open_calls: list[int] = []
    for row, (begin, stop) in enumerate(zip(starts, ends, strict=True)):
        while open_calls:
            last_open = open_calls[-1]
            over, early = stop - ends[last_open], ends[last_open] - begin
            most = max(tolerance, share * min(stop - begin, ends[last_open] - starts[last_open]))
            slightly = early <= most if over > tolerance else early <= tolerance
            if not slightly or (early > 0 and over <= min(early, tolerance)):
                break
            closed = open_calls.pop()
            ends[closed] = min(ends[closed], begin)
        depth.append(len(open_calls))
        up = open_calls[-1] if open_calls else -1
        wrong[row] = up >= 0 and stop - ends[up] > tolerance
        parent.append(-1 if wrong[row] else up)
        if wrong[row]:
            continue
        if up >= 0:
            ends[row] = min(stop, ends[up])
        open_calls.append(row)
    parents, last = np.array(parent, np.int64), np.array(ends, np.int64)
    return Nest(np.array(depth, np.int16), parents, last, _self_ns(start, last, parents), wrong)


def _tops(start: Int, end: Int) -> Bool:
    """Which rows lie in no earlier one."""
    reach = np.maximum.accumulate(end)
    top = np.ones(len(start), bool)
    # a call without length at the very start of another lies in it; at its very end, beside it
    np.greater_equal(start[1:], reach[:-1], out=top[1:])
    return top
