"""What a search for remedies found: plans, the remedies they are made of, what was left out."""

from collections.abc import Mapping
from dataclasses import field
from typing import Any

from looptime.analysers.estimate import Figure, to_json
from looptime.planner.answer.predict import CAUTIONS
from looptime.planner.answer.reading_age import FIRST_USE
from looptime.planner.search.look import Candidate, NotProposed
from looptime.records import dataclass
from looptime.schema import SCHEMA_VERSION

__all__ = ["RISKS", "Proposal", "Suggestions", "older"]

#: By how much less a gain counts the greater the risk that it is had at.
RISKS = {"low": 1.0, "medium": 1.5, "high": 4.0}


@dataclass(frozen=True)
class Proposal:
    """A plan that is proposed."""

    changes: tuple[str, ...]
    #: Change of the mean of the quantity judged; negative is faster. Its ends are those that a
    #: future recording will show: what is not known, and what differs from run to run.
    gain_ms: Figure
    #: Predicted period, as `predict` has it of the same loops.
    mean_ms: float
    p99_ms: float
    effort: float  #: Sum of the effort classes
    risk: str  #: ``low``, ``medium`` or ``high``
    #: Why a plan of one remedy, and what becomes of the age of readings; of several remedies, why
    #: each stands with the remedies.
    why: str
    meets_targets: bool | None  #: None where no target was given
    #: Mean reading age before and after, where it changes much.
    age_at_first_use_ms: dict[str, tuple[float, float]]
    say: str = ""  #: What to do, in a sentence
    check: str = ""  #: What to make sure of before doing it
    #: What is cheaper and gains less, where this one stands first by its gain alone.
    trade: str = ""
    #: `mean` and `p99` at the less favourable end of what is not known: targets are judged by it.
    worst_ms: dict[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "changes": list(self.changes), "say": self.say, "check": self.check,
            "trade": self.trade,
            "gain_ms": self.gain_ms.to_dict(),
            "mean_ms": self.mean_ms, "p99_ms": self.p99_ms,
            "worst_ms": dict(self.worst_ms), "effort": self.effort,
            "risk": self.risk, "why": self.why, "meets_targets": self.meets_targets,
            "age_at_first_use_ms": {
                name: {"before": was, "after": now}
                for name, (was, now) in self.age_at_first_use_ms.items()
            },
        }  # fmt: skip


@dataclass(frozen=True)
class Suggestions:
    """What a search found."""

    #: `mean` and `p99` of the period in the loops tried, now and at the best of all plans tried.
    now_ms: dict[str, float]
    floor_ms: dict[str, float]
    #: Plans that meet the targets first, then single remedies before several together; each kind by
    #: gain over effort and risk, but first of all a single remedy that clearly gains most, and
    #: before it what answers the first finding (`looptime.findings.priced.led`), unless that gains
    #: less than half as much, or may gain nothing.
    proposed: tuple[Proposal, ...]
    remedies: tuple[Candidate, ...]  #: The remedies that these plans are made of, each once
    not_proposed: tuple[NotProposed, ...]
    targets: tuple[str, ...]  #: What can be said of each target, in plain words
    warnings: tuple[str, ...]
    #: Loops that the plans were tried on and all figures are of, and loops of the log.
    loops: int
    loops_in_log: int
    source: str = ""  #: The log
    #: ``work`` where the log keeps a fixed pace, else ``period``: what gains are about.
    judged: str = "period"
    now_work_ms: float | None = None  #: Mean work of a loop now, where work is judged
    supposed: tuple[str, ...] = ()  #: As in `looptime.run.Clock`
    gain_ends: tuple[str, ...] = ()  #: What may end the gain of all of them; a warning in JSON
    use: str = FIRST_USE  #: When ages are taken, in words
    unanswered: str = ""  #: That nothing proposed answers what is told of the run first, and why

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "schema_version": SCHEMA_VERSION, "source": self.source, "loops": self.loops,
            "loops_in_log": self.loops_in_log, "judged": self.judged, "now_ms": self.now_ms,
            "now_work_ms": self.now_work_ms, "floor_ms": self.floor_ms,
            "proposed": [p.to_dict() for p in self.proposed],
            "remedies": to_json(self.remedies),
            "not_proposed": to_json(self.not_proposed),
            "targets": list(self.targets), "warnings": [*self.gain_ends, *self.warnings],
            "supposed": list(self.supposed), "age_taken": self.use,
            "unanswered": self.unanswered or None,
            "cautions": list(CAUTIONS),
        }  # fmt: skip


def older(age_ms: Mapping[str, tuple[float, float]], use: str = FIRST_USE) -> str:
    """What a plan does to the age of the reading that it changes most; empty if to none.

    Where that gets younger, what the plan costs is told with it: the one that gets older most.
    `use` is from `looptime.planner.answer.reading_age.first_use`.

    Examples
    --------
    >>> older({"mast.read": (12.6, 8.3), "gyro.read": (2.0, 1.0)})
    'mast.read was 12.6 ms old at first use on average, would be 8.3 ms'
    >>> older({"mast.read": (12.6, 8.3), "gyro.read": (2.0, 3.0)}).partition(", and ")[2]
    'gyro.read 2.0 ms, would be 3.0 ms'
    """
    if not age_ms:
        return ""
    name, (was, after) = max(age_ms.items(), key=lambda kv: abs(kv[1][1] - kv[1][0]))
    text = f"{name} was {was:.1f} ms old {use} on average, would be {after:.1f} ms"
    other, (was, after) = max(age_ms.items(), key=lambda kv: kv[1][1] - kv[1][0])
    if other == name or after <= was:
        return text
    return f"{text}, and {other} {was:.1f} ms, would be {after:.1f} ms"
