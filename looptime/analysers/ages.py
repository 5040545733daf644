"""How old a reading is at the instants that have a name: pick-up, first use, last use.

A reading is *taken* where the sample's own stamp says it, if the log has one; else at the start of
its call, or at its end where the call waits for a measurement.
It is *picked up* when the loop's code has it in hand: at the end of a call on the loop's own
thread, at the recorder's mark where another thread hands it over, at the end of the call that the
project names for it. Each loop puts it to *first use* where its first actuator write begins, or the
call that the project names, and to *last use* where its last one ends; a log without either shows
neither, and the loop's end stands for both. A loop that writes nothing leaves
in force what was written before it: that is no use.

Every figure of an age in this package comes from here and bears one of these names.
"""

from collections.abc import Iterator
from functools import cached_property

import numpy as np

from looptime.analysers.durations import named, narrowed
from looptime.array_types import Int
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run

__all__ = [
    "INSTANTS", "Reading", "Uses", "pickups", "reading_of", "readings", "samples", "uses_of",
]  # fmt: skip

#: Instants at which an age has a name.
INSTANTS = ("pick-up", "first use", "last use")
#: Readings that are told of at most.
_MOST = 200
#: Calls that lie within another and are looked past for the one that follows it, at most.
_MOST_WITHIN = 64
#: Calls that are looked through at a time.
_STRETCH = 1 << 18


@dataclass(frozen=True)
class Uses:
    """When each loop puts its readings to use."""

    loop: Int  #: Loops that do, in order, shape (m,)
    #: shape (m,)
    first_ns: Int
    last_ns: Int
    written: bool  #: Whether these are calls of the log; else the ends of the loops
    call: str | None = None  #: The call that the project names; else they are actuator writes

    @property
    def first_words(self) -> str:
        """What counts as first use, in plain words."""
        if not self.written:
            return "the end of each loop"
        return f"the first {self.call or 'actuator write'} of each loop"


@dataclass(frozen=True)
class Reading:
    """What becomes of the readings of one call; ages are int arrays [ns], None where unknown."""

    code: int  #: Of the call's name
    thread: int  #: That reads; -1 where its calls are not in the log
    handed: bool  #: Whether the log shows where it is picked up
    in_loop: bool  #: Whether it is read on the loop's thread
    #: When each reading was taken and when it could be picked up, in order of the latter, shape
    #: (n,).
    taken_ns: Int
    ready_ns: Int
    #: When the loop picked one up, where that is marked; else it has each as soon as it is ready;
    #: shape (k,).
    picked_ns: Int | None
    uses: Uses
    #: The signal that tells the age of a sample which no call reads; `code` is -1 then.
    sample: str | None = None

    @cached_property
    def got(self) -> tuple[Int | slice, Int]:
        """Which reading was got at each pick-up, else at each first use, and when."""
        at = self.uses.first_ns if self.picked_ns is None else self.picked_ns
        which, early = _latest(self.ready_ns, at)
        return which, at[early:]

    def age_at_pickup(self) -> Int | None:
        """Age of each reading that was picked up, as it was."""
        if self.picked_ns is not None:
            which, at = self.got
            return _some(at - self.taken_ns[which])
        return _some(self.ready_ns - self.taken_ns) if self.in_loop else None

    def age_at_first_use(self) -> Int | None:
        """Age at each loop's first use."""
        return self._age(self.uses.first_ns)

    def age_at_last_use(self) -> Int | None:
        """Age at each loop's last use, of what is then in hand."""
        return self._age(self.uses.last_ns)

    def _age(self, instants: Int) -> Int | None:
        if self.picked_ns is None:
            which, early = _latest(self.ready_ns, instants)
            return _some(instants[early:] - self.taken_ns[which])
        picked, before = _latest(self.picked_ns, instants)
        which, early = _latest(self.ready_ns, self.picked_ns[picked])
        return _some(instants[before + early :] - self.taken_ns[which])


def _some(ages: Int) -> Int | None:
    return ages if len(ages) else None


