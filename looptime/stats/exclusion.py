"""Which timed calls of several threads exclude each other, from their begins and ends alone.

A call's row lasts from asking to the end: it first waits and is then served, and what shares a
lock is never served at once. So where two calls overlap, the one that ends last was served after
the other's end, and its own end minus that end is no less than its bare service. All pairs that
meet are taken to exclude each other; each call's service follows as its end minus the last end of
a partner within it; the pair that is most often caught serving both at once is dropped; and so on
until none is. A pair counts as shown only if the service keeps still while the wait varies.
"""

from collections.abc import Sequence

import numpy as np

from looptime.stats.arrays import mad, median
from looptime.stats.bare_service import Services
from looptime.stats.meetings import Meeting, Pair, Side, Track, meetings
from looptime.stats.quantiles import percentiles

__all__ = ["FEW", "MET", "NO_SERVICE_NS", "RARE", "exclusions"]

#: Where the services of one side vary, the other alone is asked if it met so many.
ALONE = 30
#: Share of the meetings that were served at once above which a pair does not exclude.
DROP = 0.12
#: Share from which on both are told to be apart; by chance it is about the share of a service that
#: counts as at once (`looptime.stats.bare_service`).
APART = 0.4
#: Calls below which nothing is said, and meetings below which a pair is not tried.
FEW, MET = 8, 4
#: Calls that tell where there are no more, if all are waited for, and how much shorter than a
#: service what follows each wait may be. By chance it is as short as that of a call that was
#: interrupted anywhere: all of five are longer once in a hundred times, if it is always this call.
RARE, WHOLE = 5, 0.6
#: A residual shorter than this is no service: a result is waited for, or the processor [ns].
NO_SERVICE_NS = 60_000.0
#: Services of one call alike within this share.
ALIKE = 0.2
#: Share of the waits in which the lock was held when they began.
TAKEN = 0.7
#: The same of calls that do no more than take it.
HELD = 0.95
#: Waits so many times as long as the service are hardly chance, few as they may be.
LONG = 2.0
#: Ticks of the clock that a service must last to be told.
TICKS = 5
#: The same where the waits for it are far longer, so that it is likely.
FEW_TICKS = 3


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
    found = {m.pair: m for m in meetings(tracks)}
    kept = {p for p, m in found.items() if m.met >= MET}
    set_by = {p for p in kept if _better_explained(tracks, found, found[p])}
    kept -= set_by
    service = Services(tracks, found, kept)
    _drop(found, kept, service)
    for pair, meeting in found.items():
        if pair in kept:
            _weigh(service, meeting)
        else:
            _set_apart(service, meeting, kept, found, pair in set_by)
        if meeting.verdict != "result" and _finer(service, meeting, tick_ns):
            meeting.verdict = "likely" if _by_far(service, meeting, tick_ns) else "unknown"
    _claims(service, found, tick_ns)
    _few_of_the_kind(found, kept)
    for meeting in found.values():
        if meeting.verdict == "unknown" and _rare_but_long(service, tracks, meeting):
            meeting.verdict = "likely"
    return list(found.values())


def _caught(meeting: Meeting, service: Services) -> float:
    """Share of the meetings served at once, of the side that shows it most."""
    for side in meeting.sides:
        short = side.residual < service.least[side.me]
        side.together = float(short.mean()) if len(short) else 0.0
    wide = service.wide
    alone = [s for s in meeting.sides if wide[s.other] and not wide[s.me]]
    asked = alone if alone and len(alone[0].residual) >= ALONE else list(meeting.sides)
    met = sum(len(s.residual) for s in asked)
    meeting.together = sum(s.together * len(s.residual) for s in asked) / met if met else 0.0
    return max([meeting.together, *(s.together for s in asked if len(s.residual) >= FEW)])


def _drop(found: dict[Pair, Meeting], kept: set[Pair], service: Services) -> None:
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


def _steadiness(side: Side) -> None:
    """Slope of the residual on the wait: 0 where service begins at the other's end, -1 if not."""
    r, w = side.residual, side.wait
    if len(r) < FEW:
        return
    low, high = percentiles(w, [2, 98])
    use = (w >= low) & (w <= high) & (r <= percentiles(r, [96])[0])
    x, y = w[use] - w[use].mean() if use.any() else w[use], r[use]
    spread = float((x * x).sum())
    if len(x) < FEW or spread == 0:
        return
    slope = float((x * y).sum()) / spread
    rest = y - y.mean() - slope * x
    side.still, side.still_se = slope, float(np.sqrt((rest**2).sum() / (len(x) - 2) / spread))


