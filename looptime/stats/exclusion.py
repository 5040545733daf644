"""Which timed calls of several threads exclude each other, from their begins and ends alone.

A call's row lasts from asking to the end: it first waits and is then served, and what shares a
lock is never served at once. So where two calls overlap, the one that ends last was served after
the other's end, and its own end minus that end is no less than its bare service. All pairs that
meet are taken to exclude each other; each call's service follows as its end minus the last end of
a partner within it; the pair that is most often caught serving both at once is dropped; and so on
until none is. A pair counts as shown only if the service keeps still while the wait varies.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import field
from itertools import combinations

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import mad, median

__all__ = ["Meeting", "Track", "exclusions", "partners_of", "waits"]

Pair = tuple[int, int]

#: A call that ends within this share of its bare service after another's end was served with it.
ZONE = 0.75
#: Share of such meetings above which a pair does not exclude.
DROP = 0.12
#: Share from which on both are told to be apart; by chance it is about `ZONE`.
APART = 0.4
#: Calls below which nothing is said, and meetings below which a pair is not tried.
FEW, MET = 8, 4
#: A residual shorter than this is no service: a result is waited for, or the processor [ns].
NO_SERVICE_NS = 60_000.0
#: Services of one call alike within this share.
ALIKE = 0.2
#: Share of the waits in which the lock was held when they began.
TAKEN = 0.7
#: Waits so many times as long as the service are hardly chance, few as they may be.
LONG = 2.0
#: Ticks of the clock that a service must last to be told.
TICKS = 5


@dataclass(frozen=True)
class Track:
    """The calls of one name on one thread, none inside another, in order of time."""

    thread: int
    #: From one origin for all tracks, small enough for whole nanoseconds, shape (m,) [ns].
    start: Float
    end: Float


@dataclass
class Meeting:
    """What the times say of two tracks of different threads.

    Parameters
    ----------
    first, second : int
        Indices of the tracks.
    verdict : str
        ``shares`` (shown), ``likely`` (few waits, all of that kind), ``apart`` (often served at
        once), ``result`` (one ends when the other does: its result, or the processor), ``unknown``.
    met : int
        Calls of either inside which one of the other ended.
    together : float
        Share of them that were served at once.
    shown : int
        Calls whose wait no other pair explains.
    """

    first: int
    second: int
    verdict: str = "unknown"
    met: int = 0
    together: float = 0.0
    shown: int = 0
    sides: tuple[_Side, _Side] = field(default=(), repr=False)  # type: ignore[assignment]

    @property
    def pair(self) -> Pair:
        """Indices of both tracks, the lower one first."""
        return self.first, self.second


@dataclass
class _Side:
    """The calls of one track inside which a call of the other ended."""

    me: int
    other: int
    last: Float
    hit: Bool
    residual: Float
    wait: Float
    open_all: Bool
    still: float = np.nan
    still_se: float = np.inf
    together: float = 0.0
    shown: int = 0


def exclusions(tracks: Sequence[Track], tick_ns: int = 1) -> list[Meeting]:
    """Which pairs of tracks of different threads exclude each other.

    Parameters
    ----------
    tracks : sequence of Track
        Those whose waits are asked for, as of the loop's thread, before the others.
    tick_ns : int [ns]
        Step of the clock: what lasts less than five of them cannot be told.

    Returns
    -------
    list of Meeting
        One for every two tracks of different threads, in order of their indices.

    Examples
    --------
    A call of 1 ms that asks up to 2 ms before the other ends waits until then.

    >>> end = 5e6 + 5e6 * np.arange(200)
    >>> asks = end - np.random.default_rng(1).uniform(0.2e6, 2e6, 200)
    >>> exclusions([Track(0, asks, end + 1e6), Track(1, end - 3e6, end)])[0].verdict
    'shares'
    """
    found = {m.pair: m for m in _meetings(tracks)}
    kept = {p for p, m in found.items() if m.met >= MET}
    set_by = {p for p in kept if _better_explained(tracks, found, found[p])}
    kept -= set_by
    service = _Services(tracks, found, kept)
    _drop(found, kept, service)
    for pair, meeting in found.items():
        if pair in kept:
            _weigh(service, meeting)
        else:
            _set_apart(service, meeting, kept, found, pair in set_by)
        if min(service.middle[k] for k in pair) < TICKS * tick_ns:
            meeting.verdict = "unknown"
    _few_of_the_kind(found, kept)
    return list(found.values())


def partners_of(pairs: Iterable[Pair]) -> dict[int, list[int]]:
    """Partners of each track that has any.

    Examples
    --------
    >>> partners_of([(0, 2), (1, 2)])
    {0: [2], 2: [0, 1], 1: [2]}
    """
    made: dict[int, list[int]] = {}
    for a, b in pairs:
        made.setdefault(a, []).append(b)
        made.setdefault(b, []).append(a)
    return made


def waits(tracks: Sequence[Track], me: int, partners: Sequence[int]) -> tuple[Float, Int]:
    """How long each call of a track waited, and for which partner it waited last.

    Parameters
    ----------
    tracks : sequence of Track
        Of all threads.
    me : int
        Index of the track.
    partners : sequence of int
        Indices of the tracks that exclude it.

    Returns
    -------
    wait : float64 array, shape (m,) [ns]
        From asking to the last end of a partner within the call; 0 where none ended in it.
    who : int array, shape (m,)
        Index of that partner's track; -1 where it did not wait.

    Examples
    --------
    >>> a = Track(0, np.array([0.0, 10.0]), np.array([5.0, 12.0]))
    >>> b = Track(1, np.array([-1.0]), np.array([3.0]))
    >>> wait, who = waits([a, b], 0, [1])
    >>> wait.tolist(), who.tolist()
    ([3.0, 0.0], [1, -1])
    """
    mine = tracks[me]
    last = np.full(len(mine.start), -np.inf)
    who = np.full(len(mine.start), -1)
    for other in partners:
        ended = _last_inside(tracks[other].end, mine)
        later = ended > last
        last, who = np.where(later, ended, last), np.where(later, other, who)
    return np.maximum(last - mine.start, 0.0), who


def _last_inside(ends: Float, mine: Track) -> Float:
    """The last of the ends within each call; -inf where none is."""
    if not len(ends):
        return np.full(len(mine.start), -np.inf)
    at = np.searchsorted(ends, mine.end, "left") - 1
    found = np.where(at >= 0, ends[np.maximum(at, 0)], -np.inf)
    return np.where(found > mine.start, found, -np.inf)


def _side(tracks: Sequence[Track], me: int, other: int) -> _Side:
    mine = tracks[me]
    last = _last_inside(tracks[other].end, mine)
    hit = np.isfinite(last)
    residual, wait = (mine.end - last)[hit], (last - mine.start)[hit]
    return _Side(me, other, last, hit, residual, wait, _open(tracks[other], mine))


def _open(other: Track, mine: Track) -> Bool:
    """Which calls began while one of the other was under way: only then was a lock taken."""
    at = np.searchsorted(other.end, mine.start, "right")
    begins = np.append(other.start, np.inf)[at]
    return np.asarray(begins < mine.start)


def _meetings(tracks: Sequence[Track]) -> list[Meeting]:
    made = []
    for a, b in combinations(range(len(tracks)), 2):
        if tracks[a].thread != tracks[b].thread:
            sides = _side(tracks, a, b), _side(tracks, b, a)
            met = len(sides[0].residual) + len(sides[1].residual)
            made.append(Meeting(a, b, met=met, sides=sides))
    return made


class _Services:
    """The service of each track's calls, given which pairs exclude each other."""

    def __init__(
        self, tracks: Sequence[Track], found: dict[Pair, Meeting], kept: set[Pair]
    ) -> None:
        self._tracks, self._found, self._kept = tracks, found, kept
        self.middle = np.zeros(len(tracks))
        for me in range(len(tracks)):
            self.renew(me)

    def renew(self, me: int) -> None:
        """Take the middle again, after one of its pairs was dropped."""
        took = self.of(me)
        self.middle[me] = median(took) if len(took) else 0.0

    def of(self, me: int, without: int = -1) -> Float:
        """End minus the last end of a partner within the call, else its begin [ns]."""
        mine = self._tracks[me]
        begin = mine.start
        for other in range(len(self._tracks)):
            pair = (min(me, other), max(me, other))
            if other != without and pair in self._kept:
                side = self._found[pair].sides[pair.index(me)]
                begin = np.maximum(begin, side.last)
        return mine.end - begin

    def unhindered(self, me: int) -> Float:
        """Durations of the calls in which no partner ended [ns]."""
        mine = self._tracks[me]
        took = mine.end - mine.start
        return took[self.of(me) == took]

    def was_taken(self, side: _Side) -> float:
        """Share of the calls that waited in which the lock was held when they asked."""
        waited = side.wait > 0.3 * self.middle[side.me]
        if not waited.any():
            waited[:] = True
        held = side.open_all[side.hit]
        for pair in self._kept:
            if side.me in pair:
                held |= self._found[pair].sides[pair.index(side.me)].open_all[side.hit]
        return float(held[waited].mean())

    def scatter(self, me: int) -> float:
        """Median absolute deviation of the services [ns]."""
        took = self.of(me)
        return mad(took) if len(took) else 0.0


