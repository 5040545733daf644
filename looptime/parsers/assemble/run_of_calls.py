"""From rows to a canonical run: loops, nesting, self times, books that balance.

Timed calls are worked on span by span: stretches of rows, cut where no call reaches across, so
that memory stays bounded and two processors are used. What a span yields is written back over
the rows it came from.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.array_types import Int
from looptime.call_words import guess_name
from looptime.parsers.assemble.loops import BY_NUMBER, FoundLoops, find_loops
from looptime.parsers.assemble.run_of_loops import from_loops, missing_loops
from looptime.parsers.assemble.spans import SPAN_ROWS, cuts_of, spans_of
from looptime.parsers.layouts.contract import CallRows, Options, Outcast, Parsed, said_by_name
from looptime.parsers.text.cells import in_32_bits
from looptime.parsers.text.table import Table
from looptime.run import CallColumns, LoopColumns, MarkColumns, Run, SetAside, Signals, stated
from looptime.schema import KINDS, REASONS, CallName
from looptime.stats.arrays import distinct

__all__ = ["assemble", "with_lost"]

#: Share of the calls from which on those that overlap are told of with the answer.
_MANY_OVER = 0.05


def assemble(parsed: Parsed, path: str, options: Options) -> Run:
    """Build a run from what a layout found.

    Parameters
    ----------
    parsed : Parsed
        Rows of one run. Its columns are used up: what comes out is written over them.
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
    rows = parsed.loops
    made = from_loops(parsed, rows, path)
    numbered = replace(parsed, clock=replace(parsed.clock, missing=missing_loops(parsed, rows)))
    return _finish(made, numbered, path, rows.said)


def _from_calls(parsed: Parsed, rows: CallRows, path: str, options: Options) -> Run:
    """Timed calls, with the loops that they form."""
    found = find_loops(rows, options.loop_call, path)
    tolerance = parsed.rounding_ns
    cuts = cuts_of(rows, tolerance)
    if cuts is None:
        rows = rows.take(np.argsort(rows.start, kind="stable"))
        cuts = cuts_of(rows, tolerance) or [0, len(rows)]
    said = {key: said_by_name(rows.name, *of) for key, of in rows.labels.items()}
    calls, first_row, phase, ran_on = _gather(rows, cuts, found, tolerance, parsed.outcast)
    count = len(found.start)
    has = first_row >= 0
    loops = LoopColumns(
        in_32_bits(found.number),
        found.start,
        found.end - found.start,
        found.body,
        None if phase is None else phase[np.maximum.accumulate(np.where(has, np.arange(count), 0))],
        tuple(rows.phases) if phase is not None else (),
        in_32_bits(parsed.table.line_of(rows.table_row(np.maximum(first_row, 0)))),
    )
    names, calls, marks = _names(rows.names, said, calls, _marks(rows, found))
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
    return _finish(made, _with_limit(_with_note(parsed, ran_on), rows), path, found.said)


def _with_limit(parsed: Parsed, rows: CallRows) -> Parsed:
    """With what is said where calls of several names overlap, as those of several loops do."""
    over = parsed.outcast.count("overlaps another call")
    of, one_thread = parsed.name_header, len(rows.threads) <= 1
    if not of or not one_thread or len(rows.names) < 2 or over <= _MANY_OVER * len(rows):
        return parsed
    limit = (
        f"calls that overlap are left out: where each {of} has its own loop, "
        f"--by {of if of.isidentifier() else repr(of)} tells of each"
    )
    return replace(parsed, clock=replace(parsed.clock, limits=(*parsed.clock.limits, limit)))


def _with_note(parsed: Parsed, ran_on: int) -> Parsed:
    """With what is said of calls that ended a little after the next began."""
    if not ran_on:
        return parsed
    one = ran_on == 1
    note = (
        f"{ran_on:,} {'call' if one else 'calls'} ended a little after the next began: "
        f"{'its' if one else 'their'} self time counts up to there"
    )
    return replace(parsed, clock=replace(parsed.clock, notes=(*parsed.clock.notes, note)))


