"""Logs on one clock, a file a thread, held together as one run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePath

import numpy as np

from looptime.array_types import Bool, Int
from looptime.errors import LogError
from looptime.parsers.log import HELD_BY, Log
from looptime.run import CallColumns, Run, SetAside

__all__ = ["as_threads", "is_timed", "split_path"]

#: Layouts whose calls each have a start of their own; lines of objects may be any.
_TIMED, _ANY = ("calls", "edges"), "values"


def split_path(path: str) -> list[str]:
    """The paths of the logs that one path names as threads of a run; itself where it names one.

    Examples
    --------
    >>> split_path("a/loop.csv+a/imu.csv"), split_path("a/imu.csv"), split_path("run+1.csv")
    (['a/loop.csv', 'a/imu.csv'], ['a/imu.csv'], ['run+1.csv'])
    """
    parts = path.split(HELD_BY)
    at = 1
    while at < len(parts):  # a name may have the sign in it: each log has an ending
        if "." in PurePath(parts[at - 1]).name and parts[at]:
            at += 1
        else:
            parts[at - 1 : at + 1] = [HELD_BY.join(parts[at - 1 : at + 1])]
    return parts


def is_timed(run: Run) -> bool:
    """Whether a run's calls each have a start of their own."""
    of_rows = run.layout == _ANY and run.clock.starts_from == "log"
    return (run.layout in _TIMED or of_rows) and bool(len(run.call_columns))


def as_threads(logs: Sequence[Log]) -> Log:
    """One log of several: the loops of the first, and the calls of all, a thread each.

    Parameters
    ----------
    logs : sequence of Log
        On one clock; the first is the loop's, each of the others timed calls.

    Raises
    ------
    LogError
        If one holds several runs, none that overlaps the first, or no timed calls.
    """
    path = HELD_BY.join(log.path for log in logs)
    for log in logs:
        if len(log.runs) != 1:
            raise LogError(f"holds {len(log.runs)} runs: a thread of another log holds one",
                           log.path)  # fmt: skip
    run = replace(logs[0].runs[0], source=path)
    stems = [PurePath(log.path).name.partition(".")[0] for log in logs]
    named = stems if len(set(stems)) == len(stems) else [log.path for log in logs]
    run = replace(run, thread_names=_threads(run, named[0]))
    for log, name in zip(logs[1:], named[1:], strict=True):
        run = _beside(run, log.runs[0], name, log.path)
    return Log(path, (run,))


def _threads(run: Run, name: str) -> tuple[str, ...]:
    """The threads of a log: one is called as its file, several as the log names them."""
    several = len(run.thread_names) > 1
    return tuple(f"{name} {one}" for one in run.thread_names) if several else (name,)


def _beside(run: Run, other: Run, name: str, path: str) -> Run:
    """A run with the calls of another one on threads of their own."""
    if not is_timed(other):
        raise LogError("has no calls with a start of their own: name it first, or by itself", path)
    if other.clock.unit != run.clock.unit:
        raise LogError(
            f"counts in {other.clock.unit}, the log before it in {run.clock.unit}: one clock is "
            "asked for; --unit says the unit of all",
            path,
        )
    at, inside = _placed(run, other.call_columns)
    if not inside.any():
        raise LogError("has no call while the loop of the first log runs: look at it alone", path)
    words = {call.name: code for code, call in enumerate(run.names)}
    new = [call for call in other.names if call.name not in words]
    words |= {call.name: len(run.names) + k for k, call in enumerate(new)}
    code = np.array([words[call.name] for call in other.names], np.int32)
    left = int((~inside).sum())
    notes = (f"{path}: {left:,} calls before the first loop or after the last are left out",)
    theirs = replace(
        other.call_columns, loop=at, name=code[other.call_columns.name],
        thread=other.call_columns.thread + np.int16(len(run.thread_names)),
    )  # fmt: skip
    return replace(
        run,
        call_columns=_merged(run.call_columns, theirs, inside),
        names=(*run.names, *new),
        thread_names=(*run.thread_names, *_threads(other, name)),
        rows_read=run.rows_read + other.rows_read,
        rows_used=run.rows_used + other.rows_used,
        set_aside=_both(run.set_aside, other.set_aside),
        dropped=run.dropped + other.dropped,
        clock=replace(
            run.clock,
            tick_ns=max(run.clock.tick_ns, other.clock.tick_ns),
            notes=(*run.clock.notes, *notes * bool(left)),
            limits=tuple(dict.fromkeys((*run.clock.limits, *other.clock.limits))),
            supposed=tuple(dict.fromkeys((*run.clock.supposed, *other.clock.supposed))),
        ),
    )


def _placed(run: Run, calls: CallColumns) -> tuple[Int, Bool]:
    """The loop in which each call begins, and which of them begin in one."""
    loops = run.loop_columns
    at = np.searchsorted(loops.start_ns, calls.start_ns, side="right") - 1
    end = (loops.start_ns + loops.period_ns)[np.maximum(at, 0)]
    return at.astype(np.int32), (at >= 0) & (calls.start_ns < end)


def _merged(mine: CallColumns, theirs: CallColumns, inside: Bool) -> CallColumns:
    """Calls of both in one order by start; each thread's own order stays."""
    start = np.concatenate([mine.start_ns, theirs.start_ns[inside]])
    order = np.argsort(start, kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    both = ((key, getattr(mine, key), getattr(theirs, key)) for key in ("seq", "cpu_ns"))
    known = [key for key, one, other in both if one is not None and other is not None]
    columns = {
        key: np.concatenate([getattr(mine, key), getattr(theirs, key)[inside]])[order]
        for key in ("loop", "thread", "name", "start_ns", "duration_ns", "self_ns", "depth", *known)
    }
    return CallColumns(
        **columns, spill_row=place[mine.spill_row], spill_loop=mine.spill_loop,
        spill_ns=mine.spill_ns,
    )  # fmt: skip


def _both(mine: SetAside, theirs: SetAside) -> SetAside:
    """Rows of both that were set aside, those of the first before: each line is its own file's."""
    text = [*mine.text, *[""] * (len(mine) - len(mine.text)), *theirs.text]
    return SetAside(
        np.concatenate([mine.line, theirs.line]),
        np.concatenate([mine.reason, theirs.reason]),
        tuple(text),
    )
