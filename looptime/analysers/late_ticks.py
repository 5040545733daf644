"""The tick for which many loops come too late, from how long each loop waited for it."""

from typing import Any

import numpy as np

from looptime.array_types import Bool, Float
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.stats.quantiles import interdecile, percentiles

__all__ = [
    "FEWEST",
    "NEAR",
    "VARIES",
    "KeptTick",
    "densest",
    "kept_starts",
    "late_ticks",
    "tick_of_few",
    "waits_in",
]

#: Loops from which on anything is told of how a loop is paced.
FEWEST = 20
#: How far from the tick a loop that waited for it ends, as a share of it.
NEAR = 0.01
#: The same where ticks are counted from one wait to the next, and in how many waits it holds.
_OFF, _MOSTLY = 0.03, 0.9
#: Loops that wait for nothing, and the share of all that is: with fewer, most keep their tick.
_FEW, _SHARE = 5, 0.1
#: A wait is one from this many of the shortest on, and from this share of the usual loop on.
_SHORTEST, _LEAST = 1.5, 0.01
#: Ticks across which waits are set against each other.
_FAR = 64
#: How late loops start that keep their tick, as a share of it or in steps of the clock; so many
#: times as many do as start anywhere else within as long, and their share of the loops. Loops and
#: rates looked at.
_IN_TIME, _STEPS, _MORE, _SOME, _MOST_LOOPS, _RATES = 0.02, 2.0, 3.0, 0.02, 50_000, 8
#: Starts are left out all at once as long as no more than this share of them is left.
_FEWER = 0.9
#: By how much waits vary more than their ends do about the tick.
VARIES = 3.0


@dataclass(frozen=True)
class KeptTick:
    """A tick up to which loops wait that have time left, while late ones begin at once."""

    ms: float
    #: What a late loop does to the next: ``go-on`` counts a tick from its end, ``at-once`` begins
    #: at once and waits for the next tick, ``catch-up`` makes one loop of each tick.
    late: str
    by_starts: bool = False  #: Whether starts tell it, however long the usual loop is


def late_ticks(period: Float, wait: Float) -> KeptTick | None:
    """The tick to which a loop is paced that is late in many of its loops, from its waits [ms].

    Loops that begin at a tick tell it: those with less work than one tick wait for the next, those
    with more do not wait at all. Nothing else does so: a fixed sleep follows any work, and a wait
    for something that another thread does comes however long the loop has worked.

    Parameters
    ----------
    period, wait : float arrays, shape (n,) [ms]
        Each loop's length, and what of it was spent waiting, in the order of the loops.

    Examples
    --------
    >>> work = np.random.default_rng(1).uniform(6, 16, 400)
    >>> wait = np.maximum(10 - work, 0)
    >>> late_ticks(work + wait, wait)
    KeptTick(ms=10.0, late='go-on', by_starts=False)
    >>> late_ticks(work + 3, np.full(400, 3.0)) is None
    True
    """
    if len(period) < FEWEST:
        return None
    waited = waits_in(period, wait)
    none = int((~waited).sum())
    if waited.sum() < FEWEST or none < max(_FEW, _SHARE * len(period)):
        return None
    on_tick = np.append(False, waited[:-1])
    tick = densest(period[waited & on_tick])
    if not _told_by_work(period - wait, waited, on_tick, tick):
        return None
    return _kept(period, wait, waited, tick)


def waits_in(period: Float, wait: Float) -> Bool:
    """The loops that wait, and not for as short a while as the late ones."""
    waits: Bool = wait > max(_LEAST * median(period), _SHORTEST * percentiles(wait, [5])[0])
    return waits


def tick_of_few(period: Float, wait: Float) -> KeptTick | None:
    """The tick that the few loops which wait keep, where their periods are evener than their work.

    Examples
    --------
    >>> work = np.where(np.arange(900) % 10, 23.0, 13.0 + np.arange(900) / 300)
    >>> wait = np.maximum(20 - work, 0)
    >>> tick_of_few(work + wait, wait)
    KeptTick(ms=20.0, late='go-on', by_starts=False)
    >>> tick_of_few(work + 5 * (wait > 0), 5.0 * (wait > 0)) is None
    True
    """
    waited = wait > _LEAST * median(period)
    if waited.sum() < FEWEST:
        return None
    periods, work = (interdecile(x[waited]) for x in (period, period - wait))
    if periods > 0.5 * work:
        return None
    return KeptTick(float(median(period[waited])), "go-on")


def _told_by_work(work: Float, waited: Bool, on_tick: Bool, tick: float) -> bool:
    """Whether loops that begin at a tick wait where the work is shorter than it, else not."""
    early, late = (on_tick & (work < (1 - _OFF) * tick)), (on_tick & (work > (1 + _OFF) * tick))
    if early.sum() < FEWEST // 2 or late.sum() < _FEW:
        return False
    return bool(waited[early].mean() >= _MOSTLY and waited[late].mean() <= 1 - _MOSTLY)


