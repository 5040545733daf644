"""Sides to compare, and the change of one figure between them."""

from dataclasses import replace

import numpy as np

from looptime.checks.compare.compare import compare
from looptime.checks.recording.recording import Settings
from tests.checks.build import recording

SETTINGS = Settings(budget_ms=11.0)


def compare_sides(a, b, **more):
    return compare(a, b, settings=SETTINGS, **more)


def change_named(found, statistic, call=""):
    rows = found.calls if call else found.changes
    return next(c for c in rows if c.statistic == statistic and c.call == call)


def with_spikes(seed, share, ms, loops=2700):
    """A recording in which a share of the loops has its gyro read longer by so many ms."""
    run = recording(seed, loops=loops, stalls=0.0)
    at, calls = run.loop_columns, run.call_columns
    rng = np.random.default_rng(seed)
    more = np.where(rng.random(loops) < share, round(ms * 1e6), 0)
    longer = calls.duration_ns + np.where(calls.name == 0, more[calls.loop], 0)
    period = at.period_ns + more
    start = np.cumsum(period) - period
    begin = calls.start_ns - at.start_ns[calls.loop] + start[calls.loop]
    begin = begin + np.where(calls.name > 0, more[calls.loop], 0)
    return replace(
        run,
        loop_columns=replace(at, start_ns=start, period_ns=period),
        call_columns=replace(calls, start_ns=begin, duration_ns=longer, self_ns=longer),
    )


def made_sides(scales=(1.0, 1.0), runs=3, sd=0.003, order="ABBA", seed=1, **after):
    """Several runs a side with scatter between runs, in a given order of recording."""
    rng = np.random.default_rng(seed)
    letters = (order * 10)[: 2 * runs] if order == "ABBA" else order
    sides = ([], [])
    for k, letter in enumerate(letters):
        side = "AB".index(letter)
        more = after if side else {}
        scale = scales[side] * np.exp(rng.normal(0, sd))
        sides[side].append(
            recording(1000 * seed + k, loops=2600, scale=scale, time=f"2026-03-01T10:{k:02}",
                      **more)
        )  # fmt: skip
    return sides


def even_periods(run, seed=0):
    from dataclasses import replace

    from looptime.run import LoopColumns

    n = len(run)
    jitter = np.random.default_rng(seed).integers(-20_000, 20_000, n + 1)
    start = np.arange(n + 1) * 20_000_000 + jitter
    columns = LoopColumns(np.arange(n), start[:-1], np.diff(start))
    return replace(run, loop_columns=columns)
