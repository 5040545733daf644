"""Units of headings and turn rates that no header states: told by how they move, or assumed."""

import numpy as np
import pytest

import looptime
from looptime.heading.spelling import recorded_motion
from looptime.parsers.columns.turning import heading_unit, rate_unit

TIME = 0.02 * np.arange(1500)
#: A weave of 150 deg: its rate is the closed form of its derivative.
HEADING, RATE = 150 * np.sin(TIME), 150 * np.cos(TIME)


def read(tmp_path, text):
    """The run that a log is read as."""
    path = tmp_path / "log.csv"
    path.write_text(text, "utf-8")
    return looptime.read(str(path))


def rows(*columns):
    """Rows of numbers with five decimals."""
    return "\n".join(",".join(f"{x:.5f}" for x in row) for row in zip(*columns, strict=True))


@pytest.mark.parametrize(
    "comment", ["# SI units: s, rad, rad/s", "# all angles in rad, rates rad/s"]
)
def test_a_comment_states_the_unit(tmp_path, comment):
    """Radians that a comment states are heard for the heading and for its rate."""
    body = rows(TIME, np.radians(HEADING), np.radians(RATE))
    run = read(tmp_path, f"{comment}\nt,theta,omega\n{body}\n")
    assert run.signals.values["heading_deg"] == pytest.approx(HEADING[:-1], abs=1e-3)
    assert run.signals.values["turn_rate_deg_s"] == pytest.approx(RATE[:-1], abs=1e-3)


@pytest.mark.parametrize(("unit", "factor"), [("rad/s", np.pi / 180), ("deg/s", 1.0)])
@pytest.mark.parametrize("name", ["heading_deg", "heading_rad"])
def test_a_heading_tells_its_rates_unit(tmp_path, unit, factor, name):
    """A rate without a unit is in the one in which it adds up to the heading beside it."""
    heading = HEADING if name == "heading_deg" else np.radians(HEADING)
    body = rows(1e3 * TIME, heading, factor * RATE)
    run = read(tmp_path, f"time_ms,{name},omega\n{body}\n")
    assert run.signals.values["turn_rate_deg_s"] == pytest.approx(RATE[:-1], abs=2e-3)
    assert any(f"'omega' is read as the turn rate in {unit}" in note for note in run.clock.notes)


def test_without_a_heading_it_is_said_to_be_assumed(tmp_path):
    """A lone rate of up to 3 may be in either unit: deg/s is assumed, and that is said."""
    run = read(tmp_path, f"time_ms,omega\n{rows(1e3 * TIME, 3 * np.cos(TIME))}\n")
    assert any("'omega' states no unit of a turn rate: taken as deg/s" in note
               for note in run.clock.notes)  # fmt: skip


def test_a_wrapping_heading_of_an_unknown_unit():
    """Jumps of 6.28 say radians, of 360 degrees; without one only a factor of 57.3 decides."""
    spin = 200 * TIME
    ns = np.rint(TIME * 1e9).astype(np.int64)
    even = np.full(len(TIME), 200.0)
    assert rate_unit(ns, spin % 360, even) == "deg/s"
    assert rate_unit(ns, np.radians(spin % 360), even) == "deg/s"
    assert rate_unit(ns, np.radians(spin % 360), np.radians(even)) == "rad/s"
    assert rate_unit(ns, np.radians(spin), np.radians(even)) is None
    assert rate_unit(ns, np.random.default_rng(1).standard_normal(len(TIME)), even) is None


def turned(tmp_path, heading, *more, header="heading"):
    """The run of a log of a heading without a unit, and the heading as it is read."""
    run = read(tmp_path, f"time_ms,{header}\n{rows(1e3 * TIME, heading, *more)}\n")
    return run, run.signals.values["heading_deg"][: len(TIME) - 1]


@pytest.mark.parametrize(
    ("heading", "factor", "why"),
    [
        (2.0 * TIME % (2 * np.pi), 180 / np.pi, "jumps by 6.28"),
        (90.0 * TIME % 360, 1.0, "jumps by 360"),
        (900.0 * TIME % 3600, 0.1, "jumps by 3.6e+03"),
        (np.rint(20 * np.sin(TIME)), 1.0, "whole numbers"),
        (HEADING, 1.0, "too fast for rad"),
    ],
)
def test_what_a_heading_does_tells_its_unit(tmp_path, heading, factor, why):
    """Its jumps are a turn; whole numbers and 150 a second are no radians of a robot."""
    run, found = turned(tmp_path, heading)
    assert found == pytest.approx(factor * heading[:-1], abs=1e-2)
    assert any(why in note for note in run.clock.notes)
    assert not run.clock.angles


@pytest.mark.parametrize(
    ("heading", "rate", "name", "factor"),
    [
        (np.radians(HEADING), RATE, "turn_rate_deg_s", 180 / np.pi),
        (np.radians(HEADING), np.radians(RATE), "turn_rate_rad_s", 180 / np.pi),
        (np.radians(HEADING), RATE, "omega", 180 / np.pi),
        (HEADING / 6, np.radians(RATE) / 6, "omega", 1.0),
    ],
)
def test_a_turn_rate_tells_the_unit_of_the_heading(tmp_path, heading, rate, name, factor):
    """A heading that goes 57.3 times as far as its rate, or a 57.3th, has the other unit."""
    run, found = turned(tmp_path, heading, rate, header=f"heading,{name}")
    assert found == pytest.approx(factor * heading[:-1], abs=1e-3)
    assert not run.clock.angles


@pytest.mark.parametrize("heading", [2.0 * TIME, 20 * np.sin(TIME), 0.3 * np.cos(TIME)])
def test_a_heading_that_may_be_in_either_unit_is_said_to_be_assumed(tmp_path, heading):
    """Up to 40 a second without a jump may be either: each sentence says what it rests on."""
    run, found = turned(tmp_path, heading)
    assert found == pytest.approx(heading[:-1], abs=1e-5)
    assert run.clock.angles == {"heading_deg": "deg"}
    assert any("heading_rad would say that it is rad" in note for note in run.clock.notes)
    moved = recorded_motion(run)
    assert moved.supposed == ("the heading is in deg",)


def test_a_garbled_heading_is_no_speed():
    """A value that no number can hold the speed of tells nothing of the others' unit."""
    k = np.arange(400)
    steady, slow = 1.5 * k, 0.01 * k
    steady[200] = slow[200] = 1e308
    with np.errstate(all="raise"):
        told = heading_unit(k * 12_000_000, steady)
        assert told == (1.0, "deg", "its 125 a second are too fast for rad")
        assert heading_unit(k * 12_000_000, slow) is None
