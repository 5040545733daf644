"""Everything that one run says about its timing, in one frozen result."""

from __future__ import annotations

from dataclasses import field, replace
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.beside import beside
from looptime.analysers.blocking import Blocking, blocking
from looptime.analysers.buses import Buses, buses
from looptime.analysers.call_costs import CallCost, Costs, costs
from looptime.analysers.contention import Contentions, judged_by_labels, meet
from looptime.analysers.drift import Changes, changes
from looptime.analysers.durations import call_times, first_durations_ms
from looptime.analysers.estimate import to_json
from looptime.analysers.freshness import Freshness, freshness
from looptime.analysers.pace import Pace, pace
from looptime.analysers.pacing import Pacing, periods_told
from looptime.analysers.part import in_phase
from looptime.analysers.recurs import Recurrences, recurs
from looptime.analysers.slow import SlowLoops, slow_events
from looptime.analysers.warmup import WarmUpCut, warmup
from looptime.project import Heading, Project
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Summary", "summarise"]

_CALL_KEYS = (
    "name", "thread", "kind", "kind_from", "subsystem", "device", "bus", "count",
    "calls_per_loop", "self_ms_per_loop", "share", "p50_ms", "p99_ms", "max_ms", "first_ratio",
    "slow_excess_ms", "variance_share",
)  # fmt: skip
_UNATTRIBUTED_KEYS = ("self_ms_per_loop", "share", "slow_excess_ms", "variance_share")
_BUS_KEYS = (
    "bus", "transactions_per_loop", "ms_per_loop", "share", "other_transactions_per_loop",
    "other_ms_per_loop", "busy_share", "overlaps",
)  # fmt: skip
_SLOW_EVENTS = 20
_NOT_LOOKED = Recurrences((), None, "what recurs is looked for in whole stretches of a run")


@dataclass(frozen=True)
class Summary:
    """What the analysers found in one run, or in the part of it that was asked for.

    Parameters
    ----------
    run : Run
        The loops that the figures rest on.
    phase : str or None
        Phase of the log that they belong to, where only one was looked at.
    loops : int
        Loops of the part, with the warm-up.
    duration_s : float [s]
        Their length.
    findings : tuple
        What was concluded; empty until `looptime.findings` has looked.
    """

    run: Run = field(repr=False)
    basis: Basis = field(repr=False)
    phase: str | None
    loops: int
    duration_s: float
    warmup: WarmUpCut
    pace: Pace
    costs: Costs
    slow: SlowLoops
    blocking: tuple[Blocking, ...]
    buses: Buses
    contention: Contentions
    recurrence: Recurrences
    changes: Changes
    freshness: tuple[Freshness, ...]
    findings: tuple[Any, ...] = ()

    @property
    def pacing(self) -> Pacing:
        """How the loop is paced."""
        return self.basis.pacing

    @property
    def recorder_share(self) -> float | None:
        """Share of the time that recording itself costs, where the recorder states its cost."""
        try:
            row_ns = float(self.run.meta.get("row_cost_ns", ""))
        except ValueError:
            return None
        total = self.run.duration_s * 1e9
        if not (0 <= row_ns <= total and total > 0):
            return None
        return row_ns * int(self.run.on_loop_thread.sum()) / total

    def to_dict(self) -> dict[str, Any]:
        """One element of ``logs[].runs[]`` of the JSON output; undefined figures are None."""
        made: dict[str, Any] = to_json(_as_dict(self))
        return made

    def with_findings(self, findings: tuple[Any, ...]) -> Summary:
        """The same summary with what was concluded from it."""
        return replace(self, findings=findings)


def summarise(
    run: Run,
    *,
    budget_ms: float | None = None,
    serious_ms: float | None = None,
    keep_warmup: bool = False,
    phase: str | None = None,
    read_instant: str = "start",
    heading: Heading | None = None,
    project: Project | None = None,
    origin_ns: int | None = None,
    rhythms: bool = True,
    whole: Basis | None = None,
) -> Summary:
    """Analyse a run.

    Warm-up is looked for in the whole run, before a phase is picked out of it.

    Parameters
    ----------
    run : Run
        The recording, or the part of it to look at.
    budget_ms, serious_ms : float, optional [ms]
        Period above which a loop overruns, and above which that is serious.
    keep_warmup : bool
        Leave the warm-up in the figures.
    phase : str, optional
        Look at this phase only.
    read_instant : {"start", "end"}
        When during a sensor read the reading is taken.
    heading : Heading, optional
        Where the heading is read, picked up and used.
    project : Project, optional
        What it states of threads that take turns.
    origin_ns : int, optional [ns]
        Start of the whole recording on its clock, if `run` is a part of it.
    rhythms : bool
        Whether to look for what recurs: it means nothing in loops taken from here and there.

    whole : Basis, optional
        ``prepare(run, origin_ns=origin_ns)``, if it is at hand.

    Raises
    ------
    UsageError
        If there is no such phase.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> period = np.full(100, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(100), np.cumsum(period) - period, period))
    >>> summarise(run).to_dict()["rate_hz"]
    {'by_loops': 50.0, 'by_time': 50.0}
    """
    basis = prepare(run, origin_ns=origin_ns) if whole is None else whole
    run = basis.run
    keep_warmup |= not periods_told(run)
    cut = warmup(basis, keep=keep_warmup)
    keep = in_phase(run, phase) if phase is not None else np.ones(len(run), bool)
    loops, duration_s = int(keep.sum()), float(run.loop_columns.period_ns[keep].sum()) / 1e9
    if not keep_warmup:
        keep &= np.arange(len(run)) >= cut.loops
    chosen = run
    if not keep.all():
        basis = prepare(run.select(keep), origin_ns=basis.origin_ns)
        chosen = basis.run
    with beside(chosen) as ask:  # what does not need the others' answers
        fresh = ask(freshness, chosen, read_instant=read_instant, stated=heading)
        moved = ask(changes, basis)
        slow = slow_events(basis, budget_ms)
        paced = pace(basis, budget_ms=budget_ms, serious_ms=serious_ms)
        times = call_times(chosen)
        by_bus = ask(buses, basis, times, None if project is None else project.buses)
        waiting = ask(_contention, basis, project)
        blocks = ask(blocking, chosen, times)
        first_ms = {} if chosen is run else first_durations_ms(run, times)
        cost = costs(basis, slow.is_slow, first_ms, times)
        again = recurs(basis, cost, slow) if rhythms else _NOT_LOOKED
        return Summary(
            run=chosen,
            basis=basis,
            phase=phase,
            loops=loops,
            duration_s=duration_s,
            warmup=cut,
            pace=paced,
            costs=cost,
            slow=slow,
            recurrence=_own(chosen, again, (waits := waiting())),
            blocking=blocks(),
            buses=by_bus(),
            contention=waits,
            changes=moved(),
            freshness=fresh(),
        )


