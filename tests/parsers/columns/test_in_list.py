"""Lists of a line whose unit stands once, bare, behind the last: by hand, of paced loops."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from looptime.cli import cli
from tests.parsers.build import read, self_ms

ROWS = 400


def log(line, seed=3):
    """Loops of 20 ms, paced, of the tray cart: what its two sensors and its wheels take."""
    draw = np.random.default_rng(seed)
    imu, mast = draw.normal(0.96, 0.05, ROWS), draw.normal(1.84, 0.08, ROWS)
    drive, turned = draw.normal(5.22, 0.3, ROWS), draw.normal(0, 40, ROWS)
    return "".join(
        line.format(t=12 + 0.02 * k, k=k, imu=imu[k], mast=mast[k], drive=drive[k],
                    turned=turned[k], volts=12.5 - k / 1000, all=imu[k] + mast[k] + drive[k])
        + "\n" for k in range(ROWS)
    )  # fmt: skip


def columns(tmp_path, text):
    """What the columns are taken for, and how sure; and what the summary says."""
    path = tmp_path / "log.txt"
    path.write_text(text)
    said = CliRunner().invoke(cli, ["columns", str(path), "--json", "--no-cache"])
    told = CliRunner().invoke(cli, ["summary", str(path), "--quiet", "--no-cache"])
    found = json.loads(said.output)["columns"]
    return {c["name"].split(" [")[0]: (c["taken_as"], c["sure"]) for c in found}, told.output


@pytest.mark.parametrize(
    "line",
    [
        "[{t:.4f}] loop {k} imu={imu:.2f} mast={mast:.2f} drive={drive:.2f} ms",
        "[{t:.4f}] loop {k}: imu {imu:.2f}, mast {mast:.2f}, drive {drive:.2f}ms",
        "t={t:.4f} imu: {imu:.2f} mast: {mast:.2f} drive: {drive:.2f} ms | volts={volts:.2f}",
    ],
)
def test_all_of_a_list_are_in_the_unit_behind_its_last(tmp_path, line):
    """Which fit into the loop, are written alike, and may all be calls."""
    text = log(line)
    found, _ = columns(tmp_path, text)
    assert found["imu"] == found["mast"] == ("part", "likely")
    own = self_ms(read(tmp_path, text, "own.txt"))
    means = {name: np.mean(own[name]) for name in ("imu", "mast", "drive")}
    assert means == pytest.approx({"imu": 0.96, "mast": 1.84, "drive": 5.22}, rel=0.02)


@pytest.mark.parametrize(
    "line",
    [
        "[{t:.4f}] loop {k} imu={turned:.2f} mast={mast:.2f} drive={drive:.2f} ms",  # below zero
        "[{t:.4f}] loop {k} mast={mast:.2f} volts={volts:.2f} drive={drive:.2f} ms",
        "[{t:.4f}] loop {k} mast={mast:.1f} drive={drive:.3f} ms",  # not written alike
        "[{t:.4f}] loop {k} mast=1{mast:.2f} drive={drive:.2f} ms",  # 11.84 of 20 ms fits
        "[{t:.4f}] loop {k} imu=18{imu:.2f} mast={mast:.2f} drive={drive:.2f} ms",  # longer
    ],
)
def test_what_may_be_a_reading_is_doubted_aloud(tmp_path, line):
    """Never surely a signal, and the summary says that they may be lengths."""
    found, told = columns(tmp_path, log(line))
    if "mast=1" in line:
        assert found["mast"] == ("part", "likely")
        return
    assert found["mast"] == ("signal", "unsure")
    assert found.get("imu", ("signal", "unsure"))[1] != "sure"
    assert "mast" in told
    assert "of time can't be told" in told


def test_readings_before_the_length_of_a_loop_stay_readings(tmp_path):
    """A heading and a voltage are none of its parts, whatever unit is behind the last."""
    text = log("[{t:.4f}] loop {k} heading={turned:.1f} volts={volts:.1f} loop={all:.1f} ms")
    found, told = columns(tmp_path, text)
    assert found["heading"][0] == "heading"
    assert found["volts"] == ("signal", "sure")
    assert "can't be told: a unit" not in told


def test_without_a_clock_nothing_says_that_all_fit(tmp_path):
    """Then they may as well be readings."""
    text = log("loop {k} imu={imu:.2f} mast={mast:.2f} drive={drive:.2f} ms")
    found, told = columns(tmp_path, text)
    assert found["imu"] == found["mast"] == ("signal", "unsure")
    assert "can't be told" in told
