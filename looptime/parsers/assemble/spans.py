"""Stretches of timed calls, worked on by a few threads: loop, nesting and self time of each call.

Rows are cut where no call reaches across, so that memory stays bounded and a span's figures need
no other span.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from looptime.abreast import abreast, threads_for_a_log
from looptime.array_types import Bool, Int
from looptime.parsers.assemble.boundaries import spills
from looptime.parsers.assemble.loops import FoundLoops
from looptime.parsers.layouts.contract import CallRows, Outcast
from looptime.parsers.layouts.nesting import Nest, nest, parents_first
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = ["SPAN_ROWS", "Span", "cuts_of", "spans_of"]

#: Rows in a span.
SPAN_ROWS = 65_536
#: Share of the rows up to which overlaps are odd ones, and share of the shorter call up to which
#: the earlier one merely ran on.
_FEW, _RAN_ON = 0.05, 0.1
#: Later than any call; a tolerance may be added to it.
_NEVER = np.iinfo(np.int64).max // 2


@dataclass(frozen=True)
class Span:
    """What one stretch of rows yields; rows are counted within the span."""

    calls: CallRows
    loop: Int
    depth: Int
    self_ns: Int
    spill: tuple[Int, Int, Int]
    outcast: Outcast
    first_row: tuple[Int, Int]
    phase: Int | None
    ran_on: int = 0  #: Calls that ended a little after the next began


def cuts_of(rows: CallRows, tolerance: int) -> list[int] | None:
    """Places at which to cut the rows so that on each thread no call reaches across a cut.

    None where the rows stand so badly out of order that they must be sorted first.
    """
    count = len(rows)
    wanted = list(range(0, count, SPAN_ROWS))[1:]
    places = [_loop_change(rows, at) for at in wanted]
    cuts = sorted({0, *(at for at in places if at is not None), count})
    lows, highs = [], []
    threads = len(rows.threads) if rows.thread is not None else 1
    for lo, hi in pairwise(cuts):
        start, end = rows.start[lo:hi], rows.start[lo:hi] + rows.duration[lo:hi]
        low, high = np.full(threads, _NEVER), np.full(threads, -_NEVER)
        if rows.thread is None:
            low[0], high[0] = start.min(), end.max()
        else:
            np.minimum.at(low, rows.thread[lo:hi], start)
            np.maximum.at(high, rows.thread[lo:hi], end)
        lows.append(low)
        highs.append(high)
    reached = np.maximum.accumulate(highs)[:-1]
    begun = np.minimum.accumulate(lows[::-1])[::-1][1:]
    free = np.all(reached <= begun + tolerance, axis=1)  # of calls that reach across
    inner: Int = np.asarray(cuts[1:-1], np.int64)
    good = [0, *inner[free].tolist()]
    if len(good) < len(cuts) / 4 and not _in_order(rows):
        return None
    return [*good, count]


def _loop_change(rows: CallRows, at: int) -> int | None:
    """First row from `at` on with another loop number, or a start after all before it."""
    part = slice(at - 1, at + 5000)
    if rows.loop is not None:
        change = np.flatnonzero(np.diff(rows.loop[part]))
        return None if not len(change) else at + int(change[0])
    end = np.maximum.accumulate(rows.start[part] + rows.duration[part])
    free = np.flatnonzero(rows.start[at : at + len(end) - 1] >= end[:-1])
    return None if not len(free) else at + int(free[0])


def _in_order(rows: CallRows) -> bool:
    return bool((np.diff(rows.start) >= 0).all())


def spans_of(rows: CallRows, cuts: list[int], found: FoundLoops, tolerance: int) -> Iterator[Span]:
    """Spans in order, worked on by a few threads."""

    def work(part: tuple[int, int]) -> Span:
        return _span(rows, *part, found, tolerance)

    return abreast(work, pairwise(cuts), threads_for_a_log())


def _span(rows: CallRows, lo: int, hi: int, found: FoundLoops, tolerance: int) -> Span:
    """One span: the loop of each call, its depth and its self time."""
    part = rows.take(slice(lo, hi))
    outcast = Outcast()
    at, keep = _place(part, found, outcast)
    change = np.flatnonzero(at[1:] != at[:-1]) + 1
    first = np.concatenate([[0], change])
    first = first[keep[first]][::-1]  # the earliest row of a loop is to be written last
    which, index = np.unique(at[first][::-1], return_index=True)
    first = first[::-1][index]
    if part.hidden is not None:
        keep &= ~part.hidden
    if found.enclosing >= 0:
        marker = part.name == found.enclosing
        if part.thread is not None:
            marker &= part.thread == found.thread
        keep &= ~marker
    phase = None if part.phase is None else part.phase[first]
    rows_of_first = first + lo
    part = replace(part, loop=None, phase=None, hidden=None, labels={})  # done with
    pieces = _by_thread(part, at, np.flatnonzero(keep), found, tolerance, outcast)
    ran_on = sum(piece[-1] for piece in pieces)
    calls, loop, nested, spill, _ = pieces[0] if len(pieces) == 1 else _merged(pieces)
    return Span(
        calls, loop, nested.depth, nested.self_ns, spill, outcast, (which, rows_of_first), phase,
        ran_on,
    )  # fmt: skip


def _place(part: CallRows, found: FoundLoops, outcast: Outcast) -> tuple[Int, Bool]:
    """The loop in which each call starts; calls outside every loop are set aside."""
    numbered = _by_number(part, found)
    if numbered is not None:
        return numbered, np.ones(len(part), bool)
    low = max(0, int(np.searchsorted(found.start, part.start.min(), side="right")) - 1)
    high = int(np.searchsorted(found.start, part.start.max(), side="right"))
    at = np.searchsorted(found.start[low:high], part.start, side="right") - 1 + low
    before = part.start < found.start[0]
    after = part.start >= found.end[np.maximum(at, 0)]
    if not before.any() and not after.any():
        return at.astype(np.int32), np.ones(len(part), bool)
    after &= ~before
    last = after & (at == len(found.start) - 1)
    shown = ~part.hidden if part.hidden is not None else np.ones(len(part), bool)
    for rows, reason in (
        (before, "before first loop"),
        (last, "unfinished last loop"),
        (after & ~last, "rows lost around it"),
    ):
        outcast.add(part.table_row(np.flatnonzero(rows & shown)), reason)
    return at.astype(np.int32), ~(before | after)


def _by_number(part: CallRows, found: FoundLoops) -> Int | None:
    """The same, where rows of one number stand together and all start within one loop.

    A few looks a loop instead of one a row; None where that cannot be had.
    """
    if part.loop is None:
        return None
    first = np.flatnonzero(np.append(True, part.loop[1:] != part.loop[:-1]))
    if 4 * len(first) > len(part):
        return None
    earliest = np.minimum.reduceat(part.start, first)
    latest = np.maximum.reduceat(part.start, first)
    at = np.searchsorted(found.start, earliest, side="right") - 1
    if at.min() < 0 or (latest >= found.end[at]).any():
        return None
    return np.repeat(at.astype(np.int32), np.diff(first, append=len(part)))


_Piece = tuple[CallRows, Int, Nest, tuple[Int, Int, Int], int]


def _by_thread(
    part: CallRows, at: Int, kept: Int, found: FoundLoops, tolerance: int, outcast: Outcast
) -> list[_Piece]:
    """The rows that are kept, thread by thread."""
    if part.thread is None:
        return [_nested(part, at, kept, found, tolerance, outcast, on_loop_thread=True)]
    pieces = []
    thread = part.thread[kept]
    for code in distinct(thread):
        mine, on_loop_thread = kept[thread == code], int(code) == found.thread
        pieces.append(_nested(part, at, mine, found, tolerance, outcast, on_loop_thread))
    return pieces or [_nested(part, at, kept, found, tolerance, outcast, on_loop_thread=True)]


def _nested(
    part: CallRows,
    at: Int,
    mine_at: Int,
    found: FoundLoops,
    tolerance: int,
    outcast: Outcast,
    on_loop_thread: bool,
) -> _Piece:
    start = part.start[mine_at]
    order = parents_first(start, start + part.duration[mine_at], part.by_end)
    mine_at = mine_at if order is None else mine_at[order]
    mine, at = part.take(mine_at), at[mine_at]
    nested = nest(mine.start, mine.start + mine.duration, tolerance)
    odd, share = int(nested.overlaps.sum()), 0.0
    if 0 < odd <= _FEW * len(mine):
        share = _RAN_ON
        nested = nest(mine.start, mine.start + mine.duration, tolerance, share)
    ran_on = max(odd - int(nested.overlaps.sum()), 0)
    while nested.overlaps.any():
        outcast.add(mine.table_row(np.flatnonzero(nested.overlaps)), "overlaps another call")
        good = ~nested.overlaps
        mine, at = mine.take(good), at[good]
        nested = nest(mine.start, mine.start + mine.duration, tolerance, share)
    empty: Int = np.empty(0, np.int64)
    spill = (empty, empty, empty)
    if on_loop_thread and len(mine):
        spill = spills(mine.start, nested, at, found.start, found.end)
    return mine, at, nested, spill, ran_on


def _merged(pieces: list[_Piece]) -> _Piece:
    """Calls of several threads in one order by start; each thread's own order stays."""
    start = np.concatenate([mine.start for mine, *_ in pieces])
    order = np.argsort(start, kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))

    def joined(columns: list[Any]) -> Any:
        return None if columns[0] is None else np.concatenate(columns)[order]

    first = pieces[0][0]
    keys = ("start", "duration", "name", "thread", "seq", "cpu")
    columns = {key: joined([getattr(mine, key) for mine, *_ in pieces]) for key in keys}
    calls = replace(
        first, loop=None, phase=None, hidden=None, labels={}, row=None, first=0, **columns
    )
    before = np.cumsum([0, *(len(mine) for mine, *_ in pieces)])
    spilt = [
        (place[row + before[i]], later, ns)
        for i, (_, _, _, (row, later, ns), _) in enumerate(pieces)
    ]
    rows, later, ns = (np.concatenate(part) for part in zip(*spilt, strict=True))
    nested = Nest(
        joined([n.depth for _, _, n, *_ in pieces]),
        np.empty(0, np.int64),
        np.empty(0, np.int64),
        joined([n.self_ns for _, _, n, *_ in pieces]),
        np.empty(0, bool),
    )
    return calls, joined([at for _, at, *_ in pieces]), nested, (rows, later, ns), 0
