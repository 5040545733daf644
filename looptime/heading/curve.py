"""Heading error against loop rate, with what the log's own unevenness does at every rate.

For each rate and pattern the figures come from the same models as for the log itself; intervals
come from leaving out blocks of consecutive loops of the log.
"""

from dataclasses import field, replace

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.age_distribution import (
    block_sums,
    by_block,
    leave_out,
    mean_age_ms,
    mean_age_s,
    ratio,
)
from looptime.heading.block_intervals import figure
from looptime.heading.integrated import AssumedStep, end_errors, errors_along, random_starts
from looptime.heading.lag_table import AgeTable, make_table
from looptime.heading.lead import NO_LEAD, Lead
from looptime.heading.motion import Motion, Profile, Recorded
from looptime.heading.pattern import (
    BLOCKS,
    INSTANTS,
    MOST_LOOPS,
    LogShape,
    Sampling,
    checked_rate,
    even,
    lag_factor,
    scaled,
)
from looptime.heading.sensor import PERFECT, Sensor
from looptime.heading.stale import Stale, stale_along, stale_everywhere, values_everywhere
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = [
    "RATES_HZ",
    "CurvePoint",
    "Models",
    "RatePoint",
    "end_rms",
    "rate_curve",
    "rates_of",
    "sampling_at",
]

_PREFERRED = (1, 1.12, 1.25, 1.4, 1.6, 1.8, 2, 2.24, 2.5, 2.8, 3.15, 3.55, 4, 4.5, 5, 5.6, 6.3,
              7.1, 8, 9)  # fmt: skip
#: Loop rates of the curve: 5 Hz to 1 kHz in the preferred numbers R20 (ISO 3) [Hz].
RATES_HZ = tuple(
    rate for scale in (1.0, 10.0, 100.0, 1000.0) for p in _PREFERRED
    if 5.0 <= (rate := round(p * scale, 6)) <= 1000.0
)  # fmt: skip
#: Starts of a finite motion at each rate of the curve.
STARTS = 5000


@dataclass(frozen=True)
class Models:
    """The motion and how the code under study goes about it."""

    motion: Motion  #: The motion of the robot
    lead: Lead = NO_LEAD  #: By how much the code extrapolates
    sensor: Sensor = PERFECT  #: Noise, bias and seed
    integration: str = "hold-first"  #: One of `looptime.heading.integrated.RULES`
    step: AssumedStep = field(default_factory=AssumedStep)  #: The step that the code takes
    latency_s: float | None = None  #: Latency at other rates; None where it scales with the period
    slow_s: float | None = None  #: Slow-loop limit
    over_s: float = 10.0  #: Length over which the integrated error is taken
    seed: int = 0  #: Of the random phases


@dataclass(frozen=True)
class CurvePoint:
    """Figures at one loop rate."""

    pattern: str
    rate_hz: float  #: Wanted loop rate [Hz]
    age_ms: Figure  #: Mean age of the reading in use
    stale: Stale
    #: Root mean square error of the integrated heading after the motion, or after `over_s` [rad].
    integrated_rms: Figure


def sampling_at(
    base: Sampling, pattern: str, rate_hz: float, models: Models, shape: LogShape | None = None
) -> Sampling:
    """The sampling of a pattern at a rate, before the sensor.

    Parameters
    ----------
    base : Sampling
        As recorded.
    pattern : str
        ``even``, ``log shape`` or ``scaled``.
    rate_hz : float [Hz]
        Wanted loop rate.
    models : Models
        The motion and how the code goes about it.
    shape : LogShape, optional
        Of `base`, where many rates are asked for.

    Returns
    -------
    Sampling
        In the log's own time.
    """
    checked_rate(rate_hz)
    if pattern == "log shape":
        made = (shape or LogShape(base, models.slow_s)).at(rate_hz, models.latency_s)
    elif pattern == "scaled":
        made = scaled(base, rate_hz, models.latency_s)
    else:
        latency = models.latency_s
        if latency is None:
            latency = _code_s(base) * _factor(base, "read_s", rate_hz) + _own_mean_s(base)
            latency = max(latency, 0.0)
        made = _even(base, rate_hz, latency, models)
    return _moved(made, float(base.use_s[0] - made.use_s[0]))


