"""A unit said of a column by its place wins over one of all, whichever comes first."""

import numpy as np
import pytest

from looptime.parsers.columns.column_words import COLUMN_WORDS
from looptime.parsers.columns.stated_units import in_stated_units
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

_ROWS = "".join(f"{k * 0.0121:.4f},{2 + k * 7 % 11},{3 + k * 5 % 13}\n" for k in range(60))
LIKE = sniff("t,lift,tray\n" + _ROWS, "cart.csv")
#: "The first column" and "all times" in seven languages.
SPOKEN = [("first column", "all other times"), ("erste Spalte", "alle Zeiten"),
          ("premi\N{LATIN SMALL LETTER E WITH GRAVE}re colonne", "tous les temps"),
          ("primera columna", "todos los tiempos"), ("prima colonna", "tutti i tempi"),
          ("primeira coluna", "todos os tempos"), ("eerste kolom", "alle tijden")]  # fmt: skip


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize(("column", "times"), SPOKEN)
def test_the_first_column_wins_over_all(tmp_path, column, times, first):
    """Loops of 7.5 ms by a clock in s, with parts in ms: the period is what both come to."""
    draw, made, at = np.random.default_rng(9), [], 700.0
    for _ in range(200):
        lift, tray = draw.normal([4.8, 2.1], 0.1)
        made.append(f"{at / 1000:.5f},{lift:.2f},{tray:.2f}")
        at += lift + tray + 0.6
    parts = [f"{column} in s", f"{times} in ms"]
    said = ", ".join(parts if first else parts[::-1])
    run = read(tmp_path, "\n".join([f"# {said}", "at,lift,tray", *made]))
    assert np.mean(periods_ms(run)) == pytest.approx(7.5, abs=0.05)
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({"lift": 4.8, "tray": 2.1}, abs=0.03)


@pytest.mark.parametrize(("column", "times"), SPOKEN)
@pytest.mark.parametrize("but", ["except", "sauf", "behalve", "tranne"])
def test_a_column_by_its_place_is_excepted(column, times, but):
    """The word for a column is heard behind a word for except as well as elsewhere."""
    found = in_stated_units(LIKE, [f"# {times} in ms, {but} {column} (s)"])
    assert found.header == ("t [s]", "lift [ms]", "tray [ms]")


@pytest.mark.parametrize(
    "said",
    ["all in ms but column 1 in s", "columns in ms, except the first (s)",
     "column 0 in s, columns in ms; all others in ms", "1. Spalte in s, alle anderen in ms"],
)  # fmt: skip
def test_columns_are_counted(said):
    """From 1, or from 0 where there is a column 0."""
    assert in_stated_units(LIKE, [said]).header == ("t [s]", "lift [ms]", "tray [ms]")


@pytest.mark.parametrize(
    "said",
    ["all in ms except the first two columns (s)", "die ersten Spalten in s, alle Zeiten in ms",
     "columns 1 to 2 in s, all times in ms", "all times in ms; columns 1-2 in s"],
)  # fmt: skip
def test_several_columns_that_nobody_names_leave_all_open(said):
    """Two of the three are in s: a unit of all would be wrong for them."""
    assert in_stated_units(LIKE, [said]).header == ("t", "lift", "tray")


def test_each_word_for_several_has_one_for_one():
    """In seven languages; two of them have one word for both numbers, or share it."""
    assert {"column", "spalte", "colonne", "columna", "coluna", "colonna", "kolom"} < COLUMN_WORDS
    assert {"columns", "spalten", "colonnes", "columnas", "colunas", "kolommen"} < COLUMN_WORDS


#: Loops of 20 ms by a clock in ms, lift 4 ms in us, tray 9 ms in ms.
_MIXED = "".join(f"{k * 20.013:.3f},{4000 + k * 37 % 90},{9 + k * 5 % 13 / 100:.2f}\n"
                 for k in range(60))  # fmt: skip
MIXED = sniff("t,lift,tray\n" + _MIXED, "cart.csv")
RIGHT = ("t [ms]", "lift [us]", "tray [ms]")


def stated(*lines, like=MIXED, beside=()):
    """The header in the units that lines state, and what is said of them."""
    cautions: list[str] = []
    return in_stated_units(like, lines, beside, cautions).header, cautions


