"""Threads that take turns on one lock to compute, as an interpreter's: what each call waits for it.

Who comes back from a call that let the lock go gets it only when the one who computes by then is
through, or has had it for a whole turn. So a call lasts longer exactly where a computing call of
another thread covers its return: by one turn where that call goes on, by what is left of it where
it ends first. A lock that is held for a call goes on to the next only when that call ends.
"""

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import mad, median
from looptime.stats.meetings import Track

__all__ = ["TurnWaits", "turn_waits"]

#: Calls below which nothing is said of how they go together.
_FEW = 8
#: Share of the returns beside a computing call that wait, and of the others that last as long.
_WAIT, _ELSE = 0.6, 0.05
#: Turns agree among each other within this share, in so large a part of the waits.
_ALIKE, _MOST = 0.1, 0.7
#: Different calls that must end with another thread's: one alone may wait for its result. One
#: alone that lasts a turn longer must meet the other's calls here and there: they scatter by this
#: share of the turn about their distance from it, else both may begin with what makes it longer.
_SEVERAL, _SCATTERED = 2, 0.2
#: By how many times its length a slower processor or memory may lengthen a call; calls of one
#: length, within this factor, are then longer by one time, as by a turn.
_STRETCHED, _UNLIKE = 4.0, 1.25
#: What a clock and a waking thread add to an instant [ns].
_AT_ONCE_NS = 60_000.0
#: A call is longer than usual from so many times the scatter on, or this share of its usual length.
_CLEAR, _LONGER = 6.0, 0.1
#: Percentile that stands for the service of a call that is hardly ever undisturbed.
_SHORT = 10.0


@dataclass(frozen=True)
class TurnWaits:
    """What calls wait for the turns of other threads."""

    #: Length of a turn; None where none is seen to be cut short, as each ends with its call.
    turn_ns: float | None
    #: Of each track that waits: how long each of its calls does [ns], and for which track; -1.
    waits: dict[int, tuple[Float, Int]]


def turn_waits(
    tracks: Sequence[Track],
    mine: Collection[int],
    computes: Mapping[int, bool | None],
    turn_ns: float | None = None,
) -> TurnWaits | None:
    """What the calls of one thread wait for the turns of others that compute; None if nothing.

    Parameters
    ----------
    tracks : sequence of Track
        Of all threads.
    mine : collection of int
        Indices of those whose waits are asked for, all of one thread.
    computes : dict of int to bool or None
        Whether the calls of a track compute; None where nothing tells.
    turn_ns : float, optional [ns]
        Length of a turn, where it is stated that threads take turns; else the times must show it.

    Examples
    --------
    Calls of 1 ms; those that come back while the other computes, 20 ms at a time, last 6 ms.

    >>> first = 1e6 + 3e6 * (np.arange(40) % 4)
    >>> asks = 25e6 * np.arange(40)[:, None] + np.transpose([first, np.full(40, 22e6)])
    >>> took = np.array([6e6, 1e6]) + np.zeros((40, 1))
    >>> other = Track(1, 25e6 * np.arange(40), 25e6 * np.arange(40) + 20e6)
    >>> one = Track(0, asks.ravel(), (asks + took).ravel())
    >>> found = turn_waits([one, other], [0], {0: False, 1: None})
    >>> found.turn_ns, found.waits[0][0][:3].tolist()
    (5000000.0, [5000000.0, 0.0, 5000000.0])
    """
    others = [k for k in range(len(tracks)) if k not in mine and computes.get(k) is not False]
    back = [k for k in mine if not computes.get(k) and len(tracks[k].start) >= _FEW]
    returns = {k: _Returns(tracks, k, others) for k in back}
    holders = _holders(tracks, returns, others)
    if not holders:
        return None
    for one in returns.values():
        one.settle(holders)
    seen = _turn(returns.values(), holders)
    turn = turn_ns if seen is None else seen
    cut = {k: _taken_away(tracks, k, holders) for k in mine if computes.get(k)}
    cut = {k: one for k, one in cut.items() if (one[0] > 0).any()}
    alone = seen is not None and turn_ns is None and not cut
    if alone and _told_to(tracks, returns.values(), holders, seen or 0.0):
        return None
    if seen is not None and turn_ns is None and _slowed(tracks, returns.values(), holders, seen):
        return None
    if turn is None and sum(one.ends_with(holders) for one in returns.values()) < _SEVERAL:
        return None
    threads = len({tracks[k].thread for k in holders})
    most = math.inf if turn is None or turn_ns is not None else turn * threads
    found = {}
    for k, one in returns.items():
        wait, who = one.waits(holders, most)
        if (wait > 0).any():
            found[k] = wait, who
    if not found:
        return None
    if seen is None and any(
        (w > (1 + _ALIKE) * threads * (turn or 0)).any() for w, _ in found.values()
    ):
        turn = None  # a call keeps its turn until it ends
    return TurnWaits(turn, found | cut)


