"""Threads that take turns on buses with the loop, one transaction at a time."""

from __future__ import annotations

import sys
from array import array
from bisect import bisect_left, bisect_right
from dataclasses import field
from functools import cached_property
from random import Random
from typing import Any

import numpy as np

from looptime.array_types import Bool, Int
from looptime.planner.play.draft import Reader
from looptime.records import dataclass

__all__ = [
    "WAKE_NS",
    "BackAndForth",
    "Buses",
    "Calm",
    "Chances",
    "Course",
    "Lane",
    "first_of",
    "serve",
    "take_again",
]

#: By how often the other has lost already; the last holds for all that come.
Chances = tuple[float, ...]

#: Until a waiting thread has woken up, the one that let go may take the bus again [ns].
WAKE_NS = 100_000
#: Who asks so soon after another took the bus is still awake when that one lets it go [ns].
JUST_NS = 50_000


@dataclass(frozen=True)
class Course:
    """A reader's m turns, which come round and round; the same in every play of that reader."""

    timetable: bool
    first: int  #: From the beginning until the first asks [ns]
    bus: Int  #: Of each turn, shape (m,)
    service: Int  #: How long each turn takes, shape (m,) [ns]
    #: From each turn's end until the next asks; from its asking, where there is a timetable,
    #: shape (m,) [ns].
    rest: Int

    @classmethod
    def of(cls, reader: Reader, buses: dict[int, int], sleep: float = 1.0) -> Course:
        """The turns of a reader, given the number of each name's bus."""
        key = (1.0 if reader.oversleep is None else sleep, *buses.items())
        made: Course | None = reader.courses.get(key)
        if made is None:
            service = np.rint(reader.service).astype(np.int64)
            before = np.rint(reader.off(sleep)).astype(np.int64)
            # a lap that takes no time at all would never end
            if service.sum() + before.sum() < 1000 * len(service):
                before = np.maximum(before, 1000)
            bus = np.array([buses.get(c, -1) for c in range(max(buses) + 1)])[reader.code]
            made = cls(reader.timetable, int(before[0]), bus, service, np.roll(before, -1))
            reader.courses[key] = made
        return made

    @cached_property
    def lap(self) -> Int:
        """From asking to asking, where nobody makes it wait, shape (m,) [ns]."""
        whole = self.service + self.rest
        return np.maximum(self.rest, self.service) if self.timetable else whole

    @cached_property
    def reached(self) -> Int:
        """Sum of the laps before each, shape (m,) [ns]."""
        return np.cumsum(self.lap) - self.lap

    @cached_property
    def streak(self) -> list[int]:
        """How many turns, from each on, follow one on the same bus without a rest."""
        same = self.bus == np.roll(self.bus, -1)
        return _streaks(np.roll((self.lap - self.service < WAKE_NS) & same, 1))

    @cached_property
    def lists(self) -> dict[str, Any]:
        """What `Lane` has under the same names, to be looked at one by one."""
        names = ("bus", "service", "rest", "lap", "reached")
        return {name: getattr(self, name).tolist() for name in names}

    @cached_property
    def buses(self) -> set[int]:
        """The buses that it uses."""
        return set(np.unique(self.bus).tolist())