def _caught(meeting: Meeting, service: _Services) -> float:
    """Share of the meetings served at once, of the side that shows it most."""
    count = 0
    shares = []
    for side in meeting.sides:
        caught = int((side.residual < ZONE * service.middle[side.me]).sum())
        side.together = caught / len(side.residual) if len(side.residual) else 0.0
        count += caught
        if len(side.residual) >= FEW:
            shares.append(side.together)
    meeting.together = count / meeting.met if meeting.met else 0.0
    return max([meeting.together, *shares])


def _drop(found: dict[Pair, Meeting], kept: set[Pair], service: _Services) -> None:
    """Drop the pair most often served at once, until none is above `DROP`."""
    scores = {p: _caught(found[p], service) for p in kept}
    while scores:
        worst = max(scores, key=lambda p: (scores[p], p))
        if scores[worst] <= DROP:
            return
        del scores[worst]
        kept.discard(worst)
        for me in worst:
            service.renew(me)
        for pair in scores:
            if set(pair) & set(worst):
                scores[pair] = _caught(found[pair], service)


def _better_explained(tracks: Sequence[Track], found: dict[Pair, Meeting], at: Meeting) -> bool:
    """Whether another call of the same thread explains the same ends more closely."""
    side = at.sides[0]
    if len(side.residual) < FEW:
        return False
    for k, track in enumerate(tracks):
        if k == side.other or track.thread != tracks[side.other].thread:
            continue
        other = found[min(side.me, k), max(side.me, k)]
        rival = other.sides[other.pair.index(side.me)].last
        both = side.hit & (rival < side.last) & np.isfinite(rival)
        if both.sum() < max(FEW, 0.6 * len(side.residual)):
            continue
        end = tracks[side.me].end[both]
        if mad(end - rival[both]) < 0.93 * mad(end - side.last[both]):
            return True
    return False


