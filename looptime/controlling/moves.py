"""Moves over a log as it is, over even loops, at other rates, and with one stall in them."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.controlling.law import Law, Plant
from looptime.controlling.margins import margins
from looptime.controlling.matrices import EvenLoop, even_matrix, spectral_radius
from looptime.controlling.response import Response, figures, summed_up
from looptime.controlling.simulate import (
    Instants,
    Track,
    beside,
    play_side_by_side,
    starts_in,
)
from looptime.controlling.stability import grows_evenly, grows_unevenly
from looptime.controlling.target import Path
from looptime.errors import LooptimeError, NotEnoughError
from looptime.heading.kept_work import Work
from looptime.heading.pattern import LogShape, Sampling, even
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = [
    "CurvePoint",
    "Move",
    "RateCurve",
    "Stall",
    "even_loop",
    "even_sampling",
    "horizon_of",
    "play_each",
    "state_of",
]

#: Most moves over the recorded loops, and over each rate of the curve.
STARTS, CURVE_STARTS, EVEN_STARTS = 400, 80, 20
#: Rates that are played between two of the curve's, with these.
BETWEEN = 10
#: Loop rates of the curve [Hz].
RATES_HZ = (
    5.0, 7.1, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0, 80.0, 112.0, 160.0, 224.0, 315.0, 450.0,
)  # fmt: skip
#: How long is waited for a move to settle, at most [s].
LONGEST_WAIT_S = 3.0
#: Loops of a log that stand for it at other rates.
SHAPE_LOOPS = 20_000


@dataclass(frozen=True)
class Move:
    """What is moved, how, and what counts as there."""

    law: Law
    plant: Plant
    path: Path
    delay_s: float  #: Delay within the sensor
    tolerance: float  #: Error within which it has settled [unit]
    horizon_s: float  #: How long it is followed
    seed: int = 0

    def figures(self, track: Track) -> tuple[Float, Float, Float, Float]:
        """Figures of every move that was played; see `looptime.controlling.response.figures`."""
        return figures(self.plant, self.path, track, self.horizon_s, self.tolerance)


@dataclass(frozen=True)
class CurvePoint:
    """A controller at one loop rate."""

    #: ``even``, or ``log shape``: the log's own loops at that rate, its stalls as they are.
    pattern: str
    rate_hz: float  #: [Hz]
    response: Response
    #: Of even loops at that rate.
    gain_margin: float | None = None
    phase_margin_deg: float | None = None
    spectral_radius: float | None = None
    #: ``grows`` where a disturbance does, ``unfinished`` where the move does not come to rest
    #: within its tolerance in the time followed (p95), else ``settles``; only then its figures are
    #: those of a move that arrives.
    state: str = "settles"


@dataclass(frozen=True)
class Stall:
    """What one stall does to a move over otherwise even loops."""

    hold_ms: float  #: The log's longest hold
    #: With the stall at each loop of the move in turn; `Spread.worst` is the worst place.
    worst: Response
    without: Response  #: The same move without a stall


def even_loop(at: Sampling) -> EvenLoop:
    """Even loops at the mean period, latency and delay within the sensor of a log."""
    period, delay = float(at.hold_s.mean()), float(at.own_s[:-1].mean())
    share = max(float(at.latency_s.mean()) - delay, 0.0) / period
    return EvenLoop(period, share, delay, at.work)


def even_sampling(loop: EvenLoop, duration_s: float) -> Sampling:
    """Such loops as instants, for so long."""
    made = even(1 / loop.period_s, math.ceil(duration_s / loop.period_s) + 2, loop.latency_s)
    read = made.use_s - loop.latency_share * loop.period_s
    return Sampling(made.taken_s, read, made.use_s, made.start_s, made.block, "even")


def horizon_of(law: Law, plant: Plant, path: Path, loop: EvenLoop) -> float:
    """How long a move is followed: until it has surely settled, within reason [s]."""
    radius = spectral_radius(even_matrix(law, plant, loop).each[0])
    slowest = loop.period_s / -math.log(radius) if 0 < radius < 1 else math.inf
    wait = min(max(8 * slowest, 25 * loop.period_s, 0.3), LONGEST_WAIT_S)
    if not path.comes_to_rest:
        return path.end_s
    strongest = max(min(law.limit, 1e3) - abs(plant.load), 1e-6)
    way = abs(path.final) / (plant.full_speed * strongest) if plant.kind == "position" else 0.0
    return path.end_s + min(way if not path.end_s else 0.0, 20.0) + wait


def even_starts(move: Move, loop: EvenLoop, most: int) -> Instants:
    """Moves over even loops, at phases spread evenly."""
    at = even_sampling(loop, move.horizon_s + 2 * loop.period_s)
    rows = np.arange(len(at) + 1)[:, None]
    phase = (np.arange(most) + 0.5) / most * loop.period_s
    return Instants(*(a[rows] - phase for a in (at.read_s, at.taken_s, at.use_s)))


def play_each(wanted: Sequence[tuple[Move, Instants]]) -> list[Track]:
    """The track of each; those with one law, one mechanism and one path are played at once."""
    alike: dict[tuple[Law, Plant, int], list[int]] = {}
    for i, (move, _) in enumerate(wanted):
        alike.setdefault((move.law, move.plant, id(move.path)), []).append(i)
    made: dict[int, Track] = {}
    for group in alike.values():
        move = wanted[group[0]][0]
        tracks = play_side_by_side(
            move.law, move.plant, move.path, [wanted[i][1] for i in group]
        )  # fmt: skip
        made.update(zip(group, tracks, strict=True))
    return [made[i] for i in range(len(wanted))]


def up_to_work(work: Work, rates_hz: tuple[float, ...]) -> tuple[float, ...]:
    """The rates up to the fastest that the work allows, and that one [Hz].

    Examples
    --------
    >>> up_to_work(Work("waits", 0.01), (50.0, 80.0, 112.0, 160.0)), up_to_work(Work(), (50.0,))
    ((50.0, 80.0, 100.0), (50.0,))
    """
    fastest = work.fastest_hz
    if fastest is None or fastest >= rates_hz[-1]:
        return rates_hz
    return (*(rate for rate in rates_hz if rate < fastest), fastest)


class RateCurve:
    """The move at other loop rates, over even loops and over the log's shape.

    Parameters
    ----------
    move : Move
        What is moved, and how.
    base : Sampling
        As recorded, without the sensor's delay.
    loop : EvenLoop
        At its mean.
    rates_hz : tuple of float [Hz]
        Ascending, up to the fastest that the loop's work allows; rates at which no even loop can be
        judged are left out.
    """

    def __init__(
        self, move: Move, base: Sampling, loop: EvenLoop, rates_hz: tuple[float, ...] = RATES_HZ
    ) -> None:
        self.move, self.base, self.loop, shape = move, base, loop, LogShape(base)
        self._known: list[_Rate] = []
        self.moves: list[Instants] = []  #: To be played
        for rate in up_to_work(base.work, rates_hz):
            at = loop.at_period(1 / rate)
            try:
                alike = even_matrix(move.law, move.plant, at)
                found = margins(move.law, move.plant, at)
            except LooptimeError:
                continue
            shaped = delayed(shape.at(rate), move.delay_s)
            radius = spectral_radius(alike.each[0])
            even_grows = grows_evenly(radius)
            grows = even_grows, even_grows or _grows(move, shaped)
            mine = replace(move, horizon_s=self.followed_s(rate))
            uneven = starts_in(shaped, mine.horizon_s, CURVE_STARTS, move.seed)
            self.moves.append(beside(even_starts(mine, at, EVEN_STARTS), uneven))
            margin = found.gain_margin, found.phase_margin_deg, radius
            self._known.append(_Rate(rate, mine, grows, margin))

    def followed_s(self, rate_hz: float) -> float:
        """How long a move is followed at another rate, where it may take longer to settle [s]."""
        move, at = self.move, self.loop.at_period(1 / rate_hz)
        longer = horizon_of(move.law, move.plant, move.path, at)
        return max(move.horizon_s, longer) if longer < self.base.duration_s else move.horizon_s

    def between(self, below_hz: float, above_hz: float) -> tuple[CurvePoint, ...]:
        """The figures at rates closer together, with those of the two ends."""
        rates = tuple(np.geomspace(below_hz, above_hz, BETWEEN).tolist())
        finer = RateCurve(self.move, self.base, self.loop, rates)
        return finer.points(play_each([(self.move, at) for at in finer.moves]))

    def points(self, tracks: Sequence[Track]) -> tuple[CurvePoint, ...]:
        """The figures of the moves as they were played."""
        points = []
        for at, track in zip(self._known, tracks, strict=True):
            both = at.move.figures(track)
            for pattern, part, grows in (
                ("even", slice(EVEN_STARTS), at.grows[0]),
                ("log shape", slice(EVEN_STARTS, None), at.grows[1]),
            ):
                one = summed_up(*(f[part] for f in both))
                if one.starts:
                    state = state_of(grows, at.move.path, one)
                    points.append(CurvePoint(pattern, at.hz, one, *at.margin, state))
        return tuple(points)


@dataclass(frozen=True)
class _Rate:
    """What is known of a rate before its moves are played."""

    hz: float
    move: Move
    grows: tuple[bool, bool]  #: Over even loops, and over the log's shape
    #: Gain margin, phase margin [deg] and spectral radius of even loops.
    margin: tuple[float | None, float | None, float]


def _grows(move: Move, shaped: Sampling) -> bool:
    try:
        return grows_unevenly(move.law, move.plant, shaped)
    except NotEnoughError:
        return False


def state_of(grows: bool, path: Path, found: Response) -> str:
    """How loops and moves come out, as in `CurvePoint.state`."""
    if grows:
        return "grows"
    return "unfinished" if path.comes_to_rest and found.settle_ms.p95 is None else "settles"


def delayed(at: Sampling, delay_s: float) -> Sampling:
    """The sampling with the sensor's delay: values were true so much earlier."""
    if not delay_s:
        return at
    return replace(at, taken_s=at.taken_s - delay_s)


def longest_hold(move: Move, at: Sampling, loop: EvenLoop) -> tuple[float, Instants]:
    """The log's longest hold [s], put at every loop of the move (at most `STARTS`) in turn.

    The reading that ends it is as old as it was in the log; the other loops are even.
    """
    longest = int(np.argmax(at.hold_s))
    hold, late = float(at.hold_s[longest]), float((at.use_s - at.taken_s)[longest + 1])
    code_late = float((at.use_s - at.read_s)[longest + 1])
    loops = max(math.ceil(move.horizon_s / loop.period_s), 1)
    places = distinct(np.arange(min(STARTS, loops)) * loops // min(STARTS, loops))
    holds = np.full((loops + 2, len(places)), loop.period_s)
    holds[places, np.arange(len(places))] = hold
    use = np.cumsum(np.concatenate([np.zeros((1, len(places))), holds]), axis=0)
    age, code_age = (
        np.full(use.shape, loop.latency_s),
        np.full(use.shape, loop.latency_share * loop.period_s),
    )
    after = (places + 1, np.arange(len(places)))
    age[after], code_age[after] = late, code_late
    use = use - 0.5 * loop.period_s
    return hold, Instants(use - code_age, np.maximum.accumulate(use - age, axis=0), use)
