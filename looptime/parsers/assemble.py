"""From rows to a canonical run: loops, nesting, self times, books that balance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.loops import FoundLoops, find_loops
from looptime.parsers.nesting import Nest, nest, parents_first
from looptime.parsers.rows import CallRows, LoopRows, Options, Outcast, Parsed
from looptime.parsers.table import Table
from looptime.run import CallColumns, LoopColumns, MarkColumns, Run, SetAside, Signals
from looptime.schema import REASONS, CallName

__all__ = ["assemble"]

Int = NDArray[Any]


def assemble(parsed: Parsed, path: str, options: Options) -> Run:
    """Build a run from what a layout found.

    Parameters
    ----------
    parsed : Parsed
        Rows of one run.
    path : str
        The log.
    options : Options
        How the caller wants it read.

    Raises
    ------
    LogError
        If there are fewer than two loops.
    """
    if parsed.calls is not None:
        return _from_calls(parsed, parsed.calls, path, options)
    assert parsed.loops is not None
    return _from_loops(parsed, parsed.loops, path)


def _from_loops(parsed: Parsed, rows: LoopRows, path: str) -> Run:
    """Loops that the log gives directly, one a row."""
    if rows.period is None:
        start, period = rows.start[:-1], np.diff(rows.start)
        parsed.outcast.add(rows.row[-1:], "unfinished last loop")
    else:
        start, period = rows.start, rows.period
    count = len(start)
    if count < 1:
        raise LogError("holds a single loop: record at least two", path)
    number = np.arange(count) if rows.number is None else rows.number[:count]
    loops = LoopColumns(
        number.astype(np.int64),
        start,
        period,
        phase=None if rows.phase is None else rows.phase[:count].astype(np.int16),
        phase_names=tuple(rows.phases),
        line=parsed.table.line_of(rows.row[:count]),
    )
    values = {name: column[:count] for name, column in rows.signals.items()}
    signals = Signals(start, np.arange(count, dtype=np.int32), values) if values else None
    return _finish(Run(loops, layout=parsed.layout, signals=signals), parsed, path, "one a row")


def _from_calls(parsed: Parsed, rows: CallRows, path: str, options: Options) -> Run:
    """Timed calls, with the loops that they form."""
    found = find_loops(rows, options.loop_call, path)
    at, inside = _place(rows, found, parsed.outcast)
    marker = np.zeros(len(rows), bool)
    if found.enclosing >= 0:
        marker = rows.name == found.enclosing
        if rows.thread is not None:
            marker &= rows.thread == found.thread
    phase = _loop_phase(rows, at, inside, len(found.start))
    line = _loop_line(parsed.table, rows, at, inside, len(found.start))
    keep = inside & ~marker
    whole = bool(keep.all())
    calls = _call_columns(
        rows if whole else rows.take(keep), at if whole else at[keep], found, parsed
    )
    loops = LoopColumns(
        found.number.astype(np.int64),
        found.start,
        found.end - found.start,
        found.body,
        phase,
        tuple(rows.phases) if phase is not None else (),
        line,
    )
    names, calls, marks = _names(rows, calls, _marks(rows, found), np.flatnonzero(keep))
    made = Run(
        loops,
        calls,
        names,
        tuple(name or "main" for name in rows.threads) or ("main",),
        found.thread,
        layout=parsed.layout,
        signals=_signals(rows, found),
        marks=marks,
    )
    return _finish(made, parsed, path, found.said)


def _place(
    rows: CallRows, found: FoundLoops, outcast: Outcast
) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """The loop in which each call starts; calls outside every loop are set aside."""
    at = (np.searchsorted(found.start, rows.start, side="right") - 1).astype(np.int32)
    before = at < 0
    after = rows.start >= found.end[np.maximum(at, 0)]
    after &= ~before
    last = after & (at == len(found.start) - 1)
    outcast.add(rows.row[before], "before first loop")
    outcast.add(rows.row[last], "unfinished last loop")
    outcast.add(rows.row[after & ~last], "rows lost around it")
    return at, ~(before | after)


def _loop_phase(
    rows: CallRows, at: Int, inside: NDArray[np.bool_], count: int
) -> NDArray[np.int16] | None:
    """Phase of each loop: that of its first row; a loop without rows keeps the one before."""
    if rows.phase is None:
        return None
    loop = at[inside]
    first = np.full(count, len(loop))
    np.minimum.at(first, loop, np.arange(len(loop)))
    has = first < len(loop)
    code = np.zeros(count, np.int16)
    code[has] = rows.phase[inside][first[has]]
    source = np.maximum.accumulate(np.where(has, np.arange(count), 0))
    return code[source]


def _loop_line(table: Table, rows: CallRows, at: Int, inside: NDArray[np.bool_], count: int) -> Int:
    """Line on which each loop's first row stands."""
    kept, loop = rows.row[inside], at[inside]
    change = np.flatnonzero(loop[1:] != loop[:-1]) + 1
    first = np.concatenate([[0], change])
    if len(first) > count:  # threads or late rows: take the earliest row of each loop
        row = np.full(count, np.iinfo(np.int64).max)
        np.minimum.at(row, loop[first], kept[first])
    else:
        row = np.zeros(count, np.int64)
        row[loop[first]] = kept[first]
    row[row == np.iinfo(np.int64).max] = 0
    return table.line_of(row)