def uses_of(run: Run, use_call: int | None = None) -> Uses:
    """When each loop puts its readings to use.

    Parameters
    ----------
    run : Run
        The recording, or a prediction.
    use_call : int, optional
        Code of the call that puts them to use; else every actuator write on the loop's thread.
    """
    calls, loops = run.call_columns, run.loop_columns
    codes = [k for k, name in enumerate(run.names) if name.kind == "actuator write"]
    codes = codes if use_call is None else [use_call]
    rows = _rows_of(narrowed(calls.name, len(run.names)), codes)
    if use_call is None and len(run.thread_names) > 1:
        rows = rows[run.on_loop_thread[rows]]
    if not len(rows):
        end = loops.start_ns + loops.period_ns
        return Uses(np.arange(len(run)), end, end, written=False)
    loop = calls.loop[rows]
    if (loop[1:] < loop[:-1]).any():  # of several threads, or set one after the other
        order = np.argsort(loop, kind="stable")
        rows, loop = rows[order], loop[order]
    begins = np.flatnonzero(np.append(True, loop[1:] != loop[:-1]))
    start = calls.start_ns[rows]
    end = start + calls.duration_ns[rows]
    if len(begins) < len(rows):
        start, end = np.minimum.reduceat(start, begins), np.maximum.reduceat(end, begins)
    call = None if use_call is None else run.names[use_call].name
    return Uses(loop[begins], start, end, True, call)


def _rows_of(name: Int, codes: list[int]) -> Int:
    """Rows that have one of some names; found a stretch at a time, since masks take memory."""
    found = [
        np.flatnonzero(named(name[at : at + _STRETCH], codes)) + at
        for at in range(0, len(name) if codes else 0, _STRETCH)
    ]
    return np.concatenate(found) if found else np.zeros(0, np.int64)


def reading_of(
    run: Run, code: int, rows: Int, read_instant: str = "start", *, own_stamps: bool = True
) -> tuple[Int, Int]:
    """When the readings of a call were taken and when they could be picked up.

    Parameters
    ----------
    run : Run
        The recording, or a prediction.
    code : int
        Of the call's name.
    rows : int array, shape (n,)
        Its calls.
    read_instant : {"start", "end"}
        When during the call the reading is taken.
    own_stamps : bool
        Whether a stamp of its own tells when a sample was measured, where there is one.

    Returns
    -------
    taken_ns, ready_ns : int array, shape (m,) [ns]
        In order of the latter: the ends of the calls, or the marks by which they were published.
    """
    calls = run.call_columns
    start = calls.start_ns[rows]
    end = _ended(run, rows)
    marks = run.marks
    taken = start if read_instant == "start" else end
    if own_stamps and run.signals is not None:
        from looptime.analysers.own_stamps import told_by_stamps  # few logs have signals

        told = told_by_stamps(run, run.names[code].name, rows, taken)
        if isinstance(told, tuple):
            return told
        taken = told
    if marks is not None:
        published = np.sort(marks.time_ns[(marks.name == code) & ~marks.used])
        if not len(rows):  # only the marks are in the log
            return published, published
        if len(published):
            order = np.argsort(start, kind="stable")
            # a mark may be stamped within the call that it belongs to
            of = np.searchsorted(start[order], published, "right") - 1
            of, published = of[of >= 0], published[of >= 0]
            # a thread without rest publishes one reading at the instant at which the next begins
            begins = (start[order][of] == published) & (end[order][of] > published) & (of > 0)
            of = of - begins
            return np.minimum(taken[order][of], published), published
    if (end[1:] < end[:-1]).any():
        order = np.argsort(end, kind="stable")
        taken, end = taken[order], end[order]
    return taken, end


