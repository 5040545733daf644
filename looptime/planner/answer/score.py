"""How well a prediction came true, held against a recording of the changed code."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.beat_wait import with_wait_named
from looptime.analysers.estimate import Figure
from looptime.analysers.warmup import warmup
from looptime.errors import NotEnoughError
from looptime.planner.answer.cases import Case
from looptime.planner.answer.intervals import Side
from looptime.planner.answer.measures import FEWEST, Measures, Number, measure
from looptime.planner.answer.prediction import Prediction, verdict
from looptime.planner.known.made_calls import made_calls
from looptime.planner.play.pacer import recorded_pace
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION

__all__ = ["Score", "Scored", "ScoredCase", "score"]

#: Share of the period below which a loop is as good as never early for its pace.
_HARDLY = 0.02


@dataclass(frozen=True)
class Scored:
    """One figure: what was predicted, what came."""

    what: str  #: The figure, or the call
    before: float | None  #: In the log that was planned from
    predicted: Figure
    actual: float | None

    @property
    def error_percent(self) -> float | None:
        """Predicted against actual [%]; positive where the prediction was too high."""
        if not self.actual or self.predicted.value is None:
            return None
        return 100 * (self.predicted.value / self.actual - 1)

    @property
    def inside(self) -> bool | None:
        """Whether the actual figure lies in the interval."""
        at = self.predicted
        if self.actual is None or at.low is None or at.high is None:
            return None
        return bool(at.low <= self.actual <= at.high)

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "what": self.what, "before": self.before, "predicted": self.predicted.to_dict(),
            "actual": self.actual, "error_percent": self.error_percent, "inside": self.inside,
        }  # fmt: skip


@dataclass(frozen=True)
class ScoredCase:
    """One of the cases that a plan had left open, held against what came."""

    what: str  #: As in `looptime.planner.answer.cases.Case`
    mean: Scored

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {"what": self.what, "mean": self.mean.to_dict()}


@dataclass(frozen=True)
class Score:
    """A plan held against a recording."""

    period_ms: tuple[Scored, ...]  #: `mean`, `p50`, `p90`, `p99`
    #: Self time a loop of each call on the loop's thread; calls that only one side has included;
    #: [ms].
    calls: tuple[Scored, ...]
    #: Calls that one side does not have.
    only_predicted: tuple[str, ...]
    only_actual: tuple[str, ...]
    #: Whether the loop became faster or slower as promised; None where nothing was promised.
    sign_right: bool | None
    source: str  #: The recording
    #: Its work, where both sides say what that is.
    work_ms: tuple[Scored, ...] = ()
    #: ``work`` where the recording waits for a tick that the loop was too slow for before, or where
    #: the plan was about the work; else ``period``.
    judged: str = "period"
    tick_ms: float | None = None  #: The tick that it waits for, where it did not before
    #: What was promised, as in `Prediction.verdict`; of the case that it went like, if any.
    promised: str = "can't tell"
    open_question: str = ""  #: What the plan had left open; empty if nothing
    #: The case that it went like, and the other one, by the mean of what is judged.
    went_like: ScoredCase | None = None
    not_like: ScoredCase | None = None

    @property
    def judged_ms(self) -> tuple[Scored, ...]:
        """The figures of what is judged."""
        return self.work_ms if self.judged == "work" else self.period_ms

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "schema_version": SCHEMA_VERSION,
            "source": self.source,
            "period_ms": {s.what: s.to_dict() for s in self.period_ms},
            "calls": [s.to_dict() for s in self.calls],
            "only_predicted": list(self.only_predicted),
            "only_actual": list(self.only_actual),
            "sign_right": self.sign_right,
            "judged": self.judged,
            "work_ms": {s.what: s.to_dict() for s in self.work_ms},
            "tick_ms": self.tick_ms,
            "promised": self.promised,
            "open_question": self.open_question or None,
            "went_like": self.went_like and self.went_like.to_dict(),
            "not_like": self.not_like and self.not_like.to_dict(),
        }


def score(
    prediction: Prediction,
    actual: Run,
    *,
    keep_warmup: bool = False,
) -> Score:
    """Hold a prediction against what came.

    Parameters
    ----------
    prediction : Prediction
        Made from the log before the change.
    actual : Run
        A recording after it, read with the same project file.
    keep_warmup : bool
        Whether the first loops stay in.

    Raises
    ------
    NotEnoughError
        If the recording is too short.
    """
    actual = made_calls(with_wait_named(actual))
    if not keep_warmup and len(actual) >= FEWEST:
        cut = warmup(prepare(actual)).loops
        actual = actual.select(np.arange(len(actual)) >= cut) if cut else actual
    if len(actual) < FEWEST:
        raise NotEnoughError(
            f"{actual.source or 'the log'}: has {len(actual)} loops; a score needs {FEWEST}"
        )
    came = measure(actual)
    before, tick = prediction.baseline, _new_tick(prediction, actual, came)
    judged = "work" if tick is not None or (prediction.judged == "work" and came.work_ms) else ""
    cases = _by_nearness(prediction.cases, came, judged)
    case = cases[0] if cases else None
    after = case.predicted if case is not None else prediction.predicted
    period = _scored(before.period_ms, after.period_ms, came.period_ms)
    work = _scored(*_works(before, after, came)) if judged else ()
    told = [ScoredCase(c.what, _mean_of(before, c.predicted, came, judged)) for c in cases]
    calls, only_predicted, only_actual = _calls(prediction, after, came, actual)
    promised = prediction.verdict if case is None else verdict(case.change_ms)
    return Score(
        period, calls, only_predicted, only_actual,
        _sign(promised, (work or period)[0], bool(judged) or prediction.judged == "period"),
        actual.source, work, judged or "period", tick, promised, prediction.open_question,
        *told[:2],
    )  # fmt: skip


def _scored(
    before: dict[str, Figure], after: dict[str, Figure], came: dict[str, Number]
) -> tuple[Scored, ...]:
    none = Figure()
    return tuple(
        Scored(k, before.get(k, none).value, after[k], came[k].value) for k in after if k in came
    )


def _works(
    before: Side, after: Side, came: Measures
) -> tuple[dict[str, Figure], dict[str, Figure], dict[str, Number]]:
    """Work on each side; a loop that waits for nothing works all its period."""
    return before.work_ms or before.period_ms, after.work_ms or after.period_ms, came.work_ms


def _mean_of(before: Side, after: Side, came: Measures, judged: str) -> Scored:
    figures = _works(before, after, came) if judged else (
        before.period_ms, after.period_ms, came.period_ms
    )  # fmt: skip
    return next(s for s in _scored(*figures) if s.what == "mean")


def _new_tick(prediction: Prediction, actual: Run, came: Measures) -> float | None:
    """The tick [ms] that a recording waits for and that the loop was too slow for before.

    Only what it does besides waiting can then be held against a plan that was about no pace.
    """
    if prediction.judged == "work" or not came.work_ms:
        return None
    if any(change.text.startswith("pace ") for change in prediction.changes):
        return None
    was, now = prediction.baseline, came.period_ms["mean"].value or 0.0
    period = was.period_ms["mean"].value or 0.0
    waited = period - (was.work_ms["mean"].value or period) if was.work_ms else 0.0
    waits = now - (came.work_ms["mean"].value or now)
    if waited > _HARDLY * period or waits < _HARDLY * now:
        return None
    pace = recorded_pace(actual)
    return now if pace is None else pace[0].interval_ns / 1e6


def _by_nearness(cases: Sequence[Case], came: Measures, judged: str) -> list[Case]:
    """The same, with the one first whose mean is the least far from what came, as a ratio."""

    def off(case: Case) -> float:
        mean = _mean_of(case.predicted, case.predicted, came, judged)
        value, actual = mean.predicted.value, mean.actual
        return abs(math.log(value / actual)) if value and actual else math.inf

    return sorted(cases, key=off)


def _calls(
    prediction: Prediction, after: Side, came: Measures, actual: Run
) -> tuple[tuple[Scored, ...], tuple[str, ...], tuple[str, ...]]:
    own = actual.thread_names[actual.loop_thread] if actual.loop_thread >= 0 else ""

    def of_loop(side_calls: tuple[dict[str, Any], ...]) -> dict[str, Figure]:
        return {
            row["name"]: row["self_ms_per_loop"]
            for row in side_calls
            if row["self_ms_per_loop"].value is not None
        }

    was = of_loop(prediction.baseline.calls)
    now = of_loop(after.calls)
    real: dict[str, Number] = {
        name: values["self_ms_per_loop"]
        for (name, thread), values in came.calls.items()
        if thread == own
    }
    now, real = _paired(now, real, prediction, actual)
    names = sorted({*now, *real}, key=lambda n: -(now[n].value or 0 if n in now else 0))
    none = Figure(0.0, 0.0, 0.0)
    made = tuple(
        Scored(
            name,
            was[name].value if name in was else None,
            now.get(name, none),
            real[name].value if name in real else 0.0,
        )
        for name in names
    )
    return (
        made,
        tuple(n for n in names if n not in real),
        tuple(n for n in names if n not in now),
    )


def _paired(
    now: dict[str, Figure], real: dict[str, Number], prediction: Prediction, actual: Run
) -> tuple[dict[str, Figure], dict[str, Number]]:
    """A batch that the plan names and the recording calls something else is one call."""
    planned = {c.name: (c.kind, c.bus) for c in prediction.run.names if c.name not in real}
    recorded = {c.name: (c.kind, c.bus) for c in actual.names if c.name not in now}
    new = [n for n in planned if n in now and n.startswith("batch ")]
    other = [n for n in recorded if n in real]
    if len(new) == 1 and len(other) == 1 and planned[new[0]] == recorded[other[0]]:
        both = f"{new[0]} = {other[0]}"
        now = {both if n == new[0] else n: at for n, at in now.items()}
        real = {both if n == other[0] else n: at for n, at in real.items()}
    return now, real


def _sign(promised: str, mean: Scored, comparable: bool) -> bool | None:
    if promised == "can't tell" or not comparable:
        return None
    return ((mean.actual or 0.0) < (mean.before or 0.0)) == (promised == "faster")