def _call_columns(
    rows: CallRows, at: NDArray[np.int32], found: FoundLoops, parsed: Parsed
) -> CallColumns:
    """Depth and self time thread by thread, then all calls by start."""
    tolerance = 2 * parsed.clock.tick_ns
    many = rows.thread is not None and len(rows.threads) > 1
    codes = np.unique(rows.thread) if many and rows.thread is not None else [found.thread]
    parts: list[tuple[CallRows, NDArray[np.int32], Nest]] = []
    spills: list[tuple[Int, Int, Int]] = []
    before = 0
    for code in codes:
        mine = rows.take(rows.thread == code) if many else rows
        loop = at[rows.thread == code] if many else at
        mine, loop, nested = _nested(mine, loop, tolerance, parsed.outcast)
        if code == found.thread:
            row, later, ns = _spills(mine.start, nested, loop, found)
            spills.append((row + before, later, ns))
        parts.append((mine, loop, nested))
        before += len(mine)
    return _joined(parts, spills, found)


def _nested(
    mine: CallRows, loop: NDArray[np.int32], tolerance: int, outcast: Outcast
) -> tuple[CallRows, NDArray[np.int32], Nest]:
    order = parents_first(mine.start, mine.start + mine.duration)
    if order is not None:
        mine, loop = mine.take(order), loop[order]
    nested = nest(mine.start, mine.start + mine.duration, tolerance)
    while nested.overlaps.any():
        outcast.add(mine.row[nested.overlaps], "overlaps another call")
        good = ~nested.overlaps
        mine, loop = mine.take(good), loop[good]
        nested = nest(mine.start, mine.start + mine.duration, tolerance)
    return mine, loop, nested


def _joined(
    parts: list[tuple[CallRows, NDArray[np.int32], Nest]],
    spills: list[tuple[Int, Int, Int]],
    found: FoundLoops,
) -> CallColumns:
    def column(pick: str) -> Any:
        columns = [getattr(rows, pick) for rows, _, _ in parts]
        if any(c is None for c in columns):
            return None
        return columns[0] if len(columns) == 1 else np.concatenate(columns)

    def nested(pick: str) -> Int:
        columns = [getattr(found_nest, pick) for _, _, found_nest in parts]
        return columns[0] if len(columns) == 1 else np.concatenate(columns)

    start = column("start")
    thread = column("thread")
    if thread is None:
        thread = np.full(len(start), found.thread, np.int16)
    loop = np.concatenate([loop for _, loop, _ in parts]) if len(parts) > 1 else parts[0][1]
    row, later, ns = (np.concatenate(s) for s in zip(*spills, strict=True)) if spills else (
        np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64)
    )  # fmt: skip
    self_ns = nested("self_ns").astype(np.int64)
    beyond = later < 0  # what reaches past the last whole loop belongs to none
    if beyond.any():
        self_ns = self_ns.copy()
        np.subtract.at(self_ns, row[beyond], ns[beyond])
        row, later, ns = row[~beyond], later[~beyond], ns[~beyond]
    made = CallColumns(
        loop=loop, thread=thread.astype(np.int16, copy=False),
        name=column("name").astype(np.int32, copy=False), start_ns=start,
        duration_ns=column("duration"), self_ns=self_ns, depth=nested("depth"),
        seq=column("seq"), cpu_ns=column("cpu"),
        spill_row=row, spill_loop=later.astype(np.int32), spill_ns=ns,
    )  # fmt: skip
    return made if len(parts) == 1 else _by_start(made)


