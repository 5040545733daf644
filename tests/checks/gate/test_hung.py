"""Sensors that hang while their targets move, and others that have every right to stand still."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.gate.hung import hung, paired
from looptime.checks.gate.sensors import sensors
from looptime.findings import summarise
from looptime.run import Signals
from tests.build_run import make_run

ROWS, PERIOD_MS = 900, 20.0


def targets(seed, every_s=0.9):
    """Steps of up to 60 to each side."""
    rng = np.random.default_rng(seed)
    every = int(every_s * 1e3 / PERIOD_MS)
    return np.repeat(np.round(rng.uniform(-60, 60, ROWS // every + 1), 1), every)[:ROWS]


def follows(target, digits=1, noise=0.15, seed=0):
    """A value that goes a fifth of the way in each row, with noise."""
    value = np.zeros(ROWS)
    for k in range(1, ROWS):
        value[k] = value[k - 1] + 0.2 * (target[k] - value[k - 1])
    return np.round(value + noise * np.random.default_rng(seed).standard_normal(ROWS), digits)


def holding(value, begin=300, end=600):
    value = value.copy()
    value[begin:end] = value[begin]
    return value


def run_of(values):
    run = make_run([PERIOD_MS] * ROWS, [("angles", 0.0, 2.0)])
    return replace(run, signals=Signals(run.loop_columns.start_ns, np.arange(ROWS), values))


def pods(names, hang=None, begin=0, end=ROWS):
    """Four pods, each with its target; one of them hangs."""
    made = {}
    for k, (want, has) in enumerate(names):
        made[want] = targets(k)
        made[has] = follows(made[want], seed=10 + k)
        if k == hang:
            made[has] = holding(made[has], begin, end)
    return made


LETTERS = [(f"{p}Target [deg]", f"{p}Angle [deg]") for p in ("frontLeft", "frontRight", "rear")]
NUMBERS = [(f"pod{k}.cmd", f"pod{k}.pos") for k in range(1, 5)]


@pytest.mark.parametrize(("names", "hang", "begin", "end"), [
    (LETTERS, 1, 0, ROWS), (NUMBERS, 2, 250, 700), (NUMBERS[:2], 0, 600, ROWS),
])  # fmt: skip
def test_a_sensor_that_hangs_beside_others_that_follow(names, hang, begin, end):
    """It alone is named, for as long as it stood."""
    run = run_of(pods(names, hang, begin, end))
    found = hung([run])
    assert [one.name for one in found] == [names[hang][1]]
    assert found[0].sure
    assert found[0].seconds == pytest.approx((end - begin - 1) * PERIOD_MS / 1e3, abs=0.1)
    line = sensors([run], [summarise(run)], "a.csv")
    assert line.state == "bad"
    assert line.text.startswith(names[hang][1])
    assert names[hang][1] in line.action


def test_one_that_followed_before_hangs():
    """A lift alone in its log: it went with its goal until it stood for 6 s."""
    goal = targets(5)
    run = run_of({"lift.goal_mm": goal, "lift.height_mm": holding(follows(goal))})
    assert sensors([run], [summarise(run)], "a.csv").state == "bad"


@pytest.mark.parametrize("values", [
    pods(NUMBERS),  # all follow
    {name: np.full(ROWS, 12.0 + k) if name.endswith("pos") else at  # switched off: none moves
     for k, (name, at) in enumerate(pods(NUMBERS).items())},
    {name: holding(at, 0, 500) for name, at in pods(NUMBERS).items()},  # targets rest as well
    {"lift.goal_mm": targets(1), "lift.height_mm": np.full(ROWS, 3.0)},  # never seen to move
    {"pod.cmd": np.cumsum(np.full(ROWS, 1e-3)),  # steps of 1 are coarser than its way
     "pod.pos": np.round(np.cumsum(np.full(ROWS, 1e-3))), "arm.cmd": targets(1),
     "arm.pos": follows(targets(1))},
])  # fmt: skip
def test_others_are_not_accused(values):
    """Nothing here is surely hung."""
    run = run_of(values)
    assert not [one for one in hung([run]) if one.sure]
    assert sensors([run], [summarise(run)], "a.csv").state != "bad"


def test_what_never_changed_is_named_before_others_and_with_its_likes():
    """Without targets it can't be told, but the one that stands is said first."""
    held = {f"range_{k}_mm": follows(targets(k), seed=k) for k in range(1, 5)}
    held["range_3_mm"] = np.full(ROWS, 800.0)
    run = run_of({"gyro": holding(follows(targets(9)), 400, 425), **held})
    line = sensors([run], [summarise(run)], "a.csv")
    assert line.state == "not judged"
    assert line.text.startswith("range_3_mm never changed while range_1_mm, range_2_mm and")


def test_a_target_that_two_values_may_follow_is_none():
    """Neither of two sensors is taken for the one that a target is meant for."""
    assert paired(["mast.goal", "mast.height", "mast.current_a"]) == {}
    assert paired(["mast.goal", "mast", "mast.current_a"]) == {"mast": "mast.goal"}
