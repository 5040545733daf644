"""Values that swing by themselves, against closed forms of swings that die away, keep or grow."""

import numpy as np
import pytest

from looptime.controllers import Controller
from looptime.controlling import control
from looptime.controlling.fit_signals import fit_signals
from looptime.controlling.oscillation import oscillation
from looptime.controlling.swings import Swings
from looptime.views.text.control_answer import control_sentence
from tests.build_run import make_run


def pushed(hz, ratio, every=3.0, length=60.0, row=0.01, noise=0.0, seed=0):
    """Time, a swing about each push of 1 either way that begins from rest, and the push."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(length / row)) * row
    since, push = time % every, np.where((time / every).astype(int) % 2, 1.0, -1.0)
    root, w = np.sqrt(1 - ratio**2), 2 * np.pi * hz
    dies = np.exp(-ratio / root * w * since)
    swing = dies * (np.cos(w * since) + ratio / root * np.sin(w * since))
    return time, push * (1 - 2 * swing) + noise * rng.standard_normal(len(time)), push


@pytest.mark.parametrize("noise", [0.0, 0.004])
@pytest.mark.parametrize(("hz", "ratio"), [(2.0, 0.05), (1.0, 0.2), (3.0, 0.4)])
def test_a_spring_that_is_pushed(hz, ratio, noise):
    """The damped frequency and the damping ratio by the logarithmic decrement, noise or not."""
    time, value, push = pushed(hz, ratio, noise=noise)
    found = oscillation(time, value, push, push)
    assert found.frequency_hz.value == pytest.approx(hz, rel=0.02)
    assert found.damping_ratio.value == pytest.approx(ratio, rel=0.06)
    assert found.damping_ratio.low <= found.damping_ratio.value <= found.damping_ratio.high
    assert found.of == "mechanism"


def test_a_loop_that_hunts_about_a_target_at_rest():
    """A sine of one size: neither dies away nor grows; the output moves in each row."""
    time = np.arange(4000) * 0.02
    value = 2.0 + 0.1 * np.sin(2 * np.pi * 0.8 * time)
    found = oscillation(time, value, np.cos(time), np.full(4000, 2.0))
    assert found.of == "loop"
    assert found.frequency_hz.value == pytest.approx(0.8, rel=0.005)
    assert found.damping_ratio.value == pytest.approx(0.0, abs=0.005)


def test_a_swing_that_settles_into_one_of_a_size_of_its_own_has_no_damping():
    """Of what dies away to a cycle that stays no one ratio holds; the frequency does."""
    time, value, push = pushed(2.0, 0.15, every=6.0, length=90.0)
    value = value + 0.08 * np.sin(2 * np.pi * 2.0 * (time % 6.0))
    found = oscillation(time, value, push, None)
    assert found.frequency_hz.value == pytest.approx(2.0, rel=0.03)
    assert found.damping_ratio.value is None


def _quiet():
    rng = np.random.default_rng(4)
    time, _, push = pushed(2.0, 0.1)
    since = time % 3
    return {
        "noise": (rng.standard_normal(len(time)), push),
        "settles at once": (push * (1 - 2 * np.exp(-since / 0.3)), push),
        "flickers by a step": (push + 0.1 * (np.arange(len(time)) % 2), push),
        "follows a target that moves": (np.sin(4 * time), np.sin(4 * time + 0.1)),
        "never moves": (np.zeros(len(time)), push),
    }


@pytest.mark.parametrize("case", _quiet())
def test_what_does_not_swing_by_itself(case):
    """Neither noise nor rounding nor what is made to swing is an oscillation of its own."""
    value, driver = _quiet()[case]
    assert oscillation(np.arange(len(value)) * 0.01, value, driver, None) is None


def test_of_a_spring_no_speed_and_no_position_is_fitted():
    """The fit of a sprung arm says so, with its swing, instead of a dead time that is not there."""
    time, value, push = pushed(2.0, 0.35, noise=0.001)
    run = make_run([10.0] * len(time), signals={"arm": value, "drive": push})
    assert Swings(fit_signals(run, ("drive", "arm"))).rested.of == "mechanism"
    for gains in ({}, {"kp": 1.0}):
        found = control(run, controllers=[Controller(**gains)], fit=("drive", "arm"), curve=False)
        one = found.controllers[0]
        assert not one.fit.used
        assert one.fit.full_speed.value is one.fit.dead_time_ms is None
        assert one.to_dict()["oscillation"].damping_ratio.value == pytest.approx(0.35, rel=0.06)
        assert "While drive rests arm swings at 2" in control_sentence(found)


@pytest.mark.parametrize(("spring", "used"), [(True, False), (False, True)])
@pytest.mark.parametrize("noise", [0.0005, 0.004])
def test_a_loop_that_swings_on_a_spring_is_told_from_one_that_its_gains_make_swing(
    spring, used, noise
):
    """Proportional control of a sprung arm, and of a plain position that it makes to swing."""
    rng, x, v, rows = np.random.default_rng(2), 0.0, 0.0, []
    for k in range(4000):
        goal = (0.2, -0.2, 0.4)[k // 400 % 3]
        seen = x + noise * rng.standard_normal()
        out = (1.5 if spring else 6.0) * (goal - seen)
        rows.append((goal, seen, out))
        for _ in range(20):
            push = 88.8 * (out - x) - 1.9 * v if spring else (1.5 * out - v) / 0.15
            v += push * 0.01 / 20
            x += v * 0.01 / 20
    named = dict(zip(("goal", "arm", "out"), np.array(rows).T, strict=True))
    run = make_run([10.0] * len(rows), signals=named)
    one = control(run, controllers=[Controller()], fit=("out", "arm"), curve=False).controllers[0]
    assert one.fit.used is used
    if used:
        assert one.fit.full_speed.value == pytest.approx(1.5, rel=0.03)
    else:
        assert one.oscillation.of == "loop"
        assert "spring or have play" in one.fit.text


@pytest.mark.parametrize(("frequency", "lag", "size"), [(3.0, 0.2, 0.3), (4.1, 0.15, 0.4)])
def test_a_ripple_on_a_value_that_still_moves_is_told_by_what_comes_after(frequency, lag, size):
    """A motor's speed climbs to each step of its output, and a wheel out of round ripples on it.

    The ripple never dies away; beside the climb its turning points are drawn along with it.
    """
    rng = np.random.default_rng(3)
    time = np.arange(4000) * 0.01
    output = np.where(time // 3 % 2 == 1, 1.0, -1.0)
    speed = np.zeros(len(time))
    for k in range(1, len(time)):
        speed[k] = speed[k - 1] + (5 * output[k] - speed[k - 1]) * 0.01 / lag
    value = speed + size * np.sin(2 * np.pi * frequency * time) + rng.normal(0, 0.01, len(time))
    found = oscillation(time, value, output, None)
    assert found.frequency_hz.low <= frequency <= found.frequency_hz.high
    assert found.damping_ratio.value == pytest.approx(0, abs=0.002)
