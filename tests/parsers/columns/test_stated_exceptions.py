"""Units of all columns but some."""

import numpy as np
import pytest

from looptime.parsers.columns.stated_exceptions import Exceptions, read_exceptions
from looptime.units import word_unit
from tests.parsers.build import periods_ms, read, self_ms


def rows():
    """Loops of three parts one after another, the bus in us, the others in ms, and a rest."""
    draw, made, at = np.random.default_rng(9), [], 700.0
    for _ in range(200):
        arm, bus, mast = draw.normal([2.8, 1900, 2.1], [0.1, 70, 0.1])
        made.append(f"{at:.2f},{arm:.2f},{bus:.0f},{mast:.2f}")
        at += arm + bus / 1000 + mast + 0.7
    return made


@pytest.mark.parametrize(
    "said",
    ["everything in ms, except bus (us)", "all times in ms apart from bus, which is in us",
     "ms everywhere but bus (us)", "alles in ms, au\N{LATIN SMALL LETTER SHARP S}er bus (us)",
     "alle Zeiten in ms, bis auf bus (\N{MICRO SIGN}s)", "tout en ms sauf bus (us)",
     "todo en ms excepto bus (us)", "tutto in ms tranne bus (us)", "tudo em ms exceto bus (us)",
     "alles in ms, behalve bus (us)", "everything except bus in ms, bus in us",
     "times in ms; only bus in us"],
)  # fmt: skip
def test_all_in_one_unit_but_one(tmp_path, said):
    """7.5 ms a loop on average, of which the bus takes 1.9."""
    run = read(tmp_path, "\n".join([f"# {said}", "at,arm,bus,mast", *rows()]))
    assert np.mean(periods_ms(run)) == pytest.approx(7.5, abs=0.05)
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({"arm": 2.8, "bus": 1.9, "mast": 2.1}, abs=0.03)


@pytest.mark.parametrize(
    "said",
    ["all times in ms, but bus includes a 50 us settle", "alle Zeiten in ms, aber bus wartet 50 us",
     "durations in ms; nothing but bus runs slower than 500 us",
     "all in ms; all parts but bus share a wire with 500 us a byte"],
)  # fmt: skip
def test_a_length_told_of_a_column_is_not_its_unit(tmp_path, said):
    """The bus takes 1.9 ms, as all others are in ms."""
    cells = [row.split(",") for row in rows()]
    text = [f"{at},{arm},{float(bus) / 1000},{mast}" for at, arm, bus, mast in cells]
    run = read(tmp_path, "\n".join([f"# {said}", "time,arm,bus,mast", *text]))
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({"arm": 2.8, "bus": 1.9, "mast": 2.1}, abs=0.03)


def test_an_exception_without_a_unit_is_in_none(tmp_path):
    """What waits up to so many us need not be in us."""
    text = "# all times in ms except bus, which waits up to 500 us\ntime,arm,bus,mast\n"
    took = self_ms(read(tmp_path, text + "\n".join(rows())))
    found = {name: np.mean(ms) for name, ms in took.items()}
    assert found == pytest.approx({"arm": 2.8, "mast": 2.1}, abs=0.03)


@pytest.mark.parametrize(
    ("said", "rest", "named"),
    [
        ("all in ms, except bus (us)", "ms", {"Bus": "us"}),
        ("all but bus in ms, bus in us", "ms", {"Bus": "us"}),
        ("all in ms, except the column bus (us)", "ms", {"Bus": "us"}),
        ("all in ms, except bus and arm (us)", "ms", {"Bus": "us", "arm": "us"}),
        ("all in ms, except the time (us)", "ms", {"t_start": "us"}),
        ("ms for arm and s, except bus (us)", "ms", {"Bus": "us"}),  # one is called s
        ("all in ms, except bus", "ms", {"Bus": ""}),
        ("all in ms, except bus (raw)", "ms", {"Bus": ""}),
        ("all in ms, except bus: it waits 50 us", "ms", {"Bus": ""}),
        ("all in ms, except two columns (us)", "", {}),  # which, nobody knows
    ],
)
def test_which_columns_are_excepted_and_their_unit(said, rest, named):
    """As the sentence says to a reader."""
    names = {"t_start": "t_start", "bus": "Bus", "arm": "arm", "s": "s"}
    assert read_exceptions(said, names, word_unit) == Exceptions(rest, named)


@pytest.mark.parametrize(
    "said",
    ["all in ms", "all in ms, except in the corridor", "in ms, but bus has a 50 us gap",
     "all is well but bus", "all columns are fine, but not on mondays"],
)  # fmt: skip
def test_what_excepts_no_column_from_a_unit(said):
    """No unit, or no column, or none of which a unit is said."""
    assert read_exceptions(said, {"bus": "Bus", "arm": "arm"}, word_unit) is None
