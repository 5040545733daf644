"""Who waits for whom: transactions on shared buses, device clocks and the loop's pace, in turn.

Each bus carries one transaction at a time. The loop's thread and the readers ask for it in the
order of their own work; who gets it when both wait depends on the lock, so two disciplines are
played: first come, first served; and the loop's thread barging in ahead of a reader that waits.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from looptime.planner.known.call_clock import CallClock
from looptime.planner.known.timeline import Arranged
from looptime.planner.play.draft import Draft, Reader
from looptime.planner.play.pacer import PacedRate
from looptime.planner.play.shared_bus import HAND_OVER_NS

__all__ = ["ReaderCalls", "Traffic", "contended", "walk"]

Int = NDArray[np.integer]
Float = NDArray[np.float64]

#: Until a waiting thread has woken up, the other may take the bus again [ns].
WAKE_NS = 100_000
#: Chance, at each release, that a waiting thread gets a bus which a restless reader takes again at
#: once through a lock that is not fair. One release in seven was seen on an ordinary lock, with a
#: long tail; this is the bound.
CHANCE = 0.1
_CLOCK, _PACE = -1, -2


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
    """What happened on the buses.

    Parameters
    ----------
    readers : tuple of ReaderCalls
    wait_ns : dict of str to int [ns]
        Time that the loop's thread waited for each bus.
    busy_ns : dict of str to int [ns]
        Time that each bus was in use.
    pace_wait : int64 array, shape (n,) [ns], or None
        Wait for the pace at the end of each loop.
    late : int
        Loops too long for the pace.
    """

    readers: tuple[ReaderCalls, ...] = ()
    wait_ns: dict[str, int] = field(default_factory=dict)
    busy_ns: dict[str, int] = field(default_factory=dict)
    pace_wait: Int | None = None
    late: int = 0


def contended(draft: Draft) -> bool:
    """Whether the loop waits for anything that must be simulated."""
    return bool(draft.readers or draft.clocks or draft.pace is not None)


@dataclass
class _Stops:
    """Where the loop's thread may have to wait, in order."""

    stretch: Int
    kind: Int
    ahead: Int
    takes: Int
    extra: Int
    rest: int


def walk(draft: Draft, at: Arranged) -> tuple[Int, Traffic]:
    """Play the loop's thread and the readers against each other.

    Parameters
    ----------
    draft : Draft
        After all changes.
    at : Arranged
        The loop as it would be if nobody waited.

    Returns
    -------
    whole : int64 array, shape (e,) [ns]
        Length of each stretch with the waits.
    traffic : Traffic
    """
    buses = sorted({bus for reader in draft.readers for bus in reader.bus if bus is not None})
    own = len(buses)  # each reader without a bus named has one for itself
    codes = {bus: i for i, bus in enumerate(buses)}
    after = np.cumsum(at.whole)
    clocks = _device_clocks(draft)
    stops = _stops(draft, at, after, codes, clocks)
    lanes = [_Lane.of(reader, codes, own + i) for i, reader in enumerate(draft.readers)]
    restless = {
        bus
        for reader in draft.readers
        for bus, rest in zip(reader.bus, np.roll(reader.before, -1).tolist(), strict=True)
        if bus is not None and rest < WAKE_NS
    }
    locks = [_lock(draft, bus, bus in restless) for bus in buses] + ["fair"] * len(lanes)
    begun = int(after[at.begin[0]]) if len(at.begin) else 0
    works = _Clockwork.of(draft.pace, begun, clocks)
    waits, takes, late = _play(stops, lanes, locks, begun, works)
    whole = at.whole.copy()
    changed = stops.kind >= 0
    whole[stops.stretch[changed]] += waits[changed]
    device = stops.kind == _CLOCK
    whole[stops.stretch[device]] = takes[device]
    paced = stops.kind == _PACE
    whole[stops.stretch[paced]] += waits[paced]
    return whole, _traffic(draft, buses, stops, waits, lanes, late)


def _lock(draft: Draft, bus: str, restless: bool) -> str:
    """Discipline played for a bus: ``fair``, ``loop`` or ``reader``."""
    stated = draft.known.buses.get(bus)
    if stated is not None and stated.lock == "fair":
        return "fair"
    draft.ranges.add("lock")
    if restless:
        draft.ranges.add("starving")
        if stated is not None and stated.lock == "barging":
            draft.ranges.add("unfair")
        draft.warn(
            f"bus {bus!r}: unless its lock is fair, a thread that does not rest can take the bus "
            "again and again while the loop waits, and loops then take many times as long: let "
            'the thread rest (rest-ms), or use a fair lock and state lock = "fair"'
        )
    wanted = draft.setting.lock
    return "loop" if wanted == "reader" and not restless else wanted


