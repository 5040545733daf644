"""The tick that a paced loop waits for, where many of its loops are late or take several."""

import numpy as np

from looptime.analysers.beat_wait import spread
from looptime.array_types import Float
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["FEWEST", "at_tick", "filled_tick", "whole_tick"]

#: Loops from which on anything is told of how a loop is paced.
FEWEST = 20
#: How far from a whole multiple of the tick a period may be, and in how many loops it must not.
_OFF_TICK, _MOSTLY = 0.03, 0.9
#: How far from the tick a loop that waited for it ends, and the share of all that are there.
_NEAR, _MANY = 0.01, 0.15
#: Share of the loops with time left that end at the tick; what is left of it in them.
_FILLED, _LEFT = 0.4, 0.03
#: How much more calls vary than the periods at the tick, and as a share of it.
_VARIES, _VARIED = 3.0, 0.01


def whole_tick(period: Float, wait: Float) -> float | None:
    """The period that all others are whole multiples of, where late loops wait for a later tick."""
    near = period[period <= 1.5 * percentiles(period, [2])[0]]
    least = median(near) if len(near) else 0.0
    if least <= 0:
        return None
    multiple = period / least
    whole = np.abs(multiple - np.rint(multiple)) <= _OFF_TICK
    on = whole & (np.rint(multiple) == 1)
    if whole.mean() < _MOSTLY or min(on.sum(), (whole & (multiple > 1.5)).sum()) < FEWEST:
        return None
    return least if spread(period[on]) < 0.5 * spread((period - wait)[on]) else None


def at_tick(period: Float, tick: float) -> Float:
    """The periods that end at the tick."""
    return period[np.abs(period - tick) <= _NEAR * tick]


def filled_tick(period: Float, rest: Float) -> float | None:
    """The period up to which what no call covers fills the loops, though most may be late.

    It is where most periods lie close together. Loops whose calls leave time end there, however
    long those took; in loops whose calls take longer, hardly anything is left uncovered.

    Examples
    --------
    >>> work = np.random.default_rng(1).uniform(6, 16, 400)
    >>> rest = np.maximum(10 - work, 0) + 0.01
    >>> round(filled_tick(work + rest, rest), 2), filled_tick(work + 3, 3 + 0 * work)
    (10.01, None)
    """
    tick = _densest(period)
    on = np.abs(period - tick) <= _NEAR * tick
    calls = period - rest
    left = calls < (1 - _LEFT) * tick
    if tick <= 0 or on.mean() < _MANY or left.sum() < FEWEST or on[left].mean() < _FILLED:
        return None
    late = calls > tick
    if late.sum() >= FEWEST and median(rest[late]) > _LEFT * tick:
        return None
    varied = spread(calls[on & left])
    even = spread(period[on & left])
    return median(period[on & left]) if varied > max(_VARIES * even, _VARIED * tick) else None


def _densest(period: Float) -> float:
    """The middle of the stretch as wide as periods at one tick scatter that holds most of them."""
    x = np.sort(period[period > 0])
    if not len(x):
        return 0.0
    inside = np.searchsorted(x, x * (1 + _NEAR), side="right") - np.arange(len(x))
    k = int(np.argmax(inside))
    return median(x[k : k + int(inside[k])])
