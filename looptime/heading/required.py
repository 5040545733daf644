"""The loop rate that a tolerance asks for, and what keeps the present loop from meeting it."""

import math
from collections.abc import Callable
from dataclasses import replace

from looptime.analysers.estimate import Figure
from looptime.errors import UsageError
from looptime.heading.curve import CurvePoint
from looptime.records import dataclass
from looptime.stats.root import crossing

__all__ = ["CAUTIONS", "JUDGED", "Fastest", "Required", "required_rate", "size_of",
           "stops_helping_hz"]  # fmt: skip

#: Shown wherever a required rate is: advice that changes how a robot moves.
CAUTIONS = (
    "A required rate is an estimate from a timing log and a model of the motion, "
    "not a safety case.",
    "Make the first run after any change with the wheels off the floor "
    "and the stop control in hand.",
    "Ask the hardware maker's documentation what may be called from another thread, "
    "and keep to the event's rules and its safety staff.",
)
#: Figures of the stale heading that a tolerance in degrees may be held to.
JUDGED = ("mean", "rms", "p95", "max")
#: How near a crossing is told, in logarithms of the rate, and most points worked out for it.
_NEAR, _MOST = 1e-4, 30
_LEAST = 1e-9  # of the tolerance, so that a figure of nothing has a logarithm


@dataclass(frozen=True)
class Fastest:
    """What the fastest pace that a loop's work allows comes to, with even loops."""

    rate_hz: float  #: No time is left to wait [Hz]
    value: float  #: The figure judged there, in the tolerance's unit
    latency_ms: float  #: Latency there
    #: Latency of a reading that is made just before its use, and the figure with it; None where
    #: the reading is as late as that, or another thread's.
    least_ms: float | None = None
    least: float | None = None

    def scaled(self, factor: float) -> "Fastest":
        """With its figures in another unit."""
        least = None if self.least is None else self.least * factor
        return replace(self, value=self.value * factor, least=least)


@dataclass(frozen=True)
class Required:
    """The answer for one tolerance."""

    tolerance: float  #: [deg], or [mm] sideways for each metre driven
    judged: str  #: The figure held to it
    #: Lowest rate from which on every computed rate meets the tolerance: where the figure crosses
    #: it, or the lowest computed one; low and high are the rates for the ends of the figure's
    #: interval. Undefined where none does; [Hz].
    by_pattern: dict[str, Figure]
    #: ``stalls``, ``mean rate``, ``mean rate and stalls``, or ``work`` where no pace that the
    #: loop's work allows meets it; None where the log does.
    missed_by: str | None
    fastest: Fastest | None = None  #: None where the work is not known


def required_rate(
    tolerance: float, judged: str, curve: tuple[CurvePoint, ...],
    recorded: CurvePoint, even_alike: CurvePoint, at: Callable[[str, float], CurvePoint],
    fastest: Fastest | None = None,
) -> Required:  # fmt: skip
    """The lowest rate that meets a tolerance, for each pattern of a curve.

    Parameters
    ----------
    tolerance : float
        In the unit of the figure: radians, or metres per metre for ``sideways``.
    judged : str
        One of `JUDGED`, or ``sideways``, in which left and right do not cancel.
    curve : tuple of CurvePoint
        Figures against loop rate.
    recorded, even_alike : CurvePoint
        The log as it is, and even loops at its mean rate.
    at : callable
        The point of a pattern at a rate between those of the curve.
    fastest : Fastest, optional
        Where the curve ends at the fastest pace that the loop's work allows.

    Raises
    ------
    UsageError
        If the tolerance is not above 0 or the figure is not known.
    """
    if judged not in (*JUDGED, "sideways"):
        raise UsageError(f"figure {judged!r} is not known: use {', '.join(JUDGED)}")
    if not 0 < tolerance < float("inf"):
        raise UsageError(f"a tolerance of {tolerance:g} cannot be: give one above 0")
    patterns = dict.fromkeys(p.pattern for p in curve)
    rates = {
        pattern: Figure(
            *(
                _crossing([p for p in curve if p.pattern == pattern], tolerance, judged, end, at)
                for end in ("value", "low", "high")
            )
        )
        for pattern in patterns
    }
    missed = _missed(tolerance, judged, curve, recorded, even_alike)
    if missed == "mean rate" and fastest is not None and fastest.value > tolerance:
        missed = "work"
    return Required(tolerance, judged, rates, missed, fastest)