def _kept(period: Float, wait: Float, waited: Bool, tick: float) -> KeptTick | None:
    """How the waits' ends lie to the tick, if they do at all."""
    apart, loops = np.diff(np.cumsum(period)[waited]), np.diff(np.flatnonzero(waited))
    varied = interdecile(wait[waited])
    tick = _refined(tick, apart)
    near = (loops > 1) & (apart < _FAR * tick)  # one after another is a tick in any case
    ticks = np.rint(apart[near] / tick)
    off = apart[near] - ticks * tick
    if near.sum() >= _FEW and (np.abs(off) <= _OFF * tick).mean() >= _MOSTLY:
        if varied <= VARIES * interdecile(off):
            return None
        if (ticks == loops[near]).mean() >= _MOSTLY:
            return KeptTick(tick, "catch-up")
        return KeptTick(tick, "at-once") if (ticks >= loops[near]).mean() >= _MOSTLY else None
    alike = period[waited] - tick
    if (np.abs(alike) <= _OFF * tick).mean() >= _MOSTLY and varied > VARIES * interdecile(alike):
        return KeptTick(float(median(period[waited])), "go-on")
    return None


def _refined(tick: float, apart: Float) -> float:
    """The tick as the mean over ever more of them, each time from waits near enough to count."""
    reach = 2.0
    while reach < 2 * _FAR:
        near = apart[apart < reach * tick]
        ticks = np.maximum(np.rint(near / tick), 1)
        on = np.abs(near - ticks * tick) <= _OFF * tick * np.maximum(ticks / 2, 1)
        if on.any():
            tick = float(near[on].sum() / ticks[on].sum())
        reach *= 2
    return tick


def densest(period: Float) -> float:
    """The middle of the stretch as wide as periods at one tick scatter that holds most of them."""
    x = np.sort(period[period > 0])
    if not len(x):
        return 0.0
    inside = np.searchsorted(x, x * (1 + NEAR), side="right") - np.arange(len(x))
    k = int(np.argmax(inside))
    return median(x[k : k + int(inside[k])])


def kept_starts(period: Float, grain: float = 0.0) -> KeptTick | None:
    """The tick at which loops start that are in time, where late ones make up for what they lost.

    No start comes before its tick, and those in time come right after it: they lie along a line
    below all others. Loops that wait for no tick touch such a line in a few places alone.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop's length, in the order of the loops.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it.

    Examples
    --------
    >>> work = np.random.default_rng(1).normal(9.8, 1.5, 2000)
    >>> end = np.zeros(2001)
    >>> for k, ms in enumerate(work):
    ...     end[k + 1] = max(end[k] + ms, 10.0 * (k + 1))
    >>> found = kept_starts(np.diff(end))
    >>> round(found.ms, 3), found.late, kept_starts(work) is None
    (10.0, 'catch-up', True)
    """
    start = np.append(0.0, np.cumsum(period[:_MOST_LOOPS]))
    below = _below(start)
    number = np.arange(len(start))
    for k in np.argsort(-np.diff(below), kind="stable")[:_RATES].tolist():
        first, last = below[k], below[k + 1]
        tick = float(start[last] - start[first]) / (last - first)
        in_time = max(_IN_TIME * tick, _STEPS * grain)
        off = start - start[first] - tick * (number - first)
        kept, *others = np.bincount(np.clip(off // in_time, 0, 3).astype(np.int64), minlength=4)[:3]
        scattered = interdecile(period) > 2 * in_time
        whole = (np.abs(period - tick) <= NEAR * tick).sum() >= FEWEST  # from one to the next
        if scattered and whole and kept >= max(FEWEST, _SOME * len(start), _MORE * max(others)):
            return KeptTick(tick, "catch-up")
    return None


def _below(start: Float) -> list[int]:
    """Numbers of the starts that a string from below the first to the last would touch."""
    left = np.arange(len(start))
    most = 2 * len(left)
    while len(left) < _FEWER * most:  # those above their neighbours' line go at once, while many do
        most = len(left)
        lower = np.ones(most, bool)
        lower[1:-1] = _bends_up(left[:-2], left[1:-1], left[2:], start)
        left = left[lower]
    kept: list[int] = []
    at = start.tolist()  # an element of a list is far cheaper than one of an array
    for k in left.tolist():
        while len(kept) > 1 and not _bends_up(kept[-2], kept[-1], k, at):
            kept.pop()
        kept.append(k)
    return kept


def _bends_up(a: Any, b: Any, c: Any, start: Any) -> Any:
    """Whether the line from start `a` to `b` goes on more steeply to `c`; of numbers or arrays."""
    return (start[c] - start[a]) * (b - a) > (start[b] - start[a]) * (c - a)