def _gather(
    rows: CallRows, cuts: list[int], found: FoundLoops, tolerance: int, outcast: Outcast
) -> tuple[CallColumns, Int, Int | None, int]:
    """Work through the spans and write what they yield over the rows they came from."""
    self_ns = np.empty(len(rows), rows.duration.dtype)
    depth = np.empty(len(rows), np.int8)
    loop = rows.loop  # nobody asks for the logged numbers any more
    if loop is None or loop.dtype != np.int32 or not loop.flags.writeable:
        loop = np.empty(len(rows), np.int32)
    first_row = np.full(len(found.start), -1, np.int64)
    phase = None if rows.phase is None else np.zeros(len(found.start), np.int16)
    at = ran_on = 0
    spilt: list[tuple[Int, Int, Int]] = []
    kept = ("start", "duration", "name", "thread", "seq", "cpu")
    for span in spans_of(rows, cuts, found, tolerance):
        to = slice(at, at + len(span.calls))
        for key in kept:
            column = getattr(rows, key)
            if column is not None and column.flags.writeable:  # else one word for all rows
                column[to] = getattr(span.calls, key)
        if depth.dtype == np.int8 and span.depth.max(initial=0) > np.iinfo(np.int8).max:
            depth = depth.astype(np.int16)
        self_ns[to], depth[to], loop[to] = span.self_ns, span.depth, span.loop
        spilt.append((span.spill[0] + at, span.spill[1], span.spill[2]))
        outcast.row += span.outcast.row
        outcast.reason += span.outcast.reason
        ran_on += span.ran_on
        which, first = span.first_row
        new = first_row[which] < 0
        first_row[which[new]] = first[new]
        if phase is not None and span.phase is not None:
            phase[which[new]] = span.phase[new]
        at = to.stop
    row, later, ns = (np.concatenate(part) for part in zip(*spilt, strict=True))
    beyond = later < 0  # what reaches past the last whole loop belongs to none
    np.subtract.at(self_ns, row[beyond], ns[beyond])
    row, later, ns = row[~beyond], later[~beyond], ns[~beyond]
    by_row = np.argsort(row, kind="stable")
    columns = {key: getattr(rows, key) for key in kept}
    columns = {key: None if c is None else c[:at] for key, c in columns.items()}
    thread = columns["thread"]
    if thread is None:  # one thread: a column without weight
        thread = np.broadcast_to(np.int16(found.thread), at)
    calls = CallColumns(
        loop=loop[:at], thread=thread, name=columns["name"], start_ns=columns["start"],
        duration_ns=columns["duration"], self_ns=self_ns[:at], depth=depth[:at],
        seq=columns["seq"], cpu_ns=columns["cpu"], spill_row=row[by_row],
        spill_loop=later[by_row].astype(np.int32), spill_ns=ns[by_row],
    )  # fmt: skip
    return calls, first_row, phase, ran_on


def _stretches(column: Int) -> Iterator[Int]:
    """A column in parts that a processor keeps at hand."""
    for at in range(0, len(column), SPAN_ROWS):
        yield column[at : at + SPAN_ROWS]


def _names(
    texts: list[str],
    said: dict[str, dict[int, str]],
    calls: CallColumns,
    marks: MarkColumns | None,
) -> tuple[tuple[CallName, ...], CallColumns, MarkColumns | None]:
    """Labels of the call names that occur, with what the log itself says of them."""
    uses = np.zeros(len(texts), np.int64)
    for part in _stretches(calls.name):
        uses += np.bincount(part, minlength=len(texts))
    if marks is not None:
        uses += np.bincount(marks.name, minlength=len(texts))
    present = np.flatnonzero(uses)
    if len(present) < len(texts):
        new = np.zeros(len(texts), calls.name.dtype)
        new[present] = np.arange(len(present))
        for part in _stretches(calls.name):
            part[:] = new[part]
        marks = None if marks is None else replace(marks, name=new[marks.name])
    names = []
    for code in present:
        labels: dict[str, Any] = {
            key: by_name[int(code)] for key, by_name in said.items() if int(code) in by_name
        }
        kind_from = "log" if "kind" in labels else "guessed"
        if kind_from == "log" and labels["kind"] not in KINDS:  # such as write
            kind = guess_name(CallName(labels["kind"])).kind
            labels["kind"] = labels["kind"] if kind == "other" else kind
        names.append(CallName(texts[code], **labels, kind_from=kind_from))
    return tuple(names), calls, marks


