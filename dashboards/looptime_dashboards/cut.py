"""Stretches of a long run, taken out without looking at the rest of it."""

from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from looptime.run import CallColumns, LoopColumns, Run

__all__ = ["blocks_of", "cut", "range_of", "stretches"]

Piece = tuple[int, int]
_T = TypeVar("_T", bound=np.generic)


def blocks_of(run: Run) -> tuple[Piece, ...] | None:
    """Where each thread's calls stand; None where they are not one after the other.

    Parameters
    ----------
    run : Run
        Any run. The answer is worth keeping: it takes one look at every call.
    """
    thread, loop = run.call_columns.thread, run.call_columns.loop
    if not len(thread):
        return ()
    edges = np.flatnonzero(np.diff(thread)) + 1
    if len(edges) >= 64:
        return None
    ends = [0, *edges.tolist(), len(thread)]
    made = tuple(pairwise(ends))
    if any((np.diff(loop[a:b]) < 0).any() for a, b in made):
        return None
    return made


def range_of(run: Run, start_s: float | None, end_s: float | None) -> Piece:
    """Places of the first loop of a range and of the one after its last, as `part` counts them."""
    start = run.loop_columns.start_ns
    since = (start - start[0]) / 1e9 if len(start) else np.zeros(0)
    first = 0 if start_s is None else int(np.searchsorted(since, start_s, side="left"))
    last = len(since) if end_s is None else int(np.searchsorted(since, end_s, side="left"))
    return first, max(first, last)


def stretches(first: int, last: int, loops: int, count: int = 20) -> list[Piece]:
    """Evenly spread stretches that hold about `loops` loops between them.

    Examples
    --------
    >>> stretches(0, 100, 20, 2)
    [(0, 10), (90, 100)]
    >>> stretches(5, 9, 20)
    [(5, 9)]
    """
    if last - first <= loops:
        return [(first, last)]
    length = max(1, loops // count)
    begin = np.linspace(first, last - length, count).astype(np.int64)
    return [(int(a), int(a) + length) for a in begin]


def cut(run: Run, pieces: Sequence[Piece], blocks: tuple[Piece, ...] | None) -> Run:
    """The loops of some stretches, as `Run.select` gives them.

    Parameters
    ----------
    run : Run
        The run.
    pieces : sequence of (int, int)
        Places of the first loop of each stretch and of the one after its last; in order, none
        over another.
    blocks : tuple or None
        From `blocks_of`.
    """
    at = run.loop_columns
    if blocks is None or len(run.call_columns.spill_row) or run.signals or run.marks:
        keep = np.zeros(len(at), bool)
        for a, b in pieces:
            keep[a:b] = True
        return run.select(keep)
    columns: dict[str, Any] = {
        f.name: value if not isinstance(value, np.ndarray) else _joined(value, pieces)
        for f in fields(LoopColumns) for value in [getattr(at, f.name)]
    }  # fmt: skip
    calls = _calls(run, pieces, blocks)
    return replace(run, loop_columns=LoopColumns(**columns), call_columns=calls)


def _joined(column: NDArray[_T], pieces: Sequence[Piece]) -> NDArray[_T]:
    if len(pieces) == 1:
        return column[pieces[0][0] : pieces[0][1]]
    return np.concatenate([column[a:b] for a, b in pieces]) if pieces else column[:0]


def _calls(run: Run, pieces: Sequence[Piece], blocks: tuple[Piece, ...]) -> CallColumns:
    calls = run.call_columns
    rows: list[Piece] = []
    moves: list[int] = []
    for low, high in blocks:
        mine, base = calls.loop[low:high], 0
        for a, b in pieces:
            # numbers of the column's own type: others would make a copy of it
            ends = np.searchsorted(mine, np.array([a, b], mine.dtype))
            rows.append((low + int(ends[0]), low + int(ends[1])))
            moves.append(base - a)
            base += b - a
    loop = [calls.loop[a:b] + np.int32(m) for (a, b), m in zip(rows, moves, strict=True)]
    names = ("thread", "name", "start_ns", "duration_ns", "self_ns", "depth", "seq", "cpu_ns")
    kept: dict[str, Any] = {
        n: None if getattr(calls, n) is None else _joined(getattr(calls, n), rows) for n in names
    }
    return CallColumns(
        loop=np.concatenate(loop).astype(np.int32) if loop else calls.loop[:0], **kept
    )
