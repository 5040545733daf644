"""What a comparison of two sides found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from looptime.analysers.estimate import to_json
from looptime.checks.compare.change import Change
from looptime.checks.compare.explain import Explained, Shift
from looptime.checks.compare.replaced import Replaced
from looptime.checks.compare.sides import Unlike
from looptime.checks.recording.facts import Facts
from looptime.controlling.gain_shift import GainShift
from looptime.schema import SCHEMA_VERSION
from looptime.stats.between_runs import RunOrder

__all__ = ["Comparison", "UsualScatter"]


@dataclass(frozen=True)
class UsualScatter:
    """One run against one: is the change of the mean beyond the usual scatter between runs?

    Parameters
    ----------
    change_percent, limit_percent : float
        Scatter explains changes up to the limit, either way, at 95 %.
    beyond : bool
    rests_on : str
        ``history of M runs``, or what is assumed without one.
    """

    change_percent: float
    limit_percent: float
    beyond: bool
    rests_on: str


@dataclass(frozen=True)
class Comparison:
    """Two sides held against each other.

    Parameters
    ----------
    before, after : tuple of Facts
        The runs of each side, as they were judged.
    quantity : str
        ``work`` or ``period``.
    window_s : float [s]
        Length that was judged of each run.
    unlike : tuple of Unlike
        To be said before any figure.
    order : RunOrder or None
        Order of recording; None where the logs do not tell it.
    recordings : str
        One run a side: ``differ``, ``no difference seen`` or ``can't tell``; else empty.
    usual_scatter : UsualScatter or None
        One run a side.
    changes : tuple of Change
        Of the whole loop, one family: 70 % of the level are the mean's (weighted Holm).
    calls : tuple of Change
        Mean and p99 of every call, judged as a family (Holm).
    ranking : tuple of Change
        The changes of calls worth a look (Benjamini and Hochberg, 5 %), surest first.
    explained : Explained
    shift : tuple of Shift
    replaced : tuple of Replaced
        Calls that only one side holds, beside those that took their place.
    verdict : str
        ``faster``, ``slower``, ``no change seen`` or ``can't tell``.
    sentences : tuple of str
        The verdict in words, and how to record better.
    gain_shift : GainShift or None
        What the change of the pace does to controllers that ignore the step, where a caller asked.
    """

    before: tuple[Facts, ...]
    after: tuple[Facts, ...]
    quantity: str
    window_s: float
    unlike: tuple[Unlike, ...]
    order: RunOrder | None
    recordings: str
    usual_scatter: UsualScatter | None
    changes: tuple[Change, ...]
    calls: tuple[Change, ...]
    ranking: tuple[Change, ...]
    explained: Explained
    shift: tuple[Shift, ...]
    replaced: tuple[Replaced, ...]
    verdict: str
    sentences: tuple[str, ...]
    history: int = 0
    gain_shift: GainShift | None = None

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
            "usual_scatter": None if self.usual_scatter is None else self.usual_scatter.__dict__,
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
        }  # fmt: skip


def _run_dict(facts: Facts) -> dict[str, Any]:
    keys = ("source", "robot", "version", "label", "time", "pacing_mode", "nominal_hz", "judged",
            "budget_ms", "tick_ns", "loops", "warmup_loops", "duration_s")  # fmt: skip
    return {
        **{key: getattr(facts, key) for key in keys},
        "phases": [{"phase": p, "share": s} for p, s in facts.phases],
    }
