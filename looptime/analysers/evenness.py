"""Whether the loop runs evenly."""

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.stats.dither import FINER, hides
from looptime.stats.quantiles import percentiles

__all__ = ["ENOUGH", "Evenness", "Turns", "clock_hides", "evenness", "turns"]

#: Loops that tell whether they are even.
ENOUGH = 50
#: Share of a loop from which on a step of the clock is about as long.
_AS_LONG = 0.7
#: Nine tenths of the periods lie within this share of the usual one.
_SPREAD = 0.25
#: No period is longer than so many usual ones.
_GAP = 5.0
#: Neighbours correlate no worse than this where periods differ: long and short do not take turns.
_ALTERNATES = -0.5
_ALIKE = 0.02
#: What is said where no two loops differ.
_ONE_LENGTH = (
    "all have the same length to the last digit, as no clock shows that is finer than they differ: "
    "can't tell whether they are even"
)
#: Turns of so many loops are looked for; periods so many loops apart are alike, nearer ones not.
_LONGEST_TURN, _SAME, _OTHER = 8, 0.7, 0.4
#: Long and short periods differ by this share of the usual one, and by so many ticks.
_DIFFER, _TICKS = 0.2, 4.0


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
    if len(period_ms) < ENOUGH:
        few = "1 loop is" if len(period_ms) == 1 else f"{len(period_ms)} loops are"
        return Evenness(None, f"{few} too few to say whether it is even: {ENOUGH} would do")
    low, middle, high = percentiles(period_ms, [5, 50, 95])
    if (period_ms == middle).all():
        return Evenness(None, f"{_ONE_LENGTH}; {FINER}")
    if hides(low, middle, high, tick_ms):
        return Evenness(None, f"the clock is too coarse to say whether it is even; {FINER}")
    spread = max(high - low - tick_ms, 0.0) / middle
    if spread > _SPREAD:
        share = f"{100 * spread:.0f} %"
        return Evenness(False, f"nine of ten periods spread over {share} of the usual one")
    if period_ms.max() > _GAP * middle:
        return Evenness(False, f"one period took {period_ms.max() / middle:.3g} usual ones")
    if spread > _ALIKE and _alike(period_ms, low, high, 1)[0] < _ALTERNATES:
        return Evenness(False, "long and short periods take turns")
    return Evenness(True)


def clock_hides(period_ms: Float, tick_ms: float) -> bool:
    """Whether a step of the clock is about as long as a loop: lengths are those of its own grid.

    Examples
    --------
    >>> clock_hides(np.tile([15.6, 0.0, 15.6, 15.6], 99), 15.6), clock_hides(np.full(99, 15.0), 5.0)
    (True, False)
    """
    return len(period_ms) > 0 and tick_ms > _AS_LONG * float(period_ms.mean())


def _alike(period_ms: Float, low: float, high: float, longest: int) -> list[float]:
    """Autocorrelation of periods cut off at two bounds, 1 to `longest` loops apart."""
    off = np.clip(period_ms, low, high)
    off = off - float(off.mean())
    power = float((off**2).sum())
    return [float((off[k:] * off[:-k]).sum()) / power for k in range(1, longest + 1)]


@dataclass(frozen=True)
class Turns:
    """Long and short loops that follow one another in a fixed order."""

    every: int  #: Loops after which the order begins again
    long: int  #: Long ones among them
    low_ms: float  #: Median of the short loops
    high_ms: float  #: Median of the long loops


def turns(period_ms: Float, tick_ms: float = 0.0) -> Turns | None:
    """Find long and short loops in turns: the autocorrelation returns after a few loops.

    Parameters
    ----------
    period_ms : float array, shape (n,) [ms]
        Start to start, in loop order.
    tick_ms : float [ms]
        Step of the clock.

    Returns
    -------
    Turns or None

    Examples
    --------
    >>> turns(np.tile([15.0, 25.0, 15.1], 200))
    Turns(every=3, long=1, low_ms=15.05, high_ms=25.0)
    >>> turns(np.random.default_rng(1).normal(20, 5, 600)) is None
    True
    """
    if len(period_ms) < ENOUGH:
        return None
    low, middle, high = percentiles(period_ms, [5, 50, 95])
    if high - low < max(_DIFFER * middle, _TICKS * tick_ms):
        return None
    alike = _alike(period_ms, low, high, _LONGEST_TURN)
    every = next((k for k, r in enumerate(alike, 1) if r >= _SAME), 0)
    if every < 2 or max(alike[: every - 1]) > _OTHER:
        return None
    is_long = period_ms > (low + high) / 2
    levels = [median(period_ms[one]) for one in (~is_long, is_long)]
    return Turns(every, max(round(every * float(is_long.mean())), 1), *levels)
