"""What the project file says of heading, and what stands in for it."""

import numpy as np
import pytest

from looptime import read
from looptime.controllers import Controller
from looptime.errors import UsageError
from looptime.heading import Labels, Lead, Tolerance
from looptime.project import Heading, Project
from looptime.questions import Asked, control, heading, plan, suggestions
from looptime.questions.steering import default_motion, setup_of, tolerance_of
from looptime.views.text.heading_text import heading_sentence
from tests.build_run import make_flat_run, make_run


def test_project_file_gives_defaults():
    """Labels, delay, speed, motion and tolerances come from the project file."""
    project = Project(
        heading=Heading(
            "gyro.read", use_call="drive.write", sensor_delay_ms=3.0, tolerance_deg=2.0
        ),
        max_turn_rate_deg_s=240.0, max_speed_m_s=2.5,
    )  # fmt: skip
    setup = setup_of(project)
    assert setup.labels == Labels("gyro.read", None, "drive.write", "start")
    assert (setup.sensor.delay_ms, setup.speed_m_s) == (3.0, 2.5)
    assert default_motion(project) == "turn:180,240,960"
    assert tolerance_of(project) == Tolerance(2.0, None)
    assert setup_of(Project()).labels == Labels()


def test_what_is_given_stands_in_for_the_project() -> None:
    """An option replaces the project's word, and leaves what it does not speak of."""
    project = Project(heading=Heading("gyro.read", sensor_delay_ms=3.0, tolerance_deg=2.0))
    made = setup_of(project, read_call=None, use_call="x", lead="fixed:5", seed=4, speed_m_s=0.5)
    assert made.labels == Labels("gyro.read", None, "x", "start")
    assert (made.sensor.delay_ms, made.sensor.seed, made.seed) == (3.0, 4, 4)
    assert (made.speed_m_s, made.lead) == (0.5, Lead("fixed", 0.005))
    assert tolerance_of(project, mm=7.0) == Tolerance(None, 7.0)
    assert tolerance_of(project, judged="max") == Tolerance(2.0, None, "max")


def test_a_call_of_the_project_that_the_log_lacks_is_guessed_and_told() -> None:
    """One project file serves logs of several programs; a call that was asked for must be there."""
    run = make_flat_run(
        np.full(200, 20_000_000),
        {"gyro.read": np.full(200, 2_000_000), "motor.write": np.full(200, 3_000_000)},
    )
    asked = Asked(Project(heading=Heading("compass.read")))
    found = heading(asked, run, "steady:90", curve=False)
    assert [note for note in found.notes if "'compass.read'" in note and "guessed" in note]
    with pytest.raises(UsageError, match="compass"):
        heading(asked, run, "steady:90", given={"read_call": "compass.read"}, curve=False)


@pytest.mark.parametrize("question", [heading, control, plan, suggestions])
def test_loops_of_no_robot_are_not_modelled(question):
    """A wrong unit makes loops of hours: one line says so, and nothing is worked out for days."""
    hour = 3_600_000_000_000
    run = make_flat_run(np.full(300, hour), {"gyro.read": np.full(300, hour // 4)})
    with pytest.raises(UsageError, match=r"a loop takes 3,600 s, .* --unit"):
        question(Asked(), run)


def test_rows_set_aside_are_said_beside_the_heading(tmp_path):
    """A write that lies across the call before it is set aside: the heading's notes say so."""
    rows = "".join(
        f"main,gyro.read,{20_003 * k},500\n"
        f"main,drive.write,{20_003 * k + (300 if k == 40 else 900)},2000\n"
        for k in range(100)
    )
    log = tmp_path / "log.csv"
    log.write_text("thread,name,start_us,duration_us\n" + rows)
    notes = heading(Asked(), read(log), "steady:90", curve=False).notes
    assert any("set aside: 1 overlaps another call" in note for note in notes)


def test_the_motion_in_the_log_is_told_beside_the_assumed_one():
    """A steady turn of 90 deg/s over even loops of 10 ms: 0.9 deg just before the next reading."""
    signals = {"heading_deg": 90.0 * 0.01 * np.arange(1000)}
    run = make_run([10.0] * 1000, signals=signals)
    found = heading(Asked(), run)
    assert found.logged.stale.max == pytest.approx(np.radians(0.9), rel=1e-2)
    as_json = found.to_dict()
    assert as_json["motion_assumed"] is True
    assert as_json["recorded_motion"]["greatest_rate_deg_s"] == pytest.approx(90, rel=1e-6)
    assert any("heading read unknown: taken as the loop's start" in n for n in as_json["notes"])
    told = heading_sentence(found)
    assert told.startswith("As the robot turned in this log, the heading in use was up to 0.8")
    assert "In an assumed turn of 180 deg it is up to" in told
    assert heading(Asked(), run, "steady:90").logged is None
    still = make_run([10.0] * 1000, signals={"heading_deg": np.full(1000, 7.0)})
    assert not heading_sentence(heading(Asked(), still)).startswith("As the robot turned")


def test_coarse_steps_of_the_heading_tell_no_maximum() -> None:
    """Turns to and fro told in steps of 5 deg: what a spline makes of a step is no maximum."""
    at = np.arange(4000) * 0.01
    signals = {"heading_deg": 5.0 * np.round((30.0 * np.sin(at / 9) + 9 * np.sin(at)) / 5.0)}
    found = heading(Asked(), make_run([10.0] * 4000, signals=signals))
    assert "steps of 5 deg tell no maximum" in heading_sentence(found)
    told = found.to_dict()["recorded_motion"]
    assert told["stale_heading_deg"]["max"] is None
    assert told["greatest_rate_deg_s"] is None
    assert any("steps of 5 deg" in limit for limit in told["limits"])


@pytest.mark.parametrize(("step", "told"), [(1.0, None), (0.01, 60.0)])
def test_whole_degrees_tell_no_greatest_rate(step, told) -> None:
    """To and fro by 60 deg at 1 rad/s: 60 deg/s at most; a whole degree in 20 ms is 50."""
    at = np.arange(3000) * 0.02
    signals = {"heading_deg": step * np.round(60.0 * np.sin(at) / step)}
    found = heading(Asked(), make_run([20.0] * 3000, signals=signals)).to_dict()["recorded_motion"]
    rate = found["greatest_rate_deg_s"]
    assert rate is None if told is None else rate == pytest.approx(told, rel=0.03)
    assert any("no greatest rate" in limit for limit in found["limits"]) == (told is None)


def test_options_without_a_name_say_how_to_change_the_only_one_of_the_project() -> None:
    """Not where they name one, or where there are several."""
    run = make_run([20.0] * 300, lambda _: [("gyro.read", 1, 2), ("steer.write", 8, 2)])
    calls = "gyro.read", "steer.write"
    steer, lift = (Controller(name, *calls, kp=1.0) for name in ("steer", "lift"))
    hint = "--name steer changes it"
    for given, stated, told in (
        ({"output_limit": 2.0}, (steer,), True),
        ({"output_limit": 2.0, "name": "steer"}, (steer,), False),
        ({"output_limit": 2.0}, (steer, lift), False),
    ):
        notes = control(Asked(project=Project(controllers=stated)), run, given).notes
        assert any(hint in note for note in notes) is told
