"""Loops that hold the calls of two, or lack one, because rows were lost, garbled or moved."""

import numpy as np

from looptime.array_types import Bool, Int

__all__ = ["LOOKED_AT", "merged_loops", "odd_turns", "out_of_turn"]

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
#: A call is in its turn if this share of the loops (where none is, that), of at least so many, hold
#: it once; rows looked at.
_NEARLY_ALL, _MOSTLY, _LOOPS, LOOKED_AT = 0.98, 0.7, 30, 300_000


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


def odd_turns(name: Int, loop: Int) -> Int:
    """Loops that do not hold once each section that nearly all hold once.

    Rows that were lost, or that stand elsewhere, leave such loops; so does a section that is left
    out now and then, and nothing in the log tells which it was.

    Parameters
    ----------
    name : int array, shape (m,)
        Codes of the sections.
    loop : int array, shape (m,)
        The loop of each, from 0, never falling.

    Examples
    --------
    >>> name, loop = np.tile([0, 1, 2], 50), np.repeat(np.arange(50), 3)
    >>> odd_turns(np.delete(name, 31), np.delete(loop, 31)), odd_turns(name, loop)
    (array([10]), array([], dtype=int64))
    """
    if len(loop) > LOOKED_AT:  # without the loop in which it is cut
        count = int(np.searchsorted(loop, loop[LOOKED_AT]))
        name, loop = name[:count], loop[:count]
    loops = int(loop[-1]) + 1 if len(loop) else 0
    if loops < _LOOPS:
        return np.empty(0, np.int64)
    pair = np.sort(name.astype(np.int64) * loops + loop)
    first = np.flatnonzero(np.append(True, pair[1:] != pair[:-1]))
    single = np.diff(np.append(first, len(pair))) == 1
    pair = pair[first]
    once = np.bincount(pair[single] // loops)
    usual = np.flatnonzero(once >= _NEARLY_ALL * loops)
    if not len(
        usual
    ):  # no loop runs nothing: where none is in nearly all, rows of each may be lost
        usual = np.flatnonzero(once >= _MOSTLY * loops)
    held = single & np.isin(pair // loops, usual)
    return np.flatnonzero(np.bincount(pair[held] % loops, minlength=loops) < len(usual))


def out_of_turn(loops: int, line: int) -> str:
    """A caution about so many loops, the first of which begins at a line.

    Examples
    --------
    >>> out_of_turn(2, 40)[:52]
    '2 loops lack or repeat what nearly all hold once, th'
    """
    many = "1 loop lacks or repeats" if loops == 1 else f"{loops:,} loops lack or repeat"
    return (
        f"{many} what nearly all hold once, the first at line {line}: left out there, or rows are "
        "lost or stand elsewhere"
    )
