"""From a run's labelled calls to the instants at which its heading was read and used."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.errors import NotEnoughError, UsageError
from looptime.heading.pattern import Sampling, blocks_of
from looptime.run import Run

__all__ = ["Labels", "heading_read_guess", "sampling_from_run", "unbroken"]

Int = NDArray[np.integer]
Float = NDArray[np.float64]

#: Words that a heading read usually has in its name.
HEADING_WORDS = ("gyro", "imu", "heading", "yaw", "compass", "orientation", "attitude")
READ_INSTANTS = ("start", "end")


@dataclass(frozen=True)
class Labels:
    """Which calls read, pick up and use the heading.

    Parameters
    ----------
    read_call : str, optional
        The call that reads the sensor; else a sensor read with a heading word in its name.
    pickup_call : str, optional
        Where another thread reads: the call on the loop's thread that picks the reading up.
    use_call : str, optional
        The call that puts the command to use; else each loop's last actuator write.
    read_instant : str
        ``start`` of the read (a sensor answers with what it latched before the transfer), or
        ``end`` for a call that waits for the next measurement.
    what : str
        What is read; anything but ``heading`` is never guessed from the names of calls.
    """

    read_call: str | None = None
    pickup_call: str | None = None
    use_call: str | None = None
    read_instant: str = "start"
    what: str = "heading"


def sampling_from_run(run: Run, labels: Labels | None = None) -> Sampling:
    """When each loop's heading reading was taken and when it was put to use.

    A reading made on the loop's thread is the last one finished before the use. One made on
    another thread is the newest finished when the loop picks it up: at the recorder's ``used``
    mark, else at the end of the pick-up call, else at the loop's start. Loops that use nothing
    leave the command before them in force. Where loops are missing from the run, the gap is
    closed.

    Parameters
    ----------
    run : Run
        Recorded or predicted.
    labels : Labels, optional
        Calls that read, pick up and use the heading.

    Returns
    -------
    Sampling

    Raises
    ------
    UsageError
        If a named call is not in the log (the nearest name is suggested).
    NotEnoughError
        If fewer than 3 loops have both a reading and a use.
    """
    labels = labels or Labels()
    if labels.read_instant not in READ_INSTANTS:
        raise UsageError(f"read instant {labels.read_instant!r} is not known: use start or end")
    if len(run) < 3:
        raise NotEnoughError(f"{run.source or 'the log'}: 3 loops are needed, it has {len(run)}")
    clock = _LoopClock(run)
    notes: list[str] = []
    read = _read_rows(run, labels, notes)
    use, at = _uses(run, clock, labels, read, notes)
    if read is None:
        taken = use if labels.use_call is None and at is None else clock.start[clock.loop_of(use)]
    else:
        picked = _pickup(run, clock, labels, read, use, notes)
        begin, ready = _samples(run, clock, labels, read)
        newest = np.searchsorted(ready, picked, side="right") - 1
        known = newest >= 0
        use, newest = use[known], newest[known]
        taken = begin[newest]
    return _sampling(clock, use, taken, closed=read is None and at is None, notes=notes)


def unbroken(run: Run) -> Run:
    """The longest stretch of a run in which no loop is missing; the run itself if none is.

    Parameters
    ----------
    run : Run
        Of which some loops may have been left out.

    Returns
    -------
    Run
    """
    at = run.loop_columns
    breaks = np.flatnonzero(at.start_ns[1:] != at.start_ns[:-1] + at.period_ns[:-1]) + 1
    if not len(breaks):
        return run
    edges = np.concatenate([[0], breaks, [len(run)]])
    longest = int(np.argmax(np.diff(edges)))
    keep = np.zeros(len(run), dtype=bool)
    keep[edges[longest] : edges[longest + 1]] = True
    return run.select(keep)


class _LoopClock:
    """Seconds since the first loop's start, with gaps between kept loops closed."""

    def __init__(self, run: Run) -> None:
        period = run.loop_columns.period_ns.astype(np.int64)
        starts = np.concatenate([[0], np.cumsum(period)])
        self.origin = run.loop_columns.start_ns - starts[:-1]
        self.start = starts[:-1] / 1e9
        self.end = float(starts[-1]) / 1e9
        self.gaps = int(np.count_nonzero(np.diff(self.origin)))

    def at(self, time_ns: Int, loop: Int) -> Float:
        return (time_ns - self.origin[loop]) / 1e9

    def loop_of(self, time_s: Float) -> Int:
        found = np.searchsorted(self.start, time_s, side="right") - 1
        return np.clip(found, 0, len(self.start) - 1)


def _code(run: Run, name: str, what: str) -> int:
    names = [n.name for n in run.names]
    if name in names:
        code = names.index(name)
        if np.any(run.call_columns.name == code):
            return code
    have = sorted({names[c] for c in np.unique(run.call_columns.name)})
    where = run.source or "the log"
    if not have:
        raise UsageError(f"{where}: the log has no calls, so {what} {name!r} is not in it")
    near = difflib.get_close_matches(name, have, 1, 0.4)
    hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(have[:6])}"
    raise UsageError(f"{where}: {what} {name!r} is not in the log; {hint}")


def _read_rows(run: Run, labels: Labels, notes: list[str]) -> Int | None:
    """Rows of the heading read, in start order; None where it is unknown."""
    calls = run.call_columns
    if labels.read_call is not None:
        rows = np.flatnonzero(calls.name == _code(run, labels.read_call, "read call"))
    else:
        code = _guessed(run) if labels.what == "heading" else None
        if code is None:
            notes.append(f"{labels.what} read unknown: taken as the loop's start")
            return None
        notes.append(f"heading read taken to be {run.names[code].name!r} from its name")
        rows = np.flatnonzero(calls.name == code)
    return rows[np.argsort(calls.start_ns[rows], kind="stable")]


