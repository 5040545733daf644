"""The figures of one recording."""

import math
from collections.abc import Sequence
from dataclasses import field, replace
from functools import cached_property

import numpy as np

from looptime.array_types import Float, Int
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.histogram import Histogram
from looptime.checks.recording.recording import Part, Series, rest_part
from looptime.records import dataclass
from looptime.stats.dither import TOO_COARSE, dither, untold_ms, untold_there
from looptime.stats.jackknife import BATCHES, jackknife
from looptime.stats.quantiles import quantiles, worst_mean
from looptime.stats.statistic import parse_statistic, required_loops

__all__ = [
    "CALL_STATISTICS",
    "RUN_STATISTICS",
    "CallValues",
    "RunValues",
    "Value",
    "average",
    "measure",
    "shown_statistics",
    "without_base",
]

#: Figures of a whole run that are kept, in the order in which they are shown.
RUN_STATISTICS = ("mean", "median", "p95", "p99", "worst5", "worst1", "overruns", "rate")
#: Figures judged of each call.
CALL_STATISTICS = ("mean", "p99")

_SHARES = ("mean", "median", "p95", "p99", "worst5", "worst1")


@dataclass(frozen=True)
class Value:
    """One figure of one run."""

    quantity: str  #: ``period``, ``work`` or ``self time``
    statistic: str  #: One of `RUN_STATISTICS`
    value: float  #: As displayed [ms; overruns a count, rate in 1/s]
    judged: float  #: As judged: dithered where the clock is coarse
    se: float | None  #: Standard error within the run, same unit
    n: int  #: Loops behind it
    #: Whether it drifts along the run; whether n allows a verdict.
    drifting: bool = False
    enough: bool = True
    #: As in `Estimate`; a season does not keep it, as its runs show how much they differ.
    wander: float = field(default=0.0, compare=False)
    #: By how much it may be off where the clock hides how loops differ [ms]; nor is that kept.
    untold_ms: float = field(default=0.0, compare=False)

    @property
    def refused(self) -> str:
        """Why it allows no verdict; empty where it does."""
        need = required_loops("mean" if self.statistic == "rate" else self.statistic)
        if self.enough:
            return ""
        few = f"{self.n:,} loops are too few for this figure: it needs {need:,}"
        return few if self.n < need and not self.untold_ms else TOO_COARSE


def average(values: Sequence[Value]) -> float:
    """Mean of a figure over runs, in its unit."""
    return math.fsum(v.value for v in values) / len(values)


@dataclass(frozen=True)
class CallValues:
    """The figures of one call of one run."""

    #: As in `Part`.
    name: str
    thread: str
    kind: str
    subsystem: str | None
    device: str | None
    bus: str | None
    on_loop_thread: bool
    counts: bool
    calls: int  #: Calls made
    total_ns: int  #: Exact sum of the self time
    #: Of the self time per loop [ms].
    mean: Value
    p99: Value
    #: Of whole calls.
    duration_mean_ms: float | None = None
    duration_p50_ms: float | None = None
    duration_p99_ms: float | None = None
    duration_max_ms: float | None = None
    #: As in `Value`, of whole calls.
    untold_ms: float = field(default=0.0, compare=False)

    @property
    def key(self) -> tuple[str, str]:
        """As in `Part`."""
        return (self.name, "" if self.on_loop_thread else self.thread)


@dataclass(frozen=True)
class RunValues:
    """All figures of one run: what the season store keeps."""

    facts: Facts
    values: tuple[Value, ...]  #: Of the period, and of work where it is known
    calls: tuple[CallValues, ...]  #: The last one is what no call covers
    #: ``("period", "", "")``, ``("work", "", "")`` and ``("call", name, thread)`` (durations of
    #: whole calls), dict of (quantity, name, thread) to Histogram.
    histograms: dict[tuple[str, str, str], Histogram] = field(repr=False)
    max_ms: dict[str, float] = field(default_factory=dict)  #: Longest period, and work

    @cached_property
    def by_name(self) -> dict[tuple[str, str], Value]:
        """Values by (quantity, statistic)."""
        return {(v.quantity, v.statistic): v for v in self.values}

    def get(self, statistic: str, quantity: str | None = None) -> Value | None:
        """One value; of the quantity judged unless another is named."""
        if statistic in ("overruns", "rate"):
            quantity = "period"
        return self.by_name.get((quantity or self.facts.judged, statistic))

    @cached_property
    def call(self) -> dict[tuple[str, str], CallValues]:
        """Calls by their key."""
        return {c.key: c for c in self.calls}


