"""The finding about the heading's age, held against a turn whose error is known."""

import dataclasses

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.heading_rules import heading_findings
from looptime.run import Signals
from tests.build_run import make_run

LOOPS = 400
NAMES = {"gyro.read": "sensor read", "motor.write": "actuator write", "drive.update": "compute"}


def turning(**values):
    """Loops of 20 ms: read at 1 ms, written until 15 ms, done at 17 ms; signals once a loop."""
    calls = [("gyro.read", 1.0, 2.0), ("motor.write", 10.0, 5.0), ("drive.update", 16.0, 1.0)]
    run = make_run([20.0] * LOOPS, calls=calls, names=NAMES)
    start = run.loop_columns.start_ns
    columns = {name: make(start / 1e9) for name, make in values.items()}
    loop = np.arange(LOOPS, dtype=np.int32)
    return dataclasses.replace(run, signals=Signals(start, loop, columns))


@pytest.mark.parametrize(
    "values",
    [
        {"turn_rate_deg_s": lambda t: np.full(len(t), -90.0)},
        {"heading_deg": lambda t: 90 * t},
        {"heading_deg": lambda t: (90 * t + 180) % 360 - 180},
    ],
    ids=["rate", "heading", "heading that wraps"],
)
def test_steady_turn(values):
    """90 deg/s, read at 1 ms and in use from 15 ms to 35 ms: 24 ms old, 2.16 deg behind."""
    (found,) = heading_findings(summarise(turning(**values)))
    assert found.code == "heading_age"
    assert found.value == pytest.approx(90 * 0.024, rel=1e-6)
    assert found.severity == "look"


def test_nothing_to_say():
    """Without a logged heading, a turn, or a call that reads it, there is no finding."""
    assert heading_findings(summarise(turning(battery_v=lambda t: 12 + 0 * t))) == []
    assert heading_findings(summarise(turning(heading_deg=lambda t: 0 * t))) == []
    blind = make_run([20.0] * LOOPS, calls=[("a", 1.0, 2.0)])
    at = blind.loop_columns.start_ns
    signals = Signals(at, np.arange(LOOPS, dtype=np.int32), {"heading_deg": at / 1e7})
    assert heading_findings(summarise(dataclasses.replace(blind, signals=signals))) == []


def test_as_the_project_says():
    """Used by another call and read at the end: the same age as the heading study's own."""
    from looptime.heading import parse_motion, study
    from looptime.project import Heading, Project
    from looptime.questions.steering import setup_of

    run = turning(turn_rate_deg_s=lambda t: np.full(len(t), -90.0))
    stated = Heading(use_call="drive.update", read_instant="end", sensor_delay_ms=4.0)
    (found,) = [f for f in summarise(run, heading=stated).findings if f.code == "heading_age"]
    # read at 3 ms, in use from 17 ms to 37 ms, and true 4 ms before the reading: 28 ms old
    assert found.value == pytest.approx(90 * 0.028, rel=1e-6)
    at = study(run, motion=parse_motion("steady:90"), setup=setup_of(Project(heading=stated)))
    assert found.value == pytest.approx(90 * at.age.mean_ms.value / 1e3, rel=1e-9)