def heading_read_guess(run: Run) -> str | None:
    """The call that by its name reads the heading; None where no name says so.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> heading_read_guess(Run(LoopColumns(np.arange(1), np.array([0]), np.array([1]))))
    """
    code = _guessed(run)
    return None if code is None else run.names[code].name


def _guessed(run: Run) -> int | None:
    present = np.bincount(run.call_columns.name, minlength=len(run.names))
    for word in HEADING_WORDS:
        found = [
            code
            for code, name in enumerate(run.names)
            if present[code] and name.kind == "sensor read" and word in name.name.lower()
        ]
        if found:
            return max(found, key=lambda code: int(present[code]))
    return None


def _uses(
    run: Run, clock: _LoopClock, labels: Labels, read: Int | None, notes: list[str]
) -> tuple[Float, Int | None]:
    """Instants of use, one a loop at most, and their rows (None where unknown)."""
    calls = run.call_columns
    if labels.use_call is not None:
        rows = np.flatnonzero(calls.name == _code(run, labels.use_call, "use call"))
    else:
        writes = [i for i, n in enumerate(run.names) if n.kind == "actuator write"]
        rows = np.flatnonzero(np.isin(calls.name, writes) & run.on_loop_thread)
        if len(rows):
            notes.append(
                f"use of the {labels.what} taken as the end of each loop's last actuator write"
            )
    if len(rows):
        end = clock.at(calls.start_ns[rows] + calls.duration_ns[rows], calls.loop[rows])
        last = np.full(len(run), -np.inf)
        np.maximum.at(last, calls.loop[rows], end)
        return last[np.isfinite(last)], rows
    if read is None or not run.on_loop_thread[read].all():
        notes.append(f"use of the {labels.what} unknown: taken as the loop's start")
        return clock.start, None
    notes.append(f"use of the {labels.what} unknown: taken as the end of the reading")
    return clock.at(calls.start_ns[read] + calls.duration_ns[read], calls.loop[read]), read


def _pickup(
    run: Run, clock: _LoopClock, labels: Labels, read: Int, use: Float, notes: list[str]
) -> Float:
    """When the reading behind each use was picked up."""
    calls = run.call_columns
    if labels.pickup_call is not None:
        rows = np.flatnonzero(calls.name == _code(run, labels.pickup_call, "pick-up call"))
        moment = clock.at(calls.start_ns[rows] + calls.duration_ns[rows], calls.loop[rows])
        return _last_before(np.sort(moment), use, clock.start[clock.loop_of(use)])
    if run.on_loop_thread[read].all():
        return use
    marks = _marks(run, clock, int(calls.name[read[0]]), used=True)
    if marks is not None:
        return _last_before(marks, use, clock.start[clock.loop_of(use)])
    notes.append("reading made on another thread: taken to be picked up at the loop's start")
    return clock.start[clock.loop_of(use)]


def _last_before(moments: Float, use: Float, otherwise: Float) -> Float:
    at = np.searchsorted(moments, use, side="right") - 1
    return np.where(at >= 0, moments[np.maximum(at, 0)], otherwise)


def _marks(run: Run, clock: _LoopClock, code: int, *, used: bool) -> Float | None:
    marks = run.marks
    if marks is None:
        return None
    mine = (marks.name == code) & (marks.used == used)
    return np.sort(clock.at(marks.time_ns[mine], marks.loop[mine])) if mine.any() else None


def _samples(run: Run, clock: _LoopClock, labels: Labels, read: Int) -> tuple[Float, Float]:
    """When each reading was taken and when it was there to be used, both ascending."""
    calls = run.call_columns
    begin = clock.at(calls.start_ns[read], calls.loop[read])
    # as for the uses, to the last bit: a reading used at its end must be the one just finished
    end = clock.at(calls.start_ns[read] + calls.duration_ns[read], calls.loop[read])
    marks = _marks(run, clock, int(calls.name[read[0]]), used=False)
    if marks is not None:
        newest = np.searchsorted(begin, marks, side="right") - 1
        marks, newest = marks[newest >= 0], newest[newest >= 0]
        begin, end = begin[newest], np.minimum(end[newest], marks)
        return (begin if labels.read_instant == "start" else end), marks
    ready = np.maximum.accumulate(end)
    return (begin if labels.read_instant == "start" else ready), ready


def _sampling(
    clock: _LoopClock, use: Float, taken: Float, *, closed: bool, notes: list[str]
) -> Sampling:
    if clock.gaps:
        notes.append(f"loops left out in {clock.gaps} places: the gaps are closed")
    if closed:  # used at the loop's start: the end of the last loop bounds its hold
        use, taken = np.append(use, clock.end), np.append(taken, clock.end)
    if len(use):
        rises = np.concatenate([[True], np.diff(np.maximum.accumulate(use)) > 0])
        use, taken = use[rises], np.maximum.accumulate(taken[rises])
    if len(use) < 3:
        raise NotEnoughError(
            f"only {len(use)} loops have both a reading and a use of it; 3 are needed"
        )
    loop = clock.loop_of(use)
    start = np.where(use >= clock.end, clock.end, clock.start[loop])
    return Sampling(taken, taken, use, start, blocks_of(len(use) - 1), "as recorded", tuple(notes))
