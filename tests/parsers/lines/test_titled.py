"""Units that stand once in a line for several pairs, or in brackets behind each name, by hand."""

import numpy as np
import pytest

from looptime.parsers.lines.brackets import own_units, unwrapped
from looptime.parsers.lines.titled import titled
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import ROWS

#: Loops of 20, 30 and 20 ms of the tray cart, again and again, and their two calls [ms].
MANY = [(70 * k + t, imu, drive) for k in range(9) for t, imu, drive in ROWS[:3]]


def log(pattern):
    """A line a loop; `us` are the same in microseconds."""
    return "".join(
        pattern.format(k=k, t=t, s=t / 1e3, imu=imu, drive=drive, imu_us=imu * 1000 + k % 7,
                       drive_us=drive * 1000 + k % 5, volts=12 + k % 3 / 10, deg=5.1 * k) + "\n"
        for k, (t, imu, drive) in enumerate(MANY)
    )  # fmt: skip


@pytest.mark.parametrize(
    "pattern",
    [
        "[{s:.3f}] loop {k} took(ms) imu:{imu} drive:{drive}.0",
        "[{s:.3f}] times in ms: imu {imu}, drive {drive}.0",
        "[{s:.3f}] Zeiten[us] imu={imu_us} drive={drive_us} | volts={volts}",
        "[{s:.3f}] volts={volts} durations_us: imu={imu_us} drive={drive_us}",
        "[{s:.3f}] took(us) imu:{imu_us} drive:{drive_us} | batt(V) {volts} yaw(deg) {deg:.1f}",
        "ms: t={t} ; us: imu={imu_us} drive={drive_us} ; V: bus={volts}",
        "[{s:.3f}] #{k} imu={imu_us} drive={drive_us} (us)",
        "[{s:.3f}] loop {k} imu(us)={imu_us} drive(us)={drive_us} batt(V)={volts}",
        "t(ms) {t} imu [us]: {imu_us}, drive [us]: {drive_us}",
        "[{s:.3f}] took(ms) imu({imu}.0) drive({drive}.0)",
        "[{s:.3f}] imu({imu_us}us) drive({drive_us}us) volts({volts})",
        "t={s:.3f} imu={imu_us} drive={drive_us} (us)",
        "t={t} loop={k} imu={imu_us} drive={drive_us} (in us)",
        "t {t} (ms) imu {imu_us} (us) drive {drive_us} (us)",
        "[{s:.3f}] times (us): imu {imu_us} drive {drive_us}, volts {volts}, reach 2.5",
        "[{s:.3f}] times (us): imu {imu_us} drive {drive_us}. Wheels: left 1.5 right 2.5",
    ],
)
def test_each_call_is_as_long_as_its_unit_says(tmp_path, pattern):
    """Wherever the unit stands; readings beside them are no calls."""
    run = read(tmp_path, log(pattern))
    assert np.allclose(periods_ms(run), np.diff([row[0] for row in MANY]))
    times = self_ms(run)
    assert set(times) == {"imu", "drive"}
    assert np.allclose(times["imu"], [row[1] for row in MANY[:-1]], atol=0.01)
    assert np.allclose(times["drive"], [row[2] for row in MANY[:-1]], atol=0.01)


@pytest.mark.parametrize(
    "pattern",
    [
        "[{s:.3f}] loop (ms) mean {imu}.5 max {drive}.5",
        "[{s:.3f}] wheel(left) imu={imu} drive={drive}",
        "[{s:.3f}] volts={volts} yaw={deg:.1f} (V)",
    ],
)
def test_other_brackets_make_no_call(tmp_path, pattern):
    """Figures of the loop, a place, and a unit of no time."""
    assert not self_ms(read(tmp_path, log(pattern)))


def test_a_unit_behind_what_is_no_length_is_of_the_last_alone(tmp_path):
    """Rows and trays are whole numbers beside it; the heading is a reading."""
    for others in ("rows={k}", "heading={deg:.1f}", "t={t} loop={k} trays=3"):
        pattern = f"[{{s:.3f}}] {others} imu={{imu}}.0 (ms)"
        assert set(self_ms(read(tmp_path, log(pattern)))) == {"imu"}


def test_a_plural_is_no_second(tmp_path):
    """2 tray(s) are none that last 2 s: loops are as long as what is timed in them."""
    run = read(tmp_path, log("loop {k} tray(s) 2 imu {imu}.5 ms drive {drive}.5 ms"))
    assert np.allclose(periods_ms(run), [imu + drive + 1 for _, imu, drive in MANY][: len(run)])


def test_the_readings_at_the_end_of_a_list_are_none_of_it(tmp_path):
    """Of a list that nothing ends, a heading and a voltage are left out, and counts."""
    run = read(tmp_path, log(
        "[{s:.3f}] took(ms) imu:{imu}.0 drive:{drive}.0 retries:{k} yaw:{deg:.1f} volts:{volts}"
    ))  # fmt: skip
    assert set(self_ms(run)) == {"imu", "drive"}


@pytest.mark.parametrize(
    ("left", "numbers", "units"),
    [
        (["t(s) ", " (ms) gyro(us) ", ""], ["21", "900"], {0: "ms", 1: "us"}),
        (["took(s) ", ""], ["2"], {0: "s"}),
        (
            ["duty(%) ", " drive(\N{DEGREE SIGN}C) ", ""],
            ["40", "31"],
            {0: "%", 1: "\N{DEGREE SIGN}C"},
        ),
    ],
)
def test_units_in_brackets_beside_a_number(left, numbers, units):
    """The one behind it is its own, where the name has one too; a time may last whole seconds."""
    assert own_units(left, numbers)[1] == units


def test_numbers_in_brackets_end_where_these_close():
    """Words in other brackets stay, and so does one that does not close right behind a number."""
    pieces = ["imu(", ") drive(", " ms) (left) reach(", " and more"]
    assert unwrapped(pieces) == ["imu=", ", drive=", " ms, (left) reach(", " and more"]


@pytest.mark.parametrize(
    ("left", "names", "made"),
    [
        ([" took(ms) imu:", " heading:", ""], ["imu", "heading"], ["took_ms.imu", "heading"]),
        ([" took(ms) imu:", " ", " arm:", ""], ["imu", None, "arm"],
         ["took_ms.imu", None, "took_ms.arm"]),
        ([" took(ms) imu:", " volts:", " arm:", " total:", ""], ["imu", "volts", "arm", "total"],
         ["took_ms.imu", "volts", "arm", "took_ms.total"]),
        ([" ms {imu=", " arm=", "}"], ["imu", "arm"], ["imu", "arm"]),
    ],
)  # fmt: skip
def test_names_behind_a_title(left, names, made):
    """To the first reading, but for what they make up; a unit alone is no part of a name."""
    assert titled(left, names, [None] * len(names), ["1.5"] * len(names))[0] == made
