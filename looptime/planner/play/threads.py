"""Who waits for whom: transactions on shared buses, device clocks and the loop's pace, in turn.

Each bus carries one transaction at a time. The loop's thread and the readers ask for it in the
order of their own work. Where one lets it go while another waits, and asks again before that one
has woken up, chance decides: how likely it gets the bus again depends on the lock and on how often
the other has lost it already.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property

import numpy as np

from looptime.array_types import Int
from looptime.planner.known.timeline import Arranged
from looptime.planner.play.draft import Draft
from looptime.planner.play.lanes import (
    WAKE_NS,
    BackAndForth,
    Buses,
    Calm,
    Chances,
    Lane,
    first_of,
    serve,
    take_again,
)
from looptime.planner.play.pacer import PacedRate
from looptime.planner.play.stops import (
    CLOCK,
    LETS_GO,
    PACE,
    Device,
    Stops,
    device_clocks,
    measured,
    stops_of,
)
from looptime.planner.play.turns import Computing, Turns, computing_readers, turns_of
from looptime.planner.play.unnamed import Places, places
from looptime.records import dataclass

__all__ = ["ReaderCalls", "Traffic", "contended", "walk"]

#: Chance that the one who lets go takes a lock again although another waits, by how often that
#: one has lost it before: never, once, more often. The first time it must wake up and mostly comes
#: too late; then it is awake. Ordinary locks of three languages on one and two processors lay
#: between the ends; a fair lock never lets it happen.
CHANCES: dict[str, Chances] = {
    "fair": (0.0,),
    "low": (0.8, 0.03, 0.1),
    "middle": (0.96, 0.1, 0.2),
    "high": (0.98, 0.75, 0.3),
}
#: The same for a thread that does not rest: now and then it starves the loop.
RESTLESS: dict[str, Chances] = {
    "fair": (0.0,),
    "low": (0.7, 0.05, 0.2),
    "middle": (0.83, 0.12, 0.4, 0.6, 0.6, 0.6, 0.7, 0.9),
    "high": (0.95, 0.98),
}
#: Waits so many times those that are too many stay too many when what goes by the clock has moved.
_SURELY = 1.5
#: So many stops in a row at which the loop waited are likely followed by more.
_IN_A_ROW = 8


@dataclass(frozen=True)
class ReaderCalls:
    """Calls that a reader thread made, from asking for the bus to the end."""

    thread: str
    code: Int
    start: Int
    end: Int
    recorded: bool


@dataclass(frozen=True)
class Traffic:
    """What happened on the buses."""

    lanes: list[Lane | Computing] = field(default_factory=list)
    #: Time that the loop's thread waited for each bus.
    wait_ns: dict[str, int] = field(default_factory=dict)
    pace_wait: Int | None = None  #: Wait for the pace at the end of each loop, shape (n,) [ns]
    late: int = 0  #: Loops too long for the pace
    #: Calls of threads of which nobody knows whether they share a bus with these of the loop.
    may_share: dict[str, tuple[str, ...]] = field(default_factory=dict)
    #: Calls of threads of which nobody knows whether they take turns with the loop on one lock.
    may_take_turns: tuple[str, ...] = ()
    #: Whether the play ended early: its loops take longer than `KnownRun.most_ns`.
    given_up: bool = False

    @cached_property
    def readers(self) -> tuple[ReaderCalls, ...]:
        """Calls that other threads made, worked out when they are first asked for."""
        made = []
        for lane in self.lanes:
            (turn, asked, ended), by = lane.history(), lane.reader
            made.append(ReaderCalls(by.thread, by.code[turn], asked, ended, by.recorded))
        return tuple(made)


def contended(draft: Draft) -> bool:
    """Whether the loop waits for anything that must be simulated."""
    return bool(draft.readers or draft.clocks or draft.pace is not None)


def walk(draft: Draft, at: Arranged) -> tuple[Int, Traffic]:
    """Play the loop's thread and the readers against each other.

    Returns
    -------
    whole : int64 array, shape (e,) [ns]
        Length of each stretch with the waits.
    traffic : Traffic
    """
    where = places(draft, np.flatnonzero(np.bincount(draft.name[at.call])).tolist())
    buses = sorted({bus for mine in where.of_reader for bus in mine.values() if bus is not None})
    own = len(buses)  # each reader without a bus has one for itself
    codes = {bus: i for i, bus in enumerate(buses)}
    after = at.after
    begun = int(after[at.begin[0]])
    clocks = device_clocks(draft)
    computing = computing_readers(draft)
    kinds = [codes.get(bus or "", -9) for bus in where.of_name]
    stops = stops_of(draft, at, after, kinds, clocks, bool(computing))
    resting = any(reader.oversleep is not None for reader in draft.readers)
    sleep = draft.unknown("sleep") if resting else 1.0
    lanes = [
        Lane.of(reader, mine, codes, own + i, begun, sleep)
        for i, (reader, mine) in enumerate(zip(draft.readers, where.of_reader, strict=True))
        if i not in computing
    ]
    turns = turns_of(draft, computing, begun, sleep)
    none = CHANCES["fair"], RESTLESS["fair"]
    chances = [_chances(draft, bus) for bus in buses] + [none] * len(draft.readers)
    for bus in buses:
        _warn_of_starving(draft, where, bus)
    if buses:
        draft.ranges.add("sleep")
    works = _Clockwork.of(draft.pace, begun, clocks)
    works.turns = turns
    if draft.pace is None and not clocks:  # else waits may be made up for
        works.patience = _patience(draft.known.most_ns, after[at.end] - after[at.begin])
    wake = draft.unknown("wake") if lanes else 0.0
    waits, takes, late = _play(stops, lanes, chances, begun, works, wake)
    whole = at.whole.copy()
    changed = stops.kind >= 0
    whole[stops.stretch[changed]] += waits[changed]
    device = stops.kind == CLOCK
    whole[stops.stretch[device]] = takes[device]
    paced = stops.kind == PACE
    whole[stops.stretch[paced]] += waits[paced]
    on_lock = stops.kind <= LETS_GO
    np.add.at(whole, stops.stretch[on_lock], waits[on_lock])
    made = Traffic(
        [*lanes, *(turns.lanes if turns is not None else ())],
        {bus: int(waits[stops.kind == i].sum()) for i, bus in enumerate(buses)},
        None if draft.pace is None else waits[stops.kind == PACE], late, where.may_share,
        tuple(sorted(draft.may_take_turns)), given_up=int(waits.sum()) > works.patience,
    )  # fmt: skip
    return whole, made


def _patience(most_ns: float, period: Int) -> float:
    """Waits of all loops beyond which they surely take longer than that on average [ns]."""
    whole = float(period.sum())
    return _SURELY * max(most_ns * len(period) - whole, 0.01 * whole)


def _chances(draft: Draft, bus: str) -> tuple[Chances, Chances]:
    """Chances of the loop and of a thread to take a bus again while the other waits.

    As stated, as seen at contested releases of the log, or as ordinary locks have them.
    """
    stated, seen = draft.known.buses.get(bus), draft.known.locks.get(bus)
    kind = stated.lock if stated is not None and stated.lock != "unknown" else None
    kind = kind or (seen.kind if seen is not None else None)
    if kind == "fair":
        return CHANCES["fair"], RESTLESS["fair"]
    draft.ranges.add("lock" if kind is None else "barging")
    lock = draft.unknown("lock")
    lock = "low" if lock == "fair" and kind is not None else lock
    if seen is None:
        return CHANCES[lock], RESTLESS[lock]
    return _off(seen.by_loop, lock) or CHANCES[lock], _off(seen.by_other, lock) or RESTLESS[lock]


def _off(seen: Chances | None, lock: str) -> Chances | None:
    """A chance that was seen, and how far it may lie off after a change: by its rests it shifts."""
    if seen is None or lock == "middle":
        return seen
    first, later = seen
    if lock == "low":
        return max(first - 0.15, 0.0), later / 2
    return (1 + first) / 2, min(later + 0.2, 1.0)


def _warn_of_starving(draft: Draft, where: Places, bus: str) -> None:
    """Say it where a thread that does not rest may take a bus again and again."""
    stated, seen = draft.known.buses.get(bus), draft.known.locks.get(bus)
    if "fair" in (stated.lock if stated else "", seen.kind if seen else ""):
        return
    for reader, buses in zip(draft.readers, where.of_reader, strict=True):
        restless = np.roll(reader.off(draft.setting.sleep), -1) < WAKE_NS
        if any(buses[code] == bus for code in np.unique(reader.code[restless]).tolist()):
            draft.warn(
                f"bus {bus!r}: unless its lock is fair, a thread that does not rest can take the "
                "bus again and again while the loop waits, and loops then take many times as "
                'long: let the thread rest (rest-ms), or use a fair lock and state lock = "fair"'
            )


@dataclass
class _Clockwork:
    """The pace and the devices, as the simulation keeps them."""

    interval: int
    late: str
    jitter: list[int] | None
    start: int
    devices: list[Device]
    turns: Turns | None = None  #: Threads that compute on the same lock
    patience: float = math.inf  #: Waits after which the rest is not played [ns]

    @classmethod
    def of(cls, pace: PacedRate | None, begun: int, devices: list[Device]) -> _Clockwork:
        if pace is None:
            return cls(0, "", None, begun, devices)
        jitter = None if pace.jitter_ns is None else np.rint(pace.jitter_ns).astype(int).tolist()
        return cls(round(pace.interval_ns), pace.late, jitter, begun, devices)


def _play(
    stops: Stops,
    lanes: list[Lane],
    chances: list[tuple[Chances, Chances]],
    begun: int,
    works: _Clockwork,
    wake: float,
) -> tuple[Int, Int, int]:
    """Every stop in turn; returns waits, lengths of device calls, and loops late for the pace."""
    on_a_bus = stops.kind >= 0
    rivals, alone = _rivals(lanes, set(np.flatnonzero(np.bincount(stops.kind[on_a_bus])).tolist()))
    shared = sorted(set[int]().union(*(lane.course.buses for lane in rivals)))
    kept = np.flatnonzero(~on_a_bus | np.isin(stops.kind, shared))
    buses = Buses([begun] * len(chances), chances, round(wake))
    waited, took, late, end = _in_turn(stops.only(kept), rivals, buses, begun, works)
    for lane in alone:
        lane.alone(end)
    waits, takes = np.zeros(len(stops.kind), np.int64), stops.takes.copy()
    waits[kept], takes[kept] = waited, took
    return waits, takes, late


def _in_turn(
    stops: Stops, rivals: list[Lane], buses: Buses, begun: int, works: _Clockwork
) -> tuple[Int, Int, int, int]:
    """The same, and when it is over."""
    now, late, i, count = begun, 0, 0, len(stops.kind)
    kinds, takes, aheads = stops.kind.data, stops.takes.copy().data, stops.ahead.data
    calm, free, tick = Calm.of(stops.kind, stops.ahead, stops.takes), buses.free, works.start
    waits, shared, left = np.zeros(count, np.int64).data, list(calm.last), works.patience
    soonest = first_of(rivals).asks if rivals else math.inf
    strife, met = BackAndForth.of(stops.kind, stops.ahead, stops.takes, rivals, buses), 0
    while i < count:
        asks, kind = now + aheads[i], kinds[i]
        if kind >= 0 and asks <= soonest and max([free[bus] for bus in shared]) <= asks:
            i, now = calm.passed(i, now, soonest, buses)
            met = 0
            continue
        if strife is not None and met >= _IN_A_ROW and kind >= 0 and soonest < now == free[kind]:
            found = strife.passed(i, now, left, buses)
            met = _IN_A_ROW - 1 if len(found) >= _IN_A_ROW else 0
            if len(found):
                waits[i : i + len(found)] = found.data
                i, left = i + len(found), left - int(found.sum())
                now, soonest = free[kind], strife.lane.asks
                continue
        if kind >= 0:
            if soonest < asks:
                soonest = serve(rivals, buses, asks, kind)
            begin = asks
            if free[kind] > asks:
                if buses.unfair[kind]:
                    take_again(rivals, buses, kind)
                    soonest = first_of(rivals).asks
                begin = free[kind] + buses.wake
                waits[i] = begin - asks
                left -= begin - asks
                if left < 0:
                    break
            now = free[kind] = begin + takes[i]
            buses.loop_had[kind], buses.taken[kind] = True, begin
        elif kind == PACE:
            tick, now, missed = _next_tick(works, tick, asks, i, stops)
            late += missed
            waits[i] = now - asks
        elif kind <= LETS_GO and works.turns is not None:
            turn = works.turns.released if kind == LETS_GO else works.turns.returned
            waits[i] = turn(asks)
            now = asks + waits[i]
            left -= waits[i]
            if left < 0:
                break
        else:
            now = measured(works.devices[stops.extra[i]], asks)
            takes[i] = now - asks
        met = met + 1 if waits[i] else 0
        i += 1
    if rivals:
        serve(rivals, buses, now + stops.rest)
    if works.turns is not None:
        works.turns.released(now + stops.rest)
    return np.asarray(waits), np.asarray(takes), late, now + stops.rest


def _rivals(lanes: list[Lane], of_loop: set[int]) -> tuple[list[Lane], list[Lane]]:
    """Readers that share a bus with the loop or with each other, and those that share none."""
    used = [lane.course.buses for lane in lanes]
    rivals: list[Lane] = []
    alone: list[Lane] = []
    for lane, mine in zip(lanes, used, strict=True):
        others = of_loop.union(*(bus for bus in used if bus is not mine))
        (rivals if mine & others else alone).append(lane)
    return rivals, alone


def _next_tick(
    works: _Clockwork, tick: int, asks: int, i: int, stops: Stops
) -> tuple[int, int, int]:
    """The next tick, when the loop goes on, and whether it was late."""
    jitter = 0 if works.jitter is None else works.jitter[stops.extra[i]]
    due = tick + works.interval
    if asks <= due:
        return due, max(due + jitter, asks), 0
    if works.late == "catch-up":
        return due, asks, 1
    if works.late == "skip":
        due += works.interval * -(-(asks - due) // works.interval)
        return due, max(due + jitter, asks), 1
    if works.late == "at-once":
        return due + works.interval * ((asks - due) // works.interval), asks, 1
    return asks, asks, 1
