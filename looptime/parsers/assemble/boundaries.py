"""Calls that run on past the end of their loop: which loop gets which part of their self time."""

import numpy as np

from looptime.array_types import Int
from looptime.parsers.layouts.nesting import Nest

__all__ = ["spills"]


def spills(
    start: Int, nested: Nest, loop: Int, loop_start: Int, loop_end: Int
) -> tuple[Int, Int, Int]:
    """Self time of calls beyond their own loop, by the loops that they reach.

    Parameters
    ----------
    start : int64 array, shape (m,) [ns]
        Starts of one thread's calls, in the order of `nested`.
    nested : Nest
        How they lie within each other.
    loop : int array, shape (m,)
        Loop in which each starts.
    loop_start, loop_end : int64 array, shape (n,) [ns]
        The loops.

    Returns
    -------
    row, loop, ns : int64 arrays, shape (k,)
        `loop` is -1 for the part past the last whole loop, or in a stretch whose rows were lost.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.parsers.layouts.nesting import nest
    >>> start, edges = np.array([5]), np.array([0, 10, 20])
    >>> found = spills(start, nest(start, np.array([13])), np.array([0]), edges[:-1], edges[1:])
    >>> [column.tolist() for column in found]
    [[0], [1], [3]]
    """
    crossing = np.flatnonzero(nested.end > loop_end[loop])
    empty = np.empty(0, np.int64)
    if not len(crossing):
        return empty, empty, empty
    key, amount = _reach(crossing, start, nested, loop, loop_start, loop_end)
    away = key[:, 1] != loop[key[:, 0]]
    # what lies within a call that crosses is that inner call's time, not the outer one's
    inner = np.flatnonzero((nested.parent >= 0) & np.isin(nested.parent, crossing))
    inner_key, inner_ns = _reach(inner, start, nested, loop, loop_start, loop_end)
    up = nested.parent[inner_key[:, 0]]
    off = inner_key[:, 1] != loop[up]
    keys = np.concatenate([key[away], np.stack([up[off], inner_key[off, 1]], axis=1)])
    amounts = np.concatenate([amount[away], -inner_ns[off]])
    pairs, where = np.unique(keys, axis=0, return_inverse=True)
    total = np.zeros(len(pairs), np.int64)
    np.add.at(total, where.ravel(), amounts)
    used = total != 0
    return pairs[used, 0], pairs[used, 1], total[used]


def _reach(
    rows: Int, start: Int, nested: Nest, loop: Int, loop_start: Int, loop_end: Int
) -> tuple[Int, Int]:
    """Parts of calls in each loop that they touch, and outside all loops (loop -1)."""
    own = loop[rows].astype(np.int64)
    last = np.searchsorted(loop_start, nested.end[rows], side="left") - 1
    count = np.maximum(last - own, 0) + 1
    row = np.repeat(rows, count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    at = np.repeat(own, count) + step
    low = np.maximum(start[row], loop_start[at])
    inside = np.maximum(np.minimum(nested.end[row], loop_end[at]) - low, 0)
    group = np.repeat(np.arange(len(rows)), count)
    covered = np.zeros(len(rows), np.int64)
    np.add.at(covered, group, inside)
    rest = nested.end[rows] - start[rows] - covered
    outside = rest > 0
    keys = np.concatenate(
        [
            np.stack([row, at], axis=1),
            np.stack([rows[outside], np.full(int(outside.sum()), -1)], axis=1),
        ]
    )
    return keys, np.concatenate([inside, rest[outside]])
