"""Controllers, wheels and targets as they are stated: what can be, and what is refused."""

import pytest

from looptime.controllers import Controller, Wheel, parse_target, stated
from looptime.errors import ProjectError, UsageError
from looptime.project import Project

GOOD = """
[[controller]]
name = "mast"
read_call = "mast.read"
form = "fixed step"
step_ms = 20
kp = 8.0
ki = 0.5
plant = "position"
full_speed = 0.6
target = "trapezoid:0.4,0.5,2"
tolerance = 0.005
unit = "m"

[[wheel]]
name = "front_left"
read_call = "a"
x_m = 0.25
y_m = -0.2

[steering]
max_rate_deg_s = 360
"""


def load(tmp_path, text):
    """A project file of this text."""
    path = tmp_path / "looptime.toml"
    path.write_text(text, encoding="utf-8")
    return Project.load(path)


def test_a_project_states_controllers_and_wheels(tmp_path):
    """Every table becomes a record."""
    made = load(tmp_path, GOOD)
    mast = made.controllers[0]
    assert (mast.step_ms, mast.kp, mast.target.numbers) == (20.0, 8.0, (0.4, 0.5, 2.0))
    assert made.wheels == (Wheel("front_left", "a", None, 0.25, -0.2),)
    assert made.max_steering_deg_s == 360.0


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ("kp = 8.0", "kpp = 8.0", "nearest is 'kp'"),
        ("kp = 8.0", 'kp = "8"', "kp takes a number"),
        ("kp = 8.0", "kp = -8", "from 0"),
        ("kp = 8.0", "kp = nan", "takes a number"),
        ("step_ms = 20\n", "", "needs step_ms"),
        ("step_ms = 20", "step_ms = 0", "above 0"),
        ('form = "fixed step"\n', "", "form is missing"),
        ('"fixed step"', '"fixed"', "use one of per loop, fixed step"),
        ("trapezoid:0.4,0.5,2", "trapezoid:0.4", "DISTANCE,SPEED,ACCELERATION"),
        ("trapezoid:0.4,0.5,2", "hop:1", "step:SIZE"),
        ('name = "mast"\n', "", "has no name"),
        ("kp = 8.0\nki = 0.5", "", "nothing brings the plant"),
        ("full_speed = 0.6", "full_speed = 0.6\nload = 1.5", "cannot be held"),
        ("[[wheel]]", "[wheel]", "two brackets"),
        ("max_rate_deg_s", "max_rate", "nearest is 'max_rate_deg_s'"),
        ("[[wheel]]", '[[controller]]\nname = "mast"\n[[wheel]]', "is taken"),
    ],
)
def test_refusals(tmp_path, was, becomes, said):
    """One line that names the file and what to do."""
    assert was in GOOD
    with pytest.raises(ProjectError, match=said) as error:
        load(tmp_path, GOOD.replace(was, becomes))
    assert "looptime.toml" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_step_goes_one_way_round():
    """Where the value wraps at 360, a step of 180 or more has no shorter way."""
    with pytest.raises(UsageError, match="below 180"):
        Controller(kp=1, wraps=360, target=parse_target("step:-200"))


def test_text_and_numbers_are_told_apart():
    """Options and tables come through the same door."""
    assert stated(Controller, {"kp": 2}).kp == 2.0
    with pytest.raises(UsageError, match="text in quotes"):
        stated(Controller, {"name": 3})
