"""Threads that compute beside the loop and take turns with it on an interpreter's one lock.

Only who has the lock computes. Who makes a blocking call lets it go, and must get it back to go on.
It is handed over a switch interval after somebody began to wait for it, or where the holder counts,
at the end of one of its intervals in which somebody waits.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import field

import numpy as np

from looptime.analysers.turn_contention import COMPUTES
from looptime.array_types import Bool, Int
from looptime.planner.play.draft import Draft, Reader
from looptime.records import dataclass

__all__ = ["COMPUTES", "Computing", "Turns", "computing_readers", "turns_of", "warn_of_lock"]

_LOOP = -1
#: Turns that are shorter are played as fewer of this length, of the same share [ns].
_LEAST_TURN_NS = 200_000


def computing_readers(draft: Draft) -> list[int]:
    """New threads that take turns with the loop, at the end that `draft.setting` asks for."""
    rule, found = draft.known.threads, []
    if rule.mode == "at once":
        return []
    for i, reader in enumerate(draft.readers):
        if reader.recorded:
            found += [i] if reader.computes is not None else []
            continue
        shares = {code: draft.compute_share(code) for code in reader.bus}
        if all(share is not None and share < COMPUTES for share in shares.values()):
            continue
        sure = all(share is not None for share in shares.values()) and set(reader.bus.values()) == {
            None
        }
        calls = [draft.names[c].name for c, s in shares.items() if s is None or s >= COMPUTES]
        _say(draft, calls, sure)
        if sure and rule.mode == "take turns":
            found.append(i)
            continue
        draft.may_take_turns.update(calls)
        draft.ranges.add("turns")
        if draft.unknown("turns") > 0.5:
            found.append(i)
    return found


def warn_of_lock(draft: Draft, code: int) -> None:
    """Warn that a thread of the log, which computes, is changed without the lock it may share."""
    rule, share = draft.known.threads, draft.compute_share(code)
    if rule.mode == "at once" or share is None or share < COMPUTES:
        return
    takes = f"takes turns with the loop on one lock here ({rule.source})"
    takes = takes if rule.mode == "take turns" else "may take turns with the loop on one lock"
    draft.warn(
        f"{draft.names[code].name} computes and {takes}: what the loop waits for that lock stays "
        "here as it was recorded, so record one minute with the change"
    )


def _say(draft: Draft, calls: list[str], sure: bool) -> None:
    rule, names = draft.known.threads, ", ".join(calls)
    ms = f"{rule.switch_ms:g} ms" + ("" if rule.switch_stated else ", taken for the usual interval")
    if rule.mode == "take turns" and sure:
        draft.warn(
            f"{names} computes, and threads take turns here ({rule.source}): each time the loop "
            f"comes back from a blocking call it may wait one switch interval ({ms}) for the lock; "
            "a process of its own computes beside the loop"
        )
    else:
        draft.warn(
            f"{names} may compute, and whether its thread computes beside the loop or takes turns "
            'with it on one lock is not known: say threads = "at once" or "take turns" under '
            "[loop] in looptime.toml, and record cpu_us, or record one minute with the thread"
        )


@dataclass
class Computing:
    """A thread's turns, which come round and round: time off the lock before each, then on it."""

    reader: Reader
    off: list[int]  #: Resting or blocked before each computes [ns]
    on: list[int]  #: How long each computes [ns]
    wakes: int  #: When the next wants the lock
    left: int  #: How long it then computes
    step: int = 0
    asked: list[int] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)

    def done(self, now: int) -> bool:
        """Begin the next turn; returns whether it wants the lock at once."""
        self.asked.append(self.wakes)
        self.ended.append(now)
        self.step = (self.step + 1) % len(self.on)
        self.left, self.wakes = self.on[self.step], now + self.off[self.step]
        return self.off[self.step] == 0

    def history(self) -> tuple[Int, Int, Int]:
        """Turn of each call made, when it was asked for and when it ended [ns]."""
        turn = np.arange(len(self.ended)) % len(self.on)
        return turn, np.array(self.asked, np.int64), np.array(self.ended, np.int64)


