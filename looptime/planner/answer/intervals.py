"""Figures of the loop before or after, each with the interval that it deserves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure, to_json
from looptime.planner.answer.measures import Measures, Number
from looptime.run import Run
from looptime.stats.student import t_quantile

__all__ = ["CONFIDENCE", "Side", "figure_of", "side"]

#: Of the intervals.
CONFIDENCE = 0.90
# figures of the tail differ more from run to run than the mean does
_TAIL = {"mean": 1.0, "p50": 1.0, "p90": 1.5, "p99": 2.0, "p95": 1.5}


@dataclass(frozen=True)
class Side:
    """Figures of the loop before or after.

    Parameters
    ----------
    period_ms, work_ms : dict of str to Figure [ms]
        `mean`, `p50`, `p90`, `p99`; `work_ms` only in a loop that is paced.
    rate_hz : Figure [1/s]
        Loops over time.
    overruns : dict
        `budget_ms`, and `share` and `time_share` as Figures; None without a budget.
    calls : tuple of dict
        `name, thread, kind, bus` and the Figures `calls_per_loop`, `self_ms_per_loop`, `mean_ms`.
    reading_age_ms : dict of str to dict of str to Figure [ms]
        `mean`, `p95`, `max` by call.
    bus : dict of str to dict of str to Figure
        `utilisation`, `wait_ms_per_loop`.
    """

    period_ms: dict[str, Figure]
    work_ms: dict[str, Figure]
    rate_hz: Figure
    overruns: dict[str, Any] | None
    calls: tuple[dict[str, Any], ...]
    reading_age_ms: dict[str, dict[str, Figure]]
    bus: dict[str, dict[str, Figure]]

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        made = {
            "period_ms": to_json(self.period_ms),
            "rate_hz": self.rate_hz.to_dict(),
            "overruns": to_json(self.overruns),
            "calls": to_json(list(self.calls)),
            "reading_age_ms": to_json(self.reading_age_ms),
            "bus": to_json(self.bus),
        }
        if self.work_ms:
            made["work_ms"] = to_json(self.work_ms)
        return made


def figure_of(middle: list[Number | None], corners: list[Number | None], sd: float = 0.0) -> Figure:
    """The middle of what was played, and an interval that holds all of it."""
    values = [n.value for n in middle if n is not None and n.value is not None]
    spans = [n.value for n in corners if n is not None and n.value is not None]
    if not values or not spans:
        return Figure()
    value = float(np.mean(values))
    errors = [n.se for n in middle if n is not None and n.se is not None]
    se = max(errors, default=0.0)
    half = t_quantile(0.5 + CONFIDENCE / 2, 19) * float(np.sqrt(2 * se**2 + 2 * (sd * value) ** 2))
    low, high = min(*spans, value), max(*spans, value)
    if value <= 0:
        return Figure(value, 0.0, high + half)
    off = half / value  # each end is off by as large a share
    return Figure(value, max(low * (1 - off), 0.0), high * (1 + off))


def side(
    middle: list[Measures], corners: list[Measures], run: Run, sd: float, budget_ms: float | None
) -> Side:
    """Figures of the loop with intervals.

    Parameters
    ----------
    middle, corners : list of Measures
        What was played at the middle of what is not known, and at all its corners.
    run : Run
        Says what is known of each call.
    sd : float
        Relative run-to-run standard deviation.
    budget_ms : float or None [ms]
        Period above which a loop overruns.
    """
    period = {
        k: figure_of([m.period_ms[k] for m in middle], [m.period_ms[k] for m in corners],
                        sd * _TAIL[k])
        for k in ("mean", "p50", "p90", "p99")
    }  # fmt: skip
    work = {
        k: figure_of([m.work_ms.get(k) for m in middle], [m.work_ms.get(k) for m in corners],
                        sd * _TAIL[k])
        for k in (middle[0].work_ms or {})
    }  # fmt: skip
    mean = period["mean"]
    rate = Figure(*(1e3 / v if v else None for v in (mean.value, mean.high, mean.low)))
    overruns = None
    if budget_ms is not None:
        overruns = {
            "budget_ms": budget_ms,
            "share": _share(figure_of([m.overrun_share for m in middle],
                                         [m.overrun_share for m in corners])),
            "time_share": _share(figure_of([m.overrun_time_share for m in middle],
                                              [m.overrun_time_share for m in corners])),
        }  # fmt: skip
    return Side(
        period, work, rate, overruns, _calls(middle, corners, run, sd),
        _ages(middle, corners, sd), _buses(middle, corners, sd),
    )  # fmt: skip


def _calls(
    middle: list[Measures], corners: list[Measures], run: Run, sd: float
) -> tuple[dict[str, Any], ...]:
    known = {call.name: call for call in run.names}
    made = []
    for key in middle[0].calls:
        name, thread = key
        row: dict[str, Any] = {
            "name": name, "thread": thread, "kind": known[name].kind, "bus": known[name].bus,
        }  # fmt: skip
        for k in ("calls_per_loop", "self_ms_per_loop", "mean_ms"):
            row[k] = figure_of(
                [m.calls[key][k] for m in middle if key in m.calls],
                [m.calls[key][k] for m in corners if key in m.calls],
                sd,
            )
        made.append(row)
    return tuple(sorted(made, key=lambda row: -(row["self_ms_per_loop"].value or 0.0)))


def _ages(
    middle: list[Measures], corners: list[Measures], sd: float
) -> dict[str, dict[str, Figure]]:
    def number(m: Measures, name: str, k: str) -> Number | None:
        return Number(getattr(m.ages[name], k)) if name in m.ages else None

    return {
        name: {
            k: figure_of(
                [number(m, name, k) for m in middle], [number(m, name, k) for m in corners],
                sd * _TAIL.get(k, 0.0),
            )
            for k in ("mean", "p95", "max")
        }
        for name in middle[0].ages
    }  # fmt: skip


def _buses(
    middle: list[Measures], corners: list[Measures], sd: float
) -> dict[str, dict[str, Figure]]:
    return {
        bus: {
            k: _share(
                figure_of(
                    [m.bus[bus][k] for m in middle if bus in m.bus],
                    [m.bus[bus][k] for m in corners if bus in m.bus],
                    sd,
                ),
                k,
            )
            for k in ("utilisation", "wait_ms_per_loop")
        }
        for bus in middle[0].bus
    }


def _share(at: Figure, kind: str = "share") -> Figure:
    """A share is never above one."""
    if at.value is None or at.high is None or kind == "wait_ms_per_loop":
        return at
    return Figure(at.value, at.low, min(at.high, 1.0))
