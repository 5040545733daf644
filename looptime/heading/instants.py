"""From a run's labelled calls to the instants at which its heading was read and used."""

from dataclasses import replace

import numpy as np

from looptime.analysers.ages import pickups, reading_of, uses_of
from looptime.analysers.basis import Basis
from looptime.analysers.durations import named
from looptime.analysers.own_stamps import sample_age_of, stamped_age_ns
from looptime.array_types import Int
from looptime.errors import NotEnoughError, UsageError, nearest
from looptime.heading.kept_work import Waited
from looptime.heading.logged_turning import reading_age_ns
from looptime.heading.pattern import Sampling, blocks_of
from looptime.records import dataclass
from looptime.run import Run
from looptime.signal_names import HEADING_WORDS
from looptime.stats.arrays import among, distinct

__all__ = [
    "AGED", "HELD", "STAMPED", "UNKNOWN", "Labels", "heading_read_guess", "sampling_from_run",
    "unbroken",
]  # fmt: skip

READ_INSTANTS = ("start", "end")
#: How it is said that no call shows a reading or its use.
UNKNOWN = " unknown: taken as"
#: How it is said that the logged values show how old a reading was at the loop's start.
AGED = "'s age at the loop's start from its values: "
#: How the note begins that says that what is read in each loop is older than its read.
HELD = "the heading's values repeat, so what is read is older than its read: "
#: How the note begins that says that the log itself tells when what is read was measured.
STAMPED = "when the reading was measured is told by its own stamp: "
#: Loops in which the read is made, as a share, from which on values that repeat are the sensor's.
_EACH = 0.9


@dataclass(frozen=True)
class Labels:
    """Which calls read, pick up and use the heading."""

    #: The call that reads the sensor; else a sensor read with a heading word in its name.
    read_call: str | None = None
    #: Where another thread reads: the call on the loop's thread that picks the reading up.
    pickup_call: str | None = None
    #: The call that puts the command to use; else each loop's last actuator write.
    use_call: str | None = None
    #: ``start`` of the read (a sensor answers with what it latched before the transfer), or ``end``
    #: for a call that waits for the next measurement.
    read_instant: str = "start"
    #: What is read; anything but ``heading`` is never guessed from the names of calls.
    what: str = "heading"
    #: Whether logged values may show how old a reading is that no call shows.
    from_values: bool = True
    value: str | None = None  #: The signal that holds what is read, where it is no heading


def sampling_from_run(
    run: Run, labels: Labels | None = None, basis: Basis | None = None
) -> Sampling:
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
    basis : Basis, optional
        Of the run: how it is paced, for what another pace would leave as it is.

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
    age, aged = _known_age(run, labels)
    run, gaps = _closed(run)
    notes: list[str] = []
    read = _read_rows(run, labels, notes, aged)
    use, known_use = _uses(run, labels, read, notes)
    start = run.loop_columns.start_ns
    if read is None:
        made = start[_loop_of(start, use)] if known_use or labels.use_call is not None else use
        taken: Int = made - age[_loop_of(start, use)]
        since, least = made, None
    else:
        code = int(run.call_columns.name[read[0]])
        picked = _pickup(run, labels, read, use, notes)
        begin, ready = reading_of(run, code, read, labels.read_instant)
        newest = np.searchsorted(ready, picked, side="right") - 1
        known = newest >= 0
        use, taken = use[known], begin[newest[known]]
        made = taken
        since, least = _in_the_loop(run, labels, read, use, (taken, picked[known]))
        stamped = sample_age_of(run, run.names[code].name)
        if stamped is not None:
            own = run.on_loop_thread[read].all()
            plain = reading_of(run, code, read, labels.read_instant, own_stamps=False)
            made = (plain[0] if own else ready)[newest[known]]
            notes.append(STAMPED + stamped)
        elif labels.what == "heading" and aged is not None and _each_loop(run, read):
            taken = taken - age[_loop_of(start, taken)]
            notes.append(HELD + aged)
    if gaps:
        notes.append(f"loops left out in {gaps} places: the gaps are closed")
    closed = read is None and not known_use
    found = _sampling(run, use, (taken, made), closed=closed, notes=notes)
    if basis is None:
        return found
    began = np.minimum(start[_loop_of(start, use)], use)
    return replace(found, work=Waited(run, basis).work(use, began, since, least))