def _contention(basis: Basis, project: Project | None) -> Contentions:
    """Who waits for whom, also for turns to compute where threads meet at all."""
    met = meet(basis)
    found = judged_by_labels(basis.run, met)
    if not met.meetings:
        return found
    from looptime.analysers.turn_contention import with_turns  # most logs are of one thread

    return with_turns(basis.run, met, found, project)


def _own(run: Run, found: Recurrences, waiting: Contentions) -> Recurrences:
    """What comes back by a rule of its own, and not as an echo of another thread."""
    if not waiting.found or not found.found:
        return found
    from looptime.analysers.echoes import without_echoes  # most logs are of one thread

    return without_echoes(run, found, waiting)


def _as_dict(at: Summary) -> dict[str, Any]:
    paced = at.pace
    return {
        "group": at.run.meta.get("group"),
        "phase": at.phase,
        "loops": {
            "count": at.loops,
            "warmup": at.loops - paced.loops,
            "used": paced.loops,
            "duration_s": at.duration_s,
            "used_duration_s": paced.duration_s,
        },
        "warmup": at.warmup,
        "pacing": at.pacing,
        "judged": at.basis.judged,
        "period_ms": paced.period_ms,
        "work_ms": paced.work_ms,
        "headroom_ms": paced.headroom_ms,
        "period_by_time_ms": paced.period_by_time_ms,
        "rate_hz": paced.rate_hz,
        "overruns": paced.overruns,
        "calls": [_call(at, c) for c in at.costs.calls],
        "contention": at.contention.found,
        "label_doubts": at.contention.disagreements,
        "result_waits": at.contention.results,
        "kinds": _groups(at.costs, "kind"),
        "threads": _threads(at),
        "subsystems": _groups(at.costs, "subsystem"),
        "devices": _groups(at.costs, "device"),
        "buses": [_picked(b, _BUS_KEYS) for b in at.buses.buses],
        "repeated_reads": at.buses.repeated,
        "batch_candidates": at.buses.batches,
        "unattributed": {
            **_picked(at.costs.unattributed, _UNATTRIBUTED_KEYS),
            "tick_wait_excess_ms": at.costs.tick_wait_ms,
        },
        "blocking": at.blocking,
        "slow": _slow(at),
        "recurrence": [*at.recurrence.found, *at.recurrence.threads],
        "pauses": at.recurrence.pauses,
        "drift": at.changes.drift,
        "change_points": at.changes.change_points,
        "freshness": at.freshness,
        "recorder": {"cost_share": at.recorder_share, "dropped": at.run.dropped},
        "findings": at.findings,
    }


def _picked(result: object, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: getattr(result, key) for key in keys}


def _call(at: Summary, call: CallCost) -> dict[str, Any]:
    """A call's figures; of its self time the loop waits so much for other threads."""
    wait = at.contention.wait_ms.get(call.name, 0.0) if call.share is not None else None
    return {**_picked(call, _CALL_KEYS), "wait_ms_per_loop": wait}


def _groups(costs: Costs, label: str) -> list[dict[str, Any]]:
    made = []
    for group in costs.by(label):
        figures = to_json(group)
        made.append({label: figures.pop("name"), **figures})
    return made


def _threads(at: Summary) -> list[dict[str, Any]]:
    """Calls and self time of each thread; a share for the loop's thread only."""
    made: dict[str, dict[str, Any]] = {}
    for call in at.costs.calls:
        row = made.setdefault(
            call.thread,
            {"thread": call.thread, "calls_per_loop": 0.0, "self_ms_per_loop": 0.0, "share": None},
        )
        row["calls_per_loop"] += call.calls_per_loop
        row["self_ms_per_loop"] += call.self_ms_per_loop
        if call.share is not None:
            row["share"] = (row["share"] or 0.0) + call.share
    return list(made.values())


def _slow(at: Summary) -> dict[str, Any]:
    slow = at.slow
    keys = ("threshold_ms", "above_ms", "typical_ms", "count", "share", "time_share")
    return {
        **_picked(slow, keys),
        "mean_excess_ms": at.costs.mean_excess_ms,
        "events": len(slow.events),
        "slowest": slow.events[:_SLOW_EVENTS],
        "by_culprit": slow.by_culprit,
    }
