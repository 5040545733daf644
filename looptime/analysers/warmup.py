"""Where a run's warm-up ends; its loops are kept out of the figures."""

from collections.abc import Callable
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.contrast import Part, contrast
from looptime.array_types import Float
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.settling import WarmUp, warm_up

__all__ = ["WarmUpCut", "warmup"]

#: Calls named.
_PARTS = 5


#: Loops in a third of a start, and the share of its excess at first that is left in its last third
#: where it does not cool down.
_THIRD, _HOLDS = 10, 0.7


@dataclass(frozen=True)
class WarmUpCut:
    """The loops at the start that do not stand for the rest."""

    loops: int = 0  #: How many; 0 where no warm-up shows
    seconds: float = 0.0  #: How long they took [s]
    #: How far the mean of these loops lies above that of the rest, as a share of it. Below 0 for a
    #: start that is faster.
    excess: float | None = None
    excess_ms: float | None = None  #: The same in time
    parts: tuple[Part, ...] = ()  #: What each call adds to `excess_ms`; the largest first
    #: Loops of a start that is faster than the rest. They are those of `loops`, and stay in the
    #: figures where that is 0: one of them is the longest, or later ones are as short again.
    faster_loops: int = 0
    faster_s: float = 0.0  #: How long they took
    kept: bool = False  #: Whether they stay in the figures all the same
    note: str = ""  #: Why nothing can be said, where that is so
    #: Whether they are as slow at their end as at their begin: they may be other work.
    holds: bool = False
    #: Loops whose calls alone are slower, where a wait that is not logged keeps the period even.
    #: They stay in the figures: `loops` is 0, as what makes some of them late is no warm-up.
    calls_loops: int = 0
    calls_s: float = 0.0  #: How long they took [s]

    @property
    def first(self) -> int:
        """Loops at the start that are unlike the rest, whether they are left out or not."""
        return self.loops or self.faster_loops or self.calls_loops

    @property
    def what(self) -> str:
        """What the loops at the start are, in words."""
        if self.faster_loops:
            return "a faster start"
        return "warm-up or other work" if self.holds else "warm-up"


def warmup(basis: Basis, *, keep: bool = False) -> WarmUpCut:
    """Find the end of the warm-up in the quantity judged.

    Where a wait that is not logged keeps the period even, it is looked for in the calls, too.
    A level that holds and then changes is a step, not a warm-up: it is left to the change points.
    A start that is faster, as before a device answers, is left out where it ends for good: it would
    flatter the figures.
    In a log with phases only the first stretch of the first phase is looked at: what changes
    with the phase is no warm-up. Loops before the first word of a phase belong to that stretch.

    Parameters
    ----------
    basis : Basis
        Of the whole run.
    keep : bool
        Whether the caller keeps these loops in the figures.

    References
    ----------
    See `looptime.stats.settling`.
    """
    at = basis.run.loop_columns
    end = len(at)
    if at.phase is not None and len(at):
        named = at.phase >= 0
        if "" in at.phase_names:  # loops before the program first said its phase
            named &= at.phase != at.phase_names.index("")
        first = at.phase[int(named.argmax())]
        other = np.flatnonzero(named & (at.phase != first))
        end = int(other[0]) if len(other) else end
    start_s = at.start_ns[:end] / 1e9
    start_s -= start_s[:1]
    try:
        found = warm_up(basis.judged_ms[:end], start_s)
        hidden = _in_calls(basis, start_s, found)
    except NotEnoughError as error:
        return WarmUpCut(kept=keep, note=str(error))
    if hidden is not None:
        basis, found = hidden
    x, first = basis.judged_ms[:end], found.loops or found.faster_loops
    if not first:
        return WarmUpCut(kept=keep)
    gap, level = (float(v) for v in _gap(x, first, np.mean))
    slower = found.loops > found.faster_loops
    if slower and gap <= 0:  # in most loops, and by chance without the stalls of the rest
        gap, level = (float(v) for v in _gap(x, first, np.median))
    index = np.arange(len(at))
    loops, seconds = (0, 0.0) if hidden else (found.loops, found.seconds)
    return WarmUpCut(
        loops,
        seconds,
        gap / level if level else None,
        gap,
        contrast(basis, index < first, (index >= first) & (index < end), _PARTS),
        found.faster_loops,
        found.faster_s,
        keep,
        holds=slower and _holds(x[:first] - level),
        calls_loops=found.loops - loops,
        calls_s=found.seconds - seconds,
    )


def _in_calls(basis: Basis, start_s: Float, found: WarmUp) -> tuple[Basis, WarmUp] | None:
    """The calls and their warm-up, where the even pace shows none."""
    calls = basis.in_calls if basis.pacing.fixed_rate and found.loops == 0 else None
    if calls is None or found.faster_loops:
        return None
    hidden = warm_up(calls.judged_ms[: len(start_s)], start_s)
    return (calls, hidden) if hidden.loops and not hidden.faster_loops else None


def _holds(excess: Float) -> bool:
    """Whether a start is as slow in its last third as in its first, and ends at once."""
    third = len(excess) // 3
    if third < _THIRD:
        return False
    first, last = float(np.mean(excess[:third])), float(np.mean(excess[-third:]))
    return last >= _HOLDS * first > 0


def _gap(x: Float, first: int, middle: Callable[[Float], np.floating]) -> tuple[Any, Any]:
    """How far the first values lie above the rest, and the level of the rest."""
    level = middle(x[first:])
    return middle(x[:first]) - level, level
