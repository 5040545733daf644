"""How the measured value follows its target."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import EvenLoop
from looptime.controlling.moves import even_starts
from looptime.controlling.simulate import _State
from looptime.controlling.target import Path
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


@pytest.mark.parametrize("hz", [0.0, 0.5])
def test_the_rate_of_a_target_is_what_it_changes_by(hz):
    """A sine, and a move that speeds up for a second, goes on for two and slows down: by steps."""
    path = Path(
        np.array([0.0, 1.0, 3.0, 4.0]), np.array([0.0, 1.0, 5.0, 6.0]),
        np.array([0.0, 2.0, 2.0, 0.0]), np.array([2.0, 0.0, -2.0, 0.0]), 4.0, not hz,
        amplitude=3.0, hz=hz,
    )  # fmt: skip
    time, step = np.arange(-0.995, 6, 0.01), 1e-6
    slope = (path.at(time + step) - path.at(time - step)) / (2 * step)
    assert path.rate_at(time) == pytest.approx(slope, abs=1e-5)


@pytest.mark.parametrize(
    ("wanted", "seen", "error"), [(170, -170, -20), (-170, 170, 20), (90, 30, 60), (10, 371, -1)]
)
def test_the_error_of_an_angle_is_the_shorter_way_round(wanted, seen, error):
    """In degrees; a gain of 2 makes twice that of it."""
    law = SimpleNamespace(kp=2.0, ki=0.0, kd=0.0, wraps=360.0, limit=np.inf)
    state = _State(law, 1, 0.0, 0.0)
    state.wanted, state.forward = np.array([[float(wanted)]]), np.zeros(1)
    assert state.next_output(0, np.array([float(seen)])) == pytest.approx([2.0 * error])
