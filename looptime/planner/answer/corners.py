"""What is to be played of a plan: the middle of what is not known, and its ends one by one."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.planner.answer.intervals import CONFIDENCE
from looptime.planner.changes import Change
from looptime.planner.play.draft import KnownRun, Setting
from looptime.planner.play.replay import Plays, Replay
from looptime.records import dataclass
from looptime.stats.student import t_quantile

__all__ = ["Settings", "play_all", "settings_of"]


#: Shares of N loops by which a call made in every N-th may come later than is played first.
_PHASES = (1 / 3, 1 / 2, 2 / 3)


@dataclass(frozen=True)
class Settings:
    """What is to be played."""

    #: What may be: their mean is the answer, and its interval must hold each of them.
    middle: tuple[Setting, ...] = (Setting(),)
    #: Of each of them, for each thing that is not known, its ends with all else as it was.
    ends: tuple[tuple[tuple[Setting, ...], ...], ...] = ((),)
    #: What lies so open that no mean of it says anything, ``shared`` or ``turns``: the answer is
    #: where it is 0, and its interval holds the rest. Empty if nothing does.
    lies_open: str = ""

    @property
    def all(self) -> tuple[Setting, ...]:
        """Each setting once, the middle first."""
        ends = (at for unknowns in self.ends for unknown in unknowns for at in unknown)
        return tuple(dict.fromkeys((*self.middle, *ends)))

    def only(self, what: str, at: float) -> Settings:
        """The part in which threads share a bus with the loop, or take turns (1), or do not (0)."""
        both = [p for p in zip(self.middle, self.ends, strict=True) if getattr(p[0], what) == at]
        return Settings(tuple(m for m, _ in both), tuple(e for _, e in both))

    @property
    def cases(self) -> dict[tuple[float, float], Settings]:
        """The parts in which it is settled what is shared, and whether threads take turns."""
        keys = dict.fromkeys((m.shared, m.turns) for m in self.middle)
        made = {}
        for shared, turns in keys:
            made[shared, turns] = self.only("shared", shared).only("turns", turns)
        return made

    def span(self, values: Mapping[Setting, float]) -> tuple[float, float, float]:
        """Middle, low and high of what was played; settings without a value count for nothing.

        Things that are not known by themselves seldom all lie at the same end: how far each may
        shift the figure is added in squares.

        Examples
        --------
        >>> middle, cheap, dear = Setting(), Setting(batch=0.0), Setting(batch=1.0)
        >>> slow = Setting(lock="fair")
        >>> at = Settings((middle,), (((cheap, dear), (slow,)),))
        >>> at.span({middle: 10.0, cheap: 9.0, dear: 13.0, slow: 14.0})
        (10.0, 9.0, 15.0)
        """
        found, lows, highs = [], [], []
        for at, unknowns in zip(self.middle, self.ends, strict=True):
            if at not in values:
                continue
            value = values[at]
            sides = [[values[end] - value for end in ends if end in values] for ends in unknowns]
            if not (self.lies_open and getattr(at, self.lies_open)):
                found.append(value)
            lows.append(value - math.hypot(*(max(-min(s, default=0.0), 0.0) for s in sides)))
            highs.append(value + math.hypot(*(max(max(s, default=0.0), 0.0) for s in sides)))
        if not found:
            raise ValueError("no value at the middle")
        return float(np.mean(found)), min(lows), max(highs)


def settings_of(ranges: frozenset[str], sd: float = 0.0) -> Settings:
    """What is to be played of a plan that depends on what is not known.

    Where loops only just fit a pace, a slightly dearer recording misses many ticks: then costs
    that differ by `sd`, as between two recordings, are played too.
    """
    shares = (0.0, 1.0) if "bus" in ranges else (0.0,)
    turns = (0.0, 1.0) if "turns" in ranges else (0.0,)
    slices = (0.0, 1.0) if ranges & {"slice", "turns"} else (0.0,)
    middle = tuple(
        Setting(shared=to, turns=turn, slice=counts)
        for to, turn, counts in itertools.product(shares, turns, slices)
        if turn or not counts or "turns" not in ranges
    )
    unknowns: list[list[dict[str, Any]]] = []
    if "late" in ranges:
        unknowns.append([{"late": 0.0}, {"late": 1.0}])
    if "batch" in ranges:
        unknowns.append([{"batch": 0.0}, {"batch": 1.0}])
    if "phase" in ranges:
        unknowns.append([{"phase": share} for share in _PHASES])
    if "spread" in ranges:
        unknowns.append([{"spread": 1.0}])
    if "lock" in ranges or "barging" in ranges:
        unknowns.append([{"lock": "fair" if "lock" in ranges else "low"}, {"lock": "high"}])
    if "answer" in ranges:
        unknowns.append([{"answer": 1.0}])
    if "wake" in ranges:
        unknowns.append([{"wake": 50_000.0}])
    if "sleep" in ranges:
        exact = [{"sleep": 0.0}] if "slice" in ranges else []
        unknowns.append([*exact, {"sleep": 2.5}])
    if "pace" in ranges and sd:
        off = float(np.sqrt(2)) * t_quantile(0.5 + CONFIDENCE / 2, 19) * sd
        unknowns.append([{"costs": 1 - off}, {"costs": 1 + off}])
    ends = tuple(
        tuple(tuple(replace(at, **end) for end in unknown) for unknown in unknowns) for at in middle
    )
    return Settings(middle, ends)


def play_all(
    at: KnownRun, changes: Iterable[Change], sd: float = 0.0
) -> tuple[Replay, Settings, dict[Setting, Replay]]:
    """Play a plan as it may be, and at each end of what that says is not known, each once."""
    plays = Plays(at, changes)
    central = plays.at(Setting())
    settings = settings_of(central.ranges, sd)
    return central, settings, {one: plays.at(one) for one in settings.all}