class Turns:
    """The loop's thread and those that compute beside it, on one lock."""

    def __init__(
        self, lanes: list[Computing], switch_ns: int, begun: int, holder_counts: bool = False
    ) -> None:
        self.lanes, self._switch, self._holder_counts = lanes, switch_ns, holder_counts
        self._now = self._handed = begun
        self._holder: int | None = _LOOP
        self._left = 0.0  # what the loop computes until it lets go
        self._queue: deque[tuple[int, int]] = deque()  # who waits, and since when

    def released(self, asks: int) -> int:
        """Let the loop compute until it lets go of the lock; how much later than asked that is."""
        self._left = asks - self._now
        while self._holder is not None and self._left > 0:
            self._go(math.inf)
        self._hand_over()
        return self._now - asks

    def returned(self, asks: int) -> int:
        """Let the loop come back from a blocking call; how long it waits for the lock."""
        while self._now < asks:
            self._go(asks)
        self._left = math.inf
        self._wait_for(_LOOP)
        while self._holder != _LOOP:
            self._go(math.inf)
        return self._now - asks

    def _wait_for(self, who: int) -> None:
        if self._holder is None and not self._queue:
            self._holder, self._handed = who, self._now
        else:
            self._queue.append((who, self._now))

    def _go(self, until: float) -> None:
        """To the next instant at which anything happens, at most until one."""
        waits = {who for who, _ in self._queue}
        for who, lane in enumerate(self.lanes):
            if lane.wakes <= self._now and who != self._holder and who not in waits:
                self._wait_for(who)
        at, holder = until, self._holder
        asleep = [lane.wakes for lane in self.lanes if lane.wakes > self._now]
        at = min(at, *asleep) if asleep else at
        due = math.inf
        if holder is not None:
            left = self._left if holder == _LOOP else self.lanes[holder].left
            due = self._due()
            at = min(at, self._now + left, due)
        self._pass(int(max(at, self._now)), due)

    def _due(self) -> float:
        """When the holder must hand the lock over."""
        if not self._queue:
            return math.inf
        since = max(self._queue[0][1] - self._handed, 0)
        if self._holder_counts:
            since = (max(-(-since // self._switch), 1) - 1) * self._switch
        return self._handed + since + self._switch

    def _pass(self, at: int, due: float) -> None:
        took, self._now, holder = at - self._now, at, self._holder
        if holder is None:
            return
        if holder == _LOOP:
            self._left -= took
            ready = self._left <= 0
        else:
            lane = self.lanes[holder]
            lane.left -= took
            ready = lane.left <= 0
            if ready and not lane.done(at):
                self._hand_over()
                return
        if at >= due and not (holder == _LOOP and ready):
            self._queue.append((holder, at))
            self._hand_over()

    def _hand_over(self) -> None:
        self._holder = self._queue.popleft()[0] if self._queue else None
        self._handed = self._now


def _computes(draft: Draft, reader: Reader) -> Bool:
    """Which calls of a thread compute: as the log shows, else all that are not known to block."""
    if reader.computes is not None:
        return reader.computes
    share = [draft.compute_share(c) for c in range(int(reader.code.max()) + 1)]
    return np.array([s is None or s >= COMPUTES for s in share], bool)[reader.code]


def turns_of(draft: Draft, readers: list[int], begun: int, sleep: float) -> Turns | None:
    """The turns of these readers, None where there are none."""
    if not readers:
        return None
    lanes = []
    for i in readers:
        reader = draft.readers[i]
        on = np.maximum(np.where(_computes(draft, reader), reader.service, 1.0), 1.0)
        off = np.maximum(reader.off(sleep) + reader.service - on, 0.0)
        longer = max(_LEAST_TURN_NS / float((off + on).mean()), 1.0)
        rests, computes = (np.rint(longer * part).astype(int).tolist() for part in (off, on))
        lanes.append(Computing(reader, rests, computes, begun + rests[0], computes[0]))
    draft.ranges |= {"slice", "sleep"}
    switch_ns = max(round(draft.known.threads.switch_ms * 1e6), 1000)
    return Turns(lanes, switch_ns, begun, draft.unknown("slice") > 0.5)
