"""Names in the project file that no call of a log fits: told where they look like slips."""

import pytest

from looptime.controllers import Controller, Wheel
from looptime.project import CallRule, Heading, Project
from looptime.questions.misfits import Misfit, misfits, misfits_text

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


def test_what_another_key_means_is_not_what_this_one_meant():
    """The reading is named rightly; of two ways to name a call the second may be the right one."""
    stated = Project(heading=Heading("gyro.read", use_call="gyro.raed"))
    assert [(one.name, one.near) for one in misfits(stated, LOG)] == [("gyro.raed", None)]
    either = Project(controllers=(Controller("mast", read_call="mast.position | mast.read"),))
    assert misfits(either, LOG) == ()


def test_a_limit_of_another_log_is_not_a_rule_that_fits_none():
    """One rule of one, which fits, beside one limit of a call that this log has not."""
    stated = Project(calls=(CallRule("gyro.*"),), limits={"call": {"lidar": {"p99_ms": 3.0}}})
    assert misfits_text(misfits(stated, LOG), stated) == ""


SLIPS = [Misfit("[[call]] match", "whels.*", "wheels.write"),
         Misfit("[limits] call", "gyro.rd", "gyro.read"),
         Misfit("[[wheel]] left write_call", "wheel.write", "wheels.write"),
         *(Misfit(f"[heading] {key}", "spindle", None) for key in
           ("read_call", "pickup_call", "use_call"))]  # fmt: skip


@pytest.mark.parametrize(
    ("needs", "shown", "more"),
    [
        ("", [0, 1], 4),
        ("[[wheel]]", [2, 0], 4),
        ("[heading]", [3, 4, 5], 3),
        ("[[controller]]", [0, 1], 4),
    ],
)
def test_two_slips_are_told_or_all_that_the_answer_needs(needs, shown, more):
    """Those first; a rule that is the only one, too, is told once."""
    said = misfits_text(SLIPS, Project(calls=(CallRule("whels.*"),)), needs).partition(": ")[2]
    assert said == ", ".join(SLIPS[k].text for k in shown) + f" and {more} more"
