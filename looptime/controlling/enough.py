"""Which loop rate is enough for a tolerance: the rates at which a move keeps it, and why not more.

A rate keeps a tolerance where a disturbance dies out, the move comes to rest within it, and the
figure that is judged is no larger. A move that has not arrived by the end has no overshoot, and
loops that grow may show little of it while the output is cut at its limit: neither keeps anything.
"""

from itertools import groupby

import numpy as np

from looptime.controllers import Controller
from looptime.controlling.moves import CurvePoint, RateCurve, state_of
from looptime.controlling.outcome import Case, Outcome
from looptime.controlling.response import Response
from looptime.controlling.stability import Stability, grows_evenly
from looptime.controlling.target import Path
from looptime.records import dataclass
from looptime.words import number

__all__ = ["RequiredRate", "judged_of", "required", "states_of", "stops_helping"]

#: How a rate fails.
FAILS = ("grows", "unfinished", "over")


@dataclass(frozen=True)
class RequiredRate:
    """The loop rate from which on a figure is met."""

    figure: str  #: ``overshoot`` or ``following_max``: its p95 is held to the limit
    limit: float  #: [unit]
    #: Lowest rate from which on every computed rate meets it [Hz].
    even_hz: float | None
    log_shape_hz: float | None
    missed_by: str | None  #: ``stalls`` or ``mean rate``; None where the log meets it
    #: Why slower loops of the log's shape do not: they ``grows``, their move is ``unfinished``, or
    #: the figure is ``over``; None where the slowest computed ones meet it, or none do.
    slower: str | None = None
    #: Where the fastest computed ones do not: the rates of the log's shape that meet it, those
    #: nearest to the log's own [Hz].
    kept_hz: tuple[float, float] | None = None
    why: str | None = None  #: Why not slower, or why there is no `log_shape_hz`, in words
    #: What the log's loops, and even ones at the same mean, come to: as `CurvePoint.state`.
    recorded_state: str = "settles"
    even_state: str = "settles"


@dataclass(frozen=True)
class _End:
    """Where a limit ceases to be kept, and how the next rate fails; both None where none does."""

    hz: float
    fails: str | None = None  #: One of `FAILS`
    words: str = ""


@dataclass(frozen=True)
class _Band:
    """Neighbouring rates that keep a limit."""

    low: _End
    high: _End

    @property
    def open(self) -> bool:
        """Whether the fastest computed rate is in it."""
        return self.high.fails is None

    @property
    def text(self) -> str:
        """The rates, and what those beyond them do."""
        low, high = (number(end.hz) for end in (self.low, self.high))
        if self.open:
            return f"from {low} loops a second on"
        if self.low.fails is None:
            return f"up to {high} loops a second (faster ones {self.high.words})"
        beyond = f"slower ones {self.low.words}, faster ones {self.high.words}"
        if self.low.words == self.high.words:
            beyond = f"slower and faster ones {self.low.words}"
        return f"from {low} to {high} loops a second ({beyond})"


class _Limit:
    """A limit held against a curve; between two of its rates closer ones are played, once."""

    def __init__(self, curve: RateCurve, judged: str, limit: float) -> None:
        self.curve, self.judged, self.limit = curve, judged, limit
        self._between: dict[tuple[float, float], tuple[CurvePoint, ...]] = {}

    def fails(self, at: CurvePoint) -> str | None:
        """How a rate fails, one of `FAILS`; None where it keeps the limit."""
        return failing(at.state, at.response, self.judged, self.limit)

    def bands(self, points: tuple[CurvePoint, ...], pattern: str) -> list[_Band]:
        """All neighbouring rates that keep it, slowest first."""
        mine = sorted((p for p in points if p.pattern == pattern), key=lambda p: p.rate_hz)
        found, place = [], 0
        for kept, group in groupby(mine, key=lambda p: self.fails(p) is None):
            many = len(list(group))
            if kept:
                found.append(self._band(mine, place, place + many - 1))
            place += many
        return found

    def _band(self, mine: list[CurvePoint], first: int, last: int) -> _Band:
        low, high = _End(mine[first].rate_hz), _End(mine[last].rate_hz)
        if first > 0:
            low = self._end(mine[first], mine[first - 1])
        if last < len(mine) - 1:
            high = self._end(mine[last], mine[last + 1])
        return _Band(low, high)

    def _end(self, kept: CurvePoint, lost: CurvePoint) -> _End:
        """Where the limit ceases to be kept between two rates, and what the next one does."""
        ends = min(kept.rate_hz, lost.rate_hz), max(kept.rate_hz, lost.rate_hz)
        if ends not in self._between:
            self._between[ends] = self.curve.between(*ends)
        finer = [p for p in self._between[ends] if p.pattern == kept.pattern]
        finer.sort(key=lambda p: abs(p.rate_hz - kept.rate_hz))
        for point in [p for p in finer if ends[0] < p.rate_hz < ends[1]]:
            if self.fails(point) is not None:
                lost = point
                break
            kept = point
        hz, fails = kept.rate_hz, self.fails(lost)
        sizes = [p95_of(p.response, self.judged) for p in (kept, lost)]
        if fails == "over" and np.isfinite(sizes[1]):
            hz = float(np.interp(self.limit, sizes, [kept.rate_hz, lost.rate_hz]))
        return _End(hz, fails, self._words(fails, lost.rate_hz))

    def _words(self, fails: str | None, rate_hz: float) -> str:
        if fails != "unfinished":
            return "grow" if fails == "grows" else "exceed it"
        followed = number(self.curve.followed_s(rate_hz))
        return f"do not come to rest within it in the {followed} s followed"

    def instead(self, at: CurvePoint) -> str:
        """What a rate that does not keep the limit does."""
        fails = self.fails(at)
        if fails == "grows":
            return "a disturbance grows"
        if fails == "unfinished":
            followed = number(self.curve.followed_s(at.rate_hz))
            return f"the move does not come to rest within it in the {followed} s followed"
        what = "overshoot" if self.judged == "overshoot" else "greatest error"
        return f"the {what} is {number(p95_of(at.response, self.judged))} (p95)"


