"""A sample of a long run, in stretches."""

import pytest

from looptime.planner import predict
from looptime.planner.known.stretches import spread_sample
from tests.planner.play.build import balance
from tests.planner.robot import Robot, record


def test_a_sample_stands_for_a_long_run(today):
    """A sample keeps the mean, adjoins its loops and balances."""
    run = record(Robot(), 8, loops=4000)
    short = spread_sample(run, 1000)
    assert len(short) == 1000
    assert short.duration_s / 1000 == pytest.approx(run.duration_s / 4000, rel=0.02)
    balance(short)
    made = predict(run, ["drop odometry"], sample_loops=1000, keep_warmup=True)
    assert made.sampled
    assert made.loops == 1000
    assert not predict(run, ["drop odometry"], keep_warmup=True).sampled