def _own_mean_s(base: Sampling) -> float:
    """How old a value is on average when it is read, which no pace of the loop changes [s]."""
    return float(base.own_s[:-1].mean())


def _code_s(base: Sampling) -> float:
    """Time from the reading to the use, on average [s]."""
    return float(base.latency_s.mean()) - _own_mean_s(base)


def _factor(base: Sampling, name: str, rate_hz: float) -> float:
    return lag_factor(base, name, float(base.hold_s.mean()), 1 / rate_hz)


def _even(base: Sampling, rate_hz: float, latency_s: float, models: Models) -> Sampling:
    seconds = 2.5 * models.over_s + 2 * latency_s
    if isinstance(models.motion, Recorded):
        seconds = base.duration_s
    loops = min(max(round(seconds * rate_hz), 20 * BLOCKS), MOST_LOOPS)
    made = even(rate_hz, loops, latency_s)
    lag = float(base.lag_s("start_s").mean()) * _factor(base, "start_s", rate_hz)
    return replace(made, start_s=made.use_s - lag, work=base.work)


def _moved(sampling: Sampling, by: float) -> Sampling:
    if not by:
        return sampling
    return replace(sampling, **{n: getattr(sampling, n) + by for n in (*INSTANTS, "use_s")})


class StaleModel:
    """Figures of the stale heading for any sampling, with the motion's table at hand.

    Parameters
    ----------
    models : Models
        The motion and how the code goes about it.
    many : bool
        Whether the figures of many samplings will be asked for.
    """

    def __init__(self, models: Models, many: bool = False) -> None:
        self.models = models
        self.many = many
        self.table: AgeTable | None = None

    def __call__(self, sampling: Sampling, *, exact: bool = False) -> Stale:
        motion = self.models.motion
        if isinstance(motion, Recorded):
            return stale_along(motion, sampling, self.models.lead, exact=exact)
        return stale_everywhere(motion, sampling, self._reaching(sampling), exact=exact)

    def values(self, sampling: Sampling) -> tuple[float, ...]:
        """Mean, rms, p95, lateral and sideways alone, of a motion that may begin at any moment."""
        return values_everywhere(self.models.motion, sampling, self._reaching(sampling))

    def _reaching(self, sampling: Sampling) -> AgeTable:
        greatest = float((sampling.latency_s + sampling.hold_s).max())
        ahead = self.models.lead.per_hold(sampling)
        if self.table is None or greatest > self.table.nodes[-1] or not self._spans(ahead):
            self.reach([sampling])
        assert self.table is not None
        return self.table

    def reach(self, samplings: list[Sampling]) -> None:
        """Make the table reach to the ages and leads of these samplings, and somewhat beyond."""
        greatest = max(float((s.latency_s + s.hold_s).max()) for s in samplings) * 1.25
        ahead = np.concatenate([self.models.lead.per_hold(s) for s in samplings])
        self.prepare(greatest, np.array([0.8 * ahead.min(), 1.25 * ahead.max()]))

    def _spans(self, ahead: Float) -> bool:
        if self.models.lead.kind != "measured" or self.table is None:
            return True
        leads = self.table.leads
        return bool(ahead.max() <= leads[-1] * (1 + 1e-9) and ahead.min() >= leads[0] * (1 - 1e-9))

    def prepare(self, greatest_s: float, ahead: Float) -> None:
        """Make the table for ages and leads up to these."""
        known = [] if self.table is None else [float(self.table.nodes[-1])]
        greatest = max([greatest_s, *known])
        lead, motion = self.models.lead, self.models.motion
        if lead.kind != "measured":
            self.table = make_table(motion, lead, greatest, many=self.many)
            return
        low, high = float(ahead.min()), float(ahead.max())
        if self.table is not None:
            low, high = min(low, float(self.table.leads[0])), max(high, float(self.table.leads[-1]))
        leads = np.array([low])
        if high > low * (1 + 1e-9) + 1e-12:
            leads = distinct(np.append(np.geomspace(max(low, 1e-5), high, 8), low))
        size = {} if len(leads) == 1 else {"cells": 400, "phases": 128, "sizes": 1600}
        self.table = make_table(motion, lead, greatest, leads=leads, many=self.many, **size)


