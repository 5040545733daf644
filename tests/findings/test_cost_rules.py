"""Findings of what calls cost."""

from __future__ import annotations

import numpy as np
import pytest

from looptime.findings import summarise
from tests.build_run import make_flat_run, make_run
from tests.findings.build import codes


@pytest.mark.parametrize(("first_ms", "told"), [(90.0, True), (30.0, False)])
def test_a_first_call_is_told_where_it_costs_several_loops(first_ms, told):
    """Usually 0.5 ms in a loop of 10 ms; the first takes nine loops, or three."""
    run = make_run(
        [max(10.0, first_ms + 8), *[10.0] * 400],
        lambda k: [("camera.read", 0, first_ms if k == 0 else 0.5)],
        {"camera.read": "sensor read"},
    )
    assert ("first_call" in codes(run, keep_warmup=True)) is told


def test_blocking_is_worth_less_where_the_wait_swallows_it():
    """A read of a quarter of the work in a paced loop with headroom is no reason to hurry."""
    read, work = np.full(400, 2_500_000), np.full(400, 7_500_000)
    rng = np.random.default_rng(2)
    work = (work * np.exp(rng.normal(0, 0.05, 400))).astype(np.int64)
    names = {"gyro.read": "sensor read", "update": "compute", "pace": "pacing"}
    free = make_flat_run(read + work, {"gyro.read": read, "update": work}, names)
    wait = 30_000_000 - read - work
    paced = make_flat_run(
        read + work + wait, {"gyro.read": read, "update": work, "pace": wait}, names
    )
    worth = [
        next(f.worth for f in summarise(r).findings if f.code == "blocking_call")
        for r in (free, paced)
    ]
    assert worth[1] == pytest.approx(0.4 * worth[0], rel=0.05)
