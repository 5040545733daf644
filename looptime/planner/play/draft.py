"""A run on the way to a prediction: what the changes so far have made of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, replace
from functools import cached_property
from typing import Any

import numpy as np

from looptime.analysers.thread_rule import ThreadRule, compute_share
from looptime.array_types import Bool, Float, Int
from looptime.errors import UsageError
from looptime.planner.changes import Change, matching
from looptime.planner.known.bus_model import BusParameters
from looptime.planner.known.call_clock import CallClock, CallClocks, as_in, rhythms
from looptime.planner.known.program_pauses import Pauses
from looptime.planner.known.seen_buses import SeenBuses, SeenLock, seen_buses
from looptime.planner.known.stretches import spread_sample
from looptime.planner.known.timeline import BETWEEN, NOBODY, Chain, chain, parts
from looptime.planner.play.marks import Anchors, anchors
from looptime.planner.play.pacer import PacedRate, late_wakes, recorded_pace
from looptime.planner.play.shared_bus import HAND_OVER_NS, Sharing, sharing
from looptime.planner.play.turn_services import without_turns
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import CallName
from looptime.stats.arrays import median

__all__ = [
    "Draft",
    "KnownRun",
    "Move",
    "Reader",
    "Setting",
    "known",
    "reader_of",
    "sampled",
    "shortened",
]


@dataclass(frozen=True)
class KnownRun:
    """What is worked out once of a run, for any number of plans."""

    run: Run
    line: Chain  #: Its loop thread, with the program's pauses taken out of the lengths
    rhythms: CallClocks
    buses: Mapping[str, BusParameters]  #: Stated in the project file
    on_loop: frozenset[int]  #: Names called on the loop's thread
    typical_ns: dict[int, float]  #: Typical cost of each name
    #: The fixed rate that the log keeps, and whether its waits are logged.
    pace: tuple[PacedRate, bool] | None = None
    #: Recorded threads; the loop's waits for them are taken out of `line`.
    sharing: tuple[Sharing, ...] = ()
    wait_ns: Float | None = None  #: Those waits, shape (m,)
    marks: Anchors | None = None  #: What the marks of the loop's thread are tied to
    seen: SeenBuses | None = None  #: Buses that the times show, and their locks
    #: What was stated of the calls' rhythms.
    recurs: Mapping[str, str] = field(default_factory=dict)
    threads: ThreadRule = ThreadRule()  #: Whether threads compute at once
    plays_turns: bool = True  #: Whether threads of the log take their turns to compute anew
    turn_ns: float = 0.0  #: What the loop waits for other threads' turns to compute, on average
    #: Mean period beyond which a play may end: nobody asks how much longer it is [ns].
    most_ns: float = math.inf
    #: The same run with room for calls that a thread gives back, by their names.
    roomy: dict[tuple[int, ...], KnownRun] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def computes(self) -> list[float | None]:
        """Of each name, the share of its time in which it computes; None where nothing tells."""
        return compute_share(self.run)

    @cached_property
    def late_wakes(self) -> Float | None:
        """By how much the loop's own waits were too long, in order; None where nothing tells."""
        return late_wakes(self.run)

    @property
    def judges_work(self) -> bool:
        """Whether what loops gain is waited for: a pace is kept whose waits the log holds."""
        return self.pace is not None and self.pace[1] and not self.pace[0].seldom

    @property
    def least_ms(self) -> float | None:
        """The period at which the few waits of a loop end that is mostly too late for its pace."""
        seldom = self.pace is not None and self.pace[0].seldom
        return self.pace[0].interval_ns / 1e6 if seldom and self.pace is not None else None

    @property
    def locks(self) -> Mapping[str, SeenLock]:
        """Locks of buses, as the log shows them."""
        return self.seen.locks if self.seen is not None else {}

    @property
    def inferred(self) -> frozenset[str]:
        """Buses that nobody named but the times show."""
        return self.seen.inferred if self.seen is not None else frozenset()

    def on_other_clocks(self) -> KnownRun:
        """The same with calls on the clocks that fit the log as well."""
        others = self.rhythms.others
        recurs = {**self.recurs, **{r.name: r.recurs for r in others if not r.pulses}}
        return replace(self, rhythms=self.rhythms.on_others(), recurs=recurs, roomy={})

    def with_own_turns(self) -> KnownRun:
        """The same with what may be pauses of the program as long turns of the calls' own."""
        pauses, length = self.rhythms.pauses, self.line.length.copy()
        length[pauses.stretch] += pauses.excess
        line = replace(self.line, length=length)
        return replace(self, line=line, rhythms=replace(self.rhythms, pauses=Pauses()), roomy={})

    def at_finer_ticks(self) -> KnownRun | None:
        """The same for a loop that misses some of finer ticks each time, if the log fits both."""
        if self.pace is None or self.pace[0].finer is None:
            return None
        return replace(self, pace=(self.pace[0].finer, self.pace[1]), roomy={})

    def wait_by_bus(self) -> dict[str, int]:
        """How long the loop's thread waited for each bus in the log [ns]."""
        if self.wait_ns is None or not self.wait_ns.any():
            return {}
        total = np.bincount(self.line.name, weights=self.wait_ns, minlength=len(self.run.names))
        made: dict[str, int] = {}
        for call, ns in zip(self.run.names, total.tolist(), strict=True):
            if call.bus is not None and ns:
                made[call.bus] = made.get(call.bus, 0) + round(ns)
        return made