def _in_the_loop(
    run: Run, labels: Labels, read: Int, use: Int, taken_picked: tuple[Int, Int]
) -> tuple[Int, float | None]:  # fmt: skip
    """From when on each reading was in the loop's hands, and how old one just before its use is.

    Another thread's is from its pick-up on: however the loop is paced, it comes as old.
    """
    calls, (taken, picked) = run.call_columns, taken_picked
    if not run.on_loop_thread[read].all():
        return np.maximum(taken, np.minimum(picked, use)), None
    end = calls.start_ns + calls.duration_ns
    if labels.use_call is None:
        codes = [k for k, name in enumerate(run.names) if name.kind == "actuator write"]
    else:
        codes = [_code(run, labels.use_call, "use call")]
    uses = np.flatnonzero(named(calls.name, codes) & run.on_loop_thread)
    uses = uses[among(end[uses], use)]
    if not len(uses):
        return taken, None
    reads = calls.duration_ns[read].mean() if labels.read_instant == "start" else 0.0
    return taken, float(calls.duration_ns[uses].mean() + reads)


def _known_age(run: Run, labels: Labels) -> tuple[Int, str | None]:
    """How old the value in hand was at each loop's start, by the log, and what tells it."""
    if labels.what == "heading" and labels.from_values:
        return reading_age_ns(run)
    return stamped_age_ns(run, labels.value and sample_age_of(run, labels.value))


def _each_loop(run: Run, read: Int) -> bool:
    """Whether the loop's thread itself reads in nearly each loop."""
    mine = run.call_columns.thread[read] == run.loop_thread
    return bool(mine.all()) and len(distinct(run.call_columns.loop[read])) >= _EACH * len(run)


def unbroken(run: Run) -> Run:
    """The longest stretch of a run in which no loop is missing; the run itself if none is.

    Parameters
    ----------
    run : Run
        Of which some loops may have been left out.
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


def _closed(run: Run) -> tuple[Run, int]:
    """A run with the gaps between its loops closed, and their number."""
    at, calls, marks = run.loop_columns, run.call_columns, run.marks
    start = at.start_ns[0] + np.cumsum(at.period_ns, dtype=np.int64) - at.period_ns
    back = at.start_ns - start
    if not back.any():
        return run, 0
    calls = replace(calls, start_ns=calls.start_ns - back[calls.loop])
    if marks is not None:
        marks = replace(marks, time_ns=marks.time_ns - back[marks.loop])
    moved = replace(run, loop_columns=replace(at, start_ns=start), call_columns=calls, marks=marks)
    return moved, int(np.count_nonzero(np.diff(back)))


def _loop_of(start: Int, time_ns: Int) -> Int:
    found = np.searchsorted(start, time_ns, side="right") - 1
    return np.clip(found, 0, len(start) - 1)


def _code(run: Run, name: str, what: str) -> int:

    names = [n.name for n in run.names]
    if name in names:
        code = names.index(name)
        if np.any(run.call_columns.name == code):
            return code
    have = sorted({names[c] for c in distinct(run.call_columns.name)})
    where = run.source or "the log"
    if not have:
        raise UsageError(f"{where}: the log has no calls, so {what} {name!r} is not in it")
    raise UsageError(f"{where}: {what} {name!r} is not in the log; {nearest(name, have)}")


def _read_rows(
    run: Run, labels: Labels, notes: list[str], aged: str | None = None
) -> Int | None:  # fmt: skip
    """Rows of the heading read, in start order; None where it is unknown."""
    calls = run.call_columns
    if labels.read_call is not None:
        rows = np.flatnonzero(calls.name == _code(run, labels.read_call, "read call"))
    else:
        code = _guessed(run) if labels.what == "heading" else None
        if code is None and aged is not None:
            notes.append(labels.what + AGED + aged)
            return None
        if code is None:
            notes.append(
                f"{labels.what} read{UNKNOWN} the loop's start{_named_by('read', labels, run)}"
            )
            return None
        notes.append(f"heading read taken to be {run.names[code].name!r} from its name")
        rows = np.flatnonzero(calls.name == code)
    return rows[np.argsort(calls.start_ns[rows], kind="stable")]


def _named_by(which: str, labels: Labels, run: Run) -> str:
    """How the heading's call that nobody knows is named, where the log has calls."""
    if labels.what != "heading" or not len(run.call_columns):
        return ""
    return f"; name its call with --{which}-call ({which}_call in looptime.toml)"


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


