"""Figures of the loop before or after, each with the interval that it deserves."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from looptime.analysers.estimate import Figure, to_json
from looptime.planner.answer.measures import Measures, Number
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.jackknife import BATCHES, STRETCHES
from looptime.stats.student import t_quantile
from looptime.stats.twosample import welch_df

__all__ = [
    "ASSUMED_SD",
    "CONFIDENCE",
    "RunScatter",
    "Side",
    "figure_of",
    "planned",
    "side",
]

#: Of the intervals.
CONFIDENCE = 0.90
#: A figure with an interval for a recording still to come.
planned = partial(Figure, level=CONFIDENCE)
#: Run-to-run standard deviation of a mean, where no season says it.
ASSUMED_SD = 0.01
# figures of the tail differ more from run to run than the mean does
_TAIL = {"mean": 1.0, "p50": 1.0, "p90": 1.5, "p99": 2.0, "p95": 1.5}


@dataclass(frozen=True)
class RunScatter:
    """How much recordings differ with no change."""

    sd: float = ASSUMED_SD  #: Relative standard deviation of the mean
    #: Whether nobody knows it; then what a figure wanders along the log counts besides.
    assumed: bool = True

    def times(self, factor: float) -> "RunScatter":
        """Of a figure that differs by a factor more."""
        return replace(self, sd=self.sd * factor)

    def half(self, value: float, at: Number) -> float:
        """Half of the interval of a figure in a recording to come, in its unit."""
        steady = (at.se or 0.0) ** 2 + (self.sd * value) ** 2
        slow = at.wander**2 if self.assumed else 0.0
        df = welch_df(steady, slow, BATCHES - 1, STRETCHES - 1)
        return t_quantile(0.5 + CONFIDENCE / 2, df) * math.sqrt(2 * (steady + slow))


@dataclass(frozen=True)
class Side:
    """Figures of the loop before or after."""

    #: `mean`, `p50`, `p90`, `p99`; `work_ms` only in a loop that is paced.
    period_ms: dict[str, Figure]
    work_ms: dict[str, Figure]
    rate_hz: Figure  #: Loops over time
    #: `budget_ms`, and `share` and `time_share` as Figures; None without a budget.
    overruns: dict[str, Any] | None
    #: `name, thread, kind, bus` and the Figures `calls_per_loop`, `self_ms_per_loop`, `mean_ms`.
    calls: tuple[dict[str, Any], ...]
    age_at_first_use_ms: dict[str, dict[str, Figure]]  #: `mean`, `p95`, `max` by call
    bus: dict[str, dict[str, Figure]]  #: `utilisation`, `wait_ms_per_loop`

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        made = {
            "period_ms": to_json(self.period_ms),
            "rate_hz": self.rate_hz.to_dict(),
            "overruns": to_json(self.overruns),
            "calls": to_json(list(self.calls)),
            "age_at_first_use_ms": to_json(self.age_at_first_use_ms),
            "bus": to_json(self.bus),
        }
        if self.work_ms:
            made["work_ms"] = to_json(self.work_ms)
        return made


Span = Callable[[Mapping[Any, float]], tuple[float, float, float]]
Played = Mapping[Any, Measures]


def figure_of(played: Mapping[Any, Number | None], span: Span, scatter: RunScatter) -> Figure:
    """A figure of what was played, with the interval that it deserves.

    Parameters
    ----------
    played : dict of Setting to Number or None
        The figure in each setting; None where it has none.
    span : callable
        `Settings.span`.
    scatter : RunScatter
        Of the figure.
    """
    found = {at: n for at, n in played.items() if n is not None}
    values = {at: float(n.value) for at, n in found.items() if n.value is not None}
    try:
        value, low, high = span(values)
    except ValueError:  # none of the middle has it
        return planned()
    # what scatters at one end of what is not known, as loops that wait for a bus, says nothing of
    # the other; each end is off by as large a share, and by a factor towards nought
    least, most = min(values, key=values.__getitem__), max(values, key=values.__getitem__)
    low, high = min(low, value), max(high, value)
    if value <= 0:
        return planned(value, 0.0, high + max(scatter.half(value, n) for n in found.values()))
    off, over = (_share_off(values[at], found[at], scatter) for at in (least, most))
    if any(number.bounds for number in found.values()):
        ends = [n.bounds or (n.value or 0.0, n.value or 0.0) for n in found.values()]
        low, high = min(one for one, _ in ends), max(other for _, other in ends)
        off = over = 2 * scatter.sd  # figures of the tail differ from run to run all the same
    return planned(value, low * math.exp(-off), high * (1 + over))


def _share_off(value: float, at: Number, scatter: RunScatter) -> float:
    """Half of the interval of a figure in a recording to come, as a share of it."""
    return scatter.half(value, at) / value if value > 0 else scatter.sd


def side(
    played: Played, span: Span, run: Run, scatter: RunScatter, budget_ms: float | None,
    tick_ms: float = 0.0,
) -> Side:  # fmt: skip
    """Figures of the loop with intervals.

    Parameters
    ----------
    played : dict of Setting to Measures
        What was played, the middle first.
    span : callable
        `Settings.span`.
    run : Run
        Says what is known of each call.
    scatter : RunScatter
        Of the mean.
    budget_ms : float or None [ms]
        Period above which a loop overruns.
    tick_ms : float [ms]
        Fixed rate that the loop keeps; 0 for none.
    """
    first = next(iter(played.values()))
    work = {
        k: figure_of(
            {at: m.work_ms.get(k) for at, m in played.items()}, span, scatter.times(_TAIL[k])
        )
        for k in (first.work_ms or {})
    }
    work = _in_order(work, dict.fromkeys(work, 0.0))
    period = {
        k: figure_of(
            {at: m.period_ms[k] for at, m in played.items()}, span, scatter.times(_TAIL[k])
        )
        for k in ("mean", "p50", "p90", "p99")
    }
    least = {k: work[k].low or 0.0 if k in work else 0.0 for k in period}
    for k in ("mean", "p99"):  # loops that come early after a late one are no slower on average
        least[k] = max(least[k], tick_ms)
    period = _in_order(period, least)
    mean = period["mean"]
    rate = planned(*(1e3 / v if v else None for v in (mean.value, mean.high, mean.low)))
    overruns = None
    if budget_ms is not None:
        none = scatter.times(0.0)
        overruns = {
            "budget_ms": budget_ms,
            "share": _share(
                figure_of({at: m.overrun_share for at, m in played.items()}, span, none)
            ),
            "time_share": _share(
                figure_of({at: m.overrun_time_share for at, m in played.items()}, span, none)
            ),
        }
    return Side(
        period, work, rate, overruns, _calls(played, span, run, scatter),
        _ages(played, span, scatter), _buses(played, span, scatter),
    )  # fmt: skip


def _in_order(figures: Mapping[str, Figure], least: Mapping[str, float]) -> dict[str, Figure]:
    """The same, with no end where arithmetic forbids it: a quantile is not below a lower one."""
    made = {k: _within(at, least[k], math.inf) for k, at in figures.items()}
    rising = [k for k in ("p50", "p90", "p99") if k in made]
    floor, ceiling = 0.0, math.inf
    for k in rising:
        made[k] = _within(made[k], floor, math.inf)
        floor = made[k].low or floor
    for k in reversed(rising):
        made[k] = _within(made[k], 0.0, ceiling)
        ceiling = made[k].high or ceiling
    return made


def _within(at: Figure, low: float, high: float) -> Figure:
    if at.value is None or at.low is None or at.high is None:
        return at
    ends = min(max(at.low, low), at.value), max(min(at.high, high), at.value)
    return planned(at.value, *ends)


def _calls(played: Played, span: Span, run: Run, scatter: RunScatter) -> tuple[dict[str, Any], ...]:
    known = {call.name: call for call in run.names}
    made = []
    for key in next(iter(played.values())).calls:
        name, thread = key
        row: dict[str, Any] = {
            "name": name, "thread": thread, "kind": known[name].kind, "bus": known[name].bus,
        }  # fmt: skip
        for k in ("calls_per_loop", "self_ms_per_loop", "mean_ms"):
            found = {at: m.calls[key][k] for at, m in played.items() if key in m.calls}
            row[k] = figure_of(found, span, scatter)
        made.append(row)
    return tuple(sorted(made, key=lambda row: -(row["self_ms_per_loop"].value or 0.0)))


def _ages(played: Played, span: Span, scatter: RunScatter) -> dict[str, dict[str, Figure]]:
    made: dict[str, dict[str, Figure]] = {}
    for name in next(iter(played.values())).ages:
        ages = {at: m.ages[name] for at, m in played.items() if name in m.ages}
        made[name] = {
            k: figure_of({at: age[k] for at, age in ages.items()}, span,
                         scatter.times(_TAIL.get(k, 0.0)))
            for k in ("mean", "p95", "max")
        }  # fmt: skip
    return made


def _buses(played: Played, span: Span, scatter: RunScatter) -> dict[str, dict[str, Figure]]:
    made: dict[str, dict[str, Figure]] = {}
    for bus in next(iter(played.values())).bus:
        uses = {at: m.bus[bus] for at, m in played.items() if bus in m.bus}
        used, waits = (
            figure_of({at: use[k] for at, use in uses.items()}, span, scatter)
            for k in ("utilisation", "wait_ms_per_loop")
        )
        made[bus] = {"utilisation": _share(used), "wait_ms_per_loop": waits}
    return made


def _share(at: Figure) -> Figure:
    """A share is never above one."""
    if at.value is None or at.high is None:
        return at
    return planned(at.value, at.low, min(at.high, 1.0))
