"""Two loops that look like one, because the row that begins the second was lost or garbled."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Bool, Int

__all__ = ["merged_loops"]

#: A loop is looked into from so many typical periods on.
_LONG = 1.5
#: A call in at least this share of the usual loops once is one that every loop makes once.
_ONCE = 0.85
#: Two loops hold at least so many times the rows of one.
_ROWS = 1.4
#: Of those calls, so many are made twice in a stretch that is two loops; other rows may lack.
_TWICE = 0.6
#: Loops from which that is learnt, and the largest share that can be two in one.
_LEARNT, _MOST = 2000, 0.1


def merged_loops(start: Int, end: Int, call_start: Int, name: Int, own: int) -> Bool:
    """Find loops in which calls that a loop makes once are made twice.

    A loop that is merely slow makes its calls once. Where more than a tenth of the loops are like
    that, it is how the program runs, and none is named.

    Parameters
    ----------
    start, end : int64 array, shape (n,) [ns]
        Loops as the starts of their call mark them off.
    call_start : int64 array, shape (m,) [ns]
        Calls on the loop's thread, in any order.
    name : int array, shape (m,)
        Their names' codes.
    own : int
        Code of the call that begins a loop.

    Returns
    -------
    bool array, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> at = np.arange(0, 300, 10)
    >>> begins = np.delete(at, 9)  # one row of the call that begins a loop is lost
    >>> calls = np.concatenate([begins, at + 2, at + 4])
    >>> name = np.repeat([0, 1, 2], [29, 30, 30])
    >>> np.flatnonzero(merged_loops(begins[:-1], begins[1:], calls, name, 0)).tolist()
    [8]
    """
    none = np.zeros(len(start), bool)
    period = end - start
    typical = float(np.median(period))
    long = np.flatnonzero(period > _LONG * typical)
    if not len(long) or len(start) < 10:
        return none
    order = None if bool((call_start[1:] >= call_start[:-1]).all()) else np.argsort(call_start)
    if order is not None:
        call_start, name = call_start[order], name[order]
    edges = np.searchsorted(call_start, start), np.searchsorted(call_start, end)
    usual = np.flatnonzero(period[:_LEARNT] <= _LONG * typical)
    uses = np.bincount(name, minlength=own + 1)
    uses[own] = 0
    often = np.flatnonzero(uses >= _ONCE * len(usual))  # no others are in most loops
    place = np.full(len(uses), len(often))
    place[often] = np.arange(len(often))
    name = place[name]
    counts = _counts(name, *(edge[usual] for edge in edges))
    once = (counts == 1).mean(axis=0) >= _ONCE
    once[len(often) :] = False
    if not once.any():
        return none
    rows = edges[1] - edges[0]  # two loops hold twice as many rows, or nearly
    long = long[rows[long] > _ROWS * np.median(rows[usual])]
    if len(long) > _MOST * len(start):
        return none
    counts = _counts(name, *(edge[long] for edge in edges))
    twice = long[(counts[:, once] >= 2).mean(axis=1) >= _TWICE]
    none[twice] = True
    return none


def _counts(name: Int, first: Int, stop: Int) -> Int:
    """How many calls of each name lie in each stretch of rows; shape (loops, names)."""
    kinds = int(name.max()) + 1
    size = stop - first
    row = np.repeat(first - np.cumsum(size) + size, size) + np.arange(int(size.sum()))
    loop = np.repeat(np.arange(len(first)), size)
    made: Int = np.bincount(loop * kinds + name[row], minlength=len(first) * kinds)
    return made.reshape(len(first), kinds)
