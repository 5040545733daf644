"""Outputs that are cut at their limit, against a loop that is played with a known limit."""

import numpy as np
import pytest

from looptime.controllers import Controller
from looptime.controlling import control
from looptime.controlling.at_limit import at_limit
from looptime.errors import UsageError
from looptime.views.text.control_answer import control_sentence
from tests.build_run import make_run


def play(limit, size=300.0, kp=0.05, ki=0.3, noise=0.0, seed=0, skip=0):
    """A speed of 9 units for each unit of output, 150 ms, in loops of 20 ms, by small steps."""
    rng = np.random.default_rng(seed)
    n, step, speed, total = 1500, 0.02, 0.0, 0.0
    rows = np.empty((n, 3))
    for k in range(n):
        wanted = size * (1.0, -1.0, 0.3)[k // 100 % 3]
        seen = speed + noise * rng.standard_normal()
        error = wanted - seen
        asked = kp * error + total + ki * step * error
        output = float(np.clip(asked, -limit, limit))
        if output == asked or error * asked < 0:
            total += ki * step * error
        rows[k] = wanted, seen, output
        for _ in range(20):
            speed += (9.0 * output - speed) * step / 20 / 0.15
    return rows[skip:]


def run_of(rows):
    """A run with these rows as signals, one a loop."""
    named = dict(zip(("goal", "speed", "output"), rows.T, strict=True))
    return make_run([20.0] * len(rows), signals=named)


def test_what_is_cut_is_told_with_the_error_that_stays():
    """Goals of 300 either way that full output, 20 units of 9, misses by 120, and one of 90."""
    rows = play(20.0)
    found = at_limit(run_of(rows), "output", "speed")
    cut = np.abs(rows[:, 2]) == 20.0
    assert cut.mean() > 0.5
    assert found.share == pytest.approx(cut.mean(), abs=0.02)
    assert (found.low, found.high) == (-20.0, 20.0)
    error = (np.sign(rows[:, 2]) * (rows[:, 0] - rows[:, 1]))[cut].mean()
    assert error > 100
    assert found.short == pytest.approx(error, rel=0.02)


@pytest.mark.parametrize("noise", [0.0, 2.0])
@pytest.mark.parametrize("skip", [0, 60])
def test_an_output_that_rests_within_its_limit_is_not_cut(noise, skip):
    """Integral or proportional control that comes to rest below the limit, noise or not."""
    for gains in ({}, {"ki": 0.0}):
        rows = play(1e6, noise=noise, skip=skip, **gains)
        assert at_limit(run_of(rows), "output", "speed") is None


def test_set_levels_are_no_limit():
    """An output of three levels that holds each for two seconds, as a test of steps sends it."""
    rows = play(20.0)
    rows[:, 2] = np.array([-5.0, 0.0, 5.0])[np.arange(len(rows)) // 100 % 3]
    assert at_limit(run_of(rows), "output", "speed") is None


def test_the_answer_names_the_limit_first():
    """What the model says of the gains comes behind, for the rest of the time."""
    lift = Controller(name="drive", kp=0.05)
    told = control_sentence(control(run_of(play(20.0)), controllers=[lift],
                                    fit=("output", "speed"), curve=False))  # fmt: skip
    assert told.startswith("output is saturated: it stands at its limit (20 or -20) in ")
    assert "short of goal on average" in told
    assert told.index("Only off the limit holds: drive settles") > told.index("saturated")


def test_where_the_error_is_summed_a_rest_with_an_error_is_a_limit():
    """Full output of 30 units reaches 270 of 300, and the value hardly moves while it is cut."""
    run = run_of(play(30.0))
    assert at_limit(run, "output", "speed") is None
    found = at_limit(run, "output", "speed", sums=True)
    assert (found.low, found.high) == (-30.0, 30.0)
    assert found.short == pytest.approx(30.0, abs=3.0)
    assert at_limit(run_of(play(1e6)), "output", "speed", sums=True) is None


def test_an_output_that_stands_where_its_target_has_it_stand_is_not_cut():
    """A lead of the goal alone ramps to 4 and stays: the value gets there, so nothing is short."""
    rows = np.empty((1500, 3))
    speed = 0.0
    for k in range(len(rows)):
        goal = (4.0, -4.0)[k // 300 % 2]
        output = goal * min(k % 300 / 60, 1.0)
        rows[k] = goal, speed, output
        speed += (output - speed) * 0.02 / 0.3
    assert at_limit(run_of(rows), "output", "speed") is None


@pytest.mark.parametrize("name", ["x7", "want", "wish_rpm", "speedSet", "sp1", "drive aim"])
def test_the_target_is_found_whatever_it_is_called(name):
    """By its words, or because the speed follows it with a lag while it lies beyond the cut."""
    rows = play(20.0)
    beside = {"again": rows[:, 1] + 0.5 * np.sin(np.arange(len(rows))), "turned": -rows[:, 0]}
    named = {name: rows[:, 0], "speed": rows[:, 1], "output": rows[:, 2], **beside}
    found = at_limit(make_run([20.0] * len(rows), signals=named), "output", "speed")
    assert found.target == name
    assert found.short == pytest.approx(at_limit(run_of(rows), "output", "speed").short)


def test_where_no_target_is_known_the_answer_says_how_to_name_it():
    """A second sensor of the same speed, or a like target of another wheel, is taken for none."""
    rows = play(20.0)
    again = rows[:, 1] + 0.5 * np.sin(np.arange(len(rows)))
    for beside in ({"again": again}, {"a": rows[:, 0], "b": 1.1 * rows[:, 0]}):
        named = {"speed": rows[:, 1], "output": rows[:, 2], **beside}
        run = make_run([20.0] * len(rows), signals=named)
        lift = Controller(name="drive", kp=0.05)
        told = control(run, controllers=[lift], fit=("output", "speed"), curve=False)
        assert told.controllers[0].cut.target is None
        assert "--fit output,speed,TARGET" in control_sentence(told)
    named = control(run, controllers=[lift], fit=("output", "speed", "b"), curve=False)
    assert named.controllers[0].cut.target == "b"
    with pytest.raises(UsageError, match="has no signal 'c'"):
        control(run, controllers=[lift], fit=("output", "speed", "c"), curve=False)
