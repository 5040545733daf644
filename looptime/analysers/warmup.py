"""Where a run's warm-up ends; its loops are kept out of the figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.analysers.basis import Basis
from looptime.errors import NotEnoughError
from looptime.stats.settling import warm_up

__all__ = ["WarmUpCut", "warmup"]

Float = NDArray[np.float64]

#: Share of the run below which a start that differs is a warm-up, whatever its shape.
_SHORT = 0.15


@dataclass(frozen=True)
class WarmUpCut:
    """The loops at the start that do not stand for the rest.

    Parameters
    ----------
    loops : int
        How many; 0 where no warm-up shows.
    seconds : float [s]
        How long they took.
    excess : float or None
        How far the first loops lie above the second half of the run, as a share of it.
    excess_ms : float or None [ms]
        The same in time.
    kept : bool
        Whether they stay in the figures all the same.
    note : str
        Why nothing can be said, where that is so.
    """

    loops: int = 0
    seconds: float = 0.0
    excess: float | None = None
    excess_ms: float | None = None
    kept: bool = False
    note: str = ""


def warmup(basis: Basis, *, keep: bool = False) -> WarmUpCut:
    """Find the end of the warm-up in the quantity judged.

    A level that holds and then changes is a step, not a warm-up: it is left to the change points.
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
    MSER, guarded; see `looptime.stats.settling`.
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
    x, start_s = basis.judged_ms[:end], at.start_ns[:end] / 1e9
    try:
        found = warm_up(x, start_s - start_s[0] if len(start_s) else start_s)
    except NotEnoughError as error:
        return WarmUpCut(kept=keep, note=str(error))
    if not found.loops or _is_step(x, found.loops):
        return WarmUpCut(kept=keep)
    head = x[: min(found.loops, len(x) // 2)]
    rest = x[found.loops :]
    gap = float(head.mean() - rest.mean())
    return WarmUpCut(
        found.loops, found.seconds, gap / float(rest.mean()) if rest.mean() else None, gap, keep
    )


def _is_step(x: Float, cut: int) -> bool:
    """Whether the loops before the cut keep one level that differs from the level after it.

    A warm-up settles: the second half of the cut lies nearer to what follows than the first. A
    start that is faster than the rest is a warm-up only if it is short; a short stretch is too
    uncertain to be told apart.
    """
    first, second = x[: cut // 2], x[cut // 2 : cut]
    level = float(np.median(x[cut:]))
    gap, later = float(np.median(first)) - level, float(np.median(second)) - level
    if cut < _SHORT * len(x):
        return False
    return gap < 0 or (gap > 0 and later / gap > 0.75)
