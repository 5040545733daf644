"""Whether the loop runs evenly."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.stats.quantiles import percentiles

__all__ = ["Evenness", "evenness"]

_FEWEST = 50
#: Nine tenths of the periods lie within this share of the usual one.
_SPREAD = 0.25
#: No period is longer than so many usual ones.
_GAP = 5.0
#: Neighbours correlate no worse than this where periods differ: long and short do not take turns.
_ALTERNATES = -0.5
_ALIKE = 0.02


@dataclass(frozen=True)
class Evenness:
    """Whether periods are alike, and if not, why."""

    even: bool | None  #: None where that cannot be told
    why: str = ""  #: What speaks against it, or why it cannot be told; empty where they are even


def evenness(period_ms: Float, tick_ms: float = 0.0) -> Evenness:
    """Test whether periods are alike: spread against tick, no gap, no alternation.

    Parameters
    ----------
    period_ms : float array, shape (n,) [ms]
        Start to start, in loop order.
    tick_ms : float [ms]
        Step of the clock.

    Examples
    --------
    >>> evenness(np.random.default_rng(1).normal(20, 0.5, 500)).even
    True
    >>> evenness(np.tile([15.0, 25.0], 200)).why
    'nine of ten periods spread over 50 % of the usual one'
    """
    if len(period_ms) < _FEWEST:
        return Evenness(None, f"{len(period_ms)} loops are too few to say whether it is even")
    low, middle, high = percentiles(period_ms, [5, 50, 95])
    if middle <= 0 or tick_ms > _SPREAD * middle:
        return Evenness(None, "the clock is too coarse to say whether it is even")
    spread = max(high - low - tick_ms, 0.0) / middle
    if spread > _SPREAD:
        share = f"{100 * spread:.0f} %"
        return Evenness(False, f"nine of ten periods spread over {share} of the usual one")
    if period_ms.max() > _GAP * middle:
        return Evenness(False, f"one period took {period_ms.max() / middle:.3g} usual ones")
    centred = np.clip(period_ms, low, high) - float(np.clip(period_ms, low, high).mean())
    power = float((centred**2).sum())
    if spread > _ALIKE and power > 0:
        lag = float((centred[1:] * centred[:-1]).sum()) / power
        if lag < _ALTERNATES:
            return Evenness(False, "long and short periods take turns")
    return Evenness(True)
