"""Which calls of the loop's thread wait for which calls of other threads, and for how long.

Where buses are labelled the labels say who shares one, and the times are held against them; else
the times alone say it (`looptime.stats.exclusion`), and nothing is said where they cannot.
"""

from collections.abc import Iterable, Sequence
from dataclasses import field
from functools import partial
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.estimate import Figure, to_json
from looptime.array_types import Float, Int
from looptime.call_words import of_locks
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.exclusion import FEW, MET, NO_SERVICE_NS, RARE, exclusions
from looptime.stats.jackknife import BATCHES, jackknife
from looptime.stats.meetings import Meeting, Track, partners_of, waits
from looptime.stats.retaking import Retakes, lock_kind, retakes

__all__ = ["SHARED", "CallWait", "Contention", "Contentions", "Disagreement", "Met", "Named",
           "ResultWait", "contention", "figure_of", "judged_by_labels", "meet",
           "shared_buses"]  # fmt: skip

#: What the name begins with of a bus that only the times tell of: a call that it is shared with.
SHARED = "shared with "

Pair = tuple[int, int]

#: Verdicts on which a wait is counted.
_SHARE = ("shares", "likely")
#: Until a waiting thread has woken up, nobody has the lock: what a wait may be longer than its
#: partner's row shows [ns].
_WAKE_NS = 50_000.0
#: Waits shorter than this a loop are not worth a word [ms].
_NOTHING_MS = 1e-4
#: Calls of which fewer end with another thread's may do so as that held the processor; of those
#: that do, so many end at once with it, which chance makes of hardly any.
_RARELY, _AT_ONCE = 0.2, 0.3
#: Calls that are held against each other, half of them of the loop's thread: work grows with the
#: cube.
_MOST_TRACKS = 64


@dataclass(frozen=True)
class CallWait:
    """One call of the loop's thread: what of its time is waiting and what is service."""

    name: str
    wait_ms_per_loop: Figure
    service_ms_per_loop: float


@dataclass(frozen=True)
class Contention:
    """Calls of the loop that wait for calls of one other thread on one lock or bus."""

    calls: tuple[str, ...]  #: Of the loop's thread, the one that waits most first
    thread: str  #: The other thread
    partners: tuple[str, ...]  #: Its calls that they wait for
    #: Waiting and the rest of those calls. A call that waits for several threads is split between
    #: their entries in proportion to its waits, so that entries add up.
    wait_ms_per_loop: Figure
    service_ms_per_loop: Figure
    wait_share: float | None  #: Waiting as a share of the time that the loops took
    waits_in_share: float  #: Share of the loops in which they wait at all
    wait_ms_p50: float  #: Median waiting of those loops
    #: ``fair``, ``barging`` or ``unknown``, as seen at contested releases, or ``interpreter`` where
    #: threads take turns to compute.
    lock: str
    #: ``timing``, ``labels`` or ``labels and timing``; of turns ``timing``, or ``project and
    #: timing`` or ``log and timing`` where that states them.
    source: str
    by_call: tuple[CallWait, ...]
    #: Contested releases by the loop and by the other thread.
    by_loop: Retakes
    by_other: Retakes
    turn_ms: float | None = None  #: Length of a turn, where the waits are for turns to compute

    def to_dict(self) -> dict[str, Any]:
        """The entry as JSON holds it."""
        made = {k: to_json(v) for k, v in vars(self).items() if k != "source"}
        return {**made, "from": self.source}


@dataclass(frozen=True)
class Disagreement:
    """A label that the times contradict."""

    #: A call of the loop's thread, and one of another thread.
    call: str
    partner: str
    thread: str
    labelled: str  #: ``one bus`` or ``two buses``
    meetings: int  #: Calls of either during which one of the other ended
    #: What the loop waits, where labels say that they cannot wait for each other.
    wait_ms_per_loop: float | None


@dataclass(frozen=True)
class ResultWait:
    """A call of the loop's thread that ends when a call of another thread does."""

    call: str
    thread: str  #: The other thread
    partner: str
    calls_share: float  #: Share of its calls in which one of the partner ended
    wait_ms_per_loop: float  #: From its begin to the partner's end
    wait_ms_p50: float  #: Median of the calls that wait
    #: Whether other calls of the loop end so now and then, too: it is the processor.
    by_turns: bool = False


