"""The timetable that many starts keep to, however often others are late, skipped or held up."""

from collections.abc import Iterator
from math import gcd

import numpy as np

from looptime.analysers.kept_grid import SPAN
from looptime.analysers.late_ticks import densest
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import median

__all__ = ["KeptPhase", "kept_phase"]

#: Loops from which on a timetable is told, and those looked at, from the middle of a longer run.
_FEWEST, _MOST = 96, 2048
#: How far the tick may be from the length that is most frequent; parts of it into which starts are
#: counted, and steps in one of resolution in which it is looked for.
_NEAR, _PARTS, _FINE = 0.02, 8, 4
#: From how many usual loops a loop on average there are none that say what is usual.
_LONGEST = 8
#: Least resultant of starts that keep a timetable in most loops: no walk of many loops has it.
_KEPT = 0.5
#: The same of starts that the clock's steps hardly part.
_NEARLY_ALL = 0.97
#: How scattered they are at most, as a share of what the same lengths are in any other order.
_SURELY, _LIKELY = 0.45, 0.6
#: Other orders looked at; lengths off the tick by more steps of the clock than it makes itself: the
#: fewest that point to a timetable, and that show it.
_ORDERS, _STEPS, _FEW, _ENOUGH = 16, 1.5, 4, 10
#: From which share on of what lengths vary by, turns of calls make it.
_TURNS = 0.25


_SAID = {
    "kept": "most starts keep a timetable of {:.4g} ms, and late ones come back to it",
    "likely": "starts keep a timetable of {:.4g} ms better than by chance: more loops would tell",
    "clock": (
        "starts keep within the steps of the clock to a timetable of {:.4g} ms, as those of any "
        "even loop may: more loops, or a finer clock, would tell"
    ),
}


@dataclass(frozen=True)
class KeptPhase:
    """A timetable near to the usual loop that starts keep to."""

    ms: float
    #: ``kept`` where the same lengths in another order would not keep it; ``likely`` where they
    #: hardly would; ``clock`` where its steps hide the difference.
    known: str

    @property
    def said(self) -> str:
        """What is seen, and what would tell more."""
        return _SAID[self.known].format(self.ms)


def kept_phase(period: Float, grain: float = 0.0) -> KeptPhase | None:
    """The timetable on which loops start as a rule; None where nothing points to one.

    A start that is late by itself, since something else had the processor, is followed by one in
    time: the next loop is as much shorter. What a loop without a timetable loses once is never
    made up for, so that its lengths would lie as well in any other order. So the starts are laid
    round a clock face of one tick, the one that brings them closest together, and the same is done
    with the lengths in other orders: those of a timetable lie closer than any of these.

    Lengths off the tick by no more than the clock's steps stay where they are, but for the most
    frequent one, for these steps make up for one another in any loop. Lengths that come back in
    turns are brought to one length first.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop's length, in the order of the loops.
    grain : float [ms]
        The clock's step where lengths are whole numbers of it, else 0.

    References
    ----------
    The resultant, the length of the mean of arrows that point to each start on the clock face, is
    Rayleigh's statistic: N. I. Fisher, Statistical Analysis of Circular Data (1993), section 4.3.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> late = np.where(rng.random(401) < 0.2, rng.uniform(0, 12, 401), 0.0)
    >>> start = 20.0 * np.arange(401) + late
    >>> found = kept_phase(np.diff(start))
    >>> round(found.ms, 2), found.known
    (20.0, 'kept')
    >>> kept_phase(20 + late) is None
    True
    """
    if len(period) < _FEWEST:
        return None
    first = max(0, (len(period) - _MOST) // 2)
    period = _without_turns(period[first : first + _MOST])
    usual = densest(period)
    if usual <= 0:
        return None
    tick, kept = _best(period, usual)
    off = np.abs(period - tick) > _STEPS * grain
    if off.sum() < _FEW:
        return KeptPhase(tick, "clock") if kept >= _NEARLY_ALL else None
    if kept < _KEPT:
        return None
    moved = np.flatnonzero(off | (np.abs(period - usual) < grain / 2))
    least = 1.0
    for order in _orders(len(moved)):
        other = period.copy()
        other[moved] = period[moved[order]]
        least = min(least, 1 - _best(other, usual)[1])
        if 1 - kept > _LIKELY * least:
            return None
    surely = off.sum() >= _ENOUGH and 1 - kept <= _SURELY * least
    return KeptPhase(tick, "kept" if surely else "likely")


def _without_turns(period: Float) -> Float:
    """Lengths without what comes back every so many loops, where that is a large part of them."""
    off = period - period.mean()
    alike = [float(off[every:] @ off[:-every]) for every in range(2, SPAN + 1)]
    if max(alike) < _TURNS * float(off @ off):
        return period
    every = int(np.argmax(alike)) + 2
    level = period.copy()
    for place in range(every):
        level[place::every] += median(period) - median(period[place::every])
    return level


def _orders(count: int) -> Iterator[Int]:
    """Ways to take every so-manieth of so many, round and round."""
    for k in range(1, _ORDERS + 1):
        step = 1 + int(count * k * 0.6180339887)
        while gcd(step, count) != 1:
            step += 1
        yield np.arange(count) * step % count


def _best(period: Float, usual: float) -> tuple[float, float]:
    """The tick near a length that brings the starts closest together, and their resultant."""
    start = np.append(0.0, np.cumsum(period))
    start -= start.min()  # a clock set back, or a turn brought to one length, may go back
    if start.max() > _LONGEST * len(period) * usual:  # gaps hold most of the time
        return usual, 0.0
    counted = np.bincount((start * (_PARTS / usual)).astype(np.int64))
    size = 1 << (_FINE * len(counted) - 1).bit_length()
    step = _PARTS / size
    low, high = (round(x / step) for x in (1 - _NEAR, 1 + _NEAR))
    at = low + int(np.abs(np.fft.rfft(counted, size)[low : high + 1]).argmax())
    often = (at + np.linspace(-0.5, 0.5, 9)) * step / usual
    resultant = np.abs(np.exp(2j * np.pi * np.outer(often, start)).mean(axis=1))
    k = int(resultant.argmax())
    return float(1 / often[k]), float(resultant[k])
