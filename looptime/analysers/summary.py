"""Everything that one run says about its timing, in one frozen result."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.costs import CallCost, Costs, costs
from looptime.analysers.figure import to_json
from looptime.analysers.pace import Pace, pace
from looptime.analysers.pacing import Pacing
from looptime.run import Run

__all__ = ["Summary", "summarise"]

_CALL_KEYS = (
    "name", "thread", "kind", "kind_from", "subsystem", "device", "bus", "calls_per_loop",
    "self_ms_per_loop", "share", "p50_ms", "p99_ms", "max_ms", "first_ratio", "slow_excess_ms",
    "variance_share",
)  # fmt: skip
_UNATTRIBUTED_KEYS = ("self_ms_per_loop", "share", "slow_excess_ms", "variance_share")


@dataclass(frozen=True)
class Summary:
    """What the analysers found in one run, or in the part of it that was asked for."""

    run: Run = field(repr=False)
    basis: Basis = field(repr=False)
    pacing: Pacing
    pace: Pace
    costs: Costs
    findings: tuple[Any, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """One element of ``logs[].runs[]`` of the JSON output; undefined figures are None."""
        return to_json(_as_dict(self))

    def with_findings(self, findings: tuple[Any, ...]) -> Summary:
        """The same summary with what was concluded from it."""
        return replace(self, findings=findings)


def summarise(
    run: Run,
    *,
    budget_ms: float | None = None,
    serious_ms: float | None = None,
    keep_warmup: bool = False,
) -> Summary:
    """Analyse a run.

    Parameters
    ----------
    run : Run
    budget_ms, serious_ms : float, optional [ms]
        Period above which a loop overruns, and above which that is serious.
    keep_warmup : bool
        Judge the warm-up too.

    Returns
    -------
    Summary
    """
    basis = prepare(run)
    return Summary(
        run=basis.run,
        basis=basis,
        pacing=basis.pacing,
        pace=pace(basis, budget_ms=budget_ms, serious_ms=serious_ms),
        costs=costs(basis),
    )


def _as_dict(at: Summary) -> dict[str, Any]:
    paced = at.pace
    return {
        "loops": {"count": paced.loops, "warmup": 0, "duration_s": paced.duration_s},
        "pacing": at.pacing,
        "period_ms": paced.period_ms,
        "work_ms": paced.work_ms,
        "headroom_ms": paced.headroom_ms,
        "period_by_time_ms": paced.period_by_time_ms,
        "rate_hz": paced.rate_hz,
        "overruns": paced.overruns,
        "calls": [_row(c, _CALL_KEYS) for c in at.costs.calls],
        "kinds": _groups(at.costs, "kind"),
        "subsystems": _groups(at.costs, "subsystem"),
        "unattributed": _row(at.costs.unattributed, _UNATTRIBUTED_KEYS),
        "recorder": {"cost_share": None, "dropped": at.run.dropped},
    }


def _row(cost: CallCost, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: getattr(cost, key) for key in keys}


def _groups(costs: Costs, label: str) -> list[dict[str, Any]]:
    made = []
    for group in costs.by(label):
        figures = to_json(group)
        made.append({label: figures.pop("name"), **figures})
    return made
