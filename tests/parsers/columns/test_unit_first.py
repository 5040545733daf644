"""Units before the columns that have them; the line and its columns are invented."""

import pytest

from looptime.parsers.columns.unit_first import units_behind
from looptime.units import word_unit

NAMES = dict.fromkeys(("t", "gyro", "drive", "lift", "u", "s"), "")


@pytest.mark.parametrize(
    ("line", "turned"),
    [
        ("% ms: gyro, drive, lift", "gyro, drive, lift in ms"),
        ("# us = gyro & drive; ms = lift; v = u", "gyro, drive in us; lift in ms; u: v"),
        ("[us] gyro, drive  [ms] lift", "gyro, drive in us; lift in ms"),
        ("# us for gyro and drive, ms for lift", "gyro, drive in us; lift in ms"),
        ("milisegundos: gyro y drive. microsegundos: lift", "gyro, drive in ms; lift in us"),
        ("mikrosekunden (gyro und drive), millisekunden (lift)", "gyro, drive in us; lift in ms"),
        ("einheiten: ms - gyro, drive", "gyro, drive in ms"),
        ("# in us: gyro drive", "gyro, drive in us"),
        ("# t in s; us: gyro, drive", "# t in s; gyro, drive in us"),
    ],
)
def test_units_before_their_columns(line, turned):
    """In brackets, before a mark or a word for "for"; each list ends where a unit follows."""
    assert units_behind(line, NAMES, word_unit) == turned


@pytest.mark.parametrize(
    "line",
    [
        "# gyro: us, drive: ms",
        "# gyro [ms], drive [us]",
        "# every 5 ms: gyro, drive",
        "# ms: gyro, and the tray",
        "# us: ",
        "# s: gyro, drive",  # a column
        "# volts: u",
    ],
)
def test_what_is_none_of_that(line):
    """A unit behind its column, a rate, a sentence, a column that is called as a unit is."""
    assert units_behind(line, NAMES, word_unit) == line


def test_the_longer_of_two_names_is_meant():
    """And a log without names has none that a line could be of."""
    names = dict.fromkeys(("gyro", "gyro z", "drive"), "")
    assert units_behind("us: gyro z, drive", names, word_unit) == "gyro z, drive in us"
    assert units_behind("us: gyro", {"": ""}, word_unit) == "us: gyro"
