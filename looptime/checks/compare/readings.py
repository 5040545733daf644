"""Readings that stay as they are while a side is recorded, and differ between the sides."""

from collections.abc import Sequence

import numpy as np

from looptime.checks.compare.sides import Unlike
from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.recording import Recording
from looptime.run import Run
from looptime.stats.quantiles import percentiles
from looptime.words import listed, number

__all__ = ["unlike_readings"]

#: A reading is steady whose middle half is no wider than this part of what the sides differ by; one
#: that is as far off in each of several runs a side may move within them.
_STEADY, _MOVES = 0.2, 2.0
#: Less than this part of the greater level is no other condition.
_LEAST = 0.02
#: So many are told.
_MOST = 4


def unlike_readings(
    before: Sequence[Recording | RunValues], after: Sequence[Recording | RunValues]
) -> list[Unlike]:
    """What the robot carried, its battery, a setting: conditions, which may make a change alone.

    A reading is one whose median in each run of a side is far from those in all runs of the other,
    as its own scatter goes; stored runs keep none.
    """
    sides = [[_levels(item.run) for item in side if isinstance(item, Recording)]
             for side in (before, after)]  # fmt: skip
    if len(sides[0]) < len(before) or len(sides[1]) < len(after):
        return []
    every = [run for side in sides for run in side]
    told = []
    for name in every[0]:
        if all(name in run for run in every):
            told += _differs(name, *([run[name] for run in side] for side in sides))
    if not told:
        return []
    return [Unlike("readings", f"readings differ: {listed(told, _MOST)}; a load, battery or setting"
                   " may make a change without any of code")]  # fmt: skip


def _levels(run: Run) -> dict[str, tuple[float, float]]:
    """Median and width of the middle half of each reading."""
    made = {}
    for name, values in ({} if run.signals is None else run.signals.values).items():
        known = values[np.isfinite(values)]
        if len(known):
            low, middle, high = percentiles(known, [25, 50, 75])
            made[name] = float(middle), float(high - low)
    return made


def _differs(
    name: str, before: Sequence[tuple[float, float]], after: Sequence[tuple[float, float]]
) -> list[str]:
    """A reading and its levels on both sides, where these surely differ; else nothing."""
    old, new = ([middle for middle, _ in side] for side in (before, after))
    gap = max(min(new) - max(old), min(old) - max(new))
    widest = max(width for _, width in (*before, *after))
    within = max(max(side) - min(side) for side in (old, new))
    steady = _MOVES if min(len(old), len(new)) > 1 else _STEADY
    if gap <= max(_LEAST * max(map(abs, (*old, *new))), widest / steady, within / _STEADY):
        return []
    return [f"{name} {number(float(np.mean(old)))} before, {number(float(np.mean(new)))} after"]