def _uses(run: Run, labels: Labels, read: Int | None, notes: list[str]) -> tuple[Int, bool]:
    """Instants of last use [ns], one a loop at most, and whether a call shows them."""
    code = None if labels.use_call is None else _code(run, labels.use_call, "use call")
    found = uses_of(run, code)
    if found.written:
        if code is None:
            notes.append(
                f"use of the {labels.what} taken as the end of each loop's last actuator write"
            )
        return found.last_ns, True
    if read is None or not run.on_loop_thread[read].all():
        notes.append(
            f"use of the {labels.what}{UNKNOWN} the loop's start{_named_by('use', labels, run)}"
        )
        return run.loop_columns.start_ns, False
    notes.append(
        f"use of the {labels.what}{UNKNOWN} the end of the reading{_named_by('use', labels, run)}"
    )
    return run.call_columns.start_ns[read] + run.call_columns.duration_ns[read], True


def _pickup(run: Run, labels: Labels, read: Int, use: Int, notes: list[str]) -> Int:
    """When the reading behind each use was picked up [ns]."""
    calls, start = run.call_columns, run.loop_columns.start_ns
    begin = start[_loop_of(start, use)]
    if labels.pickup_call is not None:
        rows = np.flatnonzero(calls.name == _code(run, labels.pickup_call, "pick-up call"))
        return _last_before(np.sort(calls.start_ns[rows] + calls.duration_ns[rows]), use, begin)
    if run.on_loop_thread[read].all():
        return use
    marked = pickups(run, int(calls.name[read[0]]))
    if marked is not None:
        return _last_before(marked[0], use, begin)
    notes.append(
        f"pick-up of the reading from its thread{UNKNOWN} the loop's start"
        f"{_named_by('pickup', labels, run)}"
    )
    return begin


def _last_before(moments: Int, use: Int, otherwise: Int) -> Int:
    at = np.searchsorted(moments, use, side="right") - 1
    return np.where(at >= 0, moments[np.maximum(at, 0)], otherwise)


def _sampling(
    run: Run, use: Int, taken_read: tuple[Int, Int], *, closed: bool, notes: list[str]
) -> Sampling:  # fmt: skip
    """From when each value in use was true, when it was read, and when it was put to use [ns]."""
    at, (taken, read) = run.loop_columns, taken_read
    end = int(at.start_ns[-1] + at.period_ns[-1])
    if closed:  # used at the loop's start: the end of the last loop bounds its hold
        use, taken, read = np.append(use, end), np.append(taken, end), np.append(read, end)
    if len(use):
        rises = np.concatenate([[True], np.diff(np.maximum.accumulate(use)) > 0])
        use = use[rises]
        taken, read = (np.maximum.accumulate(one[rises]) for one in (taken, read))
    if len(use) < 3:
        raise NotEnoughError(
            f"only {len(use)} loops have both a reading and a use of it; 3 are needed"
        )
    start = np.where(use >= end, end, at.start_ns[_loop_of(at.start_ns, use)])
    taken_s, read_s, use_s, start_s = (
        (x - at.start_ns[0]) / 1e9 for x in (taken, read, use, start)
    )
    blocks = blocks_of(len(use) - 1)
    return Sampling(taken_s, read_s, use_s, start_s, blocks, "as recorded", tuple(notes))