class _Returns:
    """A track's calls that let the lock go: their service, and who computes as each is back."""

    def __init__(self, tracks: Sequence[Track], me: int, others: Sequence[int]) -> None:
        self._tracks, self._me = tracks, me
        self.start, self.end = tracks[me].start, tracks[me].end
        self.settle(others)

    def settle(self, others: Sequence[int]) -> None:
        """Tell service from waits: by those calls beside which none of these others ran."""
        took = self.end - self.start
        free = ~np.any([_overlap(self._tracks[k], self.start, self.end) > 0 for k in others], 0)
        some = took[free] if free.sum() >= _FEW else _shortest(took)
        self.service, self.spread = float(median(some)), 1.4826 * float(mad(some))
        clear = max(_CLEAR * self.spread, _LONGER * self.service, _AT_ONCE_NS)
        self.long = took > self.service + clear
        self.excess = np.where(self.long, took - self.service, 0.0)
        self.ready = np.where(self.long, self.start + self.service, self.end)
        self.beside = {k: _open(self._tracks[k], self.ready) for k in others}
        self.goes_on = {k: _open(self._tracks[k], self.end) for k in others}

    def ends_with(self, holders: Sequence[int]) -> bool:
        """Whether those that wait nearly all end with the call that they wait for."""
        at = self.long & np.any([self.beside[k] for k in holders], 0)
        ends = np.any([_ends_at(self._tracks[k], self.end[at]) for k in holders], 0)
        return bool(len(ends) >= _FEW and ends.mean() >= _MOST)

    def waits(self, holders: Sequence[int], most_ns: float) -> tuple[Float, Int]:
        """How long each waited, at most so long, and for the calls of which track."""
        took, who = np.zeros(len(self.start)), np.full(len(self.start), -1)
        for k in holders:
            lap = _overlap(self._tracks[k], self.ready, self.end)
            more = lap > took
            took, who = np.where(more, lap, took), np.where(more, k, who)
        known = self.long & (who >= 0) & (took > 0.5 * self.excess)
        known &= self.excess <= most_ns * (1 + _ALIKE)
        return np.where(known, self.excess, 0.0), np.where(known, who, -1)


def _shortest(took: Float) -> Float:
    """The calls that nothing made longer, where hardly any had nobody beside it."""
    low = np.percentile(took, _SHORT)
    return took[took <= low + max(_LONGER * low, _AT_ONCE_NS)]


def _holders(
    tracks: Sequence[Track], returns: Mapping[int, _Returns], others: Sequence[int]
) -> list[int]:
    """Tracks during whose calls the returns wait, and nearly only then."""
    kept = list(others)
    while kept and returns:
        score = {k: _waits_beside(returns.values(), k, kept) for k in kept}
        worst = min(score, key=lambda k: (score[k], k))
        if score[worst] >= _WAIT:
            break
        kept.remove(worst)
        for one in returns.values():
            if kept:
                one.settle(kept)
    if not kept or not returns:
        return []
    for one in returns.values():
        alone = ~np.any([one.beside[k] for k in kept], 0)
        long = np.count_nonzero(one.long & alone)
        if long > _ELSE * max(int(np.count_nonzero(alone)), 1) and long >= _FEW:
            one.long[:] = False  # it has long turns of its own: nothing is said of it
            one.excess[:] = 0.0
    return kept


def _waits_beside(returns: Collection[_Returns], k: int, kept: Sequence[int]) -> float:
    """Share of the returns that wait, of those during which only calls of this track run."""
    here = waited = 0
    for one in returns:
        only = one.beside[k].copy()
        for j in kept:
            only &= one.beside[k] if j == k else ~one.beside[j]
        here += int(np.count_nonzero(only))
        waited += int(np.count_nonzero(only & one.long))
    return waited / here if here >= _FEW else 0.0


def _turn(returns: Collection[_Returns], holders: Sequence[int]) -> float | None:
    """Length of a turn: of the waits whose computing call went on; None where they differ."""
    found, spread = [], 0.0
    for one in returns:
        at = [one.beside[k] & one.goes_on[k] for k in holders]
        alone = np.sum([one.beside[k] for k in holders], 0) == 1
        kept = one.long & np.any(at, 0) & alone
        if kept.any():
            spread = max(spread, float(one.spread))
            found.append(one.excess[kept])
    every = np.concatenate(found) if found else np.empty(0)
    if len(every) < _FEW:
        return None
    turn = median(every)
    near = np.abs(every - turn) <= max(_ALIKE * turn, 3 * spread, _AT_ONCE_NS)
    return turn if near.mean() >= _MOST else None


