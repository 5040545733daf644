"""What the loop waits for threads that take turns with it to compute, on one lock or processor."""

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from looptime.analysers.contention import (
    CallWait,
    Contention,
    Contentions,
    Met,
    Named,
    ResultWait,
    figure_of,
)
from looptime.analysers.thread_rule import ThreadRule, compute_share, thread_rule
from looptime.array_types import Float, Int
from looptime.project import Project
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.retaking import Retakes
from looptime.stats.turn_waits import TurnWaits, turn_waits

__all__ = ["COMPUTES", "turn_contention", "turns_seen", "with_turns"]

#: Share of its time from which on a call counts as one that computes.
COMPUTES = 0.5
#: Waits shorter than this a loop are not worth a word [ms].
_NOTHING_MS = 1e-4


def with_turns(run: Run, met: Met, found: Contentions, project: Project | None) -> Contentions:
    """Who waits for whom, with those who wait for turns; `project` may state that there are such.

    Parameters
    ----------
    run : Run
        The recording.
    met : Met
        How its calls meet.
    found : Contentions
        Who waits for a lock or a bus; they wait for no turn besides.
    project : Project, optional
        Its ``[loop]`` is asked.
    """
    stated = (None, None) if project is None else (project.threads, project.switch_interval_ms)
    turns = turn_contention(run, met.tracks, thread_rule(run.meta, *stated), found.wait_ms)
    if not turns:
        return found
    both = sorted((*found.found, *turns), key=lambda e: -(e.wait_ms_per_loop.value or 0.0))
    results = tuple(r for r in found.results if not _over(turns, r))
    return replace(found, found=tuple(both), results=results)


def turns_seen(run: Run, tracks: Sequence[Named], rule: ThreadRule, me: int) -> TurnWaits | None:
    """What calls of thread `me` wait for turns of the others; None where nothing shows it."""
    if rule.mode == "at once":
        return None
    share = compute_share(run)
    computes = {
        k: None if (part := share[one.code]) is None else part >= COMPUTES
        for k, one in enumerate(tracks)
    }
    mine = [k for k, one in enumerate(tracks) if one.track.thread == me]
    stated = rule.switch_ms * 1e6 if rule.mode == "take turns" else None
    return turn_waits([one.track for one in tracks], mine, computes, stated)


def turn_contention(
    run: Run, tracks: Sequence[Named], rule: ThreadRule, told: Collection[str] = ()
) -> tuple[Contention, ...]:
    """Calls of the loop that wait for the turns of each other thread, without those told already.

    Parameters
    ----------
    run : Run
        The recording.
    tracks : sequence of Named
        As `looptime.analysers.contention.meet` gives them.
    rule : ThreadRule
        What is stated of how threads get along.
    told : collection of str
        Calls whose waits are another lock's.
    """
    seen = turns_seen(run, tracks, rule, run.loop_thread)
    if seen is None:
        return ()
    waits = {k: one for k, one in seen.waits.items() if run.names[tracks[k].code].name not in told}
    stated = "project" if rule.source == "looptime.toml" else "log"
    source = f"{stated} and timing" if rule.mode == "take turns" else "timing"
    threads = sorted({t.track.thread for t in tracks} - {run.loop_thread})
    made = [_entry(run, tracks, waits, thread, source, seen.turn_ns) for thread in threads]
    return tuple(one for one in made if one is not None)


def _over(entries: Sequence[Contention], result: ResultWait) -> bool:
    """Whether a call that ends with another thread's does so as that one's turn is over."""
    return any(result.thread == e.thread and result.partner in e.partners for e in entries)


def _entry(
    run: Run, tracks: Sequence[Named], waits: dict[int, tuple[Float, Int]], thread: int,
    source: str, turn_ns: float | None,
) -> Contention | None:  # fmt: skip
    others = [k for k, one in enumerate(tracks) if one.track.thread == thread]
    by_loop, count = np.zeros(len(run)), 0
    made, partners = [], set()
    for me, (wait, who) in waits.items():
        mine = np.where(np.isin(who, others), wait, 0.0)
        if mine.sum() / len(run) / 1e6 < _NOTHING_MS:
            continue
        lost = np.bincount(tracks[me].loop, weights=mine, minlength=len(run)) / 1e6
        by_loop, hit = by_loop + lost, int((mine > 0).sum())
        count += hit
        partners.update(who[mine > 0].tolist())
        at = tracks[me].track
        service = float((at.end - at.start - wait).sum()) / len(run) / 1e6
        part = float(mine.sum() / wait.sum()) * service
        made.append(CallWait(run.names[tracks[me].code].name, figure_of(lost, hit, 0.0), part))
    if not made:
        return None
    made.sort(key=lambda c: -(c.wait_ms_per_loop.value or 0.0))
    served, figure = sum(c.service_ms_per_loop for c in made), figure_of(by_loop, count, 0.0)
    none = Retakes(0, 0, 0, 0)
    return Contention(
        tuple(c.name for c in made), run.thread_names[thread],
        tuple(run.names[tracks[k].code].name for k in sorted(partners)),
        figure, figure_of(np.full(len(run), served), count, 0.0),
        float(by_loop.sum() * 1e6 / run.loop_columns.period_ns.sum()),
        float((by_loop > 0).mean()), median(by_loop[by_loop > 0]), "interpreter", source,
        tuple(made), none, none, None if turn_ns is None else turn_ns / 1e6,
    )  # fmt: skip
