"""Names of headings and turn rates, with their units: what they say, and what they do not."""

import math

import numpy as np
import pytest

import looptime
from looptime.project import Project
from looptime.signal_names import quantity_of

DEG = math.degrees(1.0)
RATES = {
    "yaw rate [rev/s]": 360,
    "gyro_z_rad_s": DEG, "wz [rad/s]": DEG, "GyroZ (rad/sec)": DEG, "yaw_rate_radps": DEG,
    "Drehrate [°/s]": 1, "turn_rate_deg_s": 1, "gz_dps": 1, "gz_mdps": 1e-3, "omega": 1,
    "turn rate in deg per s": 1, "Gierrate in mrad/s": DEG / 1000, "imu.yawRate": 1,
}  # fmt: skip
HEADINGS = {
    "yaw_rotations": 360, "heading [rev]": 360,
    "Kurs [deg]": 1, "heading": 1, "yaw_rad": DEG, "Gierwinkel in Grad": 1, "gyro [°]": 1,
    "robot heading (degrees)": 1, "course_mrad": DEG / 1000, "heading_cdeg": 0.01, "angle": 1,
}  # fmt: skip
NEITHER = (
    "gyro_ms", "yaw_s", "gyro", "gyro_x_dps", "pitch_rate_deg_s", "target_heading", "arm_rad_s",
    "heading_error_deg", "wheel_rps", "dps", "cap", "speed_m_s", "heading_time", "z",
)  # fmt: skip


@pytest.mark.parametrize(("header", "factor"), RATES.items())
def test_rates_and_their_units(header, factor):
    """A turn rate is told from a name, with degrees a second in one of its unit."""
    found = quantity_of(header)
    assert found.name == "turn_rate_deg_s"
    assert found.factor == pytest.approx(factor)


@pytest.mark.parametrize(("header", "factor"), HEADINGS.items())
def test_headings_and_their_units(header, factor):
    """A heading is told from a name, with degrees in one of its unit."""
    found = quantity_of(header)
    assert found.name == "heading_deg"
    assert found.factor == pytest.approx(factor)


@pytest.mark.parametrize("header", NEITHER)
def test_what_is_neither(header):
    """Times, other axes, targets, other mechanisms and bare words are no motion of the robot."""
    assert quantity_of(header) is None


def turning(header, per_degree):
    """A robot that swings: its rate is 80 sin t [deg/s], a row each 20 ms."""
    t = np.arange(300) * 0.02
    rows = "".join(
        f"{a:.2f},{b:.9f}\n" for a, b in zip(t, 80 * np.sin(t) * per_degree, strict=True)
    )
    return f"t_s,{header}\n{rows}"


@pytest.mark.parametrize("header", ["gyro_z_rad_s", "Drehrate [rad/s]", "yaw_rate_radps"])
def test_rates_in_radians_become_degrees(tmp_path, header):
    """A rate in rad/s is read in deg/s, by the rule of three, and the log's notes say so."""
    log = tmp_path / "log.csv"
    log.write_text(turning(header, math.pi / 180))
    run = looptime.read(log)
    expected = 80 * np.sin(np.arange(299) * 0.02)  # the last row ends the last loop
    assert run.signals.values["turn_rate_deg_s"] == pytest.approx(expected, abs=1e-5)
    assert any("rad/s" in note for note in run.clock.notes)


def test_a_column_can_be_stated_a_turn_rate(tmp_path):
    """A name that says nothing is a turn rate in rad/s where the project file says so."""
    log, file = tmp_path / "log.csv", tmp_path / "looptime.toml"
    log.write_text(turning("ch7", math.pi / 180))
    file.write_text(
        '[[columns]]\nheader = "t_s,ch7"\nroles = ["clock s", "turn rate rad/s"]\n',
        encoding="utf-8",
    )
    run = looptime.read(log, project=Project.load(file))
    expected = 80 * np.sin(np.arange(299) * 0.02)  # the last row ends the last loop
    assert run.signals.values["turn_rate_deg_s"] == pytest.approx(expected, abs=1e-5)


def test_a_second_heading_keeps_its_own_name(tmp_path):
    """Of two headings the first is the robot's; the other is there under its own header."""
    log = tmp_path / "log.csv"
    log.write_text("t_ms,heading,yaw\n" + "".join(f"{k * 20},{k % 7},{k % 5}\n" for k in range(60)))
    run = looptime.read(log)
    assert list(run.signals.values) == ["heading_deg", "yaw"]
    assert run.signals.values["yaw"][:6].tolist() == [0, 1, 2, 3, 4, 0]


def test_signals_between_calls_are_in_degrees_too(tmp_path):
    """A row that holds a value names it as a header would, with its unit."""
    log = tmp_path / "log.csv"
    log.write_text("name,start_us,duration_us,mark,value\n" + "".join(
        f"gyro.read,{20_000 * k},500,,\ngyro_z_rad_s,{20_000 * k + 600},0,signal,0.5\n"
        for k in range(40)
    ))  # fmt: skip
    rate = looptime.read(log).signals.values["turn_rate_deg_s"]
    assert rate == pytest.approx(np.full(len(rate), math.degrees(0.5)))