@dataclass
class Lane:
    """A reader in the simulation, and where it is."""

    reader: Reader
    course: Course
    #: As `Course.lists` has them.
    bus: list[int]
    service: list[int]
    rest: list[int]
    lap: list[int]
    reached: list[int]
    final: int  #: The last turn
    asks: int  #: When the next asks [ns]
    step: int = 0  #: Which turn is next
    count: int = 0  #: How many were made
    lost: int = 0  #: How often the next has lost its bus to the loop
    #: Number of each transaction that had to wait, when it ended and when the next asked [ns].
    late: array[int] = field(default_factory=lambda: array("q"))
    ended: array[int] = field(default_factory=lambda: array("q"))
    then: array[int] = field(default_factory=lambda: array("q"))

    @classmethod
    def of(
        cls, reader: Reader, buses: dict[int, str | None], codes: dict[str, int], own: int,
        begun: int, sleep: float = 1.0,
    ) -> Lane:  # fmt: skip
        """A reader before its first call at an instant; `own` is its bus where it has none.

        `buses` has the bus of each name, and `codes` the number of each bus.
        """
        numbers = {code: own if bus is None else codes[bus] for code, bus in buses.items()}
        course = Course.of(reader, numbers, sleep)
        asks = begun + course.first
        return cls(
            reader, course, final=len(course.bus) - 1, asks=asks, late=array("q", [-1]),
            ended=array("q", [begun]), then=array("q", [asks]), **course.lists,
        )  # fmt: skip

    def serve(self, buses: Buses, begin: int) -> int:
        """Make one transaction; returns when the next is asked for."""
        step, asks = self.step, self.asks
        bus = self.bus[step]
        end = buses.free[bus] = begin + self.service[step]
        buses.loop_had[bus], self.lost = False, 0
        if begin == asks:
            self.asks = asks + self.lap[step]
        else:
            then = asks + self.rest[step] if self.reader.timetable else end + self.rest[step]
            self.asks = max(then, end)
            self.late.append(self.count)
            self.ended.append(end)
            self.then.append(self.asks)
        self.step = step + 1 if step < self.final else 0
        self.count += 1
        return self.asks

    def go_on(self, buses: Buses, turns: int) -> None:
        """Make so many transactions, at least one, for which nobody makes it wait."""
        last, begun = self.step + turns - 1, self.asks - self._reached(self.step)
        turn = last % len(self.bus)
        buses.free[self.bus[turn]] = begun + self._reached(last) + self.service[turn]
        self.asks = begun + self._reached(last + 1)
        self.step = (last + 1) % len(self.bus)
        self.count += turns

    def waited(self, ended: Int) -> None:
        """Make transactions that all had to wait, of this lap, given when each ends [ns]."""
        turns = slice(self.step, self.step + len(ended))
        then = ended + np.maximum(self.course.rest[turns], 0)
        self.late.frombytes(np.arange(self.count, self.count + len(ended)).tobytes())
        self.ended.frombytes(ended.tobytes())
        self.then.frombytes(then.tobytes())
        self.asks, self.count, self.lost = int(then[-1]), self.count + len(ended), 0
        self.step = turns.stop if turns.stop <= self.final else 0

    def _reached(self, turn: int) -> int:
        laps, step = divmod(turn, len(self.lap))
        return laps * (self.reached[-1] + self.lap[-1]) + self.reached[step]

    def alone(self, until: int) -> None:
        """Make all that ask before an instant, of a reader whose buses nobody else uses."""
        laps, left = divmod(max(until - self.asks, 0), self._reached(len(self.lap)))
        self.count = laps * len(self.lap) + bisect_left(self.reached, left)

    def history(self) -> tuple[Int, Int, Int]:
        """Turn of each transaction made, when it was asked for and when it ended [ns]."""
        begun = np.array(self.late) + 1  # the first, and each that came after one that waited
        count, turns = np.diff(begun, append=self.count), len(self.lap)
        laps, turn = np.divmod(np.arange(self.count), turns)
        reached = laps * self._reached(turns) + self.course.reached[turn]
        since = np.array(self.then) - np.append(reached, self._reached(self.count))[begun]
        asked = reached + np.repeat(since, count)
        ended = asked + self.course.service[turn]
        ended[self.late[1:]] = self.ended[1:]
        return turn, asked, ended


def _streaks(follows: Bool) -> list[int]:
    """How many in a row hold from each on, round and round.

    Examples
    --------
    >>> _streaks(np.array([True, False, True]))
    [1, 0, 2]
    """
    here, ends = np.arange(len(follows)), np.flatnonzero(~follows)
    if not len(ends):
        return [sys.maxsize] * len(follows)
    ends = np.append(ends, ends[0] + len(follows))
    return (ends[np.searchsorted(ends, here)] - here).tolist()


class Buses:
    """When each bus is free, who had it last, and by which chance it is taken again."""

    def __init__(self, free: list[int], chances: list[tuple[Chances, Chances]], wake: int) -> None:
        self.free, self._chances, self.wake = free, chances, wake
        self.unfair = [any(restless) for _, restless in chances]
        self.loop_had, self.taken = [False] * len(free), list(free)
        self._random = Random(7).random

    def fair(self, bus: int) -> bool:
        """Whether nobody takes the bus again while another waits for it."""
        return not (self.unfair[bus] or any(self._chances[bus][False]))

    def again(self, bus: int, lost: int, restless: bool = False) -> bool:
        """Whether the one that let go takes the bus again; the other has lost it so often."""
        chances = self._chances[bus][restless]
        chance = chances[lost] if lost < len(chances) else chances[-1]
        return chance > 0 and self._random() < chance

    def settled(self, bus: int) -> int:
        """How often the loop must have lost a bus so that the chance stays what it is."""
        return len(self._chances[bus][True]) - 1

    def times_again(self, bus: int, most: int) -> int:
        """How often in a row a thread takes the bus again that the loop has lost many times."""
        chance, random, times = self._chances[bus][True][-1], self._random, 0
        while times < most and random() < chance:
            times += 1
        return times


