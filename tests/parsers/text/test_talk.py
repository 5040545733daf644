"""What is said above a table, and again where the board starts anew; all of it is invented."""

import numpy as np
import pytest

from looptime.parsers.read import read_log
from looptime.parsers.text.talk import behind_talk, is_talk, names_alone
from tests.parsers.build import read, self_ms

NAMES = "ms,imu,enc,mot"
TALK = {
    "a comma": ["Booting...", "IMU ok, 4 modules ok"],
    "a version": ["Firmware 2.1, built Oct 3"],
    "a bus": ["CAN: 4 nodes, 1 Mbit"],
    "stars": ["*******************", "* cart 7, rev 3, bay 2 *", "*******************"],
    "settings": ['{"rate_hz": 50, "imu": "on", "gains": [1, 2, 3], "bus": 4}'],
    "settings over lines": ["{", '  "rate_hz": 50,', '  "imu": "on"', "}"],
    "tags": ["[boot] 3 devices, 2 buses", "[boot] ready"],
    "as many words as names": ["IMU ok, 4 modules ok, ready, go"],
    "as many numbers as names": ["gains 1.2, 0.3, 0.05, 4"],
    "a word and numbers": ["calibrating, 3, 2, 1"],
    "some of each": ["Booting...", "CAN: 4 nodes, 1 Mbit", "calibrating, 3, 2, 1", "go, 4"],
}


def rows(begin, seed, mark=","):
    """Loops as fast as they go, 5 ms more than their parts: 3 ms of imu, 8 of enc, 4 of mot."""
    parts = np.random.default_rng(seed).integers((2, 7, 3), (5, 10, 6), (300, 3))
    start = begin + np.concatenate([[0], np.cumsum(parts.sum(axis=1) + 5)[:-1]])
    return [mark.join(map(str, (at, *own))) for at, own in zip(start, parts.tolist(), strict=True)]


@pytest.mark.parametrize("talk", TALK.values(), ids=TALK)
@pytest.mark.parametrize("names", [NAMES, "time_ms,imu_ms,enc_ms,mot_ms", "t;imu;enc;mot"])
def test_the_names_stand_behind_the_talk(tmp_path, talk, names):
    """Calls are called as the line right above the rows says, in both runs of the file."""
    mark = ";" if ";" in names else ","
    boots = [["", *talk, names, *rows(900 + 37 * n, n, mark)] for n in range(2)]
    path = tmp_path / "serial.txt"
    path.write_text("\n".join(line for boot in boots for line in boot) + "\n")
    log = read_log(path)
    assert [len(run) for run in log.runs] == [299, 299]
    for run in log.runs:
        means = {name: float(np.mean(ms)) for name, ms in self_ms(run).items()}
        assert means == pytest.approx({"imu": 3, "enc": 8, "mot": 4}, abs=0.2)
        assert np.median(run.loop_columns.period_ns) == pytest.approx(20e6, abs=1e6)


def test_units_below_the_names_stay_units(tmp_path):
    """A line of units is none of names, though a word stands among them."""
    text = "\n".join(["time,imu,enc,supply", "ms,ms,ms,raw", *rows(0, 1)]) + "\n"
    assert {"imu", "enc"} <= set(self_ms(read(tmp_path, text)))


def test_rows_above_a_repeated_header_are_rows(tmp_path):
    """A log whose beginning was cut off: numbers that stand above the names are no talk."""
    lines = rows(0, 1)
    run = read(tmp_path, "\n".join([*lines[:4], "t_ms,imu_ms,enc_ms,mot_ms", *lines[4:]]) + "\n")
    assert len(run) == 299


def test_whole_numbers_that_hardly_change_are_lengths(tmp_path):
    """Of 300 loops every tenth takes 4 ms and not 3, or 2, where a remark says ms of all."""
    body = [f"{20 * k},{3 + (k % 20 == 3) - (k % 20 == 9)},{7 + k % 3}" for k in range(300)]
    run = read(tmp_path, "\n".join(["# all in ms", "t,imu,enc", *body]) + "\n")
    assert set(self_ms(run)) == {"imu", "enc"}


@pytest.mark.parametrize(
    "cells",
    [["ms", "imu"], ["ms", "imu", "imu"], ["ms", "imu", "", "enc"], ["a", "ms", "b", "imu"]],
    ids=["two", "twice", "unnamed", "letters"],
)
def test_cells_that_do_not_name_columns_by_themselves(cells):
    """Nor do as many letters as words: they may as well be units."""
    assert not names_alone(cells)
    assert names_alone(["ms", "mo", "en", "im"])


@pytest.mark.parametrize(
    ("above", "names", "talk"),
    [
        (["imu ok", "4 modules ok"], ["t", "imu", "enc", "mot"], True),
        (["boot_ms", "ok"], ["t", "imu", "enc", "mot"], False),  # a unit
        (["imu ok", "enc ok", "mot ok", "go"], ["t", "imu", "enc", "mot"], False),  # each its own
        (["front", "front", "rear"], ["t", "imu", "enc", "mot"], False),  # groups
        (["front", "", "rear"], ["t", "imu", "enc", "mot"], False),
        (["imu ok", "enc ok", "mot ok", "go"], ["ms", "imu", "enc", "mot"], True),
    ],
)
def test_a_line_above_the_names_is_talk_or_groups_them(above, names, talk):
    """It is short and says no unit, or stands above names that need no groups."""
    assert is_talk(above, names) == talk


NUMBERS = ["12", "3", "7"]


@pytest.mark.parametrize(
    ("above", "names", "at"),
    [
        ([["gains", "3", "2"]] * 12, ["ms", "imu", "enc"], 12),
        ([["gains", "3", "2"]] * 13, ["ms", "imu", "enc"], 0),
        ([["gains", "3", "2"]], ["ms", "", "enc"], 0),
        ([["gains", "3", "2"]], ["ms", "imu", "imu"], 0),
        ([["gains", "3", "2"]], ["11", "4", "7"], 0),  # a row
        ([["t", "imu", "enc"]], ["ms", "us", "s"], 0),  # names above their units
        ([["11", "", "7"]], ["ms", "imu", "enc"], 0),  # a row with a hole
        ([["11", "4", "7"]], ["ms", "imu", "enc"], 0),  # a row
        ([["gains", "3", "2"], ["11", "4", "7"]], ["ms", "imu", "enc"], 0),
    ],
)
def test_the_names_behind_lines_as_long_as_rows(above, names, at):
    """At most twelve of them, each with a word where the six rows below the names have numbers."""
    rows = [*above, names, *[NUMBERS] * 6]
    assert behind_talk(rows, str.isdigit) == at
    assert behind_talk([*rows, ["late", "for", "good"]], str.isdigit) == at
    assert behind_talk(rows[:-1], str.isdigit) == 0
