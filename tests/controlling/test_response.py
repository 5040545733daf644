"""How the measured value follows its target."""

import math

import pytest

from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import EvenLoop
from looptime.controlling.moves import even_starts
from tests.controlling.build import move, response_of


def test_settling_of_a_plain_step():
    """X' = K u, even loops: the error shrinks by 1 - a a loop, linearly within each."""
    K, kp, T = 4.0, 2.5, 0.02
    a = K * kp * T
    loop = EvenLoop(T, 0.0)
    one = move("step:1", Law("per loop", kp), Plant("position", K), loop)
    found = response_of(one, even_starts(one, loop, 50))
    n = math.floor(math.log(0.02) / math.log(1 - a))
    left = (1 - a) ** n
    within = (n + (left - 0.02) / (left * a)) * T
    # a move begins at a phase spread evenly over a loop and waits for the next use
    assert found.settle_ms.mean == pytest.approx(1e3 * (within + T / 2), rel=1e-9)
    assert found.settle_ms.worst == pytest.approx(1e3 * (within + T * 99 / 100), rel=1e-9)
    assert found.overshoot.worst == 0.0


def test_following_a_ramp_for_long():
    """Proportional control trails a ramp by v/(K kp) as it reads, and by v (T/2 + L) on average.

    At each reading the error is v/(K kp); in between target and position both move at v.
    """
    K, kp, v = 4.0, 2.5, 0.3
    loop = EvenLoop(0.02, 0.5)
    one = move(f"ramp:{v},60", Law("per loop", kp), Plant("position", K), loop, horizon=60.0)
    found = response_of(one, even_starts(one, loop, 4))
    assert found.following_rms.mean == pytest.approx(v / (K * kp), rel=2e-3)
    assert found.following_max.mean == pytest.approx(v / (K * kp), rel=1e-6)


def test_feed_forward_takes_the_lag_away():
    """With 1/K a unit of speed, the ramp is followed without any trailing at the readings."""
    loop = EvenLoop(0.02, 0.0)
    law = Law("per loop", 2.5, feed_forward=1 / 4.0)
    one = move("ramp:0.3,20", law, Plant("position", 4.0), loop, horizon=20.0)
    found = response_of(one, even_starts(one, loop, 4))
    assert found.following_rms.mean < 0.3 * 0.02 / 10


def test_a_load_is_held_by_the_integral():
    """A lift at rest holds its load; without an integral it sags by load/kp."""
    plant = Plant("position", 2.0, 0.05, load=0.2)
    assert plant.at_rest(Law("per loop", 4.0, 0.1)) == pytest.approx((0.0, 0.2, 2.0))
    assert plant.at_rest(Law("per loop", 4.0)) == pytest.approx((-0.05, 0.2, 0.0))