def shown_statistics(loops: int) -> tuple[str, ...]:
    """Figures to judge in runs of so many loops: of a short run the worst 5 %, not the worst 1 %.

    Examples
    --------
    >>> "worst5" in shown_statistics(2500), "worst5" in shown_statistics(6000)
    (True, False)
    """
    other = "worst5" if loops >= required_loops("worst1") else "worst1"
    return tuple(s for s in RUN_STATISTICS if s != other)


def _plain(x_ms: Float, statistic: str) -> float:
    figure = parse_statistic(statistic)
    if figure.kind == "mean":
        return float(x_ms.mean())
    if figure.kind == "worst":
        return worst_mean(x_ms, figure.share)
    return float(quantiles(x_ms, [figure.share])[0])


def _values(quantity: str, x_ns: Int, statistics: tuple[str, ...], tick_ns: float) -> list[Value]:
    """Figures of a series [ms] with their standard errors."""
    n, x = len(x_ns), x_ns / 1e6
    if n < 2 * BATCHES:
        plain = ((s, _plain(x, s)) for s in statistics)
        return [Value(quantity, s, v, v, None, n, enough=False) for s, v in plain]
    shown = jackknife(x, statistics)
    judged = shown
    smooth = dither(x, tick_ns / 1e6)
    if smooth is not x and not np.array_equal(smooth, x):
        judged = jackknife(smooth, [s for s in statistics if s != "mean"])
        judged = {s: judged.get(s, shown[s]) for s in statistics}
    tick = tick_ns / 1e6 if tick_ns > 1 else 0.0
    off = {s: 0.0 if s == "mean" else untold_there(x, tick, shown[s].value) for s in statistics}
    return [
        Value(quantity, s, shown[s].value, judged[s].value, judged[s].se, n, judged[s].drifting,
              judged[s].enough and not off[s], judged[s].wander, off[s])
        for s in statistics
    ]  # fmt: skip


def _counts(series: Series) -> list[Value]:
    """Overruns (where there is a budget) and the loop rate."""
    period, n = series.period_ns, len(series.period_ns)
    out, budget = [], series.facts.budget_ms
    many = n >= 2 * BATCHES
    if budget is not None:
        count = int((period > budget * 1e6).sum())
        se = None
        if many:
            se = jackknife(period / 1e6, ["overruns"], budget)["overruns"].se * n
        enough = n >= required_loops("overruns")
        out.append(Value("period", "overruns", count, count, se, n, enough=enough))
    rate = n / (float(period.sum()) / 1e9)
    se = None
    drifting = False
    if many:
        mean = jackknife(period / 1e6, ["mean"])["mean"]
        se, drifting = rate * mean.relative_se, mean.drifting
    out.append(Value("period", "rate", rate, rate, se, n, drifting, n >= required_loops("mean")))
    return out


def _call_values(part: Part, tick_ns: float) -> CallValues:
    mean, p99 = _values("self time", part.self_ns, CALL_STATISTICS, tick_ns)
    d = part.durations_ns
    mean_ms = p50 = high = most = None
    if len(d):
        p50, high = (float(q) / 1e6 for q in quantiles(d, [0.5, 0.99]))
        mean_ms, most = float(d.mean()) / 1e6, float(d.max()) / 1e6
    return CallValues(
        part.name, part.thread, part.kind, part.subsystem, part.device, part.bus,
        part.on_loop_thread, part.counts, len(d), int(part.self_ns.sum()), mean, p99,
        mean_ms, p50, high, most, untold_ms(d / 1e6, tick_ns / 1e6) if tick_ns > 1 else 0.0,
    )  # fmt: skip


def measure(series: Series, histograms: bool = True) -> RunValues:
    """All figures of a series."""
    tick = float(series.facts.tick_ns)
    values = _values("period", series.period_ns, _SHARES, tick)
    quantities = {"period": series.period_ns}
    if series.work_ns is not None:
        same = series.work_ns is series.period_ns
        values += (
            [replace(v, quantity="work") for v in values]
            if same
            else _values("work", series.work_ns, _SHARES, tick)
        )
        quantities["work"] = series.work_ns
    values += _counts(series)
    calls = [_call_values(part, tick) for part in [*series.parts, rest_part(series)]]
    made = {}
    if histograms:
        made = {(q, "", ""): Histogram.of(x) for q, x in quantities.items()}
        for part in series.parts:
            made["call", *part.key] = Histogram.of(part.durations_ns)
    longest = {q: float(x.max()) / 1e6 for q, x in quantities.items()}
    return RunValues(series.facts, tuple(values), tuple(calls), made, longest)


def without_base(level: float, base: float) -> float:
    """What a level is without what it was judged together with; 0 where only rounding is left.

    Examples
    --------
    >>> without_base(3.5, 3.0), without_base(0.1 + 0.2, 0.3), without_base(2.0, 0.0)
    (0.5, 0.0, 2.0)
    """
    return level - base if level - base > 1e-9 * level else 0.0
