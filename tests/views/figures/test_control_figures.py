"""Figures of controllers and steered wheels hold the numbers that the study found."""

import json

import pytest

import looptime
from looptime.controllers import Controller, Wheel, parse_target
from looptime.project import Project
from looptime.views.figures.control_figures import (
    control_pictures,
    edge_table,
    gain_table,
    rate_curves,
    response_curves,
    wheel_bars,
)
from tests.heading.logs import robot_run


@pytest.fixture(scope="module")
def found():
    """A controller with a model, one without, and two wheels, over an uneven log."""
    project = Project(
        controllers=(
            Controller("<b>lift</b>", "lift.read", "drive.write", form="per loop", kp=4, ki=0.02,
                       plant="position", full_speed=1.0, time_constant_ms=30, unit="m",
                       target=parse_target("step:0.2"), tolerance=0.05),
            Controller("arm", "gyro.read", "drive.write", form="fixed step", step_ms=10, kp=1,
                       kd=1),
        ),
        wheels=(Wheel("a", "gyro.read", "drive.write", 1, 1),
                Wheel("b", "lift.read", "drive.write", -1, -1)),
        max_steering_deg_s=200,
    )  # fmt: skip
    return looptime.control(robot_run(1500), project=project)


def test_all_of_them_are_bars_and_lines(found):
    """Nothing else is drawn, every figure has its table, and all of it is JSON."""
    pictures = control_pictures(found)
    assert [p.key for p in pictures] == ["move", "rates", "wheels"]
    for picture in pictures:
        assert {trace["type"] for trace in picture.figure["data"]} <= {"bar", "scatter"}
        assert picture.rows
        assert all(len(row) == len(picture.heads) for row in picture.rows)
        json.dumps(picture.figure, allow_nan=False)


def test_a_move(found):
    """The worst line reaches as far beyond the target as the worst overshoot says."""
    one = found.controllers[0]
    picture = response_curves(one)
    _, even, worst = picture.figure["data"]
    beyond = max(worst["y"]) - 0.2
    # drawn at 160 instants, so that the very top may lie between two of them
    assert beyond == pytest.approx(one.model.recorded.overshoot.worst, abs=0.002)
    assert max(even["y"]) - 0.2 <= one.model.even.overshoot.worst + 1e-12
    assert response_curves(found.controllers[1]) is None


def test_other_rates(found):
    """The lines are the curve's own figures."""
    one = found.controllers[0]
    picture = rate_curves(one)
    even = [p for p in one.model.curve if p.pattern == "even"]
    assert picture.figure["data"][0]["y"] == [p.response.overshoot.p95 for p in even]
    assert picture.figure["data"][2]["y"] == [p.phase_margin_deg for p in even]
    assert rate_curves(found.controllers[1]) is None


def test_gains(found):
    """One row a controller, with the factors of the study."""
    heads, rows = gain_table(found)
    assert all(len(row) == len(heads) for row in rows)
    factors = found.controllers[1].effective
    assert rows[1][3:9] == (*factors.integral.values(), *factors.derivative.values())


def test_how_far_from_the_edge(found):
    """One row a controller with a model, with the figures of the study."""
    heads, rows = edge_table(found)
    with_model = [one for one in found.controllers if one.model.stability is not None]
    assert [row[0] for row in rows] == [one.stated.name for one in with_model]
    assert all(len(row) == len(heads) for row in rows)
    one = with_model[0].model
    assert rows[0][1:4] == (
        one.stability.state,
        one.stability.growth_per_s,
        one.margins.gain_margin,
    )


def test_wheels(found):
    """One row a wheel, the most dragged first; without a rate only ages, the oldest first."""
    picture = wheel_bars(found.steering)
    assert [row[0] for row in picture.rows] == [w.name for w in found.steering.wheels]
    ages, _, drags = picture.figure["data"]
    assert ages["x"] == [w.age_ms.value for w in found.steering.wheels]
    assert drags["x"] == [w.drag_mm_per_m.value for w in found.steering.wheels]
    wheels = (Wheel("a", "gyro.read", "drive.write"), Wheel("b", "lift.read", "drive.write"))
    bare = looptime.control(robot_run(300), controllers=(), wheels=wheels)
    assert len(wheel_bars(bare.steering).figure["data"]) == 1
    assert (found.steering.first, bare.steering.first) == ("the most dragged", "the oldest reading")
    drags = [w.drag_mm_per_m.value for w in found.steering.wheels]
    ages = [w.age_ms.value for w in bare.steering.wheels]
    assert (drags, ages) == (sorted(drags, reverse=True), sorted(ages, reverse=True))
