"""Changes to threads that are in the log already.

Their calls are known without their waits, and how long they rest; so they can be played with
another rest or bus, shorter, not at all, or as calls of the loop again.
"""

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np

from looptime.array_types import Int
from looptime.errors import UsageError
from looptime.planner.changes import Change
from looptime.planner.play.draft import Draft, KnownRun, Reader, known, reader_of
from looptime.planner.play.shared_bus import rests
from looptime.planner.play.turns import warn_of_lock
from looptime.run import Run

__all__ = ["THREAD_VERBS", "change_thread", "is_about_threads", "with_slots"]

#: What can be done to a call that a recorded thread makes.
THREAD_VERBS = ("rest", "move", "unthread", "drop", "scale", "cap")


def is_about_threads(draft: Draft, change: Change) -> bool:
    """Whether a change means calls of recorded threads, and none of the loop."""
    if change.verb not in THREAD_VERBS:
        return False
    if change.verb in ("rest", "unthread"):
        return True
    return bool(_codes(draft.known, change)) and not _on_loop(draft, change)


def change_thread(draft: Draft, change: Change) -> None:
    """Apply a change to the calls of recorded threads that it means.

    Raises
    ------
    UsageError
        If no recorded thread makes such a call.
    """
    found = False
    for code in _codes(draft.known, change):
        for sharing in draft.known.sharing:
            if code not in sharing.code:
                continue
            thread = draft.known.run.thread_names[sharing.thread]
            reader = next((r for r in draft.readers if r.thread == thread), None)
            if reader is None:
                reader = reader_of(draft.known, sharing)
                draft.readers.append(reader)
            turns = np.flatnonzero(reader.code == code)
            if len(turns):
                _apply(draft, change, reader, turns)
                found = True
    if not found:
        raise UsageError(f"change {str(change)!r}: {_why_not(draft)}")


def _why_not(draft: Draft) -> str:
    threads = sorted({draft.known.run.names[c].name for s in draft.known.sharing for c in s.code})
    if not threads:
        return "the log holds no thread besides the loop's, so there is none to change"
    return f"no thread of the log makes such a call; theirs are {', '.join(threads[:6])}"


def _codes(at: KnownRun, change: Change) -> list[int]:
    """Names that recorded threads call and the change means."""
    there = sorted({int(c) for s in at.sharing for c in np.unique(s.code)})
    found: list[int] = []
    for pattern in change.patterns:
        exact = [c for c in there if at.run.names[c].name == pattern]
        found += exact or [c for c in there if fnmatchcase(at.run.names[c].name, pattern)]
    return list(dict.fromkeys(found))


def _on_loop(draft: Draft, change: Change) -> bool:
    made = range(len(draft.known.run.names), len(draft.names))
    names = [draft.names[c].name for c in (*draft.known.on_loop, *made)]
    return any(fnmatchcase(n, p) or n == p for n in names for p in change.patterns)


def _apply(draft: Draft, change: Change, reader: Reader, turns: Int) -> None:
    reader.courses = {}
    if reader.computes is None:
        warn_of_lock(draft, int(reader.code[turns[0]]))
    if change.verb == "rest":
        _rest(reader, change.get("ms") * 1e6, draft)
    elif change.verb == "move":
        code = int(reader.code[turns[0]])
        reader.bus = {**reader.bus, code: change.get("bus")}
        draft.put_on_bus(code, change.get("bus"))
    elif change.verb == "scale":
        reader.service = reader.service.copy()
        reader.service[turns] *= change.get("by")
    elif change.verb == "cap":
        reader.service = reader.service.copy()
        reader.service[turns] = np.minimum(reader.service[turns], change.get("ms") * 1e6)
    else:
        if change.verb == "unthread":
            _into_loop(draft, reader, turns)
        draft.unmarked.add(int(reader.code[turns[0]]))
        _leave_out(draft, reader, turns)


