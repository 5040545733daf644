"""Simulated recordings of a control loop, whose truth is known.

A loop's base period is lognormal: a white part and a first-order autoregression. On top come a
two-state bus, telemetry stalls by the wall clock, bus timeouts, garbage collector pauses, drift
and warm-up. Events keyed to time are placed by the wall clock, so a slower loop sees more of
them per loop. Run effects make one recording differ from the next with no change of code.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["KINDS", "Kind", "Plant", "Recording", "clean", "paced", "record", "run_effects"]

Float = NDArray[np.float64]


@dataclass(frozen=True)
class Kind:
    """Properties of a recording.

    Amplitudes are shares of the base period; `rho` is the autoregression per loop.
    """

    rho: float = 0.5
    slow_share: float = 0.015
    slow_s: float = 1.5
    drift_per_min: float = 0.005
    warm_share: float = 0.05
    warm_s: float = 1.0
    stall_ms: float = 2.0
    stall_every_s: float = 0.1
    gc_every_s: float = 4.0
    gc_ms: float = 9.0
    timeouts_per_s: float = 0.15
    white: float = 0.03
    ar: float = 0.06


#: E easy, T typical, H hard, R strong autoregression without stalls or collector pauses.
KINDS: dict[str, Kind] = {
    "E": Kind(rho=0.2, slow_share=0, drift_per_min=0, warm_share=0),
    "T": Kind(),
    "H": Kind(rho=0.8, slow_share=0.03, slow_s=5, drift_per_min=0.015, warm_share=0.1, warm_s=2),
    "R": Kind(rho=0.8, drift_per_min=0, warm_share=0, stall_ms=0, gc_ms=0),
}
CLEAN = Kind(slow_share=0, drift_per_min=0, warm_share=0, stall_ms=0, gc_ms=0, timeouts_per_s=0)


@dataclass(frozen=True)
class Plant:
    """What is added to a recording on purpose.

    Parameters
    ----------
    shift : float
        Share of the mean period added to every loop.
    tail_per_s : float
        Extra stalls of 4 to 8 ms per second.
    step : float
        Share by which the level rises at half of the run.
    stall_every_loops : int
        A stall of `stall_ms` every so many loops; 0 for none.
    stall_ms : float
        Its height.
    """

    shift: float = 0.0
    tail_per_s: float = 0.0
    step: float = 0.0
    stall_every_loops: int = 0
    stall_ms: float = 2.0


@dataclass(frozen=True)
class Effects:
    """How one recording differs from another without a change of code."""

    factor: float = 1.0
    stall_factor: float = 1.0
    timeout_factor: float = 1.0
    gc_factor: float = 1.0
    drift_per_min: float = 0.0


@dataclass(frozen=True)
class Recording:
    """Loops of one recording: start times [s] and periods [ms], shapes (n,)."""

    start_s: Float
    period_ms: Float


def run_effects(rng: np.random.Generator, rr: float) -> Effects:
    """Draw a run's own effects for a run-to-run standard deviation `rr` (a share)."""
    if rr == 0:
        return Effects()
    shape = 1 / (20 * rr) ** 2
    return Effects(
        factor=float(np.exp(rng.normal(0, rr))),
        stall_factor=float(np.exp(rng.normal(0, 3 * rr))),
        timeout_factor=float(rng.gamma(shape, 1 / shape)),
        gc_factor=float(rng.gamma(shape, 1 / shape)),
        drift_per_min=float(rng.normal(0, 0.5 * rr)),
    )


def _states(rng: np.random.Generator, t: Float, kind: Kind) -> NDArray[np.bool_]:
    """Whether the bus is in its slow state, a third of the time, at the times t [s]."""
    cycles = int(t[-1] / (1.5 * kind.slow_s) * 2) + 20
    sojourn = rng.exponential(1.0, 2 * cycles) * np.tile([kind.slow_s, kind.slow_s / 2], cycles)
    edges = np.cumsum(sojourn) - rng.uniform(0, 1.5 * kind.slow_s)
    return np.searchsorted(edges, t) % 2 == 1


