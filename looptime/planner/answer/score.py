"""How well a prediction came true, held against a recording of the changed code."""

from typing import Any

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.beat_wait import with_wait_named
from looptime.analysers.estimate import Figure
from looptime.analysers.warmup import warmup
from looptime.errors import NotEnoughError
from looptime.planner.answer.measures import FEWEST, Measures, Number, measure
from looptime.planner.answer.predict import Prediction
from looptime.planner.known.made_calls import made_calls
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION

__all__ = ["Score", "Scored", "score"]


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
    before, after = prediction.baseline, prediction.predicted
    period = tuple(
        Scored(k, before.period_ms[k].value, after.period_ms[k], came.period_ms[k].value)
        for k in after.period_ms
    )
    calls, only_predicted, only_actual = _calls(prediction, came, actual)
    return Score(period, calls, only_predicted, only_actual, _sign(prediction, came), actual.source)


def _calls(
    prediction: Prediction, came: Measures, actual: Run
) -> tuple[tuple[Scored, ...], tuple[str, ...], tuple[str, ...]]:
    own = actual.thread_names[actual.loop_thread] if actual.loop_thread >= 0 else ""

    def of_loop(side_calls: tuple[dict[str, Any], ...]) -> dict[str, Figure]:
        return {
            row["name"]: row["self_ms_per_loop"]
            for row in side_calls
            if row["self_ms_per_loop"].value is not None
        }

    was = of_loop(prediction.baseline.calls)
    now = of_loop(prediction.predicted.calls)
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


def _sign(prediction: Prediction, came: Measures) -> bool | None:
    if prediction.verdict == "can't tell" or prediction.judged == "work":
        return None
    before = prediction.baseline.period_ms["mean"].value or 0.0
    after = came.period_ms["mean"].value or 0.0
    return (after < before) == (prediction.verdict == "faster")
