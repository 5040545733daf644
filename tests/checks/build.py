"""Recordings for the tests of the checks, built from arrays with a known truth."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from looptime.errors import LogError
from looptime.run import CallColumns, Clock, LoopColumns, Run
from looptime.schema import CallName

#: Mean self time of each call of a loop [ms].
CALLS = {
    "gyro.read": 1.2,
    "drive.encoders.read": 2.4,
    "mast.position.read": 0.8,
    "drive.motors.write": 3.0,
    "telemetry.send": 0.4,
}


def recording(
    seed: int = 0,
    loops: int = 4000,
    scale: float = 1.0,
    calls: dict[str, float] | None = None,
    stalls: float = 0.002,
    spread: float = 0.06,
    **meta: str,
) -> Run:
    """A free-running loop of flat calls with lognormal times, independent from loop to loop.

    `scale` multiplies every call; a share `stalls` of the loops holds a telemetry stall of about
    5 ms. `meta` gives ``# key: value`` lines.
    """
    rng = np.random.default_rng(seed)
    means = CALLS if calls is None else calls
    k = len(means)
    ms = rng.lognormal(-(spread**2) / 2, spread, (loops, k)) * list(means.values()) * scale
    if "telemetry.send" in means:
        at = list(means).index("telemetry.send")
        ms[rng.random(loops) < stalls, at] += rng.gamma(20, 0.25)
    duration = np.round(ms * 1e6).astype(np.int64)
    rest = np.round(rng.lognormal(0, 0.1, loops) * 0.2e6).astype(np.int64)
    period = duration.sum(axis=1) + rest
    start = np.cumsum(period) - period
    begin = start[:, None] + np.cumsum(duration, axis=1) - duration
    table = CallColumns(
        loop=np.repeat(np.arange(loops, dtype=np.int32), k),
        thread=np.zeros(loops * k, np.int16),
        name=np.tile(np.arange(k, dtype=np.int32), loops),
        start_ns=begin.ravel(),
        duration_ns=duration.ravel(),
        self_ns=duration.ravel(),
        depth=np.zeros(loops * k, np.int16),
    )
    return Run(
        LoopColumns(np.arange(loops), start, period),
        table,
        tuple(CallName(name) for name in means),
        ("main",),
        0,
        source=meta.pop("source", f"run-{seed}.csv"),
        rows_read=loops * k,
        rows_used=loops * k,
        clock=Clock(tick_ns=1),
        meta=meta,
    )


def paced(run: Run, period_ms: float) -> Run:
    """The same work, each loop then waiting for the next tick of a fixed rate."""
    at, calls = run.loop_columns, run.call_columns
    slot = np.ceil(at.period_ns / (period_ms * 1e6)).astype(np.int64)
    period = (slot * round(period_ms * 1e6)).astype(np.int64)
    start = np.cumsum(period) - period
    wait = period - at.period_ns
    n, k = len(run), len(run.names)
    shift = (start - at.start_ns)[calls.loop]

    def with_wait(column: np.ndarray, extra: np.ndarray) -> np.ndarray:
        return np.column_stack([column.reshape(n, k), extra]).ravel()

    table = CallColumns(
        loop=np.repeat(np.arange(n, dtype=np.int32), k + 1),
        thread=np.zeros(n * (k + 1), np.int16),
        name=np.tile(np.arange(k + 1, dtype=np.int32), n),
        start_ns=with_wait(calls.start_ns + shift, start + at.period_ns),
        duration_ns=with_wait(calls.duration_ns, wait),
        self_ns=with_wait(calls.self_ns, wait),
        depth=np.zeros(n * (k + 1), np.int16),
    )
    names = (*run.names, CallName("pace.sleep", kind="pacing", kind_from="log"))
    return Run(
        LoopColumns(at.loop, start, period), table, names, run.thread_names, 0,
        source=run.source, rows_read=n * (k + 1), rows_used=n * (k + 1), meta=run.meta,
    )  # fmt: skip


def cut(run, *places, gap_s=0.0, anew=False):
    """The run cut at those loops; between pieces so much is lost, and their numbers begin anew."""
    edges = [0, *places, len(run)]
    made = []
    for k, (low, high) in enumerate(pairwise(edges)):
        at = np.arange(len(run))
        one = run.select((at >= low) & (at < high))
        columns = one.loop_columns
        number = columns.loop - columns.loop[0] if anew else columns.loop
        later = round(k * gap_s * 1e9)
        columns = replace(columns, loop=number, start_ns=columns.start_ns + later)
        made.append(replace(one, loop_columns=columns, source=f"{k}.csv"))
    return made


def read_recipe(path: str) -> list[Run]:
    """Stands in for a log reader: the file holds the arguments of `recording` as JSON.

    A recipe with ``"die": true`` kills the process that reads it, as running out of memory does.
    """
    import os

    try:
        recipe = json.loads(Path(path).read_text(encoding="utf-8"))
    except ValueError as error:
        raise LogError("is no recipe", path) from error
    if recipe.pop("die", False):
        os._exit(9)
    return [recording(source=Path(path).name, **recipe)]


def write_recipes(folder: Path, count: int, **more: object) -> list[str]:
    """Recipe files with the seeds 0, 1, ...; returns their paths."""
    folder.mkdir(exist_ok=True)
    paths = []
    for seed in range(count):
        path = folder / f"run-{seed:02}.log"
        recipe = {"seed": seed, "loops": 400, "time": f"2026-03-{seed + 1:02}", **more}
        path.write_text(json.dumps(recipe), encoding="utf-8")
        paths.append(str(path))
    return paths
