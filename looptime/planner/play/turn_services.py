"""What calls of threads that take turns last without the waits for each other's turns."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.contention import Named, meet
from looptime.analysers.thread_rule import ThreadRule, compute_share
from looptime.analysers.turn_contention import COMPUTES, turns_seen
from looptime.array_types import Bool, Float, Int
from looptime.planner.known.timeline import Chain
from looptime.planner.play.shared_bus import Sharing
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.turn_waits import TurnWaits

__all__ = ["without_turns"]

#: Calls from which on their service is taken from those that tell it.
_FEW = 8
#: What is this close together is one instant [ns].
_AT_ONCE_NS = 60_000.0
#: Percentile that stands for the service where none tells it, and calls that are as short within
#: this share.
_SHORT, _LONGER = 10.0, 0.1

Lane = tuple[Float, Float, Int]  # begins, ends and names of a thread's innermost calls


def without_turns(
    run: Run, line: Chain, others: Sequence[Sharing], rule: ThreadRule
) -> tuple[list[Sharing], Float]:
    """The other threads without their waits for turns, and what the loop's calls wait for theirs.

    A thread that computes goes on as it did only where none of them is seen to wait for a turn.

    Returns
    -------
    others : list of Sharing
        Those that take turns say so.
    wait : float64 array, shape (m,) [ns]
        Of each call of the loop's thread.
    """
    wait = np.zeros(len(line.row))
    if rule.mode != "take turns" or not others:
        return list(others), wait
    met = meet(prepare(run))
    seen = turns_seen(run, met.tracks, rule, run.loop_thread)
    if seen is None or seen.turn_ns is None:
        return list(others), wait
    computes = _computing(run, met.tracks, seen)
    leaf = np.flatnonzero(line.first == line.last)
    mine = _lane(run, line.row[leaf])
    lanes = [_lane(run, one.rows) for one in others]
    wait[leaf] = _waits(mine, lanes, computes, seen.turn_ns)
    made = []
    for k, one in enumerate(others):
        rivals = [mine, *lanes[:k], *lanes[k + 1 :]]
        made.append(_one(one, lanes[k], rivals, computes, seen.turn_ns))
    return made, wait


def _computing(run: Run, tracks: Sequence[Named], seen: TurnWaits) -> Bool:
    """Which names compute: by their kind, else those that are waited for and do not wait."""
    share = compute_share(run)
    holds = {tracks[k].code for _, who in seen.waits.values() for k in set(who.tolist()) - {-1}}
    back = {tracks[k].code for k in seen.waits}
    mine = {t.code for t in tracks if t.track.thread == run.loop_thread} - back
    told = [c in holds or c in mine if s is None else s >= COMPUTES for c, s in enumerate(share)]
    return np.array(told, bool)


def _one(
    at: Sharing, lane: Lane, rivals: Sequence[Lane], computes: Bool, turn_ns: float
) -> Sharing:
    """A thread without the waits in its calls and in the gaps before them."""
    service = np.maximum(at.service - _waits(lane, rivals, computes, turn_ns), 1.0)
    start, end, name = lane
    before = at.before
    if not at.timetable:
        rest = np.append(start[:1], end[:-1]), start, name
        waits = _waits(rest, rivals, computes, turn_ns, gaps=True)
        before = np.maximum(before - np.append(0.0, waits[1:]), 0.0)
    return replace(at, service=service, before=before, shares=True, computes=computes[name])


def _lane(run: Run, rows: Int) -> Lane:
    calls = run.call_columns
    start = calls.start_ns[rows].astype(float)
    return start, start + calls.duration_ns[rows], calls.name[rows].astype(np.int64)


def _waits(
    lane: Lane, rivals: Sequence[Lane], computes: Bool, turn_ns: float, *, gaps: bool = False
) -> Float:
    """How long each call of a thread, or gap before one, waits for the others' turns [ns]."""
    start, end, name = lane
    busy = [(s[computes[n]], e[computes[n]]) for s, e, n in rivals]
    edges = np.sort(np.concatenate([np.append(s, e) for s, e, _ in rivals]))
    wait = np.zeros(len(start))
    for code in np.unique(name).tolist():
        rows = np.flatnonzero(name == code)
        tells = _cut_short if computes[code] and not gaps else _returns
        free, known = tells(start[rows], end[rows], busy, edges, turn_ns)
        took = end[rows] - start[rows]
        wait[rows] = np.where(free, 0.0, np.maximum(took - _service(took, known), 0.0))
    return wait


def _service(took: Float, known: Float) -> float:
    """Service of a call: of those that tell it, else of the shortest."""
    if len(known) < _FEW:
        low = float(np.percentile(took, _SHORT))
        known = took[took <= low + max(_LONGER * low, _AT_ONCE_NS)]
    return float(median(known))


Busy = Sequence[tuple[Float, Float]]


def _returns(
    start: Float, end: Float, busy: Busy, edges: Float, turn_ns: float
) -> tuple[Bool, Float]:
    """Which calls come back while nobody computes, and the services that are known."""
    before = end - _AT_ONCE_NS
    open_then = [_open(lane, before) for lane in busy]
    free = ~np.any(open_then, 0)
    over = [_open(lane, end + _AT_ONCE_NS) & _open(lane, end - turn_ns) for lane in busy]
    whole = (np.sum(open_then, 0) == 1) & np.any(over, 0) & (end - turn_ns > start)
    took = end - start
    return free, np.append(took[free], took[whole] - turn_ns)


def _cut_short(
    start: Float, end: Float, busy: Busy, edges: Float, turn_ns: float
) -> tuple[Bool, Float]:
    """Which calls compute with nobody in their midst, and how long those take."""
    inside = np.searchsorted(edges, end - _AT_ONCE_NS) - np.searchsorted(edges, start + _AT_ONCE_NS)
    free = inside <= 0
    return free, (end - start)[free]


def _open(lane: tuple[Float, Float], at: Float) -> Bool:
    start, end = lane
    place = np.searchsorted(start, at, "right") - 1
    return (
        (place >= 0) & (end[np.maximum(place, 0)] > at) if len(start) else np.zeros(len(at), bool)
    )