def _rest(reader: Reader, rest_ns: float, draft: Draft) -> None:
    """Let a thread rest so long between its rounds, which begin after its longest gap."""
    codes = np.unique(reader.code)
    gaps = [float(np.median(reader.before[reader.code == c])) for c in codes.tolist()]
    first = codes[int(np.argmax(gaps))]
    reader.before = reader.before.copy()
    mine = np.flatnonzero(reader.code == first)
    reader.before[mine] = rests(rest_ns, len(mine), draft.unknown("sleep") if rest_ns else 1.0)
    reader.timetable = False


def _into_loop(draft: Draft, reader: Reader, turns: Int) -> None:
    """Make a call in each loop again, as long as the thread's were without their waits."""
    rows = np.flatnonzero((draft.name == reader.code[turns[0]]) & draft.keep)
    draft.length[draft.line.last[rows]] = np.resize(reader.service[turns], len(rows))


def _leave_out(draft: Draft, reader: Reader, turns: Int) -> None:
    """Let a thread make some of its calls no more; the time before them stays its rest."""
    keep = np.ones(len(reader.code), bool)
    keep[turns] = False
    if not keep.any():
        draft.readers = [r for r in draft.readers if r is not reader]
        draft.gone.add(reader.thread)
        return
    reader.before = np.diff(np.cumsum(reader.before)[keep], prepend=0.0)
    reader.code, reader.service = reader.code[keep], reader.service[keep]
    reader.computes = None if reader.computes is None else reader.computes[keep]
    reader.bus = {c: reader.bus[c] for c in np.unique(reader.code).tolist()}


# ---- room in the loop -------------------------------------------------------------------------


def with_slots(at: KnownRun, changes: Sequence[Change]) -> KnownRun:
    """The run with room in each loop for the calls that a plan takes back from a thread.

    Each call gets its place where the loop picks up its reading, else before the loop's first
    call; there it takes no time until the change is made.
    """
    codes = {c for change in changes if change.verb == "unthread" for c in _codes(at, change)}
    key = tuple(sorted(codes - at.on_loop))
    if not key:
        return at
    if key not in at.roomy:
        run = at.run
        for code in key:
            run = _with_slot(run, code)
        at.roomy[key] = known(run, at.buses, at.recurs, at.seen, at.threads, at.plays_turns)
    return at.roomy[key]


def _with_slot(run: Run, code: int) -> Run:
    calls = run.call_columns
    mine = np.flatnonzero(run.on_loop_thread)
    inner = mine[np.append(calls.depth[mine][1:] <= calls.depth[mine][:-1], True)]
    loops, first = np.unique(calls.loop[inner], return_index=True)
    row = inner[first]
    if run.marks is not None:
        row = _at_pickup(run, code, inner, loops, row)
    shift = np.searchsorted(np.sort(row), calls.spill_row, "right")

    columns = replace(
        calls,
        loop=np.insert(calls.loop, row, calls.loop[row]),
        thread=np.insert(calls.thread, row, run.loop_thread),
        name=np.insert(calls.name.astype(np.int32), row, code),
        start_ns=np.insert(calls.start_ns, row, calls.start_ns[row]),
        duration_ns=np.insert(calls.duration_ns, row, 0),
        self_ns=np.insert(calls.self_ns, row, 0),
        depth=np.insert(calls.depth, row, calls.depth[row]),
        seq=None,
        cpu_ns=None if calls.cpu_ns is None else np.insert(calls.cpu_ns, row, 0),
        spill_row=calls.spill_row + shift,
    )
    return replace(run, call_columns=columns)


def _at_pickup(run: Run, code: int, inner: Int, loops: Int, row: Int) -> Int:
    """The loop's first call after it picks up a reading, where it says when it does."""
    marks, calls = run.marks, run.call_columns
    if marks is None:
        return row
    used = (marks.name == code) & marks.used & (marks.thread == run.loop_thread)
    after = np.searchsorted(calls.start_ns[inner], marks.time_ns[used], "left")
    there = inner[np.minimum(after, len(inner) - 1)]
    same = calls.loop[there] == marks.loop[used]
    made = row.copy()
    made[np.searchsorted(loops, calls.loop[there[same]])] = there[same]
    return made
