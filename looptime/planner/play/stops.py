"""Where the loop's thread may have to wait: for buses, devices, the pace, an interpreter's lock."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Int
from looptime.planner.known.call_clock import CallClock
from looptime.planner.known.timeline import Arranged
from looptime.planner.play.draft import Draft
from looptime.planner.play.turns import COMPUTES
from looptime.records import dataclass

__all__ = [
    "CLOCK",
    "IS_BACK",
    "LETS_GO",
    "PACE",
    "Device",
    "Stops",
    "device_clocks",
    "measured",
    "stops_of",
]

#: Kinds of stops besides those for a bus: a device's clock, the pace, an interpreter's lock.
CLOCK, PACE, LETS_GO, IS_BACK = -1, -2, -3, -4
#: An answer within this share of a device's period comes at once.
_AT_ONCE = 0.05


@dataclass
class Stops:
    """Where the loop's thread may have to wait, in order."""

    stretch: Int
    kind: Int
    ahead: Int
    takes: Int
    extra: Int
    rest: int

    def only(self, kept: Int) -> Stops:
        """Some of them, where nobody makes the loop wait at the others."""
        if len(kept) == len(self.kind):
            return self
        end = np.cumsum(self.ahead + self.takes)
        begin, total = end - self.takes, int(end[-1])
        left = end[kept]
        rest = self.rest + total - (int(left[-1]) if len(kept) else 0)
        ahead = begin[kept] - np.append(0, left)[:-1]
        return Stops(
            self.stretch[kept], self.kind[kept], ahead, self.takes[kept], self.extra[kept], rest
        )


def stops_of(
    draft: Draft, at: Arranged, after: Int, kinds: list[int], clocks: list[Device], locked: bool
) -> Stops:  # fmt: skip
    """Transactions on shared buses, waits for devices, ends of paced loops: in order of time."""
    kind_of: Int = np.array(kinds, np.int64)
    for device in clocks:
        kind_of[device.code] = CLOCK
    name = draft.name[at.call]
    rows = np.flatnonzero((kind_of[name] > -9) & (at.first == at.last))
    stretch, kind = at.first[rows], kind_of[name[rows]]
    place: Int = 8 * stretch
    extra: Int = np.zeros(len(rows), np.int64)
    for i, device in enumerate(clocks):
        extra[name[rows] == device.code] = i
    if draft.pace is not None:
        stretch = np.append(stretch, at.end)
        place = np.append(place, 8 * at.end + 3)
        kind = np.append(kind, np.full(len(at.end), PACE))
        extra = np.append(extra, np.arange(len(at.end)))
    if locked:
        stretch, place, kind = _with_lock(draft, at, (stretch, place, kind), name)
        extra = np.append(extra, np.zeros(len(kind) - len(extra), np.int64))
    order: Int = np.argsort(place, kind="stable")
    stretch, kind, extra = stretch[order], kind[order], extra[order]
    end = after[stretch]
    takes: Int = np.where((kind == PACE) | (kind <= LETS_GO), 0, at.whole[stretch])
    begun = int(after[at.begin[0]]) if len(at.begin) else 0
    ahead = end - takes - np.append(begun, end[:-1])
    rest = int(after[-1]) - (int(end[-1]) if len(end) else begun)
    return Stops(stretch, kind, ahead, takes, extra, rest)


def _with_lock(
    draft: Draft, at: Arranged, stops: tuple[Int, Int, Int], name: Int
) -> tuple[Int, Int, Int]:
    """The same with where the loop lets the lock go, and wants it back, at each blocking call."""
    computes = [draft.compute_share(code) for code in range(len(draft.names))]
    blocks = np.array([share is not None and share < COMPUTES for share in computes], bool)
    rows = np.flatnonzero(blocks[name] & (at.first == at.last) & (at.first > 0))
    rows = rows[at.whole[at.first[rows]] > 0]
    begin = end = at.first[rows]
    places = [stops[1], 8 * begin - 3, 8 * end + 1]
    stretches, lets = [stops[0], begin - 1, end], [len(begin)] * 2
    if draft.pace is not None:
        stretches += [at.end, at.end]
        places += [8 * at.end + 2, 8 * at.end + 4]
        lets += [len(at.end)] * 2
    kinds = np.repeat([LETS_GO, IS_BACK] * (len(lets) // 2), lets)
    return np.concatenate(stretches), np.concatenate(places), np.append(stops[2], kinds)


@dataclass
class Device:
    """A device that a call waits for: its period, its shortest answer, and from when it counts."""

    code: int
    period: int
    least: int
    phase: int
    anew: bool = False  #: It counts from when it was last read, and has no ticks of its own
    last: int = 0  #: When it was


def device_clocks(draft: Draft) -> list[Device]:
    """Devices whose next measurement a call waits for."""
    made = []
    for code, rhythm in draft.clocks.items():
        rows = np.flatnonzero((draft.name == code) & draft.keep)
        if not len(rows) or not rhythm.interval_ns:
            continue
        made.append(_device(draft, code, rhythm))
    return made


def _device(draft: Draft, code: int, rhythm: CallClock) -> Device:
    calls, row = draft.known.run.call_columns, draft.line.row[rhythm.rows]
    took = calls.duration_ns[row]
    end = (calls.start_ns[row] + took).astype(float)
    period = float(rhythm.interval_ns or 1.0)
    angle = np.exp(2j * np.pi * (end / period)).mean()
    phase = float(np.angle(angle)) / (2 * np.pi) * period
    least = float(np.partition(took, 1)[1]) if len(took) > 1 else 0.0
    if least > _AT_ONCE * period:  # nobody asked so late that the answer was there
        draft.ranges.add("answer")
        least *= draft.unknown("answer")
    whole = max(round(period), 1)
    anew, read = rhythm.rule == "since end", round(float(end[0])) - whole
    return Device(code, whole, round(least), round(phase) % whole, anew, read)


def measured(device: Device, asks: int) -> int:
    """When a device's next measurement is there."""
    soonest = asks + device.least
    if device.anew:
        device.last = max(soonest, device.last + device.period)
        return device.last
    since = (soonest - device.phase) % device.period
    return soonest if since == 0 else soonest + device.period - since