def _told_to(
    tracks: Sequence[Track], returns: Collection[_Returns], holders: Sequence[int], turn_ns: float
) -> bool:
    """Whether one call alone waits, only beside calls that begin at one distance from it.

    Whatever makes that call longer may make the other thread begin then. Where some waits end
    early, with the computing, it is that which is waited for.
    """
    waiting = [(one, *one.waits(holders, math.inf)) for one in returns]
    waiting = [told for told in waiting if np.count_nonzero(told[1]) >= _FEW]
    if len(waiting) != 1:
        return False
    one, wait, who = waiting[0]
    for k in holders:
        at = (wait > 0) & (who == k)
        place = np.searchsorted(tracks[k].start, one.start[at] + one.service, "right") - 1
        off = one.start[at] - tracks[k].start[np.maximum(place, 0)]
        early = _ends_at(tracks[k], one.end[at]) & (wait[at] < (1 - _ALIKE) * turn_ns)
        if len(off) >= _FEW and 1.4826 * mad(off) > _SCATTERED * turn_ns:
            return False
        if np.count_nonzero(early) >= _FEW:
            return False
    return True


def _slowed(
    tracks: Sequence[Track], returns: Collection[_Returns], holders: Sequence[int], turn_ns: float
) -> bool:
    """Whether the calls may as well just run slower beside the other's: as long, as much longer.

    A turn is as long for short calls as for long ones, ends early with the computing, and may be
    many times as long as a call; a slower processor, cache or memory stretches each by one share.
    """
    told = [(one, one.waits(holders, math.inf)[0]) for one in returns]
    told = [(one, wait) for one, wait in told if np.count_nonzero(wait) >= _FEW]
    usual = [one.service for one, _ in told]
    if not usual or turn_ns > _STRETCHED * max(usual):
        return False
    if max(usual) > _UNLIKE * min(usual):
        more = [median(wait[wait > 0]) for _, wait in told]
        shares = [wait / service for wait, service in zip(more, usual, strict=True)]
        return max(more) / min(more) > max(shares) / min(shares)
    early = 0
    for one, wait in told:
        short = (wait > 0) & (wait < (1 - _ALIKE) * turn_ns)
        ends = np.any([_ends_at(tracks[k], one.end) for k in holders], 0)
        early += int(np.count_nonzero(short & ends))
    return early < _FEW


def _taken_away(tracks: Sequence[Track], me: int, holders: Sequence[int]) -> tuple[Float, Int]:
    """How much longer each call that computes itself took, as others computed in its midst."""
    start, end = tracks[me].start, tracks[me].end
    took, lap, who = end - start, np.zeros(len(start)), np.full(len(start), -1)
    if len(start) < _FEW:
        return lap, who
    for k in holders:
        mine = _overlap(tracks[k], start, end)
        more = mine > lap
        lap, who = np.where(more, mine, lap), np.where(more, k, who)
    free = lap == 0
    some = took[free] if free.sum() >= _FEW else _shortest(took)
    usual = float(median(some))
    clear = max(_CLEAR * 1.4826 * float(mad(some)), _LONGER * usual, _AT_ONCE_NS)
    long = took > usual + clear
    if np.count_nonzero(long & free) > _ELSE * max(int(np.count_nonzero(free)), 1):
        return np.zeros(len(start)), who
    known = long & (lap > 0.5 * (took - usual))
    return np.where(known, took - usual, 0.0), np.where(known, who, -1)


def _open(track: Track, at: Float) -> Bool:
    """Whether a call of the track is under way at each instant, and goes on for a while."""
    place = np.searchsorted(track.end, at + _AT_ONCE_NS, "right")
    begins = np.append(track.start, np.inf)[place]
    return np.asarray(begins < at)


def _ends_at(track: Track, at: Float) -> Bool:
    """Whether a call of the track ends at each instant."""
    place = np.searchsorted(track.end, at - _AT_ONCE_NS, "left")
    return np.asarray(np.append(track.end, np.inf)[place] <= at + _AT_ONCE_NS)


def _overlap(track: Track, start: Float, end: Float) -> Float:
    """For how long a call of the track is under way within each stretch; shape (m,) [ns]."""
    return _before(track, end) - _before(track, start)


def _before(track: Track, at: Float) -> Float:
    """For how long calls of the track were under way before each instant."""
    whole = np.append(0.0, np.cumsum(track.end - track.start))
    place = np.searchsorted(track.start, at, "right")
    last = np.maximum(place - 1, 0)
    over = np.where(place > 0, np.maximum(track.end[last] - at, 0.0), 0.0)
    return whole[place] - over
