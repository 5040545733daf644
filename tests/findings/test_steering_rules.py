"""The finding about steered wheels whose angles are read one after another."""

import pytest

from looptime.controllers import Wheel
from looptime.findings import summarise
from looptime.project import Project
from tests.build_run import make_run


def drive(read_ms, periods=(20.0,) * 200):
    """A run with two wheels that are read at these moments of each loop."""
    calls = [("a.read", read_ms[0], 0.5), ("b.read", read_ms[1], 0.5), ("a.write", 9, 0.5)]
    return make_run(periods, calls, {c[0]: "sensor read" for c in calls[:2]})


def found(run, rate, calls=("a.read", "b.read")):
    """The findings about wheels."""
    wheels = tuple(Wheel(c[0], c) for c in calls)
    project = Project(wheels=wheels, max_steering_deg_s=rate)
    made = summarise(run, project=project).findings
    return [f for f in made if f.code == "wheel_spread"]


def test_degrees():
    """5 ms apart at 360 deg/s are 1.8 degrees, and worth a look."""
    (one,) = found(drive((1, 6)), 360.0)
    assert one.value == pytest.approx(1.8)
    assert (one.severity, one.unit) == ("look", "deg")
    assert "read 5 ms apart" in one.text
    assert one.command.startswith("looptime control")


def test_without_a_rate_it_is_a_note():
    """Only the time can be said."""
    (one,) = found(drive((1, 6)), None)
    assert (one.severity, one.unit, one.value) == ("note", "ms", pytest.approx(5.0))


def test_silence():
    """One read for both, calls that the log lacks, or no wheels: nothing is said."""
    assert found(drive((1, 6)), 360.0, ("a.read", "a.read")) == []
    assert found(drive((1, 6)), 360.0, ("a.read", "c.read")) == []
    assert found(drive((1, 6)), 360.0, ()) == []
