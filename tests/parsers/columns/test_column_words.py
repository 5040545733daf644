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
