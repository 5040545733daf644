"""Between which factors of all gains a loop settles: lower ones need not, too.

A mechanism that an integral swings up is held by the other gains, and no longer where those are
low: it settles within a window of gains, not below an edge.
"""

import math
from collections.abc import Callable

from looptime.records import dataclass

__all__ = ["GainWindow", "bisected", "gain_window"]

#: Lowest factor looked at, and from one to the next.
LOWEST, STEP = 1e-3, 1 / 1.2
#: Nearer to its edges than this nothing is asked of a window.
_INSIDE = 0.02


@dataclass(frozen=True)
class GainWindow:
    """Factors of all gains between which a disturbance dies out, at the present ones or below."""

    low: float | None  #: None where all lower gains that were looked at settle, to a thousandth
    high: float | None  #: None where it is above the present ones

    @property
    def inside(self) -> tuple[float, ...]:
        """Factors near its ends and in its middle."""
        low, high = self.low or LOWEST, self.high or 1.0
        return low * (1 + _INSIDE), math.sqrt(low * high), high * (1 - _INSIDE)


def gain_window(settles: Callable[[float], bool]) -> GainWindow | None:
    """The window of gains that the present ones are in, or the next one below.

    Parameters
    ----------
    settles : function
        Whether a disturbance dies out with all gains so many times what they are.

    Returns
    -------
    GainWindow or None
        None where no such factor up to 1 is found.

    Examples
    --------
    >>> found = gain_window(lambda factor: 0.2 < factor < 0.7)
    >>> round(found.low, 6), round(found.high, 6)
    (0.2, 0.7)
    >>> gain_window(lambda factor: factor < 3), gain_window(lambda factor: factor > 3)
    (GainWindow(low=None, high=None), None)
    """
    factor, high = 1.0, None
    while not settles(factor):
        factor *= STEP
        if factor < LOWEST:
            return None
    if factor < 1:
        high = bisected(settles, factor, factor / STEP)
    while settles(factor * STEP):
        factor *= STEP
        if factor < LOWEST:
            return GainWindow(None, high)
    return GainWindow(bisected(settles, factor, factor * STEP), high)


def bisected(holds: Callable[[float], bool], inside: float, outside: float) -> float:
    """Where a condition that holds at one end ceases to."""
    while abs(outside - inside) > 1e-12 * abs(inside):
        middle = 0.5 * (inside + outside)
        inside, outside = (middle, outside) if holds(middle) else (inside, middle)
    return inside