def _signals(rows: CallRows, found: FoundLoops) -> Signals | None:
    if not rows.signals:
        return None
    time = distinct(np.concatenate([when for when, _ in rows.signals.values()]))
    loop = np.searchsorted(found.start, time, side="right") - 1
    inside = (loop >= 0) & (time < found.end[np.maximum(loop, 0)])
    time, loop = time[inside], loop[inside]
    values = {}
    for name, (when, value) in rows.signals.items():
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
    time, thread, name, used = rows.marks
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
    table, outcast = parsed.table, parsed.outcast
    rows = np.concatenate(outcast.row) if outcast.row else np.empty(0, np.int64)
    reasons: Int = np.concatenate(outcast.reason) if outcast.reason else np.empty(0, np.int16)
    if parsed.partner is not None:  # the other row of a call shares its fate
        other = parsed.partner[rows]
        if parsed.span is not None:
            other = np.where((other >= parsed.span[0]) & (other < parsed.span[1]), other, -1)
        rows = np.concatenate([rows, other[other >= 0]])
        reasons = np.concatenate([reasons, reasons[other >= 0]])
        rows, first = np.unique(rows, return_index=True)
        reasons = reasons[first]
    count, low, high = _share(parsed)
    bad_line = np.asarray(table.rejects.line, np.int64)
    mine = np.flatnonzero((bad_line >= low) & (bad_line < high))
    own, reasons = _with_folded(table, rows, reasons)
    line = np.concatenate([bad_line[mine], own])
    reason = np.concatenate([np.asarray(table.rejects.reason, np.int16)[mine], reasons])
    text = [table.rejects.text[at] for at in mine] + [""] * len(own)
    order = np.argsort(line, kind="stable")
    set_aside = SetAside(line[order], reason[order], tuple(text[i] for i in order))
    return replace(
        made,
        source=path,
        rows_read=count + len(mine),
        rows_used=count + len(mine) - len(set_aside),
        set_aside=set_aside,
        clock=parsed.clock,
        loop_from=parsed.loops_from if said == BY_NUMBER and parsed.loops_from else said,
        dropped=stated(table.meta, "dropped"),
        meta=dict(table.meta),
    )


def _with_folded(table: Table, rows: Int, reasons: Int) -> tuple[Int, Int]:
    """Lines of rows that were set aside, with those whose values stand in them, and why."""
    line = table.line_of(rows)
    if table.folded is None or not len(rows):
        return line, reasons
    more, head = table.folded
    order = np.argsort(rows, kind="stable")
    at = np.searchsorted(rows[order], head)
    hit = (at < len(rows)) & (rows[order][np.minimum(at, len(rows) - 1)] == head)
    also = reasons[order][at[hit]]
    return np.concatenate([line, more[hit]]), np.concatenate([reasons, also])


def with_lost(run: Run, parsed: Parsed) -> Run:
    """The run with the books of a stretch of the same log that is too short for a run."""
    count, low, high = _share(parsed)
    table = parsed.table
    first = 0 if parsed.span is None else parsed.span[0]
    bad_line = np.asarray(table.rejects.line, np.int64)
    mine = np.flatnonzero((bad_line >= low) & (bad_line < high))
    stretch = np.arange(first, first + len(table) if parsed.span is None else parsed.span[1])
    lost: Int = np.full(len(stretch), REASONS.index("rows lost around it"), np.int16)
    own, lost = _with_folded(table, stretch, lost)
    line = np.concatenate([bad_line[mine], own])
    reason = np.concatenate([np.asarray(table.rejects.reason, np.int16)[mine], lost])
    text = [table.rejects.text[at] for at in mine] + [""] * count
    old = run.set_aside
    line, reason = np.concatenate([old.line, line]), np.concatenate([old.reason, reason])
    texts = [*old.text, *[""] * (len(old) - len(old.text)), *text]
    order = np.argsort(line, kind="stable")
    aside = SetAside(line[order], reason[order], tuple(texts[i] for i in order))
    return replace(run, rows_read=run.rows_read + count + len(mine), set_aside=aside)


def _share(parsed: Parsed) -> tuple[int, int, int]:
    """Rows of the log in this run, and the lines from which and before which it stands."""
    table = parsed.table
    end = np.iinfo(np.int64).max
    if parsed.span is None:
        return len(table) + (0 if table.folded is None else len(table.folded[0])), 0, end
    first, stop = parsed.span
    low = int(table.line_of(np.array([first]))[0]) if first else 0
    high = int(table.line_of(np.array([stop]))[0]) if stop < len(table) else end
    count = stop - first
    if table.folded is not None:
        head = table.folded[1]
        count += int(np.count_nonzero((head >= first) & (head < stop)))
    return count, low, high