def end_rms(models: Models, sampling: Sampling) -> Figure:
    """Root mean square error of the integrated heading at the end, with its interval [rad].

    A finite motion begins in every loop (or every few, beyond `STARTS`) at a random phase; for
    the others the error is that gathered over `Models.over_s` from each reading on.
    """
    if isinstance(models.motion, Profile):
        starts, weight = random_starts(sampling, models.motion.duration_s, models.seed, STARTS)
        error = end_errors(models.motion, sampling, models.integration, models.step, starts)
        at: Int = np.clip(np.searchsorted(sampling.use_s, starts) - 1, 0, len(sampling) - 1)
    else:
        along = errors_along(models.motion, sampling, models.integration, models.step)
        at, error, weight = gathered(along, sampling, models.over_s)
        if not len(error):
            return Figure(None)
    block = sampling.block[at]
    square = block_sums(block, weight * error * error)
    time = block_sums(block, weight)
    left = np.sqrt(ratio(leave_out(square), leave_out(time)))
    return figure(float(np.sqrt(square.sum() / time.sum())), left, positive=True)


def gathered(along: Float, sampling: Sampling, over_s: float) -> tuple[Int, Float, Float]:
    """Error gathered over a length of time from each reading on.

    Parameters
    ----------
    along : float array, shape (n + 1,) [rad]
        Error at each reading.
    sampling : Sampling
        Instants of reading and use.
    over_s : float [s]
        Length of time.

    Returns
    -------
    at : int array, shape (k,)
        Reading from which it counts.
    error : float array, shape (k,) [rad]
    weight : float array, shape (k,) [s]
        Length of the loop.
    """
    at = np.arange(len(sampling))
    later = sampling.read_s[:-1] + over_s
    fits = later <= sampling.read_s[-1] + 1e-9 * over_s
    reached = np.interp(later[fits], sampling.read_s, along)
    return at[fits], reached - along[:-1][fits], sampling.hold_s[fits]


def rates_of(base: Sampling) -> tuple[float, ...]:
    """Loop rates of the curve, up to the fastest that the work of the loop allows [Hz].

    Examples
    --------
    >>> from looptime.heading.kept_work import Work
    >>> rates_of(replace(even(5, 9), work=Work("waits", 0.15)))
    (5.0, 5.6, 6.3, 6.666666666666667)
    """
    fastest = base.work.fastest_hz
    if fastest is None or fastest >= RATES_HZ[-1]:
        return RATES_HZ
    return (*(rate for rate in RATES_HZ if rate < fastest), fastest)


def rate_curve(
    models: Models, base: Sampling, *, rates_hz: tuple[float, ...] | None = None,
    patterns: tuple[str, ...] = ("even", "log shape"), stale: StaleModel | None = None,
) -> tuple[CurvePoint, ...]:  # fmt: skip
    """Figures against loop rate for each pattern.

    Parameters
    ----------
    models : Models
        The motion and how the code goes about it.
    base : Sampling
        As recorded, before the sensor.
    rates_hz : tuple of float, optional [Hz]
        Ascending; else those of `rates_of`.
    patterns : tuple of str
        Patterns of the curve, one after another.
    stale : StaleModel, optional
        To share its table.

    Returns
    -------
    tuple of CurvePoint
        All rates of the first pattern, then of the next.
    """
    stale = stale or StaleModel(models, many=True)
    rates_hz = rates_hz or rates_of(base)
    shape = LogShape(base, models.slow_s)
    if not isinstance(models.motion, Recorded):
        ends = [
            models.sensor.apply(sampling_at(base, pattern, rate, models, shape))
            for pattern in patterns
            for rate in (rates_hz[0], rates_hz[-1])
        ]
        stale.reach([*ends, models.sensor.apply(base)])
    at = RatePoint(models, base, stale, shape)
    return tuple(
        at(pattern, rate, summed=True) for pattern in patterns for rate in rates_hz
    )  # fmt: skip