def _ended(run: Run, rows: Int) -> Int:
    """When calls ended, those of the loop's thread no later than what follows them there begins.

    Start and duration are rounded each by itself, so that the end of a call comes to lie a tick
    after the start of the next one beside it, or more where they are rounded unlike. What begins
    within the last tick of a call follows it, too, although it may look as if it lay within.

    Examples
    --------
    Read from 0.4 to 2.3 us, written from then to 3.2, on a clock of whole us:

    >>> from looptime.run import CallColumns, Clock, LoopColumns
    >>> us = np.array([0, 1]) * 1000
    >>> calls = CallColumns(us // 5000, us // 5000, us // 1000, us * 2, us // us.max() + 2000,
    ...                     us // 5000 + 2000, us // 5000)
    >>> run = Run(LoopColumns(us[:1], us[:1], np.array([9000])), calls, (), ("main",),
    ...           clock=Clock(tick_ns=1000), loop_thread=0)
    >>> _ended(run, np.array([0, 1])).tolist()
    [2000, 4001]
    """
    calls, line, tick = run.call_columns, None, run.clock.tick_ns
    end = calls.start_ns[rows] + calls.duration_ns[rows]
    mine = np.arange(len(rows))
    place, count = rows, len(calls)
    if len(run.thread_names) > 1:
        line = np.flatnonzero(run.on_loop_thread)
        mine = np.flatnonzero(run.on_loop_thread[rows])
        place, count = np.searchsorted(line, rows[mine]), len(line)
    for step in range(1, _MOST_WITHIN + 1):
        there = place + step < count
        mine, place = mine[there], place[there]
        after = place + step if line is None else line[place + step]
        begins = calls.start_ns[after]
        still = begins < end[mine]
        if not still.any():
            break
        mine, place, after, begins = mine[still], place[still], after[still], begins[still]
        follows = calls.depth[after] <= calls.depth[rows[mine]]
        follows |= begins >= end[mine] - tick
        end[mine[follows]] = begins[follows]
        mine, place = mine[~follows], place[~follows]
    return end


def pickups(run: Run, code: int) -> tuple[Int, Int] | None:
    """When the loop picked readings of a call up, by its marks, and in which loops; in order."""
    if run.marks is None:
        return None
    mine = (run.marks.name == code) & run.marks.used
    if not mine.any():
        return None
    when, loop = run.marks.time_ns[mine], run.marks.loop[mine]
    order = np.argsort(when, kind="stable")
    return when[order], loop[order]


def readings(
    run: Run, *, read_instant: str = "start", stated: Heading | None = None
) -> Iterator[Reading]:
    """The readings of each call of kind ``sensor read``, and of each that is handed over.

    Parameters
    ----------
    run : Run
        The recording, or a prediction.
    read_instant : {"start", "end"}
        When during a call its reading is taken.
    stated : Heading, optional
        The calls that read, pick up and use the heading; those that are not in the run are left
        out.

    Yields
    ------
    Reading
        Those that are handed over first. One at a time: those of a long run take much memory.

    Examples
    --------
    Read from 1 to 3 ms, written from 7 to 8 ms: 2 ms old when the read returns it, 6 at first use
    and 7 at last use.

    >>> from looptime.run import CallColumns, LoopColumns
    >>> from looptime.schema import CallName
    >>> ms = 1_000_000
    >>> calls = CallColumns(
    ...     loop=np.zeros(2, np.int32), thread=np.zeros(2, np.int16),
    ...     name=np.array([0, 1], np.int32), start_ns=np.array([1, 7]) * ms,
    ...     duration_ns=np.array([2, 1]) * ms, self_ns=np.array([2, 1]) * ms,
    ...     depth=np.zeros(2, np.int16),
    ... )
    >>> run = Run(
    ...     LoopColumns(np.arange(1), np.array([0]), np.array([10 * ms])), calls,
    ...     (CallName("gyro.read", "sensor read"), CallName("motor.set", "actuator write")),
    ...     ("main",), loop_thread=0,
    ... )
    >>> (one,) = readings(run)
    >>> ages = one.age_at_pickup(), one.age_at_first_use(), one.age_at_last_use()
    >>> [age.tolist() for age in ages]
    [[2000000], [6000000], [7000000]]
    """
    calls = run.call_columns
    if not len(run) or not len(calls):
        return
    handed = _handed(run)
    heading, pickup, use = _stated(run, stated)
    read = [k for k, n in enumerate(run.names) if n.kind == "sensor read" or k == heading]
    codes = [*handed, *(k for k in read if k not in handed)][:_MOST]
    name = narrowed(calls.name, len(run.names))
    usual = uses_of(run) if codes else None
    for code in codes:
        rows = np.flatnonzero(name == code)
        uses, picked = usual, pickups(run, code)
        if code == heading:
            uses = usual if use is None else uses_of(run, use)
            picked = picked if picked is not None or pickup is None else _ends(run, pickup)
        if uses is None or (not len(rows) and picked is None):
            continue
        thread = int(calls.thread[rows[0]]) if len(rows) else -1
        taken, ready = reading_of(run, code, rows, read_instant)
        del rows  # a long run's memory is dear
        made = Reading(
            code, thread, picked is not None, thread == run.loop_thread, taken, ready,
            None if picked is None else picked[0], uses,
        )  # fmt: skip
        if len(ready):
            yield made