def _behaves(service: Services, side: Side) -> bool:
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
    usual, took = percentiles(free, [25])[0], median(side.residual)
    if took < (1 - ALIKE) * usual - NO_SERVICE_NS:
        return False
    alike = len(free) >= 20 and took < (1 + ALIKE) * usual
    return still or (alike and median(side.wait) > 0.3 * usual)


def _evidence(service: Services, side: Side) -> int:
    """Calls that waited for the other, clear of the scatter, and for nobody else."""
    mine = service.middle[side.me]
    without = service.of(side.me, without=side.other)[side.hit]
    clear = max(0.5 * min(mine, service.middle[side.other]), 4 * service.scatter(side.me))
    shown = (side.residual >= service.least[side.me]) & (without - mine > clear) & (side.wait > 0)
    return int(shown.sum())


def _weigh(service: Services, meeting: Meeting) -> None:
    """The verdict on a pair that was not caught serving both at once.

    Services that vary widely show nothing: what is left of one that was interrupted varies alike.
    """
    _caught(meeting, service)
    for side, least in zip(meeting.sides, (0.0, 0.3), strict=True):
        side.shown = _evidence(service, side)
        meeting.shown = max(meeting.shown, side.shown)
        few = side.shown < max(FEW, least * len(side.residual))
        if few or service.wide[side.me] or not _behaves(service, side):
            continue
        if median(side.residual) < NO_SERVICE_NS:
            meeting.verdict = "result" if side is meeting.sides[0] else "unknown"
        elif service.was_taken(side) >= TAKEN:
            meeting.verdict = "shares" if side is meeting.sides[0] else "waited for"
        return


def _set_apart(
    service: Services, meeting: Meeting, kept: set[Pair], found: dict[Pair, Meeting], set_by: bool
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
    if any(s.together >= APART and _by_chance(s) for s in meeting.sides):
        meeting.verdict = "apart"


def _by_chance(side: Side) -> bool:
    """Whether the other's ends fall anywhere in the calls, as they do where nothing is shared."""
    if len(side.residual) < FEW:
        return False
    place = side.residual / (side.residual + side.wait)
    quarter = np.histogram(place, 4, (0.0, 1.0))[0] / len(place)
    return bool((quarter >= 0.06).sum() >= 3)


def _finer(service: Services, meeting: Meeting, tick_ns: int) -> bool:
    """Whether the clock cannot tell a service of either."""
    return min(service.middle[k] for k in meeting.pair) < TICKS * tick_ns


def _by_far(service: Services, meeting: Meeting, tick_ns: int) -> bool:
    """Whether a shared lock is shown by waits far longer than what the clock hides."""
    waits = median(meeting.sides[0].wait) if meeting.verdict == "shares" else 0.0
    least = min(service.middle[k] for k in meeting.pair)
    return min(least / FEW_TICKS, waits / TICKS) >= tick_ns


def _claims(service: Services, found: dict[Pair, Meeting], tick_ns: int) -> None:
    """Tell what only takes a lock, and is over as soon as it has it, from waits for a result.

    Who takes a lock waits only where it was held when asked, and else is through at once; who waits
    for a result waits for one that has not even begun as well. Where no other call of the thread
    runs beside the partner, it may be the processor that both take in turns.
    """
    for meeting in [m for m in found.values() if m.verdict == "result"]:
        side = meeting.sides[0]
        held = float(side.open_all[side.hit].mean())
        long = median(side.wait) > max(LONG * median(side.residual), float(TICKS * tick_ns))
        beside = any(m.second == meeting.second and m.verdict == "apart" for m in found.values())
        if not (beside and long and held >= HELD):
            meeting.verdict = "result" if not _finer(service, meeting, tick_ns) else "unknown"
            continue
        free = service.unhindered(side.me)[: len(side.hit)]
        short = len(free) >= MET and percentiles(free, [90])[0] < NO_SERVICE_NS
        meeting.verdict = "shares" if short else "result"


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


def _rare_but_long(service: Services, tracks: Sequence[Track], meeting: Meeting) -> bool:
    """Whether one call waits far longer than it takes for each of a few, and then takes as ever."""
    side = meeting.sides[0]
    calls, free = len(tracks[side.other].start), service.unhindered(side.me)
    if not RARE <= calls < FEW or len(side.residual) < max(RARE, calls - 1) or len(free) < FEW:
        return False
    usual = median(free)
    alike = abs(median(side.residual) - usual) <= ALIKE * usual and usual >= NO_SERVICE_NS
    alike = alike and service.was_taken(side) >= TAKEN
    whole = bool((side.residual >= WHOLE * usual).all())
    return alike and whole and bool((side.wait > LONG * usual).all())
