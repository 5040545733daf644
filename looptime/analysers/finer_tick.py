"""The single tick of a loop that misses as many of them each time.

A loop that skips late ticks and always needs between one tick and two ends every second one: its
periods are as even as those of a loop paced at half the rate. A few loops of an odd number of
ticks tell the two apart, and so does what the head of the log states; waits longer than the finer
tick rule it out. Else both look the same.
"""

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.stats.quantiles import percentiles

__all__ = ["FinerTick", "finer_tick"]

#: Ticks that every loop may take: with more, nothing near the work would be told.
_MOST_TICKS = 10
#: How far from a whole number of ticks a loop may end, as a share of the finer tick; and in how
#: many times what nearly all usual loops are off theirs, or the least.
_OFF, _AS_USUAL, _NEARLY_ALL, _LEAST = 0.1, 2.0, 95.0, 0.02
#: Loops of an odd number of ticks that show it, and their share of those that are off the usual.
_FEW, _MOSTLY = 3, 0.8
#: How much longer than a tick a wait for it may be, and in which share of the loops it is so
#: anyhow; of the loops that took a tick more.
_LONGER, _ANYHOW, _OF_LATE = 1.1, 0.02, 1 / 3
#: Usual period over the stated tick, off a whole number.
_SAME = 0.02


@dataclass(frozen=True)
class FinerTick:
    """A tick of which each loop takes several."""

    ms: float
    ticks: int  #: That the usual loop takes
    #: ``stated`` in the head of the log, ``shown`` by loops of an odd number of ticks, or
    #: ``possible``: it would look the same.
    known: str

    @property
    def said(self) -> str:
        """Why it is believed."""
        if self.known == "stated":
            return f"the head of the log states {self.ms:.4g} ms"
        return f"some loops take an odd number of ticks of {self.ms:.4g} ms"


def finer_tick(
    period: Float, wait: Float | None, usual: float, stated: float | None = None
) -> FinerTick | None:
    """A tick finer than the usual period at which a loop may be paced that skips what it misses.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    wait : float array, shape (n,), optional [ms]
        What each loop waited for its tick, where the log tells it.
    usual : float [ms]
        The period that most loops keep.
    stated : float, optional [ms]
        The period that the head of the log states.

    Examples
    --------
    >>> period, wait = np.full(200, 40.0), np.full(200, 18.0)
    >>> finer_tick(period, wait, 40.0), finer_tick(period, wait, 40.0, stated=20.0).known
    (FinerTick(ms=20.0, ticks=2, known='possible'), 'stated')
    >>> finer_tick(period, np.full(200, 25.0), 40.0, stated=20.0) is None
    True
    >>> period[[20, 70, 99]] = 20, 60, 60
    >>> finer_tick(period, wait, 40.0).known
    'shown'
    """
    if stated is not None and 0 < stated < usual:
        ticks = round(usual / stated)
        fits = ticks <= _MOST_TICKS and abs(usual / stated / ticks - 1) <= _SAME
        if ticks > 1 and fits and (wait is None or _within(period, wait, usual, usual / ticks)):
            return FinerTick(usual / ticks, ticks, "stated")
    if stated is not None and abs(stated / usual - 1) <= _SAME:
        return None  # it is as stated
    for ticks in (2, 3):
        if _shown(period, usual, usual / ticks):
            return FinerTick(usual / ticks, ticks, "shown")
    if wait is None or not _within(period, wait, usual, usual / 2):
        return None
    return FinerTick(usual / 2, 2, "possible")


def _within(period: Float, wait: Float, usual: float, tick: float) -> bool:
    """Whether no wait is longer than a tick, but for a few and for rounding."""
    longer = wait > _LONGER * tick
    late = period > 1.25 * usual
    return bool(longer.mean() <= _ANYHOW and longer[late].sum() <= _OF_LATE * late.sum())


def _shown(period: Float, usual: float, tick: float) -> bool:
    """Whether loops that take no whole number of usual periods take whole ticks.

    One start that is late or early alone changes two periods, which together are whole. They end as
    close to their ticks as the usual ones: stalls that are all of one length need not.
    """
    near = _OFF * tick
    off = _from_whole(period, usual)
    other = off > near
    pair = _from_whole(period[1:] + period[:-1], usual) <= near
    moved = np.zeros(len(period), bool)
    moved[1:] |= pair & other[1:] & other[:-1]
    moved[:-1] |= pair & other[1:] & other[:-1]
    odd = period[other & ~moved]
    usually = percentiles(off[~other], [_NEARLY_ALL])[0] if not other.all() else near
    near = min(near, max(_AS_USUAL * usually, _LEAST * tick))
    on = (_from_whole(odd, tick) <= near) & (odd > 0.5 * tick)
    return bool(on.sum() >= _FEW and on.mean() >= _MOSTLY)


def _from_whole(lengths: Float, tick: float) -> Float:
    """How far lengths are from whole ticks."""
    off: Float = np.abs(lengths - np.rint(lengths / tick) * tick)
    return off
