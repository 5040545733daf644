"""What lines above the rows say of units, clause by clause; the columns are of invented logs."""

import pytest

from looptime.parsers.columns.stated_words import is_kind, say, short

NAMES = ("t", "gyro", "steer", "belt")


@pytest.mark.parametrize(
    ("line", "clock", "lengths"),
    [("# alle Dauern in Millisekunden, Zeit in Sekunden ab Start", "s", "ms"),
     ("# Zeit in Sekunden ab Start, alle Dauern in Millisekunden", "s", "ms"),
     ("# durations in microseconds and time in seconds since boot", "s", "us"),
     ("# milliseconds for the parts, seconds for the clock", "s", "ms"),
     ("# tempo em segundos desde o in\u00edcio; dura\u00e7\u00f5es em milissegundos", "s", "ms"),
     ("# durate in microsecondi, orologio in secondi", "s", "us"),
     ("# czas w sekundach, czasy trwania w mikrosekundach", "s", "us"),
     ("# alle duren in milliseconden", "", "ms"), ("# parts in ms", "", "ms"),
     ("# clock in us", "us", "")],
)  # fmt: skip
def test_each_clause_speaks_of_its_own_columns(line, clock, lengths):
    """That of durations says nothing of the clock, in whatever order and language they stand."""
    said = say([short(line)], NAMES, None)
    assert said.unit_of(["clock"]) == clock
    assert said.unit_of(["lengths"]) == lengths
    assert not said.named


@pytest.mark.parametrize(
    "line", ["# loop time budget in ms", "# time between two reports in s", "# in all 3 sections"]
)
def test_a_sentence_of_something_else_says_nothing_of_the_clock(line):
    """Words for a clock beside others name another length."""
    assert say([short(line)], NAMES, None).unit_of(["clock"]) == ""


def test_a_key_of_several_words_is_of_all():
    """As programs write them into an object above the rows."""
    for line in ('{"robot": "tray carrier", "time_unit": "us"}', '{"timeUnit": "us"}'):
        assert say([short(line)], NAMES, None).unit_of(["all"]) == "us"


@pytest.mark.parametrize(
    "line",
    ["# us: gyro, steer; ms: belt; s: t", "# gyro = us / steer = us / belt = ms / t = s",
     "# gyro/steer [us] belt [ms] t [s]", "# gyro + steer [us], belt [ms], t [s]",
     "# t=s gyro=us steer=us belt=ms", "# gyro, steer -> us; belt -> ms; t -> s",
     "# the calls gyro and steer are in us, the call belt in ms, t in s",
     "# gyro sowie steer in Mikrosekunden, belt in Millisekunden, t in Sekunden",
     "# us para gyro y steer; ms para belt; s para t",
     "# microsegundos: gyro, steer; milisegundos: belt; segundos: t"],
)  # fmt: skip
def test_one_unit_of_several_columns(line):
    """Whatever stands between the names, and on whichever side of them the unit is."""
    units = {"gyro": "us", "steer": "us", "belt": "ms", "t": "s"}
    assert say([short(line)], NAMES, None).named == units


def test_a_length_beside_the_units_is_none_of_them():
    """That a loop lasts 20 ms says nothing of the column before it or behind it."""
    assert say([short("# t: 20 ms gyro: us")], NAMES, None).named == {"gyro": "us"}


def test_two_units_of_a_column_are_told_apart():
    """The same one twice is no doubt."""
    assert say(["gyro in us", "gyro in us"], NAMES, None).torn == set()
    assert say(["gyro in us", "gyro in ms"], NAMES, None).torn == {"gyro"}


@pytest.mark.parametrize(
    ("line", "units"),
    [
        ("# t, gyro: s, us", {}),  # a unit for each in turn, which stand as they are listed
        ("# gyro: degrees", {"gyro": ""}),
        ("# gyro: steer", {}),  # its name
        (
            "# gyro; since boot; belt in ms",
            {"belt": "ms"},
        ),  # the gyro was told before something else
    ],
)
def test_what_is_said_of_a_column(line, units):
    """A unit of no time is one, too."""
    assert say([short(line)], NAMES, None).named == units


def test_a_column_that_nobody_knows_leaves_the_unit_of_all_open():
    """What is said of belts may be of the belt."""
    assert say(["all in ms"], NAMES, None).unit_of(["all"]) == "ms"
    assert say(["all in ms", "column belts in us"], NAMES, None).unit_of(["all"]) == ""


def test_the_others_have_a_unit_beside_exceptions():
    said = say([short("# all in us except t in s")], NAMES, None)
    assert (said.named, said.unit_of(["rest"])) == ({"t": "s"}, "us")


def test_a_key_is_a_word_for_whose_unit_it_is():
    assert [is_kind(name) for name in ("time_unit", "Units", "robot")] == [True, True, False]
