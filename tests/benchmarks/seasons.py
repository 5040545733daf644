"""Simulated seasons of ten runs: how often an unchanged one is accused, and what is still seen.

Runs differ from day to day by a factor of all calls and by one of each call; inside a run each
call wanders (an Ornstein-Uhlenbeck factor), scatters and has rare long durations.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from looptime.checks.recording.figures import RunValues, measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.season import Listed
from looptime.checks.season.trends import Trends, trends
from looptime.run import CallColumns, Clock, LoopColumns, Run
from looptime.schema import CallName

__all__ = [
    "SHAPES",
    "Plant",
    "Shape",
    "accusations",
    "accused_percent",
    "season",
    "seen_percent",
    "sees",
]

RUNS = 10


@dataclass(frozen=True)
class Shape:
    """What a robot's loop is like, and how its days differ."""

    calls_ms: tuple[float, ...]
    loops: int = 1300
    day: float = 0.01  #: Run-to-run standard deviation of a factor of all calls
    own: float = 0.01  #: The same of each call
    wander: float = 0.03  #: Standard deviation inside a run, with a time constant of 8 s
    spread: float = 0.08
    rare: float = 0.01  #: Share of the durations that are three times as long


_FEW, _SOME, _MANY = (4.0, 2.5, 2.0, 0.5), (4, 3, 2.5, 1, 0.8, 0.6, 0.3, 0.1), (1.0,) * 14
SHAPES = {
    "steady, some calls": Shape(_SOME, day=0.004, own=0.005),
    "usual, some calls": Shape(_SOME),
    "usual, few calls, short": Shape(_FEW, loops=500),
    "usual, many calls": Shape(_MANY),
    "wandering, short": Shape(_SOME, loops=500, day=0.005, own=0.02, wander=0.08),
    "rare and long": Shape(_SOME, day=0.005, rare=0.002, spread=0.2),
    "uneven days": Shape(_FEW, day=0.03, own=0.015),
    "uneven days, long": Shape(_SOME, loops=3000, day=0.02, own=0.03),
}


@dataclass(frozen=True)
class Plant:
    """A change: factors of all calls, or of one, by run."""

    scale: dict[int, float] = field(default_factory=dict)
    call: int | None = None


def one_run(rng: np.random.Generator, shape: Shape, day: int, plant: Plant) -> Run:
    """A run of a free-running loop."""
    k, n = len(shape.calls_ms), shape.loops
    rho = math.exp(-sum(shape.calls_ms) / 8000)
    noise = rng.normal(0, math.sqrt(1 - rho * rho), (n, k))
    noise[0] = rng.normal(0, 1, k)
    log = shape.wander * lfilter([1.0], [1.0, -rho], noise, axis=0)
    log += (
        rng.normal(0, shape.day) + rng.normal(0, shape.own, k) + rng.normal(0, shape.spread, (n, k))
    )
    factor = np.ones(k)
    factor[slice(None) if plant.call is None else plant.call] = plant.scale.get(day, 1.0)
    ms = np.exp(log) * shape.calls_ms * factor
    ms[rng.random((n, k)) < shape.rare] *= 3
    duration = np.round(ms * 1e6).astype(np.int64)
    period = duration.sum(axis=1) + np.round(rng.lognormal(0, 0.1, n) * 0.2e6).astype(np.int64)
    start = np.cumsum(period) - period
    begin = start[:, None] + np.cumsum(duration, axis=1) - duration
    table = CallColumns(
        np.repeat(np.arange(n, dtype=np.int32), k), np.zeros(n * k, np.int16),
        np.tile(np.arange(k, dtype=np.int32), n), begin.ravel(), duration.ravel(),
        duration.ravel(), np.zeros(n * k, np.int16),
    )  # fmt: skip
    return Run(
        LoopColumns(np.arange(n), start, period), table,
        tuple(CallName(f"part{c}.read") for c in range(k)), ("main",), 0, source=f"run-{day}.csv",
        rows_read=n * k, rows_used=n * k, clock=Clock(tick_ns=1),
        meta={"robot": "tray-carrier", "time": f"2026-03-{day + 1:02}"},
    )  # fmt: skip


def season(rng: np.random.Generator, shape: Shape, plant: Plant | None = None) -> Trends:
    """What is seen in a season of ten runs."""
    values: list[RunValues] = []
    for day in range(RUNS):
        run = one_run(rng, shape, day, plant or Plant())
        series = record(run, Settings(keep_warmup=True)).series()
        values.append(measure(series, histograms=False))
    entries = [Listed(f"run-{day}", v.facts) for day, v in enumerate(values)]
    return trends(entries, values)


def accusations(found: Trends) -> Iterator[str]:
    """Everything that says of a season that something changed."""
    if found.odd:
        yield "odd"
    if any(t.steps for t in found.trends):
        yield "step"
    if any(t.p_holm is not None and t.p_holm < 0.05 for t in found.trends):
        yield "trend"


def sees(found: Trends, kind: str, call: int | None = None) -> bool:
    """Whether the change planted is seen: ``odd`` is run 8, ``step`` from the sixth run on."""
    name = "" if call is None else f"part{call}.read"
    if kind == "odd":
        return any(
            o.entry == "run-8" and (call is None or f"{name} mean" in o.figures) for o in found.odd
        )
    return any(
        abs(int(s.after_entry[4:]) - 5) <= 1
        for t in found.trends
        for s in t.steps
        if t.call == name
    )


def accused_percent(chances: Sequence[np.random.Generator], shape: Shape) -> float:
    """Share of unchanged seasons that are accused of anything at all."""
    return 100 * float(np.mean([any(accusations(season(rng, shape))) for rng in chances]))


def seen_percent(
    chances: Sequence[np.random.Generator], shape: Shape, kind: str, factor: float, call: int | None
) -> float:
    """Share of seasons in which a change is seen: of run 8, or from the sixth run on."""
    days = [8] if kind == "odd" else range(5, RUNS)
    plant = Plant(dict.fromkeys(days, factor), call)
    return 100 * float(np.mean([sees(season(rng, shape, plant), kind, call) for rng in chances]))
