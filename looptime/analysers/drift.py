"""Whether the loop gets slower along the run, or changes its level, and which call does it."""

from dataclasses import replace

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.estimate import Figure
from looptime.analysers.evenness import clock_hides
from looptime.array_types import Bool, Float
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.changepoints import ChangePoints, change_points, long_run_variance
from looptime.stats.dither import dither
from looptime.stats.levels import IN_RUN
from looptime.stats.slope import Drift, drift, drift_of_part
from looptime.stats.windows import window_medians

__all__ = ["ChangePoint", "Changes", "DriftResult", "changes"]

_PARTS = 3


@dataclass(frozen=True)
class DriftResult:
    """A trend along the run."""

    found: bool  #: Whether it is worth reporting: significant and at least 1 % over the run
    change_ms: Figure  #: From the start to the end of the run
    relative: float  #: The same over the median
    ms_per_minute: float  #: [ms/min]
    p: float
    #: Calls that make it up, each by its own trend over the same loops; the largest first.
    parts: tuple[Part, ...] = ()
    of: str = "period"  #: As `ChangePoint.of`


@dataclass(frozen=True)
class ChangePoint:
    """A loop from which on the level is another."""

    loop: int  #: Number of the loop as logged
    index: int  #: Its place in the run
    time_s: float  #: Since the start of the recording
    before_ms: float
    after_ms: float
    step_ms: float
    relative: float  #: The step over the level before
    within_loops: int  #: How exactly the place is known
    parts: tuple[Part, ...] = ()  #: Calls that make up the step; the largest first
    line: int | None = None  #: Line of the log
    #: What changes: ``period``, ``work``, or ``calls``, the time that calls cover, where a wait
    #: that is not logged keeps the period even.
    of: str = "period"


@dataclass(frozen=True)
class Changes:
    """Drift and change points of a run."""

    drift: DriftResult | None  #: None where the run is too short
    change_points: tuple[ChangePoint, ...]
    #: Which of the two describes the run better: ``drift``, ``steps`` or, where neither is found,
    #: the empty text.
    better: str = ""
    note: str = ""  #: Why nothing can be said, where that is so
    of: tuple[str, ...] = ()  #: What was looked at, and changes in the last if in any


def changes(basis: Basis) -> Changes:
    """Drift and change points of the quantity judged, each with the calls behind it.

    A step looks like a trend and a trend like a staircase: where both are found, the one with
    the smaller penalised sum of squares on the same window medians is the better account. Where
    a wait that is not logged evens the period out, the time that calls cover is looked at too.

    References
    ----------
    Theil-Sen estimate and least-squares test; penalised least squares.
    """
    found = _changes(basis)
    if found.better or basis.in_calls is None:
        return found
    inside = _changes(basis.in_calls)
    of = (basis.judged, "calls")
    return replace(inside if inside.better else found, of=of)


def _changes(basis: Basis) -> Changes:
    at = basis.run.loop_columns
    start_s = (at.start_ns - at.start_ns[0]) / 1e9 if len(at) else np.zeros(0)
    notes, tick_ms = [], basis.run.clock.tick_ns / 1e6
    if clock_hides(basis.period_ms, tick_ms):
        return Changes(None, (), note="the clock steps by about as much as a loop lasts")
    x = dither(basis.judged_ms, tick_ms) if len(at) else np.zeros(0)
    trend, steps = None, None
    try:
        trend = drift(x, start_s)
    except NotEnoughError as error:
        notes.append(str(error))
    try:
        steps = change_points(x, start_s)
    except NotEnoughError as error:
        notes.append(str(error))
    drifting = trend is not None and trend.found
    stepping = steps is not None and len(steps.loops) > 0
    better = "drift" if drifting else "steps" if stepping else ""
    if drifting and stepping:
        assert steps is not None
        better = _better(x, start_s, steps)
    return Changes(
        None if trend is None else _drift_result(basis, trend, x, start_s),
        () if steps is None else _points(basis, steps),
        better,
        "; ".join(notes),
        (basis.judged,),
    )


def _drift_result(basis: Basis, trend: Drift, x: Float, start_s: Float) -> DriftResult:
    parts: tuple[Part, ...] = ()
    if trend.found:
        index, n = np.arange(len(x)), len(x)
        most = _most(basis, index >= n - n // 3, index < n // 3)
        code = {name.name: k for k, name in enumerate(basis.run.names)}
        own = [
            basis.outside_ns if p.name == UNATTRIBUTED else basis.table.series(code[p.name])
            for p in most
        ]
        made = [
            Part(p.name, drift_of_part(ns / 1e6, x, start_s))
            for p, ns in zip(most, own, strict=True)
        ]
        parts = tuple(sorted(made, key=lambda p: -abs(p.ms)))
    return DriftResult(
        trend.found, Figure(trend.change, trend.low, trend.high), trend.relative,
        trend.per_minute, trend.p, parts, basis.judged,
    )  # fmt: skip


def _most(basis: Basis, these: Bool, those: Bool) -> tuple[Part, ...]:
    """The largest parts of a difference; of calls' time what no call covers is none."""
    every = contrast(basis, these, those)
    return tuple(p for p in every if basis.judged != "calls" or p.name != UNATTRIBUTED)[:_PARTS]


def _points(basis: Basis, steps: ChangePoints) -> tuple[ChangePoint, ...]:
    at, n = basis.run.loop_columns, len(basis.run)
    edges = [0, *(int(k) for k in steps.loops), n]
    index, made = np.arange(n), []
    for k, loop in enumerate(steps.loops):
        before = (index >= edges[k]) & (index < edges[k + 1])
        after = (index >= edges[k + 1]) & (index < edges[k + 2])
        low, high = float(steps.levels[k]), float(steps.levels[k + 1])
        made.append(
            ChangePoint(
                int(at.loop[loop]),
                int(loop),
                basis.time_s(int(loop)),
                low,
                high,
                high - low,
                float(steps.relative_steps[k]),
                steps.loops_per_window,
                _most(basis, after, before),
                None if at.line is None else int(at.line[loop]),
                basis.judged,
            )
        )
    return tuple(made)


def _better(x: Float, start_s: Float, steps: ChangePoints) -> str:
    windows = window_medians(x, start_s, steps.loops_per_window)
    y, t, k = windows.medians, windows.centres_s, len(windows.medians)
    line = y - np.polyval(np.polyfit(t - t.mean(), y, 1), t - t.mean())
    edges = np.append(steps.loops // steps.loops_per_window, k)
    level = np.repeat(steps.levels, np.diff(np.append(0, edges)))
    stairs = y - level
    # each straight piece costs what a segment costs in the search for change points
    price = IN_RUN.change_penalty * long_run_variance(y) * np.log(k)
    cost_line = float(line @ line) + price
    cost_steps = float(stairs @ stairs) + (len(steps.loops) + 1) * price
    return "drift" if cost_line <= cost_steps else "steps"
