"""A laid-out chain written down as a `Run`."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.planner.known.timeline import NOBODY, Arranged, Laid, lay
from looptime.planner.play.draft import Draft
from looptime.planner.play.marks import placed_marks
from looptime.planner.play.pacer import PacedRate
from looptime.planner.play.threads import Traffic
from looptime.run import CallColumns, LoopColumns, MarkColumns, Run, Signals
from looptime.schema import CallName

__all__ = ["rewritten"]

PACE_CALL = "pace.wait"


def rewritten(draft: Draft, at: Arranged, traffic: Traffic | None) -> Run:
    """The predicted run.

    Parameters
    ----------
    draft : Draft
        After all changes.
    at : Arranged
        The loop's thread, with all its waits.
    traffic : Traffic or None
        Calls of reader threads, and the waits for the pace.
    """
    run, laid = draft.known.run, lay(draft.line, at)
    loops = _loops(run, laid)
    names, threads = list(draft.names), list(run.thread_names)
    tables = [_loop_calls(draft, laid)]
    loop_thread = run.loop_thread
    if traffic is not None and traffic.pace_wait is not None:
        if loop_thread < 0:  # a log of bare stamps names no thread
            threads, loop_thread = ["loop"], 0
        # a call that is still made and runs on into the next loop holds the wait in itself
        owner = at.owner[at.end]
        gone = np.zeros(len(owner), bool)
        gone[owner >= 0] = ~draft.keep[owner[owner >= 0]]
        wait = np.where((owner == NOBODY) | gone, traffic.pace_wait, 0)
        _add_pace(names, loops, wait, tables, loop_thread, draft.pace)
        loops = replace(loops, body_ns=None)  # the wait is a call now, and not outside the row
    tables += _other_threads(draft, loops, traffic, threads)
    return replace(
        run,
        loop_columns=loops,
        call_columns=_joined(tables),
        names=tuple(names),
        thread_names=tuple(threads),
        loop_thread=loop_thread,
        signals=_signals(run, loops),
        marks=_marks(draft, at, loops, traffic, threads),
    )


def _loops(run: Run, laid: Laid) -> LoopColumns:
    was = run.loop_columns
    period = laid.loop_end - laid.loop_start
    body = None
    if was.body_ns is not None:  # what lay outside the enclosing row stays as it was
        body = np.clip(period - (was.period_ns - was.body_ns), 0, None)
    return replace(was, start_ns=laid.loop_start, period_ns=period, body_ns=body)


def _loop_calls(draft: Draft, laid: Laid) -> CallColumns:
    run = draft.known.run
    calls = run.call_columns
    k = len(laid.call)
    row = draft.line.row[laid.call]
    return CallColumns(
        loop=laid.loop.astype(np.int32),
        thread=np.full(k, run.loop_thread, np.int16),
        name=draft.name[laid.call].astype(np.int32),
        start_ns=laid.start,
        duration_ns=laid.end - laid.start,
        self_ns=laid.self_ns,
        depth=laid.depth.astype(np.int16),
        cpu_ns=None if calls.cpu_ns is None else calls.cpu_ns[row],
        spill_row=laid.spill_row,
        spill_loop=laid.spill_loop.astype(np.int32),
        spill_ns=laid.spill_ns,
    )


def _add_pace(
    names: list[CallName], loops: LoopColumns, wait: Int, tables: list[CallColumns], thread: int,
    pace: PacedRate | None,
) -> None:  # fmt: skip
    """Write the waits for the pace as calls at the end of each loop."""
    code = None if pace is None else pace.code
    if code is None:
        taken = {name.name: code for code, name in enumerate(names) if name.kind == "pacing"}
        code = taken.get(PACE_CALL)
    if code is None:
        code = len(names)
        names.append(CallName(PACE_CALL, kind="pacing", kind_from="project"))
    loop = np.flatnonzero(wait > 0)
    took = wait[loop]
    end = loops.start_ns[loop] + loops.period_ns[loop]
    table = tables[0]
    extra = _plain(loop, thread, np.full(len(loop), code), end - took, took)
    if table.cpu_ns is not None:
        extra = replace(extra, cpu_ns=np.zeros(len(loop), np.int64))
    both = _joined([table, extra])
    order = np.argsort(both.loop, kind="stable")  # a wait comes after the calls of its loop
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    tables[0] = replace(_taken(both, order), spill_row=place[both.spill_row])


def _plain(loop: Int, thread: int, name: Int, start: Int, took: Int) -> CallColumns:
    k = len(start)
    return CallColumns(
        loop=np.asarray(loop, np.int32), thread=np.full(k, thread, np.int16),
        name=np.asarray(name, np.int32), start_ns=np.asarray(start, np.int64),
        duration_ns=np.asarray(took, np.int64), self_ns=np.asarray(took, np.int64),
        depth=np.zeros(k, np.int16),
    )  # fmt: skip


def _taken(calls: CallColumns, order: Int) -> CallColumns:
    return replace(
        calls, loop=calls.loop[order], thread=calls.thread[order], name=calls.name[order],
        start_ns=calls.start_ns[order], duration_ns=calls.duration_ns[order],
        self_ns=calls.self_ns[order], depth=calls.depth[order],
        cpu_ns=None if calls.cpu_ns is None else calls.cpu_ns[order],
    )  # fmt: skip


def _joined(tables: list[CallColumns]) -> CallColumns:
    """Tables one after the other; the first holds all calls that run on into later loops."""
    tables = [tables[0], *(t for t in tables[1:] if len(t))]
    if len(tables) == 1:
        return tables[0]
    cpu = None
    if tables[0].cpu_ns is not None:
        cpu = np.concatenate(
            [np.zeros(len(t), np.int64) if t.cpu_ns is None else t.cpu_ns for t in tables]
        )
    return replace(
        tables[0],
        loop=np.concatenate([t.loop for t in tables]),
        thread=np.concatenate([t.thread for t in tables]),
        name=np.concatenate([t.name for t in tables]),
        start_ns=np.concatenate([t.start_ns for t in tables]),
        duration_ns=np.concatenate([t.duration_ns for t in tables]),
        self_ns=np.concatenate([t.self_ns for t in tables]),
        depth=np.concatenate([t.depth for t in tables]),
        seq=None,
        cpu_ns=cpu,
    )


def loop_of(time: Int, loops: LoopColumns) -> Int:
    """Loop in which each instant falls; the nearest at either end."""
    at = np.searchsorted(loops.start_ns, time, side="right") - 1
    return np.clip(at, 0, max(len(loops) - 1, 0)).astype(np.int32)


def _other_threads(
    draft: Draft, loops: LoopColumns, traffic: Traffic | None, threads: list[str]
) -> list[CallColumns]:
    """Calls of other threads: those simulated, and those that keep their own time."""
    run = draft.known.run
    made: list[CallColumns] = []
    simulated: set[int] = set()
    for reader in traffic.readers if traffic is not None else ():
        if reader.thread not in threads:
            threads.append(reader.thread)
        code = threads.index(reader.thread)
        simulated.add(code)
        loop = loop_of(reader.start, loops)
        made.append(_plain(loop, code, reader.code, reader.start, reader.end - reader.start))
    calls = run.call_columns
    simulated |= {threads.index(name) for name in draft.gone}
    rest = np.flatnonzero(~run.on_loop_thread & ~np.isin(calls.thread, list(simulated)))
    if not len(rest):
        return made
    lap, copy = _laps(calls.start_ns[rest], run, loops)
    row = rest[copy]
    start = calls.start_ns[row] + lap
    table = _taken(calls, row)
    none = np.empty(0, np.int64)
    made.append(
        replace(
            table, loop=loop_of(start, loops), start_ns=start, seq=None, spill_row=none,
            spill_loop=none.astype(np.int32), spill_ns=none,
        )
    )  # fmt: skip
    order = np.lexsort((start, table.thread))
    made[-1] = _taken(made[-1], order) if not (np.diff(table.thread) >= 0).all() else made[-1]
    return made


def _laps(start: Int, run: Run, loops: LoopColumns) -> tuple[Int, Int]:
    """What keeps its own time, cut where the prediction ends, or over again where it goes on."""
    was = run.loop_columns
    begin = int(was.start_ns[0])
    lap = int(was.start_ns[-1] + was.period_ns[-1]) - begin
    end = int(loops.start_ns[-1] + loops.period_ns[-1])
    laps = max(1, -(-(end - begin) // max(lap, 1)))
    shift = np.repeat(np.arange(laps, dtype=np.int64) * lap, len(start))
    which = np.tile(np.arange(len(start)), laps)
    kept = start[which] + shift < end
    return shift[kept], which[kept]


def _signals(run: Run, loops: LoopColumns) -> Signals | None:
    signals = run.signals
    if signals is None:
        return None
    return replace(signals, time_ns=_moved(signals.time_ns, signals.loop, run, loops))


def _moved(time: Int, loop: Int, run: Run, loops: LoopColumns) -> Int:
    """Instants at the same share of their loop as before."""
    was = run.loop_columns
    offset = time - was.start_ns[loop]
    period = np.maximum(was.period_ns[loop], 1)
    same = loops.period_ns[loop] == was.period_ns[loop]
    scaled = np.rint(offset * (loops.period_ns[loop] / period)).astype(np.int64)
    return loops.start_ns[loop] + np.where(same, offset, scaled)


def _marks(
    draft: Draft, at: Arranged, loops: LoopColumns, traffic: Traffic | None, threads: list[str],
) -> MarkColumns | None:  # fmt: skip
    """Hand-overs of readings: recorded ones, and those of new reader threads."""
    run = draft.known.run
    made: list[tuple[Int, Int, int | Int, Int, bool | Bool]] = []
    simulated = set(draft.gone)
    if traffic is not None:
        simulated |= {r.thread for r in traffic.readers if r.recorded}
    if run.marks is not None:
        marks = run.marks
        here = marks.thread == run.loop_thread
        if draft.known.marks is not None:
            row, time, loop = placed_marks(draft.known.marks, draft.line, at)
            made.append((time, loop, marks.thread[row], marks.name[row], marks.used[row]))
        again = ~here & ~np.isin(
            marks.thread, [i for i, name in enumerate(run.thread_names) if name in simulated]
        )
        lap, copy = _laps(marks.time_ns[again], run, loops)
        rows = np.flatnonzero(again)[copy]
        time = marks.time_ns[rows] + lap
        made.append(
            (time, loop_of(time, loops), marks.thread[rows], marks.name[rows], marks.used[rows])
        )
    if traffic is not None:
        for r in traffic.readers:
            published = ~np.zeros(len(r.code), bool)
            if r.recorded:
                published = np.isin(r.code, _published(run, r.thread))
            end = r.end[published]
            made.append(
                (end, loop_of(end, loops), threads.index(r.thread), r.code[published], False)
            )
    if draft.pickups:
        begun = at.after - at.whole
        place = _place_of(at, len(draft.line.owner))
        for code, calls in draft.pickups:
            time = begun[place[draft.line.first[calls]]]
            names = np.full(len(calls), code)
            made.append((time, draft.line.loop[calls], run.loop_thread, names, True))
    found = _mark_columns(made) if made else None
    if found is None or not draft.unmarked:
        return found
    stay = ~np.isin(found.name, list(draft.unmarked))
    return MarkColumns(
        found.time_ns[stay], found.loop[stay], found.thread[stay], found.name[stay],
        found.used[stay],
    )  # fmt: skip


def _published(run: Run, thread: str) -> Int:
    """Names whose readings a recorded thread hands over."""
    marks = run.marks
    if marks is None:
        return np.empty(0, np.int64)
    return np.unique(marks.name[(marks.thread == run.thread_names.index(thread)) & ~marks.used])


def _place_of(at: Arranged, count: int) -> Int:
    """Where each stretch of the chain now stands."""
    return np.arange(count) if at.copied is None else np.flatnonzero(at.original)


def _mark_columns(
    made: list[tuple[Int, Int, int | Int, Int, bool | Bool]],
) -> MarkColumns:
    time = np.concatenate([m[0] for m in made])
    order = np.argsort(time, kind="stable")

    def column(i: int, dtype: type) -> NDArray[Any]:
        return np.concatenate([np.broadcast_to(np.asarray(m[i], dtype), len(m[0])) for m in made])[
            order
        ]

    return MarkColumns(
        time[order], column(1, np.int32), column(2, np.int16), column(3, np.int32),
        column(4, np.bool_),
    )  # fmt: skip
