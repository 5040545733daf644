"""One figure of one side against the other: difference, interval, p-value, verdict word."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from looptime.analysers.estimate import Figure
from looptime.records import dataclass
from looptime.stats.multiple import holm
from looptime.stats.statistic import parse_statistic
from looptime.stats.student import t_quantile
from looptime.words import in_words

__all__ = [
    "Change",
    "Tolerance",
    "beyond",
    "decide",
    "in_words",
    "limits_in_words",
    "lower_limit",
    "seen_percent",
    "with_holm",
]

_NOTHING = Figure()


@dataclass(frozen=True)
class Tolerance:
    """How large a change must be to matter."""

    percent: float = 3.0  #: Both this and `ms` must be exceeded
    ms: float = 0.1
    confidence: float = 0.95  #: 1 minus the level of the tests

    @property
    def alpha(self) -> float:
        """Level of the tests."""
        return 1 - self.confidence

    @classmethod
    def of(cls, regression: dict[str, float]) -> Tolerance:
        """From ``[regression]`` of the project file."""
        usual = cls()
        return cls(
            regression.get("tolerance_percent", usual.percent),
            regression.get("tolerance_ms", usual.ms),
            regression.get("confidence", usual.confidence),
        )

    def exceeded(self, percent: float | None, ms: float | None) -> bool:
        """Whether a change is above both; what is not defined counts as above."""
        return (percent is None or abs(percent) > self.percent) and (
            ms is None or abs(ms) > self.ms
        )


@dataclass(frozen=True)
class Change:
    """One figure, before and after."""

    quantity: str
    statistic: str
    #: Empty for the whole loop; `thread` empty on the loop's thread.
    call: str = ""
    thread: str = ""
    #: Means over the runs of each side [ms; counts; 1/s].
    before: float | None = None
    after: float | None = None
    #: The same as a share of the loops; of overruns only, whose sides may hold unlike many loops.
    before_share: float | None = None
    after_share: float | None = None
    difference: Figure = _NOTHING  #: After minus before, same unit, with its 95 % interval
    percent: Figure = _NOTHING  #: The same in percent of before
    p: float | None = None  #: Raw two-sided p-value; None where there is no verdict
    #: Adjusted within its family: for verdicts, and for ranking.
    p_holm: float | None = None
    p_bh: float | None = None
    verdict: str = "can't tell"  #: ``faster``, ``slower``, ``no change seen`` or ``can't tell``
    seen_percent: float | None = None  #: The change that would have been seen with 80 % probability
    note: str = ""  #: What else is to be said, for example what it would take to tell
    hidden: bool = False  #: Whether a longer work need not show in it


def lower_limit(upper: float) -> float:
    """The change to less that is as much as one to more, by the factor [percent].

    Examples
    --------
    >>> round(lower_limit(25.0), 9)
    -20.0
    """
    return 100 * (100 / (100 + upper) - 1)


def beyond(change: float, upper: float) -> bool:
    """Whether a change is more than one by a factor up or down [percent]."""
    return not lower_limit(upper) <= change <= upper


def limits_in_words(upper: float) -> str:
    """Both limits of a change by a factor, as one figure where they read alike.

    Examples
    --------
    >>> limits_in_words(0.4), limits_in_words(25.0)
    ('+-0.4 %', '-20 to +25 %')
    """
    low, high = in_words(lower_limit(upper)), in_words(upper)
    return f"+-{high} %" if low == f"-{high}" else f"{low} to +{high} %"


def decide(change: Change, tolerance: Tolerance, p: float | None = None) -> Change:
    """The verdict word of a change, by its p-value or by an adjusted one given instead.

    Where the p-value shows nothing, the change that would have been seen decides between
    "no change seen" and "can't tell": the latter if it is above both tolerances, or the change
    itself is, as where a test of the tail asks for something else than the quantile.

    Examples
    --------
    >>> found = Change("period", "mean", before=10, after=11, difference=Figure(1.0), p=0.001)
    >>> decide(found, Tolerance()).verdict
    'slower'
    """
    judged = change.p if p is None else p
    if judged is None:
        return replace(change, verdict="can't tell")
    d = _direction(change.difference)
    if judged < tolerance.alpha and d != 0:
        worse = d < 0 if change.statistic == "rate" else d > 0
        return replace(change, verdict="slower" if worse else "faster")
    seen = change.seen_percent
    if seen is None:
        return replace(change, verdict="can't tell")
    in_ms = None
    if change.statistic not in ("overruns", "rate") and change.before:
        in_ms = seen / 100 * abs(change.before)
    told = not tolerance.exceeded(seen, in_ms)
    if told and change.percent.value is not None:
        moved_ms = None if in_ms is None else change.difference.value
        told = not tolerance.exceeded(change.percent.value, moved_ms)
    return replace(change, verdict="no change seen" if told else "can't tell")


def _direction(difference: Figure) -> float:
    """The difference as judged: on a coarse clock the one displayed may be 0."""
    if difference.low is None or difference.high is None:
        return difference.value or 0.0
    return (difference.low + difference.high) / 2


def with_holm(
    changes: Sequence[Change], tolerance: Tolerance, weight: Mapping[str, float] | None = None
) -> list[Change]:
    """Verdicts of a family by Holm's adjusted p-values; `weight` by statistic, else 1."""
    judged = [c for c in changes if c.p is not None]
    weights = [(weight or {}).get(c.statistic, 1.0) for c in judged]
    adjusted = iter(holm([c.p for c in judged if c.p is not None], weights))
    out = []
    for c in changes:
        own = None if c.p is None else float(next(adjusted))
        out.append(decide(replace(c, p_holm=own), tolerance, own))
    return out


def seen_percent(statistic: str, se: float, df: float, before: float | None) -> float | None:
    """The change between two recordings that shows with 80 % probability [percent].

    ``(t(.975, df) + t(.80, df)) se / before``, 15 % more for quantiles, whose own error is
    noisier. None for p99.9 and beyond and where `before` is 0.
    """
    if not before or not math.isfinite(df) or df <= 0:
        return None
    figure = parse_statistic(statistic)
    quantile = figure.kind == "quantile"
    if quantile and figure.share > 0.995:
        return None
    factor = (t_quantile(0.975, df) + t_quantile(0.80, df)) * (1.15 if quantile else 1.0)
    return 100 * factor * se / abs(before)
