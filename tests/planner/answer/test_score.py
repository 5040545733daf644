"""A plan held against the recording that came of it."""

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.planner import predict, score
from looptime.planner.answer.score import Scored
from tests.planner.build import BUSES, finite
from tests.planner.robot import Robot, record


def test_a_wrong_promise_is_seen(today):
    """A recording that went the other way is called out."""
    made = predict(today, ["drop odometry"], buses=BUSES, keep_warmup=True)
    assert made.verdict == "faster"
    slower = record(Robot(compute=6.0), 2, loops=900)
    held = score(made, slower, keep_warmup=True)
    assert held.sign_right is False
    assert held.period_ms[0].inside is False
    assert finite(held.to_dict())["sign_right"] is False
    assert "odometry" in held.only_actual
    assert np.isfinite(held.period_ms[0].error_percent)


@pytest.mark.parametrize(
    ("actual", "inside"), [(9.9, False), (10.0, True), (11.0, True), (12.0, True), (12.1, False)]
)
def test_the_ends_of_a_prediction_belong_to_it(actual, inside):
    """A range of 10 to 12 ms holds both of its ends."""
    assert Scored("mean", 14.0, Figure(11.0, 10.0, 12.0), actual).inside is inside
