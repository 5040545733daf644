"""Runs of a robot for a baseline, and new ones to hold against it."""

import numpy as np

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from tests.checks.build import recording

SETTINGS = Settings(budget_ms=11.0)


def as_stored(run, settings=SETTINGS):
    return measure(record(run, settings).series())


def new_run(seed=7, **more):
    return recording(seed, robot="tray-carrier", **more)


def row_named(result, what, check="regression"):
    return next(r for r in result.rows if r.what == what and r.check == check)


def baseline_runs(count=10, sd=0.004, seed=1, **more):
    """Runs whose speed scatters from run to run as a real robot's does."""
    factors = np.exp(np.random.default_rng(seed).normal(0, sd, count))
    return [
        as_stored(recording(100 + k, scale=f, robot="tray-carrier", **more))
        for k, f in enumerate(factors)
    ]
