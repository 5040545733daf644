"""Wakes that fall on a grid coarser than the clock: a timer that cannot keep every period."""

import numpy as np

from looptime.analysers.late_ticks import FEWEST
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import median

__all__ = ["WakeGrid", "wake_grid"]

#: How far from the grid a start may be, as a share of its step, and in how many loops it is not.
_OFF, _MOSTLY = 0.08, 0.9
#: Parts into which the step from short to long loops is cut, to find the grid.
_PARTS = 3
#: Steps of the clock, as a share of the grid's, from which on the clock may make the grid itself.
_COARSE = 0.1
#: How far from a whole number of steps the period is that was asked for.
_BETWEEN = 0.05
#: Share of the loops that take each of two lengths, and that wait for longer than a step.
_EACH, _LONGER = 0.05, 0.3
#: Loops that last as long together as was asked for, but for so many steps.
_TOGETHER, _WITHIN = 32, 1.2


@dataclass(frozen=True)
class WakeGrid:
    """The grid on which loops begin, and the period that does not fit it."""

    step_ms: float
    asked_ms: float  #: The period that was asked for
    low_ms: float  #: Loops that are shorter than it
    high_ms: float  #: Loops that are longer


def wake_grid(
    period: Float, wait: Float | None, asked_ms: float, tick_ms: float, *, stated: bool = False
) -> WakeGrid | None:
    """The coarse grid on which a loop wakes that asks for a period between its steps.

    All begins lie on it while the clock tells finer, and loops are shorter or longer than asked
    by whole steps, though they have time left. A loop that takes as many ticks as its work needs
    waits for less than one.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    wait : float array, shape (n,), optional [ms]
        What each waited, where the log tells.
    asked_ms : float [ms]
        The period asked for.
    tick_ms : float [ms]
        Step of the clock.
    stated : bool
        Whether the log states it; else it is what the loops come to on average.

    Examples
    --------
    >>> begin = np.ceil(np.arange(401) * 2.5) * 4 + np.random.default_rng(1).uniform(0, 0.1, 401)
    >>> period = np.diff(begin)
    >>> found = wake_grid(period, period - 3, 10.0, 0.001)
    >>> round(found.step_ms, 2), round(found.low_ms), round(found.high_ms)
    (4.0, 8, 12)
    >>> wake_grid(period, period - 3, 12.0, 0.001) is None
    True
    """
    if len(period) < 2 * FEWEST or asked_ms <= 0:
        return None
    is_long = period > asked_ms
    if not _EACH <= is_long.mean() <= 1 - _EACH:
        return None
    low, high = median(period[~is_long]), median(period[is_long])
    for parts in range(1, _PARTS + 1):
        step = _fitted(period, (high - low) / parts, tick_ms)
        if step is not None:
            break
    else:
        return None
    steps = asked_ms / step
    if abs(steps - round(steps)) < _BETWEEN or not _free_to(period, wait, asked_ms, step, stated):
        return None
    return WakeGrid(step, asked_ms, low, high)


def _fitted(period: Float, step: float, tick_ms: float) -> float | None:
    """The step of the grid near to one that nearly all begins keep, of a clock that tells finer."""
    if step <= 0 or tick_ms > _COARSE * step:
        return None
    count: Int = np.rint(period / step).astype(np.int64)
    near: Bool = np.abs(period - count * step) <= 2 * _OFF * step
    if near.mean() < _MOSTLY or count[near].min() < 1:
        return None
    step = float(period[near].sum() / count[near].sum())
    off = np.cumsum((period - np.rint(period / step) * step)[near])
    off -= median(off)
    wide = np.abs(off)
    if (wide <= _OFF * step).mean() < _MOSTLY or median(wide) <= tick_ms:
        return None
    return step


def _free_to(
    period: Float, wait: Float | None, asked_ms: float, step: float, stated: bool
) -> bool:  # fmt: skip
    """Whether the loops would have had time for other steps, and come to what was asked for."""
    if not (stated if wait is None else float((wait > step).mean()) >= _LONGER):
        return False
    end = np.append(0.0, np.cumsum(period))
    off = np.abs(end[_TOGETHER:] - end[:-_TOGETHER] - _TOGETHER * asked_ms)
    return float((off <= _WITHIN * step).mean()) >= _MOSTLY
