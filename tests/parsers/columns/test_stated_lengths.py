"""Which columns a unit stated above the rows is of, and where it makes no sense of them."""

import numpy as np
import pytest

from looptime.parsers.columns.stated_lengths import far_too_short, lengths_in, longer_than_loops
from looptime.parsers.text.sniff import sniff

RNG = np.random.default_rng(12)
ROWS = 200
#: A loop paced to 12 ms; lengths of 1, 3.6 and 2 ms.
CLOCK = 12 * np.arange(ROWS) + 5_000
LENGTHS = {name: ms * RNG.lognormal(0, 0.08, ROWS)
           for name, ms in (("gyro", 1.0), ("steer", 3.6), ("lift", 2.0))}  # fmt: skip


def log(**columns):
    """A table of the clock and the lengths, with other columns beside them or in their place."""
    return table({"t": CLOCK, **LENGTHS} | columns)


def table(columns):
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(f"{value:.3f}" for value in row) for row in rows]
    return sniff("\n".join([",".join(columns), *lines]) + "\n", "a.csv")


def named(like, unit, clock="ms"):
    places = lengths_in(like, range(len(like.header)), unit, {"t": clock})
    return [like.header[at] for at in places]


def test_names_of_parts_and_of_readings_are_lengths_where_values_may_be():
    """A steering is set in each loop; one that glides, or fills more than the loop, is read."""
    assert named(log(), "ms") == ["gyro", "steer", "lift"]
    sways = 40 + 30 * np.sin(np.arange(ROWS) / 20)
    assert named(log(steer=sways), "ms") == ["gyro", "lift"]
    assert named(log(steer=100 * LENGTHS["steer"]), "ms") == ["gyro", "lift"]


@pytest.mark.parametrize(
    "name",
    ["corrente", "Strom", "courant", "current", "Akku", "tension", "temp", "heading", "throttle",
     "pwm", "adc", "light", "range", "load", "speed", "axis", "button"],
)  # fmt: skip
def test_names_of_what_is_surely_read_are_none(name):
    """Whatever would fit into the loop."""
    assert named(log(**{name: RNG.lognormal(0.5, 0.1, ROWS)}), "ms") == ["gyro", "steer", "lift"]


def test_a_small_value_beside_whole_microseconds_is_no_part():
    """1.9 of something would be no 1.9 us beside parts of thousands, printed as whole numbers."""
    whole = {name: np.rint(1000 * ms) for name, ms in LENGTHS.items()}
    like = log(t=1000 * CLOCK, **whole, flow=RNG.normal(1.9, 0.1, ROWS))
    assert named(like, "us", "us") == ["gyro", "steer", "lift"]
    del whole["steer"]
    for brake, more in (
        (RNG.normal(190, 9, ROWS), []),
        (np.rint(LENGTHS["steer"] * 500), ["brake"]),
    ):
        like = log(t=1000 * CLOCK, **whole, steer=RNG.normal(0, 1, ROWS), brake=brake)
        assert named(like, "us", "us") == ["gyro", "lift", *more]


def test_lengths_that_are_no_lengths_of_the_loop():
    """Parts of 1 and 3.6 ms called us are next to nothing of 12 ms, and called s far longer."""
    loop = log()
    called = dict.fromkeys(("gyro", "steer"), "us")
    assert far_too_short(loop, called, {"t": "ms"}) == "ms"
    assert far_too_short(loop, dict.fromkeys(called, "ms"), {"t": "ms"}) == ""
    assert longer_than_loops(loop, {"gyro": "s"}, 12e6)
    assert not longer_than_loops(loop, {"gyro": "ms"}, 12e6)


TURN = np.arange(ROWS)