def _steadiness(side: _Side) -> None:
    """Slope of the residual on the wait: 0 where service begins at the other's end, -1 if not."""
    r, w = side.residual, side.wait
    if len(r) < FEW:
        return
    low, high = np.quantile(w, [0.02, 0.98])
    use = (w >= low) & (w <= high) & (r <= np.quantile(r, 0.96))
    x, y = w[use] - w[use].mean() if use.any() else w[use], r[use]
    spread = float((x * x).sum())
    if len(x) < FEW or spread == 0:
        return
    slope = float((x * y).sum()) / spread
    rest = y - y.mean() - slope * x
    side.still, side.still_se = slope, float(np.sqrt((rest**2).sum() / (len(x) - 2) / spread))


def _behaves(service: _Services, side: _Side) -> bool:
    """Whether the residual behaves as a bare service.

    It keeps still while the wait varies, or lasts as long as calls in which no partner ended. Where
    it is clearly shorter than those, the other's row outlasts its lock, and waits cannot be told.
    """
    if len(side.residual) < FEW:
        return False
    _steadiness(side)
    still = side.still_se < 0.12 and abs(side.still) < 0.35
    free = service.unhindered(side.me)
    if len(free) < MET:
        return still
    usual, took = float(np.quantile(free, 0.25)), median(side.residual)
    if took < (1 - ALIKE) * usual - NO_SERVICE_NS:
        return False
    alike = len(free) >= 20 and took < (1 + ALIKE) * usual
    return still or (alike and median(side.wait) > 0.3 * usual)