@pytest.mark.parametrize(
    "lines",
    [["# column 0 in ms", "# column 1 in us", "# column 2 in ms"],
     ["# column 2 in ms", "# column 1 in us", "# column 0 in ms"],
     ["# column 1 in ms", "# column 2 in us", "# column 3 in ms"],
     ["# col 0 = t (ms)", "# col 1 = lift (us)", "# col 2 = tray (ms)"],
     ["# Spalte 1 = lift (us)", "# Spalte 2 = tray (ms)", "# t in ms"],
     ["# Spalte 2 = lift (us)", "# Spalte 1 = t (ms)", "# tray in ms"],
     ["# column 1 in us", "# column 2 in ms", "# t in ms"]],
)  # fmt: skip
def test_lines_count_columns_together(lines):
    """From 0 where any has a column 0, from 1 where as high as there are; else by name, or fit."""
    assert stated(*lines) == (RIGHT, [])


def test_a_line_without_a_unit_tells_how_columns_are_counted():
    """That column 0 holds the time makes column 1 the second."""
    beside = ["# column 0: stamp of the cart", "# column 1 in us"]
    assert stated("# column 1 in us", beside=beside) == (("t", "lift [us]", "tray"), [])


@pytest.mark.parametrize(
    "lines",
    [["# column 1 in us", "# column 2 in us"],  # either way one column is a thousandth
     ["# column 0 in ms", "# column 3 in ms"],  # both ways at once
     ["# column 1 = t (ms)", "# column 1 = lift (us)"]],
)  # fmt: skip
def test_columns_that_may_be_either_get_no_unit(lines):
    """It is said, and names that are in the lines too are no more certain."""
    header, said = stated(*lines)
    assert header == ("t", "lift", "tray")
    assert len(said) == 1
    assert "from 0 or from 1" in said[0]


def test_numbers_without_a_clock_to_hold_them_against_get_no_unit():
    """No loop tells which of two columns is in us."""
    like = sniff("cart,lift,tray\n" + "".join(
        f"{k * 7 % 5},{4000 + k % 9},{9 + k % 4}\n" for k in range(60)), "cart.csv")  # fmt: skip
    header, said = stated("# column 1 in us", like=like)
    assert header == ("cart", "lift", "tray")
    assert len(said) == 1


def test_of_two_units_of_a_column_neither_is_taken():
    """Nor that of all in its place."""
    header, said = stated("# lift in us", "# lift in ms", "# all times in ms")
    assert header[1] == "lift"
    assert said == ["lines above the rows say two units of lift: none is taken"]


@pytest.mark.parametrize(
    "lines", [["# t in ms, lift in s"], ["# first column in ms", "# column 0 in ms, column 1 in s"]]
)
def test_a_unit_in_which_a_column_is_far_longer_than_the_loop_is_not_taken(lines):
    """4,000 s in a loop of 20 ms."""
    header, said = stated(*lines)
    assert header == ("t [ms]", "lift", "tray")
    assert said == [
        "the unit said of lift above the rows, s, does not fit the loop, and is not taken"
    ]


def test_a_unit_in_which_the_clock_is_no_loop_is_not_taken():
    """20,013 s a loop; and one of 20 us is told to be checked."""
    header, said = stated("# first column in s", "# lift in us")
    assert header == ("t", "lift [us]", "tray")
    assert "of t above the rows, s, does not fit" in said[0]
    header, said = stated("# first column in us")
    assert header[0] == "t [us]"
    assert "of t above the rows, us, is far from what is usual" in said[0]


@pytest.mark.parametrize(
    "aside", ["(s. Handbuch)", "(m. Filter)", "(s. manual, p. 4)", "[s. Plan]", ", s. Handbuch"]
)
def test_a_word_cut_short_is_no_unit(aside):
    """A dot and a further word behind it: the unit of all times stays that of the column."""
    rows = "".join(f"{k * 20013},{4000 + k * 37 % 90},{9000 + k * 5 % 13}\n" for k in range(60))
    like = sniff("t,lift,tray\n" + rows, "cart.csv")
    header, said = stated(f"# zeiten in us, spalte 1 = t, spalte 2 = lift {aside}", like=like)
    assert header == ("t [us]", "lift [us]", "tray [us]")
    assert not said


def test_a_plural_in_brackets_is_no_unit():
    """``first (s) columns``."""
    rows = "".join(f"{k * 20013},{4000 + k * 37 % 90},{9000 + k * 5 % 13}\n" for k in range(60))
    like = sniff("t,lift,tray\n" + rows, "cart.csv")
    header, said = stated("# all times in us; first (s) columns checked by hand", like=like)
    assert header == ("t [us]", "lift [us]", "tray [us]")
    assert not said
