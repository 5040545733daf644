"""Which column says begin and end, told by how many of its cells do."""

from types import SimpleNamespace

import pytest

from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.edge_words import edge_column, split_edge
from looptime.parsers.layouts.edges import COLUMNS
from looptime.parsers.layouts.pairing import BEGIN, END

PAIR = ["begin", "end"]


def chosen(asked=False, **columns):
    """The column chosen of a clock, two names by turns, and these."""
    count = len(next(iter(columns.values())))
    names = [name for _ in range(count // 4) for name in ("gyro", "gyro", "lift", "lift")]
    every = {"time_us": [str(100 * k) for k in range(count)], "name": names}
    every |= columns
    rows = list(zip(*every.values(), strict=True))
    dialect = SimpleNamespace(sample=rows, decimal=".")
    head = edge_column(heads(tuple(every)), dialect, COLUMNS, asked)
    return None if head is None else list(every)[head.index]


@pytest.mark.parametrize(("odd", "told"), [(0, "note"), (2, "note"), (3, None), (16, None)])
def test_a_twentieth_of_the_cells_may_be_garbled(odd, told):
    assert chosen(note=["??"] * odd + (PAIR * 20)[odd:]) == told


def test_cells_without_a_value_say_nothing():
    """But a dash may be the end of a call."""
    assert chosen(note=[*PAIR * 10, *[""] * 20]) == "note"
    assert chosen(edge=["+", "-"] * 20) == "edge"
    assert chosen(edge=["+", *["-"] * 39]) == "edge"


@pytest.mark.parametrize("pair", [["0", "1"], ["+", "-"], ["<", ">"]])
def test_signs_are_edges_only_where_the_header_says_so(pair):
    """A flag is 0 or 1, too; words are edges under any header, and among words so are signs."""
    assert chosen(flag=pair * 20) is None
    assert chosen(edge=pair * 20) == "edge"
    assert chosen(flag=[*PAIR * 10, *pair * 10]) == "flag"


def test_a_column_of_one_side_is_none():
    assert chosen(edge=["begin"] * 40) is None
    assert chosen(state=["running"] * 40) is None


@pytest.mark.parametrize(("bare", "told"), [(18, None), (20, "note")])
def test_names_that_carry_their_edge_are_a_column_of_names(bare, told):
    """Unless half of the cells are nothing but an edge."""
    assert chosen(note=(PAIR * 20)[:bare] + ["gyro begin", "gyro end"] * ((40 - bare) // 2)) == told


def test_the_column_that_is_called_so_goes_first():
    assert chosen(note=PAIR * 20, edge=PAIR * 20) == "edge"
    assert chosen(note=PAIR * 20, more=PAIR * 20) == "note"


def test_begins_and_ends_among_other_events_pair_by_name():
    """Two fifths of the rows are of other kinds; the others have one another, or are asked for."""
    other = ["battery"] * 32
    assert chosen(edge=other + PAIR * 24) == "edge"
    assert chosen(note=other + PAIR * 24) is None
    unlike = other + ["begin"] * 40 + ["end"] * 8
    assert chosen(edge=unlike) is None
    assert chosen(edge=unlike, asked=True) == "edge"
    assert chosen(edge=other + PAIR * 24, state=["up", "down"] * 40) == "state"


def test_a_lock_is_had_and_freed():
    """Without begins and ends, under any header."""
    assert chosen(note=["acquired", "released"] * 20) == "note"
    assert chosen(note=["acquired"] * 40) is None


@pytest.mark.parametrize(
    ("text", "name", "side"),
    [
        ("+imu", "imu", BEGIN), ("-imu", "imu", END), ("+ imu", "imu", BEGIN), ("+i", "i", BEGIN),
        ("+", "+", None), ("-", "-", None), ("begin", "begin", None), (" begin", " begin", None),
        ("imu b", "imu b", None), ("imu in", "imu in", None), ("imu off", "imu", END),
        ("Stop/imu", "imu", END), ("arm_up begin", "arm_up", BEGIN),
    ],
)  # fmt: skip
def test_the_edge_of_a_name_is_a_sign_or_a_word_of_three_letters(text, name, side):
    assert split_edge(text) == (name, side)
