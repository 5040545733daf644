"""Names in the project file that no call of a log fits: told where they look like slips."""

import pytest

from looptime.controllers import Controller, Wheel
from looptime.project import CallRule, Heading, Project
from looptime.questions.misfits import misfits, misfits_text

LOG = ["gyro.read", "mast.read", "wheels.write", "telemetry.send"]


@pytest.mark.parametrize(
    ("stated", "key", "near"),
    [({"calls": (CallRule("whels.write"), CallRule("gyro.*"))}, "[[call]] match", "wheels.write"),
     ({"heading": Heading(read_call="gyro.raed")}, "[heading] read_call", "gyro.read"),
     ({"heading": Heading(use_call="spindle")}, "[heading] use_call", None),
     ({"controllers": (Controller("mast", read_call="mast.position | mast.raed"),)},
      "[[controller]] mast read_call", "mast.read"),
     ({"wheels": (Wheel("left", write_call="wheel.write"),)},
      "[[wheel]] left write_call", "wheels.write"),
     ({"limits": {"call": {"gyro.rd": {"p99_ms": 3.0}}}}, "[limits] call", "gyro.read")],
)  # fmt: skip
def test_a_slip_in_any_key_is_told_with_what_may_be_meant(stated, key, near):
    """One key of each section has a name that no call has; the others fit."""
    project = Project(**stated)
    (one,) = misfits(project, LOG)
    assert (one.key, one.near) == (key, near)
    assert one.text in misfits_text([one], project)


@pytest.mark.parametrize(
    "stated",
    [{"calls": (CallRule("*.read"), CallRule("mast.spare.read"))},  # its nearest is labelled
     {"calls": (CallRule("gyro.*"), CallRule("camera.*"))},
     {"controllers": (Controller("mast", read_call="mast.position | mast.read"),)},
     {"limits": {"call": {"camera.grab": {"p99_ms": 3.0}}}}],
)  # fmt: skip
def test_names_that_are_meant_for_other_logs_are_no_slips(stated):
    """Nothing of nearly that name is left in this log: a project serves many logs."""
    project = Project(**stated)
    assert misfits_text(misfits(project, LOG), project) == ""


def test_a_project_of_another_robot_is_told_though_nothing_is_near():
    """No rule fits any call; a log that holds no calls says nothing of either."""
    project = Project(calls=(CallRule("camera.*"), CallRule("lidar.*")))
    assert misfits_text(misfits(project, LOG), project).endswith("'camera.*'")
    assert misfits(project, []) == ()