@dataclass(frozen=True)
class Contentions:
    """Who waits for whom in a run."""

    #: What costs most first; empty where nobody waits or the log cannot say.
    found: tuple[Contention, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    results: tuple[ResultWait, ...] = ()  #: Waits for a result, what costs most first
    left_out: int = 0  #: Calls, of each thread, of so little time that nothing was asked of them
    #: ``shares``, ``likely``, ``apart``, ``result`` or ``unknown``, by the labels where there are
    #: any, for all calls that were made often enough, dict of (call, thread, other call) to str.
    verdicts: dict[tuple[str, str, str], str] = field(default_factory=dict, repr=False)

    @property
    def wait_ms(self) -> dict[str, float]:
        """Waiting a loop by call of the loop's thread [ms]."""
        made: dict[str, float] = {}
        for entry in self.found:
            for call in entry.by_call:
                value = call.wait_ms_per_loop.value or 0.0
                made[call.name] = made.get(call.name, 0.0) + value
        return made


@dataclass(frozen=True)
class Named:
    """A track, the code of its name, and of each of its calls the loop and the logged wait."""

    track: Track
    code: int
    loop: Int
    waited: Float | None = None  #: As rows of its own say, where there are such; NaN where not


@dataclass(frozen=True)
class Met:
    """Calls of several threads, each name's for itself, and how those of two threads meet."""

    tracks: tuple[Named, ...]
    meetings: tuple[Meeting, ...]
    left_out: int  #: As in `Contentions`


def contention(basis: Basis) -> Contentions:
    """Find which calls of the loop's thread wait for which calls of other threads.

    Returns
    -------
    Contentions
        Empty in a log of one thread.
    """
    return judged_by_labels(basis.run, meet(basis))


def meet(basis: Basis) -> Met:
    """How calls of the loop's thread and those of other threads meet, whatever their labels say."""
    run = basis.run
    if len(run.thread_names) < 2 or not len(run) or run.on_loop_thread.all():
        return Met((), (), 0)
    tracks, left_out = _tracks(run, set(basis.waits.names))
    found = exclusions([t.track for t in tracks], run.clock.tick_ns)
    mine = (m for m in found if tracks[m.first].track.thread == run.loop_thread)
    return Met(tuple(tracks), tuple(mine), left_out)


def judged_by_labels(run: Run, met: Met) -> Contentions:
    """Who waits for whom, by the times and by the labels that the calls of `run` have."""
    tracks, meetings = met.tracks, met.meetings
    judged = {m.pair: _by_labels(run, tracks, m) for m in meetings}
    return Contentions(
        tuple(_entries(run, tracks, judged)),
        tuple(d for m in meetings if (d := _disagreement(run, tracks, m)) is not None),
        _results(run, tracks, meetings, judged),
        met.left_out,
        {_names_of(run, tracks, pair): verdict for pair, (verdict, _) in judged.items()},
    )


def shared_buses(run: Run, found: Contentions) -> dict[str, str | None]:
    """The bus of each call: as labelled, else as the times show.

    A call shares the bus of those that it waits for; where one of them is labelled, that is the
    bus, else it is called after the other thread's call.
    """
    bus_of = {call.name: call.bus for call in run.names}
    groups: list[tuple[set[str], set[str]]] = []
    for (call, _, other), verdict in found.verdicts.items():
        if verdict in _SHARE:
            joined = [g for g in groups if g[0] & {call, other}]
            groups = [g for g in groups if not g[0] & {call, other}]
            both = {call, other}.union(*(g[0] for g in joined))
            groups.append((both, {other}.union(*(g[1] for g in joined))))
    for names, others in groups:
        stated = sorted({b for name in names if (b := bus_of[name]) is not None})
        bus = stated[0] if stated else f"{SHARED}{min(others)}"
        bus_of.update({name: bus for name in names if bus_of[name] is None})
    return bus_of


def _tracks(run: Run, pacing: set[int]) -> tuple[list[Named], int]:
    """The innermost calls of each thread by name, the loop's thread first; and how many more."""
    run, logged = _without_lock_rows(run)
    at = run.call_columns
    origin = int(run.loop_columns.start_ns[0])
    made = []
    present = np.flatnonzero(np.bincount(at.thread)).tolist()
    for thread in sorted(present, key=lambda t: (t != run.loop_thread, t)):
        rows = np.flatnonzero(at.thread == thread)
        inner = np.append(at.depth[rows][1:] <= at.depth[rows][:-1], True)
        rows = rows[inner & (at.duration_ns[rows] > 0)]
        for code in np.flatnonzero(np.bincount(at.name[rows])).tolist():
            mine = rows[at.name[rows] == code]
            least = FEW if thread == run.loop_thread else RARE
            if len(mine) < least or (thread == run.loop_thread and code in pacing):
                continue
            start = (at.start_ns[mine] - origin).astype(np.float64)
            end = np.sort(start + at.duration_ns[mine])  # calls of one thread may cross
            waited = None if logged is None else logged[mine]
            made.append(Named(Track(thread, np.sort(start), end), code, at.loop[mine], waited))
    kept = made if len(made) <= _MOST_TRACKS else _busiest(made, run.loop_thread)
    return kept, len(made) - len(kept)


def _without_lock_rows(run: Run) -> tuple[Run, Float | None]:
    """The run with its rows of locks as part of their calls, and what each of those waited."""
    if "wait" not in of_locks([call.name for call in run.names]):
        return run, None
    from looptime.analysers.lock_rows import fold_locks  # few logs have such rows

    folded = fold_locks(run)
    return folded.run, folded.waited


def _busiest(tracks: list[Named], loop_thread: int) -> list[Named]:
    """Those of most time, on the loop's thread and on the others, in the order they have."""
    took = [float((one.track.end - one.track.start).sum()) for one in tracks]
    kept: set[int] = set()
    for mine in (True, False):
        side = [k for k, one in enumerate(tracks) if (one.track.thread == loop_thread) is mine]
        kept.update(sorted(side, key=lambda k: -took[k])[: _MOST_TRACKS // 2])
    return [tracks[k] for k in sorted(kept)]


def _by_labels(run: Run, tracks: Sequence[Named], meeting: Meeting) -> tuple[str, str]:
    """The verdict on a pair with the labels of its buses in mind, and what it rests on."""
    labelled, timed = _labelled(run, tracks, meeting), meeting.verdict
    if not labelled:
        return timed, "timing"
    if labelled == "two buses":
        return "apart", "labels"
    if timed == "apart":
        return timed, "timing"
    return ("shares", "labels and timing") if timed in _SHARE else ("shares", "labels")


def _labelled(run: Run, tracks: Sequence[Named], meeting: Meeting) -> str:
    mine, other = (run.names[tracks[k].code].bus for k in meeting.pair)
    if mine is None or other is None:
        return ""
    return "one bus" if mine == other else "two buses"


def _names_of(run: Run, tracks: Sequence[Named], pair: Pair) -> tuple[str, str, str]:
    mine, other = (tracks[k] for k in pair)
    thread = run.thread_names[other.track.thread]
    return run.names[mine.code].name, thread, run.names[other.code].name


def _disagreement(run: Run, tracks: Sequence[Named], meeting: Meeting) -> Disagreement | None:
    labelled = _labelled(run, tracks, meeting)
    wait = None
    if labelled == "two buses" and meeting.verdict == "shares":
        ns, _ = waits([t.track for t in tracks], meeting.first, [meeting.second])
        wait = float(ns.sum()) / len(run) / 1e6
    elif labelled != "one bus" or not _at_once(meeting):
        return None
    call, thread, partner = _names_of(run, tracks, meeting.pair)
    return Disagreement(call, partner, thread, labelled, meeting.met, wait)


def _results(
    run: Run,
    tracks: Sequence[Named],
    meetings: Sequence[Meeting],
    judged: dict[Pair, tuple[str, str]],
) -> tuple[ResultWait, ...]:
    made = []
    for meeting in (m for m in meetings if judged[m.pair] == ("result", "timing")):
        side = meeting.sides[0]
        wait = float(side.wait.sum()) / len(run) / 1e6
        call, thread, partner = _names_of(run, tracks, meeting.pair)
        if wait >= _NOTHING_MS:
            share = len(side.wait) / len(side.hit)
            middle = median(side.wait) / 1e6
            turns = share < _RARELY and any(map(partial(_also_rarely, meeting), meetings))
            made.append(ResultWait(call, thread, partner, share, wait, middle, turns))
    return tuple(sorted(made, key=lambda r: -r.wait_ms_per_loop))


def _also_rarely(one: Meeting, other: Meeting) -> bool:
    """Whether another call ends with the same partner now and then, more often than by chance.

    What runs on the loop's processor holds up whichever of its calls is under way; a result is
    waited for by the call that takes it.
    """
    side = other.sides[0]
    if other.second != one.second or other.first == one.first or other.verdict in _SHARE:
        return False
    at_once = int((side.residual < NO_SERVICE_NS).sum())
    few = len(side.residual) < _RARELY * len(side.hit)
    return few and at_once >= max(MET, _AT_ONCE * len(side.residual))


def _at_once(meeting: Meeting) -> bool:
    """Whether both are so often under way together that one bus can hardly serve them."""
    return meeting.verdict == "apart" or (meeting.met >= 30 and meeting.together > 0.5)


def _entries(
    run: Run, tracks: Sequence[Named], judged: dict[Pair, tuple[str, str]]
) -> list[Contention]:
    pairs = [pair for pair, (verdict, _) in judged.items() if verdict in _SHARE]
    partners = partners_of(pairs)
    waited = {
        me: _waits(tracks, me, partners[me])
        for me in partners
        if tracks[me].track.thread == run.loop_thread
    }
    made = []
    for lock in _locks(pairs):
        for thread in sorted({tracks[k].track.thread for k in lock} - {run.loop_thread}):
            mine = [p for p in pairs if p[0] in lock and tracks[p[1]].track.thread == thread]
            entry = _entry(run, tracks, judged, mine, waited)
            made += [entry] if entry is not None else []
    return sorted(made, key=lambda e: -(e.wait_ms_per_loop.value or 0.0))


def _waits(tracks: Sequence[Named], me: int, partners: Sequence[int]) -> tuple[Float, Int]:
    """How long each call waited, as logged or else until the last partner's end, and for whom."""
    wait, who = waits([t.track for t in tracks], me, partners)
    logged = tracks[me].waited
    if logged is not None:
        wait = np.where((who >= 0) & ~np.isnan(logged), logged, wait)
    return wait, who


def _locks(pairs: Iterable[Pair]) -> list[set[int]]:
    """Tracks that share one lock: those that pairs connect.

    Examples
    --------
    >>> _locks([(0, 5), (1, 5), (2, 6)])
    [{0, 1, 5}, {2, 6}]
    """
    made: list[set[int]] = []
    for pair in pairs:
        joined = [lock for lock in made if lock & set(pair)]
        made = [lock for lock in made if not lock & set(pair)]
        made.append(set(pair).union(*joined))
    return made


def _entry(
    run: Run,
    tracks: Sequence[Named],
    judged: dict[Pair, tuple[str, str]],
    pairs: Sequence[Pair],
    waited: dict[int, tuple[Float, Int]],
) -> Contention | None:
    """What the calls of the loop wait for one thread on one lock."""
    others = sorted({b for _, b in pairs})
    likely = {a for a, b in pairs if judged[a, b][0] == "likely"}
    by_loop, doubtful, count = np.zeros(len(run)), 0.0, 0
    made: list[CallWait] = []
    for me in sorted({a for a, _ in pairs}):
        wait, who = waited[me]
        mine = np.where(np.isin(who, others), wait, 0.0)
        if mine.sum() / len(run) / 1e6 < _NOTHING_MS:
            continue
        lost = np.bincount(tracks[me].loop, weights=mine, minlength=len(run)) / 1e6
        by_loop += lost
        count += int((mine > 0).sum())
        doubtful += float(lost.mean()) if me in likely else 0.0
        at = tracks[me].track
        service = float((at.end - at.start - wait).sum()) / len(run) / 1e6
        part = float(mine.sum() / wait.sum())
        figure = figure_of(lost, int((mine > 0).sum()), float(lost.mean()) if me in likely else 0.0)
        made.append(CallWait(run.names[tracks[me].code].name, figure, part * service))
    if not made:
        return None
    made.sort(key=lambda c: -(c.wait_ms_per_loop.value or 0.0))
    sides = _sides(tracks, pairs)
    sources = " and ".join(w for w in ("labels", "timing") if any(w in judged[p][1] for p in pairs))
    served = sum(c.service_ms_per_loop for c in made)
    figure = figure_of(by_loop, count, doubtful)
    wake = (figure.high or by_loop.mean()) - by_loop.mean()
    return Contention(
        tuple(c.name for c in made), run.thread_names[tracks[others[0]].track.thread],
        tuple(run.names[tracks[k].code].name for k in others),
        figure, Figure(served, max(served - wake, 0.0), served + doubtful),
        float(by_loop.sum() * 1e6 / run.loop_columns.period_ns.sum()),
        float((by_loop > 0).mean()), median(by_loop[by_loop > 0]), lock_kind(sides), sources,
        tuple(made), *sides,
    )  # fmt: skip


def figure_of(by_loop_ms: Float, count: int, doubtful_ms: float) -> Figure:
    """Mean waiting a loop: the scatter between loops, what is only likely, and waking up."""
    mean = float(by_loop_ms.mean())
    half = 0.0
    if len(by_loop_ms) >= 2 * BATCHES:
        half = mean - jackknife(by_loop_ms, ["mean"])["mean"].low
    wake = _WAKE_NS / 1e6 * count / len(by_loop_ms)
    return Figure(mean, max(mean - half - doubtful_ms, 0.0), mean + half + wake)


def _sides(tracks: Sequence[Named], pairs: Sequence[Pair]) -> tuple[Retakes, Retakes]:
    """Contested releases by the loop and by the other thread."""
    mine, others = (
        _together([tracks[k].track for k in sorted({p[side] for p in pairs})]) for side in (0, 1)
    )
    return retakes(mine, others), retakes(others, mine)


def _together(tracks: Sequence[Track]) -> tuple[Float, Float]:
    start = np.concatenate([t.start for t in tracks])
    order = np.argsort(start, kind="stable")
    return start[order], np.concatenate([t.end for t in tracks])[order]
