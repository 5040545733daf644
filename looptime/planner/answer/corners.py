"""What is to be played of a plan: the middle of what is not known, and every corner of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from looptime.planner.answer.intervals import CONFIDENCE
from looptime.planner.play.draft import Setting
from looptime.stats.student import t_quantile

__all__ = ["Settings", "settings_of"]


@dataclass(frozen=True)
class Settings:
    """Settings whose mean is the answer, and all that its interval must hold."""

    middle: tuple[Setting, ...]
    all: tuple[Setting, ...]


def settings_of(ranges: frozenset[str], sd: float = 0.0) -> Settings:
    """What is to be played: the middle of what is not known, and every corner of it.

    Where loops only just fit a pace, a slightly dearer recording misses many ticks: then costs
    that differ by `sd`, as between two recordings, are played too.
    """
    locks = ("fair", "loop") if "lock" in ranges else ("fair",)
    middle_locks = ("loop", "reader") if "unfair" in ranges else locks
    lates = (0.0, 1.0) if "late" in ranges else (1.0,)
    middle = tuple(
        Setting(lock=lock, late=late) for lock, late in itertools.product(middle_locks, lates)
    )
    batches = (0.0, 1.0) if "batch" in ranges else (0.5,)
    spreads = (0.0, 1.0) if "spread" in ranges else (0.0,)
    if "starving" in ranges:
        locks = (*locks, "reader")
    corners = tuple(Setting(*at) for at in itertools.product(batches, spreads, locks, lates))
    if "pace" in ranges and sd:
        off = float(np.sqrt(2)) * t_quantile(0.5 + CONFIDENCE / 2, 19) * sd
        corners += tuple(replace(at, costs=f) for at in middle for f in (1 - off, 1 + off))
    return Settings(middle, tuple(dict.fromkeys(middle + corners)))