def _stops(
    draft: Draft, at: Arranged, after: Int, codes: dict[str, int], clocks: list[_Device]
) -> _Stops:
    """Transactions on shared buses, waits for devices, ends of paced loops: in order of time."""
    kind_of = np.full(len(draft.names), -9, np.int64)
    for code, call in enumerate(draft.names):
        if call.bus in codes:
            kind_of[code] = codes[call.bus]
    for device in clocks:
        kind_of[device.code] = _CLOCK
    name = draft.name[at.call]
    rows = np.flatnonzero((kind_of[name] > -9) & (at.first == at.last))
    stretch, kind = at.first[rows], kind_of[name[rows]]
    extra = np.zeros(len(rows), np.int64)
    for i, device in enumerate(clocks):
        extra[name[rows] == device.code] = i
    if draft.pace is not None:
        stretch = np.append(stretch, at.end)
        kind = np.append(kind, np.full(len(at.end), _PACE))
        extra = np.append(extra, np.arange(len(at.end)))
    order = np.argsort(stretch, kind="stable")
    stretch, kind, extra = stretch[order], kind[order], extra[order]
    end = after[stretch]
    takes = np.where(kind == _PACE, 0, at.whole[stretch])
    begun = int(after[at.begin[0]]) if len(at.begin) else 0
    ahead = end - takes - np.append(begun, end[:-1])
    total = int(after[-1]) if len(after) else begun
    rest = total - (int(end[-1]) if len(end) else begun)
    return _Stops(stretch, kind, ahead, takes, extra, rest)


@dataclass
class _Device:
    """A device that a call waits for: its period, its ticks' unevenness, its shortest answer."""

    code: int
    period: int
    least: int
    phase: int
    last: int = 0


def _device_clocks(draft: Draft) -> list[_Device]:
    made = []
    for code, rhythm in draft.clocks.items():
        rows = np.flatnonzero((draft.name == code) & draft.keep)
        if not len(rows) or not rhythm.interval_ns:
            continue
        made.append(_device(draft, code, rhythm))
    return made


def _device(draft: Draft, code: int, rhythm: CallClock) -> _Device:
    calls, row = draft.known.run.call_columns, draft.line.row[rhythm.rows]
    end = (calls.start_ns[row] + calls.duration_ns[row]).astype(float)
    period = float(rhythm.interval_ns or 1.0)
    angle = np.exp(2j * np.pi * (end / period)).mean()
    phase = float(np.angle(angle)) / (2 * np.pi) * period
    least = float(np.quantile(calls.duration_ns[row], 0.02))
    return _Device(code, max(round(period), 1), round(least), round(phase) % max(round(period), 1))


@dataclass
class _Clockwork:
    """The pace and the devices, as the simulation keeps them."""

    interval: int
    late: str
    jitter: list[int] | None
    start: int
    devices: list[_Device]

    @classmethod
    def of(cls, pace: PacedRate | None, begun: int, devices: list[_Device]) -> _Clockwork:
        if pace is None:
            return cls(0, "", None, begun, devices)
        jitter = None if pace.jitter_ns is None else np.rint(pace.jitter_ns).astype(int).tolist()
        return cls(round(pace.interval_ns), pace.late, jitter, begun, devices)


@dataclass
class _Lane:
    """A reader in the simulation."""

    reader: Reader
    bus: list[int]
    service: list[int]
    before: list[int]
    step: int = 0
    asks: int = 0
    asked: list[int] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)

    @classmethod
    def of(cls, reader: Reader, codes: dict[str, int], own: int) -> _Lane:
        service = np.rint(reader.service).astype(np.int64)
        before = np.rint(reader.before).astype(np.int64)
        # a lap that takes no time at all would never end
        if service.sum() + before.sum() < 1000 * len(service):
            before = np.maximum(before, 1000)
        bus = [own if b is None else codes[b] for b in reader.bus]
        return cls(reader, bus, service.tolist(), before.tolist())


def _play(
    stops: _Stops, lanes: list[_Lane], locks: list[str], begun: int, works: _Clockwork
) -> tuple[Int, Int, int]:
    """Every stop in turn; returns waits, lengths of device calls, and loops late for the pace."""
    now, late = begun, 0
    kinds, takes = stops.kind.tolist(), stops.takes.tolist()
    barging = [lock == "loop" for lock in locks]
    starving = [lock == "reader" for lock in locks]
    free = [begun] * len(barging)
    turns = _again_and_again(len(kinds) if any(starving) else 0)
    waits: list[int] = []
    waited = waits.append
    first = lanes[0] if len(lanes) == 1 else None
    tick = works.start
    for lane in lanes:
        lane.asks = begun + lane.before[0]
    for i, ahead in enumerate(stops.ahead.tolist()):
        asks = now + ahead
        kind = kinds[i]
        if kind >= 0:
            if first is None:
                _serve(lanes, barging, free, asks)
            elif first.asks < asks:
                _serve_one(first, barging, free, asks)
            begin = free[kind]
            if begin <= asks:
                begin = asks
            else:
                if starving[kind]:
                    _take_again(lanes, kind, free, turns[i])
                begin = free[kind] + HAND_OVER_NS
            waited(begin - asks)
            now = free[kind] = begin + takes[i]
        elif kind == _PACE:
            tick, now, missed = _next_tick(works, tick, asks, i, stops)
            late += missed
            waited(now - asks)
        else:
            device = works.devices[stops.extra[i]]
            end = _measured(device, asks)
            waited(0)
            takes[i] = end - asks
            now = end
    if lanes:
        _serve(lanes, barging, free, now + stops.rest)
    return np.array(waits, np.int64), np.array(takes, np.int64), late