def judged_of(path: Path) -> str:
    """The figure of a move that is held to a limit."""
    return "overshoot" if path.comes_to_rest and not path.end_s else "following_max"


def p95_of(at: Response, judged: str) -> float:
    """The figure that is judged; infinite where it is undefined."""
    found = getattr(at, judged).p95
    return float("inf") if found is None else float(found)


def failing(state: str, found: Response, judged: str, limit: float) -> str | None:
    """How a move fails a limit, one of `FAILS`; None where it keeps it."""
    if state != "settles":
        return state
    return "over" if p95_of(found, judged) > limit * (1 + 1e-12) else None


def states_of(judged: Stability, path: Path, went: Outcome) -> tuple[str, str]:
    """What the log's loops, and even ones at the same mean, come to: as `CurvePoint.state`."""
    return (
        state_of(judged.state == "grows", path, went.recorded),
        state_of(grows_evenly(judged.spectral_radius), path, went.even),
    )


def required(
    stated: Controller, judged: str, case: Case, went: Outcome, states: tuple[str, str]
) -> RequiredRate | None:
    """The rate that the stated tolerance asks for; None where none is stated.

    Parameters
    ----------
    stated : Controller
        With its tolerance.
    judged : str
        The figure that is held to it.
    case, went : Case, Outcome
        The move with its curve, and how it went.
    states : tuple of str
        As `states_of` gives them.
    """
    limit = stated.tolerance
    if limit is None or case.curve is None:
        return None
    against, own_hz = _Limit(case.curve, judged, limit), 1 / case.loop.period_s
    even, shaped = (against.bands(went.curve, pattern) for pattern in ("even", "log shape"))
    near = _nearest(shaped, own_hz)
    missed = None
    if failing(states[0], went.recorded, judged, limit):
        missed = "mean rate" if failing(states[1], went.even, judged, limit) else "stalls"
    enough = _enough(shaped)
    return RequiredRate(
        judged, limit, _enough(even), enough, missed, None if near is None else near.low.fails,
        None if near is None or near.open else (near.low.hz, near.high.hz),
        _why(stated, against, went, near, _nearest(even, own_hz)), *states,
    )  # fmt: skip


def _enough(bands: list[_Band]) -> float | None:
    return bands[-1].low.hz if bands and bands[-1].open else None


def _nearest(bands: list[_Band], rate_hz: float) -> _Band | None:
    """That with no upper end, else the one nearest to a rate."""
    if not bands or bands[-1].open:
        return bands[-1] if bands else None
    return min(
        bands, key=lambda b: abs(np.log(np.clip(rate_hz, b.low.hz, b.high.hz) / rate_hz))
    )  # fmt: skip


def _why(
    stated: Controller, against: _Limit, went: Outcome, near: _Band | None, even: _Band | None
) -> str:
    """Why a slower rate does not keep the limit, or why no rate is one from which on all do."""
    shaped = [p for p in went.curve if p.pattern == "log shape"]
    if not shaped:
        return "can't tell which rate keeps it: the log is too short to begin the move at others"
    if near is not None and near.open:
        slowest = "slower ones were not looked at"
        return slowest if near.low.fails is None else f"slower ones {near.low.words}"
    if near is not None:
        shifts = stated.form != "measured step" and (stated.ki or stated.kd)
        mend = "; its gains change with the pace: measure the step" if shifts else ""
        return f"kept {near.text}{mend}"
    if even is not None:
        return f"with these stalls no rate keeps it, even loops do {even.text}"
    fastest = max(shaped, key=lambda p: p.rate_hz)
    most = "" if against.curve.base.work.fastest_hz is None else ", the most that its work allows,"
    at = f"even at {number(fastest.rate_hz)} loops a second{most}"
    return f"no rate keeps it: {at} {against.instead(fastest)}; change the gains or the target"


def stops_helping(points: tuple[CurvePoint, ...], judged: str) -> float | None:
    """The rate beyond which going on to the fastest gains less than a tenth [Hz].

    Of the figure that is judged, and of the time that the move takes to settle; slower loops that
    grow, or do not arrive, are no choice.
    """
    shaped = sorted((p for p in points if p.pattern == "log shape"), key=lambda p: p.rate_hz)
    if len(shaped) < 3 or shaped[-1].state != "settles":
        return None
    last = _sizes(shaped[-1], judged)
    if not np.isfinite(last).all():
        return None
    lowest = None
    for point in shaped[::-1]:
        if point.state != "settles":
            break
        if (_sizes(point, judged) <= last / 0.9).all():
            lowest = point.rate_hz
    return lowest if lowest is not None and lowest < shaped[-2].rate_hz else None


def _sizes(at: CurvePoint, judged: str) -> np.ndarray:
    settles = at.response.settle_ms.p95
    return np.array([p95_of(at.response, judged), 0.0 if settles is None else settles])
