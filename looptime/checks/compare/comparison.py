"""What a comparison of two sides found."""

from typing import Any

from looptime.analysers.estimate import to_json
from looptime.checks.compare.change import Change, lower_limit
from looptime.checks.compare.explain import Explained, Shift
from looptime.checks.compare.lone_stall import LoneStall
from looptime.checks.compare.replaced import Replaced
from looptime.checks.compare.sides import Unlike
from looptime.checks.compare.whole_machine import Alike
from looptime.checks.recording.facts import Facts
from looptime.controlling.gain_shift import GainShift
from looptime.records import dataclass
from looptime.schema import SCHEMA_VERSION
from looptime.stats.between_runs import RunOrder

__all__ = ["Comparison", "UsualScatter"]

#: Share of those worth a look that may be there by chance.
_LOOK = 0.05


@dataclass(frozen=True)
class UsualScatter:
    """One run against one: is the change of the mean beyond the usual scatter between runs?"""

    #: Scatter explains changes up to either limit at 95 %: a factor up, and the same down.
    change_percent: float
    limit_percent: float
    beyond: bool
    rests_on: str  #: ``history of M runs``, or what is assumed without one

    @property
    def lower_limit_percent(self) -> float:
        """The limit of a change to less; negative."""
        return lower_limit(self.limit_percent)

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {**self.__dict__, "lower_limit_percent": self.lower_limit_percent}


@dataclass(frozen=True)
class Comparison:
    """Two sides held against each other."""

    #: The runs of each side, as they were judged.
    before: tuple[Facts, ...]
    after: tuple[Facts, ...]
    quantity: str  #: ``work`` or ``period``
    window_s: float  #: Length that was judged of each run
    unlike: tuple[Unlike, ...]  #: To be said before any figure
    order: RunOrder | None  #: Order of recording; None where the logs do not tell it
    #: One run a side: ``differ``, ``no difference seen`` or ``can't tell``; else empty.
    recordings: str
    usual_scatter: UsualScatter | None  #: One run a side
    #: Of the whole loop, one family: 70 % of the level are the mean's (weighted Holm).
    changes: tuple[Change, ...]
    calls: tuple[Change, ...]  #: Mean and p99 of every call, judged as a family (Holm)
    #: Those of them that are slower or faster, surest first.
    ranking: tuple[Change, ...]
    explained: Explained
    shift: tuple[Shift, ...]
    #: Calls that only one side holds, beside those that took their place.
    replaced: tuple[Replaced, ...]
    alike: Alike | None  #: All calls, where they changed by a like factor
    verdict: str  #: ``faster``, ``slower``, ``no change seen`` or ``can't tell``
    sentences: tuple[str, ...]  #: The verdict in words, and how to record better
    history: int = 0
    stall: LoneStall | None = None  #: One loop that makes, or hides, most of the change of the mean
    #: What the change of the pace does to controllers that ignore the step, where a caller asked.
    gain_shift: GainShift | None = None

    @property
    def without_trend(self) -> bool:
        """Whether a trend along the session is taken out of the changes in percent."""
        single = len(self.before) == len(self.after) == 1
        return bool(not single and self.order and self.order.separated and not self.history)

    @property
    def worth_a_look(self) -> list[Change]:
        """Changes of calls that are no verdict, and may yet be real (Benjamini and Hochberg)."""
        open_ = [c for c in self.calls if c.verdict == "can't tell" and not c.hidden]
        return [c for c in open_ if c.difference.value and c.p_bh is not None and c.p_bh < _LOOK]

    @property
    def exit_code(self) -> int:
        """3 where nothing can be told, else 0."""
        return 3 if self.verdict == "can't tell" else 0

    def to_dict(self) -> dict[str, Any]:
        """What ``compare --json`` gives."""
        order = self.order
        return {
            "schema_version": SCHEMA_VERSION,
            "verdict": self.verdict,
            "sentences": list(self.sentences),
            "recordings": self.recordings or None,
            "usual_scatter": to_json(self.usual_scatter),
            "quantity": self.quantity,
            "window_s": self.window_s,
            "history_runs": self.history,
            "controllers": to_json(self.gain_shift),
            "unlike": to_json(self.unlike),
            "order": None if order is None else {
                "letters": order.letters, "separated": order.separated,
            },
            "before": [_run_dict(f) for f in self.before],
            "after": [_run_dict(f) for f in self.after],
            "changes": to_json(self.changes),
            "calls": to_json(self.calls),
            "ranking": to_json(self.ranking),
            "explained": to_json(self.explained),
            "shift": to_json(self.shift),
            "replaced": to_json(self.replaced),
            "alike": to_json(self.alike),
            "lone_stall": to_json(self.stall),
        }  # fmt: skip


def _run_dict(facts: Facts) -> dict[str, Any]:
    keys = ("source", "robot", "version", "label", "time", "pacing_mode", "nominal_hz", "judged",
            "budget_ms", "tick_ns", "loops", "warmup_loops", "duration_s")  # fmt: skip
    return {
        **{key: getattr(facts, key) for key in keys},
        "phases": [{"phase": p, "share": s} for p, s in facts.phases],
    }
