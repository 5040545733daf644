"""Threads that take turns on buses with the loop, one transaction at a time."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import field
from random import Random

import numpy as np

from looptime.array_types import Int
from looptime.planner.play.draft import Reader
from looptime.records import dataclass

__all__ = ["WAKE_NS", "Buses", "Calm", "Chances", "Lane", "serve", "take_again"]

#: By how often the other has lost already; the last holds for all that come.
Chances = tuple[float, ...]

#: Until a waiting thread has woken up, the one that let go may take the bus again [ns].
WAKE_NS = 100_000
#: Who asks so soon after another took the bus is still awake when that one lets it go [ns].
JUST_NS = 50_000


@dataclass
class Lane:
    """A reader in the simulation."""

    reader: Reader
    bus: list[int]
    service: list[int]
    before: list[int]
    step: int = 0
    asks: int = 0
    lost: int = 0
    asked: list[int] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)

    @classmethod
    def of(cls, reader: Reader, buses: list[str | None], codes: dict[str, int], own: int) -> Lane:
        """A reader before its first call; `own` is its bus where it has none."""
        service = np.rint(reader.service).astype(np.int64)
        before = np.rint(reader.before).astype(np.int64)
        # a lap that takes no time at all would never end
        if service.sum() + before.sum() < 1000 * len(service):
            before = np.maximum(before, 1000)
        bus = [own if b is None else codes[b] for b in buses]
        return cls(reader, bus, service.tolist(), before.tolist())

    def serve(self, buses: Buses, begin: int) -> None:
        """Make one transaction."""
        bus = self.bus[self.step]
        end = buses.free[bus] = begin + self.service[self.step]
        buses.loop_had[bus], self.lost = False, 0
        self.asked.append(self.asks)
        self.ended.append(end)
        self.step = self.step + 1 if self.step + 1 < len(self.bus) else 0
        since = self.asks if self.reader.timetable else end
        self.asks = max(since + self.before[self.step], end)


class Buses:
    """When each bus is free, who had it last, and by which chance it is taken again."""

    def __init__(self, free: list[int], chances: list[tuple[Chances, Chances]], wake: int) -> None:
        self.free, self._chances, self.wake = free, chances, wake
        self.loop_had, self.taken = [False] * len(free), list(free)
        self._random = Random(7)

    def again(self, bus: int, lost: int, restless: bool = False) -> bool:
        """Whether the one that let go takes the bus again; the other has lost it so often."""
        chances = self._chances[bus][restless]
        chance = chances[min(lost, len(chances) - 1)]
        return chance > 0 and self._random.random() < chance


@dataclass
class Calm:
    """Stops at which nobody makes the loop wait, passed together."""

    #: When the stop before each was over, and when each begins and ends, if there is no wait, shape
    #: (n,) [ns].
    before: list[int]
    begin: list[int]
    end: list[int]
    #: By bus: the last stop for it up to each stop, -1 for none; shape (n,).
    last: dict[int, list[int]]
    barrier: list[int]  #: The next stop that is none for a bus, from each on, shape (n,)

    @classmethod
    def of(cls, kind: Int, ahead: Int, takes: Int) -> Calm:
        """Those of stops of a bus, or none where `kind` is below 0; shapes (n,), in [ns]."""
        at, count = np.arange(len(kind)), len(kind)
        end = np.cumsum(ahead + takes)
        begin = end - takes
        last = {
            bus: np.maximum.accumulate(np.where(kind == bus, at, -1)).tolist()
            for bus in np.unique(kind[kind >= 0]).tolist()
        }
        other = np.where(kind < 0, at, count)
        barrier = np.minimum.accumulate(other[::-1])[::-1]
        before = (begin - ahead).tolist()
        return cls(before, begin.tolist(), end.tolist(), last, barrier.tolist())

    def passed(self, i: int, now: int, soonest: float, buses: Buses) -> tuple[int, int]:
        """Pass the stops from one on that a reader does not reach: the next stop, and the time."""
        shift = now - self.before[i]
        until = min(bisect_right(self.begin, soonest - shift, i), self.barrier[i])
        for bus, last in self.last.items():
            at = last[until - 1]
            if at >= i:
                buses.free[bus], buses.taken[bus] = self.end[at] + shift, self.begin[at] + shift
                buses.loop_had[bus] = True
        return until, self.end[until - 1] + shift


def take_again(lanes: list[Lane], buses: Buses, bus: int) -> None:
    """Let a reader take a bus for which the loop waits again, as long as it does not rest."""
    lost = 0
    for lane in lanes:
        while (
            lane.bus[lane.step] == bus
            and lane.asks - buses.free[bus] < WAKE_NS
            and buses.again(bus, lost, restless=True)
        ):
            lane.serve(buses, max(lane.asks, buses.free[bus]))
            lost += 1


def serve(lanes: list[Lane], buses: Buses, until: int, wanted: int = -1) -> None:
    """Let readers have their transactions that begin before the loop asks, in order.

    Of the bus that the loop then wants, a reader that waits since the loop let it go may lose it.
    """
    lost = wanted < 0 or not buses.loop_had[wanted] or until - buses.free[wanted] >= WAKE_NS
    free = buses.free
    while True:
        best, first = None, until
        for lane in lanes:
            if lane.asks < first:
                best, first = lane, lane.asks
        if best is None:
            return
        bus, begin = best.bus[best.step], best.asks
        if free[bus] > begin:
            if bus == wanted and not lost:
                lost = True
                just_taken = begin - buses.taken[bus] < JUST_NS
                if buses.again(bus, max(best.lost, int(just_taken))):
                    best.lost += 1
                    return
            begin = free[bus] + buses.wake
        best.serve(buses, begin)