class RatePoint:
    """Figures at any one rate, as `rate_curve` gives them at its own.

    Parameters
    ----------
    models, base, stale
        As for `rate_curve`.
    shape : LogShape, optional
        Of `base`, where it is at hand.
    """

    def __init__(
        self, models: Models, base: Sampling, stale: StaleModel, shape: LogShape | None = None
    ) -> None:
        self.models, self.base, self.stale = models, base, stale
        self.shape = shape or LogShape(base, models.slow_s)

    def __call__(self, pattern: str, rate_hz: float, *, summed: bool = False) -> CurvePoint:
        """The figures of a pattern; the integrated heading's only where they are asked for."""
        models = self.models
        made = models.sensor.apply(sampling_at(self.base, pattern, rate_hz, models, self.shape))
        integrated = end_rms(models, made) if summed else Figure(None)
        point = CurvePoint(pattern, rate_hz, mean_age_ms(made), self.stale(made), integrated)
        if pattern == "even" and models.latency_s is None:
            return _even_interval(point, models, self.stale, self.base)
        return point


def _even_interval(
    point: CurvePoint, models: Models, stale: StaleModel, base: Sampling
) -> CurvePoint:
    """Even loops are as uncertain as the share of the period that the latency takes.

    The figures are worked out again at both ends of that share's interval; for a recorded motion,
    where that is slow, they are taken to go with the mean age.
    """
    share = _latency_share(base)
    if share.low is None or share.high is None or share.high - share.low < 1e-9:
        return point
    grown = _factor(base, "read_s", point.rate_hz) * float(base.hold_s.mean())
    own = _own_mean_s(base)
    if isinstance(models.motion, Recorded):
        return _with_age(point, share.scaled(grown * point.rate_hz), own)
    ends = []
    for part in (share.low, share.high):
        fixed = replace(models, latency_s=max(part, 0.0) * grown + own)
        made = models.sensor.apply(sampling_at(base, "even", point.rate_hz, fixed))
        ends.append((mean_age_s(made) * 1e3, *stale.values(made)))
    low, high = ends
    stale_at = point.stale
    at = (point.age_ms, stale_at.mean, stale_at.rms, stale_at.p95, stale_at.lateral,
          stale_at.sideways)  # fmt: skip
    age, mean, rms, p95, *sines = map(_between, at, low, high)
    return replace(point, age_ms=age, stale=Stale(mean, rms, p95, stale_at.max, *sines))


def _with_age(point: CurvePoint, share: Figure, own_s: float) -> CurvePoint:
    own = own_s * point.rate_hz
    low, high = (
        (0.5 + own + float(end or 0.0)) / (0.5 + own + float(share.value or 0.0))
        for end in (share.low, share.high)
    )

    def both(figure: Figure) -> Figure:
        return _between(figure, figure.scaled(low).value, figure.scaled(high).value)

    stale = point.stale
    return replace(
        point,
        age_ms=both(point.age_ms),
        stale=Stale(
            both(stale.mean),
            both(stale.rms),
            both(stale.p95),
            stale.max,
            both(stale.lateral),
            both(stale.sideways),
        ),
    )


def _latency_share(base: Sampling) -> Figure:
    latency = by_block(base, base.latency_s - base.own_s[:-1])
    hold = by_block(base, base.hold_s)
    return figure(
        float(latency.sum() / hold.sum()), ratio(leave_out(latency), leave_out(hold)), positive=True
    )


def _between(middle: Figure, one: float | None, other: float | None) -> Figure:
    values = [v for v in (middle.value, one, other) if v is not None]
    return Figure(middle.value, min(values), max(values)) if values else middle