@dataclass
class Calm:
    """Stops at which nobody makes the loop wait, passed together.

    The arrays are seen through memory views: few of their elements are asked for, one at a time.
    """

    #: When the stop before each was over, and when each begins and ends, if there is no wait, shape
    #: (n,) [ns].
    before: memoryview
    begin: memoryview
    end: memoryview
    #: By bus: the last stop for it up to each stop, -1 for none; shape (n,).
    last: dict[int, memoryview]
    barrier: memoryview  #: The next stop that is none for a bus, from each on, shape (n,)

    @classmethod
    def of(cls, kind: Int, ahead: Int, takes: Int) -> Calm:
        """Those of stops of a bus, or none where `kind` is below 0; shapes (n,), in [ns]."""
        at, count = np.arange(len(kind)), len(kind)
        end = np.cumsum(ahead + takes)
        begin = end - takes
        last = {
            bus: np.maximum.accumulate(np.where(kind == bus, at, -1)).data
            for bus in np.flatnonzero(np.bincount(kind[kind >= 0])).tolist()
        }
        other = np.where(kind < 0, at, count)
        barrier = np.minimum.accumulate(other[::-1])[::-1]
        return cls((begin - ahead).data, begin.data, end.data, last, barrier.data)

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


@dataclass
class BackAndForth:
    """Stops at which the loop and its one rival wait for each other, passed together.

    Each lets the other have a fair bus and then waits until it is let go: as long as neither comes
    too late for that, what each transaction takes says when the next begins.
    """

    #: As `Calm` has them.
    kind: Int
    ahead: Int
    takes: Int
    lane: Lane
    most: int = 64  #: Most stops that are passed at once

    @classmethod
    def of(
        cls, kind: Int, ahead: Int, takes: Int, lanes: list[Lane], buses: Buses
    ) -> BackAndForth | None:
        """None where no stop is passed so."""
        if len(lanes) != 1 or lanes[0].reader.timetable or len(lanes[0].course.buses) != 1:
            return None
        return cls(kind, ahead, takes, lanes[0]) if buses.fair(lanes[0].bus[0]) else None

    def passed(self, i: int, now: int, left: float, buses: Buses) -> Int:
        """Pass those from one on that are so; how long the loop waits at each, shape (k,) [ns].

        It has just let the bus go, for which the reader waits. In all it waits for at most `left`.
        """
        lane, wake = self.lane, buses.wake
        count = min(self.most, len(self.kind) - i, lane.final + 1 - lane.step)
        here, turns = slice(i, i + count), slice(lane.step, lane.step + count)
        ahead, takes, bus = self.ahead[here], self.takes[here], lane.bus[0]
        waits = 2 * wake + lane.course.service[turns] - ahead
        both = (self.kind[here] == bus) & (waits > wake) & (np.cumsum(waits) <= left)
        both[1:] &= lane.course.rest[turns][:-1] < wake + takes[:-1]
        count = count if both.all() else int(both.argmin())
        waits, takes = waits[:count], takes[:count]
        if count:
            begin = now + np.cumsum(ahead[:count] + waits + takes) - takes
            lane.waited(begin - wake)
            buses.taken[bus] = int(begin[-1])
            buses.free[bus] = buses.taken[bus] + int(takes[-1])
        return waits


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
            if lost >= buses.settled(bus):
                most = lane.course.streak[lane.step]
                times = buses.times_again(bus, most)
                if times:
                    lane.go_on(buses, times)
                if times < most:
                    break
                lost += times


def first_of(lanes: list[Lane]) -> Lane:
    """The reader that asks next."""
    first = lanes[0]
    for lane in lanes:
        if lane.asks < first.asks:
            first = lane
    return first


def serve(lanes: list[Lane], buses: Buses, until: int, wanted: int = -1) -> int:
    """Let readers have their transactions that begin before the loop asks, in order.

    Of the bus that the loop then wants, a reader that waits since the loop let it go may lose it.
    Returns when the next of them asks.
    """
    lost = wanted < 0 or not buses.loop_had[wanted] or until - buses.free[wanted] >= WAKE_NS
    free, lane, several = buses.free, first_of(lanes), len(lanes) > 1
    begin = lane.asks
    while begin < until:
        bus = lane.bus[lane.step]
        if free[bus] > begin:
            if bus == wanted and not lost:
                lost = True
                just_taken = begin - buses.taken[bus] < JUST_NS
                if buses.again(bus, max(lane.lost, int(just_taken))):
                    lane.lost += 1
                    return lane.asks
            begin = free[bus] + buses.wake
        begin = lane.serve(buses, begin)
        if several:
            lane = first_of(lanes)
            begin = lane.asks
    return begin
