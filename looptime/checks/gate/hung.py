"""Measured values that stand still while what they are to follow moves."""

import re
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run, Signals
from looptime.signal_names import TARGET_WORDS

__all__ = ["Hung", "hung", "like", "paired"]

_TOKENS = re.compile(r"[a-z]+|[0-9]+")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
#: Words of a measured value that its target does not share.
_MEASURED = frozenset((
    "act", "actual", "current", "feedback", "fb", "ist", "is", "meas", "measured", "now", "pos",
    "position", "real", "value",
))  # fmt: skip
#: Shortest stretch that tells, in time and rows, and what of its end is too late for a target [s].
_LEAST_S, _LEAST_ROWS, _TOO_LATE_S = 1.0, 20, 0.3
#: A target moves by this share of all that it does, and by so many of the value's own steps.
_MOVES, _STEPS = 0.1, 3.0
#: Correlation from which on a value follows its target.
_FOLLOWS = 0.5


@dataclass(frozen=True)
class Hung:
    """A measured value that stood still while its target moved."""

    name: str
    value: float  #: At which it stood [unit]
    seconds: float
    target: str
    others: tuple[str, ...]  #: Values that followed their targets meanwhile
    #: Whether others did, or it did itself at other times: the robot was not just switched off.
    sure: bool


def paired(names: Sequence[str]) -> dict[str, str]:
    """The target of each value, told by the words that their names share; none where two may be it.

    Examples
    --------
    >>> paired(["want_fl[deg]", "is_fl[deg]", "want_fr[deg]", "is_fr[deg]", "lift_mm"])
    {'is_fl[deg]': 'want_fl[deg]', 'is_fr[deg]': 'want_fr[deg]'}
    >>> paired(["steer1Cmd", "steer1Angle", "steer2Cmd", "steer2Angle", "angle_of_mast"])
    {'steer1Angle': 'steer1Cmd', 'steer2Angle': 'steer2Cmd'}
    """
    words = {name: frozenset(_tokens(name)) for name in names}
    targets = {name: mine - TARGET_WORDS - _MEASURED for name, mine in words.items()
               if mine & TARGET_WORDS}  # fmt: skip
    claims: dict[str, list[str]] = {}
    for name in names:
        if name not in targets:
            mine = words[name] - _MEASURED
            found = [
                t for t, its in targets.items() if its and (its <= mine or (mine and mine <= its))
            ]
            if len(found) == 1:
                claims.setdefault(found[0], []).append(name)
    sole = {t: c if len(c) == 1 else [n for n in c if words[n] - _MEASURED == targets[t]]
            for t, c in claims.items()}  # fmt: skip
    return {claim[0]: target for target, claim in sole.items() if len(claim) == 1}


def _tokens(name: str) -> list[str]:
    """The words of a name, its numbers and its unit."""
    return _TOKENS.findall(_CAMEL.sub(" ", name).lower())


def like(name: str, names: Sequence[str]) -> list[str]:
    """Those of several names that differ from one in a single word, as of the other wheels.

    Examples
    --------
    >>> like("is_rl", ["is_fl", "is_fr", "is_rl", "heading", "want_rl"])
    ['is_fl', 'is_fr']
    """
    mine = _tokens(name)
    return [
        other for other in names
        if len(theirs := _tokens(other)) == len(mine) > 1
        and sum(a != b for a, b in zip(mine, theirs, strict=True)) == 1
        and not (set(mine) ^ set(theirs)) & TARGET_WORDS
    ]  # fmt: skip


def hung(runs: Sequence[Run]) -> list[Hung]:
    """Values that stood still while their targets moved, those first that are surely hung.

    Parameters
    ----------
    runs : sequence of Run
        With signals; a target is known by the names.
    """
    found = [one for run in runs if run.signals is not None
             for one in _of(run.signals)]  # fmt: skip
    found.sort(key=lambda one: (not one.sure, -one.seconds))
    return list({one.name: one for one in reversed(found)}.values())[::-1]


def _of(signals: Signals) -> list[Hung]:
    values = signals.values
    pairs, found = paired(list(values)), []
    time_ns = signals.time_ns if pairs else np.zeros(0, np.int64)
    for name, target in pairs.items():
        held = _longest_hold(values[name], time_ns)
        if held is None or not _moved(values[name], values[target], time_ns, held):
            continue
        others = [other for other, its in pairs.items() if other != name]
        moved = [o for o in others if _follows(values[o][held], values[pairs[o]][held])]
        rest: Bool = np.ones(len(time_ns), bool)
        rest[held] = False
        itself = not others and _follows(values[name][rest], values[target][rest])
        found.append(
            Hung(name, float(values[name][held.start]), _seconds(time_ns, held), target,
                 tuple(moved), bool(moved) or itself)
        )  # fmt: skip
    return found


def _longest_hold(value: Float, time_ns: Int) -> slice | None:
    """Rows of the longest stretch in which a value stays the same, if that is long."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(value) != 0) + 1, [len(value)]])
    holds = [slice(a, b) for a, b in pairwise(edges.tolist()) if b - a >= _LEAST_ROWS]
    longest = max(holds, key=lambda held: _seconds(time_ns, held), default=None)
    if longest is None or _seconds(time_ns, longest) < _LEAST_S:
        return None
    return longest if np.isfinite(value[longest.start]) else None


def _seconds(time_ns: Int, held: slice) -> float:
    return float(time_ns[held.stop - 1] - time_ns[held.start]) / 1e9


def _moved(value: Float, target: Float, time_ns: Int, held: slice) -> bool:
    """Whether a target moved, early enough for its value to go with it."""
    there = target[held][time_ns[held] <= time_ns[held.stop - 1] - _TOO_LATE_S * 1e9]
    there, known = there[np.isfinite(there)], target[np.isfinite(target)]
    if len(there) < 2:
        return False
    steps = np.abs(np.diff(value[np.isfinite(value)]))
    step = float(steps[steps > 0].min()) if steps.any() else 0.0
    way = float(np.ptp(there))
    return way > max(_MOVES * float(np.ptp(known)), _STEPS * step)


def _follows(value: Float, target: Float) -> bool:
    known = np.isfinite(value) & np.isfinite(target)
    value, target = value[known], target[known]
    if len(value) < _LEAST_ROWS or not np.ptp(value) or not np.ptp(target):
        return False
    return float(np.corrcoef(value, target)[0, 1]) >= _FOLLOWS