@pytest.mark.parametrize(
    ("name", "values", "length"),
    [
        ("took", RNG.lognormal(0, 0.1, ROWS), True),
        ("took", TURN, False),  # it counts rows
        ("took", TURN // 2, False),
        ("took", np.array([1, 2, 4, 5, 7])[TURN % 5], True),
        ("took", 1 + (TURN % 25 == 3), True),  # 1 or 2
        ("timing.hz", RNG.lognormal(0, 0.1, ROWS), False),
        ("read_temp", RNG.lognormal(0, 0.1, ROWS), False),
        ("t_temp", RNG.lognormal(0, 0.1, ROWS), True),  # how long it took
        ("t_temp", 1 + TURN / 100, False),
        ("belt", RNG.lognormal(0, 0.1, ROWS), True),
        ("belt", np.array([1, 2, 4, 5, 7])[TURN % 5], True),
        ("belt", 2 + (TURN % 40 == 3) - 1 * (TURN % 40 == 9), True),  # 2 as a rule
        ("belt", RNG.normal(0, 1, ROWS), False),  # below zero
        ("belt", 1 + TURN % 2, False),  # on or off
        ("belt", 1 + TURN // 5 / 10, False),  # it rises
        ("belt", np.full(ROWS, np.nan), False),
        ("brake", RNG.normal(0, 1, ROWS), False),
        ("brake", RNG.lognormal(0, 0.1, ROWS), True),
    ],
)
def test_a_column_beside_lengths_is_one_by_name_and_values(name, values, length):
    """Lengths jump and are never below zero; counts, angles and what rises are none."""
    assert named(log(**{name: values}), "ms") == ["gyro", "steer", "lift", *[name] * length]


def test_what_rises_in_few_rows_is_no_length():
    """Five at each level, 30 rows: too few to see that it glides."""
    columns = {"t": CLOCK, **LENGTHS, "belt": 1 + TURN // 5 / 2}
    few = table({name: values[:30] for name, values in columns.items()})
    assert named(few, "ms") == ["gyro", "steer", "lift"]


def test_one_that_is_longer_than_the_loop_does_not_drive_out_the_others():
    """A brake of 18 in 12 ms."""
    assert named(log(brake=5 * LENGTHS["steer"]), "ms") == ["gyro", "steer", "lift"]


def test_a_reading_that_a_sum_lacks_is_a_length():
    """Of a loop of gyro, steer, lift and what is called like a heat, row for row."""
    temp = RNG.lognormal(0.5, 0.1, ROWS)
    both = {"temp": temp, "took": sum(LENGTHS.values()) + temp}
    assert named(log(**both), "ms") == ["gyro", "steer", "lift", "temp", "took"]
    both["took"] = sum(LENGTHS.values()) + RNG.lognormal(0.5, 0.1, ROWS)
    assert "temp" not in named(log(**both), "ms")
    both["took"] = sum(LENGTHS.values()) + 2 * temp
    assert "temp" not in named(log(**both), "ms")
    columns = {"t": CLOCK, **LENGTHS, **both}
    assert "temp" not in named(table({name: own[:5] for name, own in columns.items()}), "ms")


def test_without_a_clock_lengths_are_held_against_the_longest():
    """Of lengths of 1 and 2 ms a loop is 20 at most: steering may be 3.6 of it, and 36 are none."""
    assert named(table(LENGTHS), "ms") == ["gyro", "steer", "lift"]
    assert named(table(LENGTHS | {"steer": 10 * LENGTHS["steer"]}), "ms") == ["gyro", "lift"]
    assert named(table({"steer": LENGTHS["steer"], "brake": LENGTHS["lift"]}), "ms") == []
    rare = np.where(TURN % 3 == 1, LENGTHS["gyro"], 0.0)
    assert named(table({"gyro": rare, "steer": LENGTHS["steer"]}), "ms") == ["gyro"]


def test_a_fraction_beside_whole_numbers_is_in_another_unit():
    """Where most are whole; of two and two nobody knows."""
    whole = {name: np.rint(1000 * ms) for name, ms in LENGTHS.items() if name != "steer"}
    like = table({"t": 1000 * CLOCK, **whole, "belt": 900 * LENGTHS["gyro"]})
    assert named(like, "us", "us") == ["gyro", "lift"]
    like = table({"t": 1000 * CLOCK, "gyro": whole["gyro"], "belt": 900 * LENGTHS["gyro"]})
    assert named(like, "us", "us") == ["gyro", "belt"]
    assert named(table({"t": CLOCK, "brake": LENGTHS["gyro"]}), "ms") == ["brake"]


def test_a_first_column_without_a_name():
    """As tables with an index have it."""
    assert named(table({"": TURN, "t": CLOCK, **LENGTHS}), "ms") == ["gyro", "steer", "lift"]


def test_lengths_of_mostly_nothing_are_in_no_other_unit():
    """A median of zero tells none."""
    rare = log(gyro=np.where(TURN % 3 == 1, LENGTHS["gyro"], 0.0))
    assert far_too_short(rare, {"gyro": "us"}, {"t": "ms"}) == ""
    assert far_too_short(log(), dict.fromkeys(LENGTHS, "us"), {"t": "ms"}) == "ms"
    long = log(gyro=13 * LENGTHS["gyro"])  # 13 of 12 ms
    assert far_too_short(long, {"gyro": "us"}, {"t": "ms"}) == ""