def size_of(point: CurvePoint, judged: str, end: str = "value") -> float:
    """The figure judged at a point of the curve, or an end of its interval; never below 0."""
    found = getattr(point.stale, judged)
    if not isinstance(found, Figure):
        return float(found)
    value = getattr(found, end)
    value = found.value if value is None else value
    return abs(float(value or 0.0))


def _lowest(
    points: list[CurvePoint], tolerance: float, judged: str, end: str
) -> tuple[CurvePoint | None, CurvePoint | None]:  # fmt: skip
    """The lowest point from which on all meet the tolerance, and the one below, which does not."""
    lowest = None
    for point in sorted(points, key=lambda p: -p.rate_hz):
        if size_of(point, judged, end) > tolerance * (1 + 1e-12):
            return lowest, point
        lowest = point
    return lowest, None


def _crossing(
    points: list[CurvePoint], tolerance: float, judged: str, end: str,
    at: Callable[[str, float], CurvePoint],
) -> float | None:  # fmt: skip
    """The rate at which the figure crosses the tolerance, between two points of a curve [Hz].

    An end of its interval is taken to cross where a straight line in logarithms does.
    """
    lowest, below = _lowest(points, tolerance, judged, end)
    if lowest is None or below is None:
        return None if lowest is None else lowest.rate_hz
    pattern, ends = lowest.pattern, [math.log(p.rate_hz) for p in (below, lowest)]
    known = {log: size_of(p, judged, end) for log, p in zip(ends, (below, lowest), strict=True)}
    if known[ends[1]] >= tolerance:
        return lowest.rate_hz

    def beyond(log_rate: float) -> float:
        size = known.get(log_rate)
        if size is None:
            size = size_of(at(pattern, math.exp(log_rate)), judged)
        return math.log(max(size, tolerance * _LEAST) / tolerance)

    if end != "value":
        over, under = (beyond(log) for log in ends)
        return math.exp(ends[0] + (ends[1] - ends[0]) * over / (over - under))
    return math.exp(crossing(beyond, ends[0], ends[1], _NEAR, _MOST))


def _missed(
    tolerance: float, judged: str, curve: tuple[CurvePoint, ...],
    recorded: CurvePoint, even_alike: CurvePoint,
) -> str | None:  # fmt: skip
    if size_of(recorded, judged) <= tolerance:
        return None
    if size_of(even_alike, judged) <= tolerance:
        return "stalls"
    enough, _ = _lowest([p for p in curve if p.pattern == "even"], tolerance, judged, "value")
    shaped = [p for p in curve if p.pattern == "log shape"]
    if enough is None or not shaped:
        return "mean rate"
    there = min(shaped, key=lambda p: abs(p.rate_hz - enough.rate_hz))
    return "mean rate and stalls" if size_of(there, judged) > 1.1 * tolerance else "mean rate"


def stops_helping_hz(curve: tuple[CurvePoint, ...], judged: str = "mean") -> float | None:
    """Rate of the log's shape beyond which going on to the fastest gains less than a tenth [Hz].

    Returns
    -------
    float or None
        None where the figure still falls at the fastest rates.
    """
    points = sorted((p for p in curve if p.pattern == "log shape"), key=lambda p: p.rate_hz)
    if len(points) < 3:
        return None
    least = size_of(points[-1], judged)
    enough = [p.rate_hz for p in points if size_of(p, judged) <= least / 0.9]
    return enough[0] if enough and enough[0] < points[-2].rate_hz else None