def known(
    run: Run,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    seen: SeenBuses | None = None,
    threads: ThreadRule | None = None,
    plays_turns: bool = True,
) -> KnownRun:
    """Prepare a run for planning.

    Parameters
    ----------
    run : Run
        The recording.
    buses : dict of str to BusParameters, optional
        ``Project.buses``.
    recurs : dict of str to str, optional
        ``loop`` or ``time`` by call name.
    seen : SeenBuses, optional
        What a longer stretch of the log shows of its buses.
    threads : ThreadRule, optional
        What is stated of threads that compute.
    plays_turns : bool
        Whether threads of the log take their turns anew, where they are seen to take turns.
    """
    seen = seen_buses(run) if seen is None else replace(seen, run=run.with_names(seen.run.names))
    run = seen.run
    line = chain(run)
    marks = anchors(run, line)
    threads = threads or ThreadRule()
    others, on_bus = sharing(run, line)
    others, turns = without_turns(run, line, others, threads if plays_turns else ThreadRule())
    wait = on_bus + turns
    waited = np.flatnonzero(wait)
    at = line.last[waited]
    line.length[at] = np.maximum(line.length[at] - wait[waited], 0.0)
    found = rhythms(run, line, recurs, wait)
    pauses = found.pauses
    line.length[pauses.stretch] -= pauses.excess
    typical = {
        r.code: _typical(run.call_columns.duration_ns[line.row[r.rows]] - wait[r.rows])
        for r in found.calls
        if not r.pulses
    }
    pace = recorded_pace(run)
    known = frozenset(typical)
    return KnownRun(
        run, line, found, buses or {}, known, typical, pace, tuple(others), on_bus, marks, seen,
        dict(recurs or {}), threads, plays_turns, float(turns.sum()) / max(len(run), 1),
    )  # fmt: skip


def sampled(
    run: Run,
    loops: int,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    threads: ThreadRule | None = None,
    plays_turns: bool = True,
) -> KnownRun:
    """Prepare a sample of a long run; which clock each call keeps is seen in the whole run.

    Parameters
    ----------
    run : Run
        The recording.
    loops : int
        About how many loops to keep.
    buses, recurs, threads, plays_turns
        As for `known`.
    """
    whole = known(run, buses, recurs, None, threads, plays_turns)
    return shortened(whole, loops, recurs)


def shortened(whole: KnownRun, loops: int, recurs: Mapping[str, str] | None = None) -> KnownRun:
    """The same for a run that is prepared already; `recurs` wins over what is seen in it."""
    if len(whole.run) <= loops:
        return whole
    found = whole.rhythms
    pulsed = {r.name for r in (*found.calls, *found.others) if r.pulses}
    told = {r.name: r.recurs for r in found.calls if r.name not in pulsed}
    stated = {name: clock for name, clock in told.items() if clock in ("loop", "time")}
    part = known(
        spread_sample(whole.run, loops), whole.buses, {**stated, **(recurs or {})}, whole.seen,
        whole.threads, whole.plays_turns,
    )  # fmt: skip
    part = replace(part, rhythms=as_in(part.rhythms, whole.rhythms))
    return part if len(found.pauses) else part.with_own_turns()


