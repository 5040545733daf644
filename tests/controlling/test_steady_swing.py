"""Swings under a controller, against loops that are played and counted by their zero crossings."""

import numpy as np
import pytest

from looptime.controlling.steady_swing import steady_swing
from tests.controlling.swinging import by_turning, even, play, weave


def ramps(t):
    """A target that goes to and fro evenly, in degrees."""
    return 144.0 * np.clip(abs((t % 8) - 4) - 1, 0, 2)


_WANDER = np.cumsum(np.random.default_rng(5).normal(0, 0.01, 1001))


def stick(t):
    """A driver's stick."""
    return float(np.interp(t, np.arange(1001) * 0.05, _WANDER))


SWING = {
    "gain, at rest": (even(0.3), even(40.0), {"dead": 0.03}),
    "gain, weaving": (weave, even(30.0), {"dead": 0.03}),
    "dead time, ramps in deg": (ramps, even(0.1), {"dead": 0.08, "full": 300.0}),
    "limit cycle, driven": (stick, even(60.0), {"dead": 0.05}),
    "coarse sensor": (even(0.35), even(14.0), {"dead": 0.03, "grain": 0.05}),
    "play": (even(0.35), even(10.0),
             {"dead": 0.03, "play_width": 0.06, "sum_gain": 2.0, "noise": 0.0005}),
    "counts": (lambda t: np.round(2000 * weave(t)), even(0.02),
               {"dead": 0.04, "full": 3000.0, "grain": 1.0}),
    "speed": (lambda t: 100 * np.sign(np.sin(t / 3)), even(0.05),
              {"dead": 0.06, "full": 120.0, "tau": 0.15, "speed": True, "sum_gain": 0.1}),
}  # fmt: skip


@pytest.mark.parametrize("case", SWING)
def test_a_loop_that_swings_is_told(case):
    """Its frequency and amplitude by the zero crossings of the error, target at rest or not."""
    goal, gain, other = SWING[case]
    time, wanted, value, output = play(goal, gain, **other)
    late = (time > 30) & (time < 37)
    hertz, size = by_turning(time[late], (value - wanted)[late])
    found = steady_swing(time, value, output, wanted)
    assert found.takes_part
    assert found.frequency_hz.value == pytest.approx(hertz, rel=0.06)
    assert found.amplitude == pytest.approx(size, rel=0.3)


def test_a_swing_in_one_part_of_the_log():
    """The gain is too high from 15 to 26 s."""
    time, *rows = play(weave, lambda t: 35.0 if 15 < t < 26 else 4.0, dead=0.03, noise=0.002)
    found = steady_swing(time, rows[1], rows[2], rows[0])
    assert 10 < found.begin_s < 17
    assert 24 < found.end_s < 31


def test_a_swing_that_grows():
    """A gain just above the edge, from a small push on: ever larger up to the log's end."""
    time = 0.02 * np.arange(2000)
    swing = 0.1 * np.exp(0.06 * time) * np.sin(2 * np.pi * 1.2 * time)
    assert steady_swing(time, swing + weave(time), -swing, weave(time)).growth > 1.5


QUIET = {
    "noise": (even(0.3), even(4.0), {"noise": 0.01}),
    "a target that swings": (weave, even(6.0), {"noise": 0.002}),
    "a target that is cut": (lambda t: 1.5 * np.sin(2 * t), even(6.0), {"noise": 0.002}),
    "a circle": (lambda t: 0.8 * t, even(6.0), {"noise": 0.002}),
    "driven": (stick, even(5.0), {"noise": 0.004}),
}


@pytest.mark.parametrize("case", QUIET)
def test_what_does_not_swing(case):
    """Noise, and whatever the target makes the value do."""
    goal, gain, other = QUIET[case]
    time, wanted, value, output = play(goal, gain, **other)
    assert steady_swing(time, value, output, wanted) is None
