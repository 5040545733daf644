"""Sampling patterns and runs for the heading tests, built in memory."""

import numpy as np

from looptime.heading.pattern import Sampling, blocks_of
from looptime.run import Run
from tests.build_run import make_flat_run


def jittered(
    n: int = 6000, period: float = 0.01, sd: float = 0.1, stalls: float = 0.01, seed: int = 1,
    latency: float = 0.4,
) -> Sampling:  # fmt: skip
    """Uneven loops with 30 ms stalls, each reading a share of its own loop old when used."""
    rng = np.random.default_rng(seed)
    hold = period * np.exp(sd * rng.standard_normal(n + 1))
    stalled = rng.random(n + 1) < stalls
    use = np.concatenate([[0.0], np.cumsum(hold[1:] + 0.03 * stalled[1:])])
    taken = use - latency * hold
    return Sampling(taken, taken, use, taken - 0.0005, blocks_of(n))


def robot_run(n: int = 3000, seed: int = 3) -> Run:
    """A run with a gyro read at 2 ms, control, and an actuator write that ends 6.2 ms in."""
    rng = np.random.default_rng(seed)
    period = np.round(1e7 * np.exp(0.1 * rng.standard_normal(n))).astype(np.int64)
    period[rng.random(n) < 0.01] += 30_000_000
    calls = {
        "lift.read": np.full(n, 2_000_000), "gyro.read": np.full(n, 1_200_000),
        "control": np.full(n, 2_000_000), "drive.write": np.full(n, 1_000_000),
    }  # fmt: skip
    kinds = {
        "lift.read": "sensor read", "gyro.read": "sensor read",
        "control": "compute", "drive.write": "actuator write",
    }  # fmt: skip
    return make_flat_run(np.maximum(period, 6_500_000), calls, kinds)