def _again_and_again(count: int) -> list[int]:
    """How often a restless reader takes the bus again before a waiting thread gets it."""
    return (np.random.default_rng(7).geometric(CHANCE, count) - 1).tolist()


def _take_again(lanes: list[_Lane], bus: int, free: list[int], turns: int) -> None:
    """Let the reader that holds a bus take it again, as long as it does not rest."""
    for lane in lanes:
        for _ in range(turns):
            if lane.bus[lane.step] != bus or lane.asks - free[bus] >= WAKE_NS:
                break
            end = max(lane.asks, free[bus]) + lane.service[lane.step]
            free[bus] = end
            lane.asked.append(lane.asks)
            lane.ended.append(end)
            lane.step = lane.step + 1 if lane.step + 1 < len(lane.bus) else 0
            lane.asks = end + lane.before[lane.step]


def _serve(lanes: list[_Lane], barging: list[bool], free: list[int], until: int) -> None:
    """Let readers have their transactions that begin before the loop asks."""
    if len(lanes) == 1:
        _serve_one(lanes[0], barging, free, until)
        return
    while True:
        best, best_key = None, until
        for lane in lanes:
            bus = lane.bus[lane.step]
            key = lane.asks
            if free[bus] > key and barging[bus]:
                key = free[bus] + WAKE_NS
            if key < best_key:
                best, best_key = lane, key
        if best is None:
            return
        bus = best.bus[best.step]
        waited = HAND_OVER_NS if free[bus] > best.asks else 0
        end = max(best.asks, free[bus]) + waited + best.service[best.step]
        free[bus] = end
        best.asked.append(best.asks)
        best.ended.append(end)
        best.step = best.step + 1 if best.step + 1 < len(best.bus) else 0
        best.asks = end + best.before[best.step]


def _serve_one(lane: _Lane, barging: list[bool], free: list[int], until: int) -> None:
    step, asks = lane.step, lane.asks
    count, service, before, lane_bus = len(lane.bus), lane.service, lane.before, lane.bus
    asked, ended = lane.asked.append, lane.ended.append
    while True:
        bus = lane_bus[step]
        begin = asks
        if free[bus] > asks:
            begin = free[bus]
            if (begin + WAKE_NS if barging[bus] else asks) >= until:
                break
            begin += HAND_OVER_NS
        elif asks >= until:
            break
        end = free[bus] = begin + service[step]
        asked(asks)
        ended(end)
        step = step + 1 if step + 1 < count else 0
        asks = end + before[step]
    lane.step, lane.asks = step, asks


def _next_tick(
    works: _Clockwork, tick: int, asks: int, i: int, stops: _Stops
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
    return asks, asks, 1


def _measured(device: _Device, asks: int) -> int:
    """When a device's next measurement is there."""
    soonest = asks + device.least
    since = (soonest - device.phase) % device.period
    return soonest if since == 0 else soonest + device.period - since


def _traffic(
    draft: Draft, buses: list[str], stops: _Stops, waits: Int, lanes: list[_Lane], late: int
) -> Traffic:
    readers, wait_ns, busy_ns = [], {}, {}
    for i, bus in enumerate(buses):
        mine = stops.kind == i
        wait_ns[bus] = int(waits[mine].sum())
        busy_ns[bus] = int(stops.takes[mine].sum())
    for lane in lanes:
        k = len(lane.ended)
        turn = np.arange(k) % len(lane.bus)
        service = np.array(lane.service, np.int64)[turn]
        for i, bus in enumerate(buses):
            busy_ns[bus] += int(service[np.array(lane.bus, np.int64)[turn] == i].sum())
        readers.append(
            ReaderCalls(
                lane.reader.thread, lane.reader.code[turn], np.array(lane.asked, np.int64),
                np.array(lane.ended, np.int64), lane.reader.recorded,
            )
        )  # fmt: skip
    pace_wait = None
    if draft.pace is not None:
        pace_wait = waits[stops.kind == _PACE]
    return Traffic(tuple(readers), wait_ns, busy_ns, pace_wait, late)