def _by_start(calls: CallColumns) -> CallColumns:
    """Calls of several threads in one order; each thread's own order stays."""
    order = np.argsort(calls.start_ns, kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    spill_row = place[calls.spill_row]
    by_row = np.argsort(spill_row, kind="stable")
    return CallColumns(
        loop=calls.loop[order],
        thread=calls.thread[order],
        name=calls.name[order],
        start_ns=calls.start_ns[order],
        duration_ns=calls.duration_ns[order],
        self_ns=calls.self_ns[order],
        depth=calls.depth[order],
        seq=None if calls.seq is None else calls.seq[order],
        cpu_ns=None if calls.cpu_ns is None else calls.cpu_ns[order],
        spill_row=spill_row[by_row],
        spill_loop=calls.spill_loop[by_row],
        spill_ns=calls.spill_ns[by_row],
    )


def _spills(
    start: Int, nested: Nest, loop: NDArray[np.int32], found: FoundLoops
) -> tuple[Int, Int, Int]:
    """Self time of calls that run on past the end of their loop, by the loops that they reach.

    Returns
    -------
    row, loop, ns : int64 arrays, shape (k,)
        `loop` is -1 for the part past the last whole loop, or in a stretch whose rows were lost.
    """
    crossing = np.flatnonzero(nested.end > found.end[loop])
    empty = np.empty(0, np.int64)
    if not len(crossing):
        return empty, empty, empty
    key, amount = _beyond(crossing, start, nested, loop, found)
    # what lies within a call that crosses is that inner call's time, not the outer one's
    inner = np.flatnonzero((nested.parent >= 0) & np.isin(nested.parent, crossing))
    inner_key, inner_ns = _reach(inner, start, nested, loop, found)
    up = nested.parent[inner_key[:, 0]]
    outer_loop = loop[up]
    away = inner_key[:, 1] != outer_loop
    keys = np.concatenate([key, np.stack([up[away], inner_key[away, 1]], axis=1)])
    amounts = np.concatenate([amount, -inner_ns[away]])
    pairs, where = np.unique(keys, axis=0, return_inverse=True)
    total = np.zeros(len(pairs), np.int64)
    np.add.at(total, where.ravel(), amounts)
    used = total != 0
    return pairs[used, 0], pairs[used, 1], total[used]


def _beyond(
    rows: Int, start: Int, nested: Nest, loop: NDArray[np.int32], found: FoundLoops
) -> tuple[Int, Int]:
    """Parts of calls in loops after their own: keys (row, loop) and lengths [ns]."""
    keys, amounts = _reach(rows, start, nested, loop, found)
    away = keys[:, 1] != loop[keys[:, 0]]
    return keys[away], amounts[away]


def _reach(
    rows: Int, start: Int, nested: Nest, loop: NDArray[np.int32], found: FoundLoops
) -> tuple[Int, Int]:
    """Parts of calls in each loop that they touch, and outside all loops (loop -1)."""
    own = loop[rows].astype(np.int64)
    last = np.searchsorted(found.start, nested.end[rows], side="left") - 1
    count = np.maximum(last - own, 0) + 1
    row = np.repeat(rows, count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    at = np.repeat(own, count) + step
    low = np.maximum(start[row], found.start[at])
    high = np.minimum(nested.end[row], found.end[at])
    inside = np.maximum(high - low, 0)
    covered = np.zeros(len(start), np.int64)
    np.add.at(covered, row, inside)
    rest = nested.end[rows] - start[rows] - covered[rows]
    outside = rest > 0
    keys = np.concatenate(
        [
            np.stack([row, at], axis=1),
            np.stack([rows[outside], np.full(int(outside.sum()), -1)], axis=1),
        ]
    )
    return keys, np.concatenate([inside, rest[outside]])


def _names(
    rows: CallRows, calls: CallColumns, marks: MarkColumns | None, kept: Int
) -> tuple[tuple[CallName, ...], CallColumns, MarkColumns | None]:
    """Labels of the call names that occur, with what the log itself says of them."""
    uses = np.bincount(calls.name, minlength=len(rows.names))
    if marks is not None:
        uses += np.bincount(marks.name, minlength=len(rows.names))
    present = np.flatnonzero(uses)
    if len(present) < len(rows.names):
        new = np.zeros(len(rows.names), np.int32)
        new[present] = np.arange(len(present))
        calls = replace(calls, name=new[calls.name])
        marks = None if marks is None else replace(marks, name=new[marks.name])
    said: dict[str, dict[int, str]] = {}
    for key, (codes, words) in rows.labels.items():
        pairs = np.unique(np.stack([rows.name[kept], codes[kept]], axis=1).astype(np.int64), axis=0)
        said[key] = {int(name): words[int(code)] for name, code in pairs if words[int(code)]}
    names = []
    for code in present:
        labels: dict[str, Any] = {
            key: by_name[int(code)] for key, by_name in said.items() if int(code) in by_name
        }
        kind_from = "log" if "kind" in labels else "guessed"
        names.append(CallName(rows.names[code], **labels, kind_from=kind_from))
    return tuple(names), calls, marks


def _signals(rows: CallRows, found: FoundLoops) -> Signals | None:
    if not rows.signals:
        return None
    time = np.unique(np.concatenate([t for _, t, _ in rows.signals.values()]))
    loop = np.searchsorted(found.start, time, side="right") - 1
    inside = (loop >= 0) & (time < found.end[np.maximum(loop, 0)])
    time, loop = time[inside], loop[inside]
    values = {}
    for name, (_, when, value) in rows.signals.items():
        column = np.full(len(time), np.nan)
        place = np.searchsorted(time, when)
        good = place < len(time)
        good[good] = time[place[good]] == when[good]
        column[place[good]] = value[good]
        values[name] = column
    return Signals(time, loop.astype(np.int32), values)


def _marks(rows: CallRows, found: FoundLoops) -> MarkColumns | None:
    if rows.marks is None:
        return None
    _, time, thread, name, used = rows.marks
    loop = np.searchsorted(found.start, time, side="right") - 1
    inside = (loop >= 0) & (time < found.end[np.maximum(loop, 0)])
    order = np.flatnonzero(inside)[np.argsort(time[inside], kind="stable")]
    return MarkColumns(
        time[order],
        loop[order].astype(np.int32),
        thread[order].astype(np.int16),
        name[order].astype(np.int32),
        used[order],
    )


def _finish(made: Run, parsed: Parsed, path: str, said: str) -> Run:
    """Count the rows and carry over what the log says of itself."""
    table = parsed.table
    outcast = parsed.outcast
    rows = np.concatenate(outcast.row) if outcast.row else np.empty(0, np.int64)
    reasons = np.concatenate(outcast.reason) if outcast.reason else np.empty(0, np.int16)
    line = np.concatenate([np.asarray(table.rejects.line, np.int64), table.line_of(rows)])
    reason = np.concatenate([np.asarray(table.rejects.reason, np.int16), reasons])
    text = table.rejects.text + [""] * len(rows)
    order = np.argsort(line, kind="stable")
    set_aside = SetAside(line[order], reason[order], tuple(text[i] for i in order))
    assert len(REASONS) > (int(reason.max()) if len(reason) else 0)
    return replace(
        made,
        source=path,
        rows_read=table.rows_read,
        rows_used=table.rows_read - len(set_aside),
        set_aside=set_aside,
        clock=parsed.clock,
        loop_from=said,
        dropped=_dropped(table.meta),
        meta=dict(table.meta),
    )


def _dropped(meta: dict[str, str]) -> int:
    text = meta.get("dropped", "0")
    return int(text) if text.isdigit() else 0