def samples(run: Run) -> Iterator[Reading]:
    """Samples whose age the log tells, and that no call of it reads; a loop looks at its start."""
    if not len(run) or run.signals is None:
        return
    from looptime.analysers.own_stamps import unread_samples  # few logs have signals

    uses = uses_of(run)
    if not uses.written:
        end = _ends_of_work(run) - 1  # before the next loop looks
        uses = Uses(uses.loop, end, end, written=False)
    for age, taken, ready, picked in unread_samples(run):
        yield Reading(-1, -1, True, False, taken, ready, picked, uses, age)


def _ends_of_work(run: Run) -> Int:
    """The end of each loop's row, else of its last call that is no wait for the pace, else its own.

    Returns
    -------
    int64 array, shape (loops,) [ns]
    """
    loops, calls = run.loop_columns, run.call_columns
    end = loops.start_ns + loops.period_ns
    if loops.body_ns is not None:
        return loops.start_ns + loops.body_ns
    waits = np.array([name.kind == "pacing" for name in run.names], bool)
    rows = np.flatnonzero(run.on_loop_thread & ~waits[calls.name]) if len(calls) else ()
    last = np.zeros(len(end), np.int64)
    np.maximum.at(last, calls.loop[rows], calls.start_ns[rows] + calls.duration_ns[rows])
    return np.where(last > loops.start_ns, np.minimum(last, end), end)


def _stated(run: Run, stated: Heading | None) -> tuple[int | None, int | None, int | None]:
    """Codes of the calls that read, pick up and use the heading; None for what the run has not."""
    if stated is None:
        return None, None, None
    there = np.bincount(run.call_columns.name, minlength=len(run.names))
    code = {call.name: k for k, call in enumerate(run.names) if there[k]}
    read, pickup, use = (
        None if name is None else code.get(name)
        for name in (stated.read_call, stated.pickup_call, stated.use_call)
    )
    return read, pickup, use


def _ends(run: Run, code: int) -> tuple[Int, Int]:
    """When the calls of a name end, in order, and in which loops."""
    rows = _rows_of(run.call_columns.name, [code])
    end = _ended(run, rows)
    order = np.argsort(end, kind="stable")
    return end[order], run.call_columns.loop[rows][order]


def _handed(run: Run) -> list[int]:
    """Names whose readings are handed between threads."""
    if run.marks is None:
        return []
    found: list[int] = np.unique(run.marks.name[run.marks.used]).tolist()
    return found


def _latest(ready: Int, uses: Int) -> tuple[Int | slice, int]:
    """The latest reading at each use, and how many uses come before the first. Both rise.

    A slice where each use gets the reading after that of the use before.
    """
    if not len(uses):
        return slice(0, 0), 0
    first, n = int(np.searchsorted(ready, uses[0], "right")) - 1, len(uses)
    if first + n <= len(ready):
        which = slice(max(first, 0), first + n)
        taken, later = ready[which], ready[first + 1 : first + n + 1]
        if (taken <= uses[n - len(taken) :]).all() and (uses[: len(later)] < later).all():
            return which, n - len(taken)
    found = np.searchsorted(ready, uses, "right") - 1
    early = int(np.searchsorted(found, 0))
    return found[early:], early
