"""Many runs as one: whole-number counts and sums that merge exactly, in any order and grouping."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field
from functools import reduce
from typing import Any

from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.histogram import ERROR_BOUND, Histogram
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["CallTotals", "Totals", "merged", "totals"]

_SHARES = {"p50": 0.5, "p95": 0.95, "p99": 0.99, "p999": 0.999}


@dataclass(frozen=True)
class CallTotals:
    """The calls of one name over many runs."""

    calls: int = 0  #: Calls made
    self_ns: int = 0  #: Exact sum of the self time
    #: Of whole calls; empty for what no call covers.
    durations: Histogram = field(default_factory=Histogram.empty)

    def __add__(self, other: CallTotals) -> CallTotals:
        return CallTotals(
            self.calls + other.calls,
            self.self_ns + other.self_ns,
            self.durations + other.durations,
        )


@dataclass(frozen=True)
class Totals:
    """What many runs hold together."""

    runs: int = 0
    loops: int = 0
    overruns: int = 0  #: Periods above each run's own budget; runs without a budget count none
    #: `work` only of the runs in which it is known.
    period: Histogram = field(default_factory=Histogram.empty)
    work: Histogram = field(default_factory=Histogram.empty)
    #: The thread is empty on the loop's thread, dict of (name, thread) to CallTotals.
    calls: dict[tuple[str, str], CallTotals] = field(default_factory=dict)

    def __add__(self, other: Totals) -> Totals:
        keys = sorted({*self.calls, *other.calls})
        none = CallTotals()
        return Totals(
            self.runs + other.runs,
            self.loops + other.loops,
            self.overruns + other.overruns,
            self.period + other.period,
            self.work + other.work,
            {k: self.calls.get(k, none) + other.calls.get(k, none) for k in keys},
        )

    def to_dict(self) -> dict[str, Any]:
        """As in JSON; quantiles are within 1 % of those of all loops and calls."""
        calls = sorted(self.calls.items(), key=lambda item: (-item[1].self_ns, item[0]))
        return {
            "runs": self.runs,
            "loops": self.loops,
            "overruns": self.overruns,
            "quantile_error": ERROR_BOUND,
            "period_ms": _figures(self.period),
            "work_ms": _figures(self.work),
            "calls": [
                {"name": name, "thread": thread or None, "calls": c.calls,
                 "self_ms_per_loop": c.self_ns / self.loops / 1e6 if self.loops else None,
                 "duration_ms": _figures(c.durations)}
                for (name, thread), c in calls
            ],
        }  # fmt: skip


def _figures(histogram: Histogram) -> dict[str, float] | None:
    if not histogram.count:
        return None
    found = histogram.quantiles_ns(list(_SHARES.values())) / 1e6
    return {
        "mean": histogram.total_ns / histogram.count / 1e6,
        **{name: float(v) for name, v in zip(_SHARES, found, strict=True)},
        "max": histogram.most_ns / 1e6,
    }


def totals(values: RunValues) -> Totals:
    """The totals of one run."""
    overruns = values.get("overruns")
    nothing = Histogram.empty()
    calls = {
        c.key: CallTotals(
            c.calls, c.total_ns,
            nothing if c.name == UNATTRIBUTED else values.histograms.get(("call", *c.key), nothing),
        )
        for c in values.calls
    }  # fmt: skip
    return Totals(
        1,
        values.facts.loops,
        0 if overruns is None else round(overruns.value),
        values.histograms.get(("period", "", ""), nothing),
        values.histograms.get(("work", "", ""), nothing),
        dict(sorted(calls.items())),
    )


def merged(runs: Iterable[RunValues]) -> Totals:
    """The totals of many runs; neither their order nor how they are grouped makes a difference."""
    return reduce(lambda a, b: a + b, (totals(run) for run in runs), Totals())