def _evidence(service: _Services, side: _Side) -> int:
    """Calls that waited for the other, clear of the scatter, and for nobody else."""
    mine = service.middle[side.me]
    without = service.of(side.me, without=side.other)[side.hit]
    clear = max(0.5 * min(mine, service.middle[side.other]), 4 * service.scatter(side.me))
    shown = (side.residual >= ZONE * mine) & (without - mine > clear) & (side.wait > 0)
    return int(shown.sum())


def _weigh(service: _Services, meeting: Meeting) -> None:
    """The verdict on a pair that was not caught serving both at once."""
    _caught(meeting, service)
    for side, least in zip(meeting.sides, (0.0, 0.3), strict=True):
        side.shown = _evidence(service, side)
        meeting.shown = max(meeting.shown, side.shown)
        if side.shown < max(FEW, least * len(side.residual)) or not _behaves(service, side):
            continue
        if median(side.residual) < NO_SERVICE_NS:
            meeting.verdict = "result"
        elif service.was_taken(side) >= TAKEN:
            meeting.verdict = "shares" if side is meeting.sides[0] else "waited for"
        return


def _set_apart(
    service: _Services, meeting: Meeting, kept: set[Pair], found: dict[Pair, Meeting], set_by: bool
) -> None:
    """The verdict on a pair that was dropped."""
    _caught(meeting, service)
    side = meeting.sides[0]
    _steadiness(side)
    still = side.still_se < 0.1 and abs(side.still) < 0.2
    still = still and mad(side.residual) < 0.5 * mad(side.wait)
    mine = [found[p].sides[p.index(side.me)] for p in kept if side.me in p]
    rival = set_by or any(len(other.residual) >= FEW for other in mine)
    if len(side.residual) >= 30 and still and not rival:
        short = median(side.residual) < NO_SERVICE_NS
        meeting.verdict = "result" if short else "unknown"
        return
    count = meeting.together * meeting.met
    if meeting.together >= APART and count >= FEW and any(map(_by_chance, meeting.sides)):
        meeting.verdict = "apart"


def _by_chance(side: _Side) -> bool:
    """Whether the other's ends fall anywhere in the calls, as they do where nothing is shared."""
    if len(side.residual) < FEW:
        return False
    place = side.residual / (side.residual + side.wait)
    quarter = np.histogram(place, 4, (0.0, 1.0))[0] / len(place)
    return bool((quarter >= 0.06).sum() >= 3)


def _few_of_the_kind(found: dict[Pair, Meeting], kept: set[Pair]) -> None:
    """What says little by itself counts where another pair has shown the lock."""
    shown = {k for m in found.values() if m.verdict == "shares" for k in m.pair}
    for pair in kept:
        m = found[pair]
        mine, theirs = m.sides
        if m.verdict == "waited for":
            known = m.second in shown and mine.shown >= 1
            m.verdict = "shares" if known else "unknown"
        if m.verdict != "unknown" or m.second not in shown or len(mine.residual) >= 30:
            continue
        long = bool(mine.shown) and median(mine.wait) > LONG * median(mine.residual)
        if (long or mine.shown >= 3) and mine.together <= 0.1 and theirs.together <= 0.02:
            m.verdict = "likely"