def _typical(values: Float) -> float:
    """Mean without the outliers above: the cost of a call that nothing disturbed."""
    some = values[:: max(1, len(values) // 10_000)]
    middle = median(some)
    spread = 1.4826 * median(np.abs(some - middle))
    limit = middle + max(5 * spread, 0.2 * middle)
    return float(values[values <= limit].mean())


@dataclass(frozen=True)
class Setting:
    """Where between its ends each thing that is not known is set, 0 to 1."""

    batch: float = 0.5  #: Cost of batches of unknown parameters: 0 cheap, 1 dear
    spread: float = 0.0  #: Writes that fall away: 0 each by itself, 1 all of a loop together
    #: Into which loops of N a call falls that is made in every N-th, as a share of N.
    phase: float = 0.0
    #: How likely whoever lets a bus go takes it again while another waits, where that is not known:
    #: a key of `looptime.planner.play.threads.CHANCES`.
    lock: str = "middle"
    #: After a loop that was too long for a new pace: 0 catch up, 0.5 go on from its end, 1 skip to
    #: the next tick.
    late: float = 0.5
    #: Factor on all that the loop does: another recording of the same code differs a little, which
    #: matters much where loops only just fit a pace.
    costs: float = 1.0
    #: Calls of which nobody knows the bus: 0 a new thread has its own, 1 they share it.
    shared: float = 0.0
    #: Threads of which nobody knows whether they compute at once: 0 they do, 1 they take turns.
    turns: float = 0.0
    #: How soon a device answers that has measured: 0 at once, 1 as the soonest that was seen.
    answer: float = 0.0
    #: Switch interval of an interpreter's lock: 0 who waits counts it, 1 who holds it does.
    slice: float = 0.0
    sleep: float = 1.0  #: Factor on how much longer a thread rests than it asks for
    #: How long a bus lies idle until the thread that waited for it goes on [ns].
    wake: float = HAND_OVER_NS


@dataclass
class Reader:
    """A thread that makes calls over and over."""

    thread: str
    code: Int  #: Calls in turn, by name, shape (k,)
    service: Float  #: How long each takes once it has its bus, shape (k,) [ns]
    before: Float  #: Time off the bus before each, shape (k,) [ns]
    bus: dict[int, str | None]  #: Of each name
    recorded: bool = False  #: The thread is in the log already
    #: Which calls compute, shape (k,), of a thread of the log that takes turns at it with the loop.
    computes: Bool | None = None
    timetable: bool = False  #: `before` counts from the last begin, not the last end
    #: How much longer than it asks for it rests before each, of a new thread, shape (k,) [ns].
    oversleep: Float | None = None
    #: What plays have made of it as it is, by what they depend on; see `lanes.Course`.
    courses: dict[tuple[Any, ...], Any] = field(default_factory=dict, repr=False)

    def off(self, sleep: float) -> Float:
        """Time off the bus before each, shape (k,) [ns]; `sleep` as a `Setting` has it."""
        return self.before if self.oversleep is None else self.before + sleep * self.oversleep


def reader_of(known: KnownRun, at: Sharing) -> Reader:
    """A recorded thread as a reader that can be changed."""
    thread = known.run.thread_names[at.thread]
    return Reader(
        thread, at.code, at.service, at.before, at.bus, True, at.computes, at.timetable,
        courses=at.courses,
    )  # fmt: skip


@dataclass
class Move:
    """Calls set elsewhere in their loop: call, and the stretch after which it comes."""

    call: Int
    after: Int


@dataclass
class Draft:
    """The state that changes alter; see `looptime.planner.play.remedies`."""

    known: KnownRun
    setting: Setting
    length: Float
    keep: Bool
    absent: Bool
    name: Int
    names: list[CallName]
    timed: dict[int, CallClock]
    own_loop: set[int] = field(default_factory=set)
    pulses: dict[int, CallClock] = field(default_factory=dict)
    clocks: dict[int, CallClock] = field(default_factory=dict)
    readers: list[Reader] = field(default_factory=list)
    pickups: list[tuple[int, Int]] = field(default_factory=list)
    moved: set[int] = field(default_factory=set)
    new_buses: set[str] = field(default_factory=set)  #: That only a change names
    gone: set[str] = field(default_factory=set)
    unmarked: set[int] = field(default_factory=set)
    moves: list[Move] = field(default_factory=list)
    pace: PacedRate | None = None
    ranges: set[str] = field(default_factory=set)
    asked: set[str] = field(default_factory=set)
    warnings: list[str] = field(default_factory=list)
    #: Calls of new threads of which nobody knows whether they take turns with the loop.
    may_take_turns: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, known: KnownRun, setting: Setting) -> Draft:
        """A draft without changes."""
        line = known.line
        calls = [r for r in known.rhythms.calls if not r.pulses]
        draft = cls(
            known, setting, line.length.copy(), np.ones(len(line.row), bool),
            np.zeros(len(line.owner), bool), line.name.copy(), list(known.run.names),
            timed={r.code: r for r in calls if r.recurs == "time"},
            pulses={r.code: r for r in known.rhythms.calls if r.pulses},
            clocks={r.code: r for r in calls if r.recurs == "next measurement"},
            readers=[reader_of(known, s) for s in known.sharing if s.shares],
            warnings=list(known.seen.doubts) if known.seen is not None else [],
        )  # fmt: skip
        if known.wait_ns is not None and known.wait_ns.any():
            draft.ranges.add("wake")
            more = draft.unknown("wake") - HAND_OVER_NS
            if more:  # then the log held more
                at = line.last[np.flatnonzero(known.wait_ns)]
                draft.length[at] = np.maximum(draft.length[at] - more, 0.0)
        return draft

    def at(self, setting: Setting) -> Draft:
        """The same for a setting that differs in nothing that was asked for so far."""
        return replace(
            self, setting=setting, ranges=set(self.ranges), asked=set(self.asked),
            warnings=list(self.warnings), may_take_turns=set(self.may_take_turns),
        )  # fmt: skip

    def compute_share(self, code: int) -> float | None:
        """Share of its time in which a call computes; None where nothing tells."""
        if code < len(self.known.computes):
            return self.known.computes[code]
        return {"compute": 1.0, "other": None}.get(self.names[code].kind, 0.0)

    def unknown(self, what: str) -> Any:
        """Where a thing that is not known is set; notes that the answer depends on it."""
        self.asked.add(what)
        return getattr(self.setting, what)

    @property
    def line(self) -> Chain:
        """The recorded chain."""
        return self.known.line

    def codes(self, change: Change, patterns: tuple[str, ...] | None = None) -> list[int]:
        """Names that a change is about, without those that a thread reads by then.

        Raises
        ------
        UsageError
            If none is known, or a thread reads them all.
        """
        known = set(self.known.on_loop) | set(range(len(self.known.run.names), len(self.names)))
        names = [call.name for call in self.names]
        found = matching(names, known, patterns or change.patterns, str(change))
        threaded = {code for code, _ in self.pickups}
        gone = [names[code] for code in found if code in threaded]
        if len(gone) == len(found):
            raise UsageError(
                f"change {str(change)!r}: by then a thread reads {gone[0]!r}: "
                "put this change before the one that moves it there"
            )
        if gone:
            self.warn(f"{change}: by then a thread reads {', '.join(gone)}: it stays as it is")
        return [code for code in found if code not in threaded]

    def rows(self, codes: list[int]) -> Int:
        """Calls of these names that are still made, without those inside another of them."""
        if len(codes) == 1:
            return self._outer(np.flatnonzero((self.name == codes[0]) & self.keep))
        return self._outer(self._made(codes))

    def rows_of_each(self, codes: list[int]) -> dict[int, Int]:
        """The same of each of these names by itself."""
        rows = self._made(codes)
        name = self.name[rows]
        rows = rows[np.argsort(name, kind="stable")]
        ends = np.append(0, np.cumsum(np.bincount(name, minlength=len(self.names))))
        return {c: self._outer(rows[ends[c] : ends[c + 1]]) for c in codes}

    def _made(self, codes: list[int]) -> Int:
        wanted = np.zeros(len(self.names), bool)
        wanted[codes] = True
        return np.flatnonzero(wanted[self.name] & self.keep)

    def _outer(self, rows: Int) -> Int:
        """Those of these calls that are inside no other of them."""
        if len(rows) and self.line.nested:
            reach = np.maximum.accumulate(rows + self.line.size[rows])
            rows = rows[np.append(True, rows[1:] >= reach[:-1])]
        return rows

    def stretches(self, rows: Int) -> tuple[Int, Int]:
        """Every stretch of these calls, and which call each belongs to."""
        first, last = self.line.first[rows], self.line.last[rows]
        if np.array_equal(first, last):
            return last, np.arange(len(rows))
        at, which = parts(first, last)
        inside = self.line.owner[at] > NOBODY
        return at[inside], which[inside]

    def durations(self, rows: Int) -> Float:
        """Length of each call as it now stands [ns]."""
        at, which = self.stretches(rows)
        found = np.bincount(which, weights=self.length[at], minlength=len(rows))
        return found.astype(np.float64)

    def inside(self, rows: Int) -> Int:
        """These calls and all that they enclose."""
        return parts(rows, rows + self.line.size[rows] - 1)[0]

    def kill(self, rows: Int) -> None:
        """Make these calls no more."""
        self.length[self.stretches(rows)[0]] = 0.0
        self.keep[self.inside(rows)] = False

    def lift(self, rows: Int) -> None:
        """Take these calls out of where they are; their lengths stay for use elsewhere."""
        self.absent[self.stretches(rows)[0]] = True
        self.keep[self.inside(rows)] = False

    def put_on_bus(self, code: int, bus: str) -> None:
        """Let a call use another bus."""
        self.names[code] = replace(self.names[code], bus=bus)
        self.moved.add(code)

    def new_name(self, call: CallName) -> int:
        """Code of a new call name; a number is added where the name is taken."""
        taken = {known.name for known in self.names}
        name, number = call.name, 2
        while name in taken:
            name, number = f"{call.name} {number}", number + 1
        self.names.append(replace(call, name=name))
        return len(self.names) - 1

    def warn(self, text: str) -> None:
        """Add a warning, once."""
        if text not in self.warnings:
            self.warnings.append(text)


assert BETWEEN < NOBODY  # `Draft.stretches` leaves out both
