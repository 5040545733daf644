"""Units of turn rates that no header states: from a comment, from the heading, or assumed."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.turning import rate_unit

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