def _events(
    rng: np.random.Generator, span_s: float, kind: Kind, plant: Plant, effects: Effects
) -> Iterator[tuple[Float, Float]]:
    """Times [s] and heights [ms] of the events keyed to the wall clock."""
    if kind.stall_ms > 0:
        at = np.arange(rng.uniform(0, kind.stall_every_s), span_s, kind.stall_every_s)
        at = at + rng.normal(0, 0.001, len(at))
        yield at, effects.stall_factor * kind.stall_ms * rng.lognormal(-0.06, 0.35, len(at))
    rate = kind.timeouts_per_s * effects.timeout_factor
    many = rng.poisson(rate * span_s)
    yield rng.uniform(0, span_s, many), 2 + rng.exponential(6, many)
    if kind.gc_ms > 0:
        gap = kind.gc_every_s / effects.gc_factor
        gaps = rng.gamma(8, gap / 8, int(span_s / gap * 1.5) + 20)
        at = np.cumsum(gaps) - rng.uniform(0, gap)
        yield at, kind.gc_ms * rng.lognormal(-0.08, 0.4, len(at))
    many = rng.poisson(plant.tail_per_s * span_s)
    yield rng.uniform(0, span_s, many), rng.uniform(4, 8, many)


def record(
    rng: np.random.Generator,
    kind: Kind,
    n: int,
    base_ms: float = 10.0,
    *,
    plant: Plant | None = None,
    effects: Effects | None = None,
    cut: int = 300,
) -> Recording:
    """Simulate a recording.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    kind : Kind
        Properties.
    n : int
        Loops of the recording, after `cut` loops at its start are left out.
    base_ms : float
        Base period [ms].
    plant, effects : optional
        What was planted, and how this run differs.
    cut : int
        Loops simulated before the recording begins; 0 to keep the warm-up.

    Returns
    -------
    Recording
    """
    plant, effects = plant or Plant(), effects or Effects()
    total = n + cut
    ar = rng.normal(0, kind.ar * np.sqrt(1 - kind.rho**2), total)
    ar[0] = rng.normal(0, kind.ar)
    log_period = lfilter([1.0], [1.0, -kind.rho], ar) + rng.normal(0, kind.white, total)
    rough_s = np.arange(total) * base_ms / 1000
    level = 1 + (kind.drift_per_min + effects.drift_per_min) * rough_s / 60
    if kind.warm_share:
        level += kind.warm_share * np.exp(-rough_s / kind.warm_s)
    if kind.slow_share:
        level += kind.slow_share * _states(rng, rough_s, kind)
    if plant.step:
        level[cut + n // 2 :] += plant.step
    period = base_ms * effects.factor * np.exp(log_period) * level
    if plant.shift:
        # the mean of the typical recording is 3.5 % above its base period
        period += plant.shift * 1.035 * base_ms
    if plant.stall_every_loops:
        period[int(rng.integers(plant.stall_every_loops)) :: plant.stall_every_loops] += (
            plant.stall_ms
        )
    period = _insert(rng, period, kind, plant, effects)[cut:]
    starts = np.cumsum(period) - period
    return Recording(starts / 1000, period)


def _insert(
    rng: np.random.Generator, period: Float, kind: Kind, plant: Plant, effects: Effects
) -> Float:
    """Lengthen the loops in which events fall; an event stops the loop's own clock."""
    own_s = np.cumsum(period) / 1000
    found = list(_events(rng, float(own_s[-1]) * 1.3, kind, plant, effects))
    at = np.concatenate([f[0] for f in found])
    height = np.concatenate([f[1] for f in found])
    order = np.argsort(at)
    at, height = at[order], height[order]
    own = np.maximum.accumulate(at - (np.cumsum(height) - height) / 1000) if len(at) else at
    loop = np.searchsorted(own_s, own)
    inside = (loop < len(period)) & (at >= 0)
    return period + np.bincount(loop[inside], height[inside], minlength=len(period))


def clean(rng: np.random.Generator, n: int, base_ms: float = 10.0, rho: float = 0.5) -> Recording:
    """A recording with nothing in it but autocorrelation."""
    return record(rng, replace(CLEAN, rho=rho), n, base_ms)


def paced(recording: Recording, nominal_ms: float, catch_up: bool = False) -> Recording:
    """Periods of a loop that waits for the next tick of a fixed rate after its work.

    `recording.period_ms` is the work. After a long loop the next tick that lies ahead is taken
    (`catch_up` False), or the missed ones are run at once until the schedule is met again.
    """
    work = recording.period_ms
    start = np.empty(len(work) + 1)
    start[0] = 0.0
    due = 0.0
    for i, w in enumerate(work):
        end = start[i] + w
        due += nominal_ms
        if not catch_up and due < end:
            due = nominal_ms * np.ceil(end / nominal_ms)
        start[i + 1] = max(end, due)
    return Recording(start[:-1] / 1000, np.diff(start))
