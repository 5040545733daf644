"""Thousands that are set off in tables: told from decimals, joined, and said."""

import numpy as np
import pytest

from looptime.parsers.text.thousands import _find, _Found, _without
from tests.parsers.build import periods_ms, read, self_ms


def table(delimiter, mark, header, step, part, first=0, quote="", rows=300):
    """Rows whose numbers have a mark before each three digits."""
    text = header.replace(";", delimiter) + "\n"
    for k in range(rows):
        cells = (k, first + step * k, part + k % 7)
        text += delimiter.join(f"{quote}{c:,}{quote}".replace(",", mark) for c in cells) + "\n"
    return text


@pytest.mark.parametrize(
    ("delimiter", "mark", "quote"),
    [(";", ".", ""), ("\t", ",", ""), (";", "'", ""), ("|", "’", ""), (";", "\u202f", ""),
     ("\t", " ", ""), (",", ",", '"'), (",", "'", "")],
)  # fmt: skip
def test_marks_between_thousands_are_taken_out(tmp_path, delimiter, mark, quote):
    """A clock of 8123 us a loop and a part of 4000 us, whatever sets their thousands off."""
    text = table(delimiter, mark, "n;start_us;drive_us", 8123, 4000, quote=quote)
    run = read(tmp_path, text)
    assert set(periods_ms(run)) == {8.123}
    assert np.median(run.calls["duration_ns"]) == 4_003_000
    assert quote or any("sets off thousands" in note for note in run.clock.notes)


def test_whole_numbers_that_go_on_with_a_mark(tmp_path):
    """A clock in ms counts to 995 and goes on with 1.010: it climbs only without the point."""
    run = read(tmp_path, table(";", ".", "n;t_ms;imu_ms", 15, 4, first=20, rows=200))
    assert set(periods_ms(run)) == {15.0}


@pytest.mark.parametrize("decimal", [".", ","])
def test_three_decimals_are_none(tmp_path, decimal):
    """Seconds with three decimals stay seconds, on both sides of a second."""
    rows = "".join(f"{0.5 + 0.02 * k:.3f};{4 + k % 3}\n" for k in range(200))
    run = read(tmp_path, "t_s;imu_ms\n" + rows.replace(".", decimal))
    assert set(periods_ms(run)) == {20.0}
    assert not any("thousands" in note for note in run.clock.notes)


def test_numbers_that_are_padded_with_blanks(tmp_path):
    """Cells stand to the right of their columns: 300 loops of 8.123 ms, none set aside."""
    rows = "".join(f"{f'{8123 * k:,}':>12};{f'{4000 + k % 7:,}':>8}\n" for k in range(300))
    run = read(tmp_path, "start_us;drive_us\n" + rows.replace(",", "."))
    assert set(periods_ms(run)) == {8.123}
    assert len(run.set_aside) == 1


@pytest.mark.parametrize("mark", [",", " "])
def test_lists_of_numbers_of_three_digits_are_none(mark):
    """Three lengths in one cell, 100 to 999 us each: no group of theirs begins with 0."""
    parts = np.random.default_rng(5).integers(100, 1000, (200, 3))
    rows = [f"{20 * k}\t" + mark.join(map(str, row)) for k, row in enumerate(parts.tolist())]
    assert _find(["t_ms\tparts_us", *rows], mark) is None


def found(cells, mark=".", other="7"):
    """Whether a table of a column and another one has its thousands set off by a mark."""
    return _find(["n;t", *(f"{other};{cell}" for cell in cells)], mark) is not None


RANDOM = np.random.default_rng(6).integers(1_000_000, 9_000_000, 60).tolist()
MILLIONS = [f"{n:,}".replace(",", ".") for n in RANDOM]


@pytest.mark.parametrize(
    ("cells", "taken"),
    [
        (["985", "1.000", "1.015", "1.030"], True),
        (["501", "1.000", "1.015", "1.030"], True),
        (["500", "1.000", "1.015", "1.030"], False),
        (["985", "1.030", "1.015", "1.000"], False),
        (["985", "1.000", "1015", "1.030", "1.045"], False),
        ([f"{12 + 0.02 * k:.3f}" for k in range(60)], False),
        (MILLIONS, True),
        ([*MILLIONS[:3], *(["7"] * 57)], True),
        ([*MILLIONS[:2], "1.015", *(["7"] * 57)], False),
        (["1.034.567", "1.234.067"] * 30, False),
        (["1.034.567", "1.234.067", "1.030.067"] * 20, True),
        ([*MILLIONS[:19], "late"], True),
        ([*MILLIONS[:18], "late", "late"], False),
    ],
)
def test_what_a_point_is_between_three_digits(cells, taken):
    """A thousand is reached from just below it; no decimals have two points.

    Two numbers over and over may be the version of a program. Of twenty cells one may be none.
    """
    assert found(cells) == taken


@pytest.mark.parametrize(("count", "taken"), [(24, True), (25, False)])
def test_from_fifty_groups_on_one_begins_with_0(count, taken):
    """Of 50 groups of three digits in numbers five begin with 0; of those in lists none does."""
    cells = [f"{1 + k % 7}.{101 + 13 * k}.{998 - 17 * k}" for k in range(count)]
    assert found(cells) == taken


def test_a_mark_that_nobody_writes_before_decimals_is_sure():
    """4'003 is no decimal number; where a table has one row in five of another width it is none."""
    rows = [f"{k};4'00{k % 7}" for k in range(40)]
    assert _find(["n;drive_us", *rows], "'") == _Found(";", "'", frozenset({1}))
    assert _find(["n;drive_us", *rows, *["stopped"] * 10], "'") is None
    assert _find([row.split(";")[1] for row in rows], "'") is None


def test_only_columns_with_the_mark_lose_it():
    """Decimals in another column, remarks and cells in quotes stay as they are."""
    places = _Found(";", ".", frozenset({1}))
    assert _without("12.125;1.234.567", places) == "12.125;1234567"
    assert _without('"a;b";1.234', places) == '"a;b";1234'
    assert _without("7;1.5", places) == "7;1.5"
    assert _without("# 7;1.234", places) == "# 7;1.234"


def test_the_longest_number_is_shown(tmp_path):
    """What is said names a number as it stands, and as it is read; other text has points, too."""
    text = table(";", ".", "n;start_us;drive_us", 8123, 4000).replace("\n7;", "\nno. seven, late;")
    run = read(tmp_path, text)
    said = "'.' sets off thousands: 1.007.252 is read as 1007252"
    assert said in run.clock.notes


RNG = np.random.default_rng(8)
PARTS = RNG.integers((700, 1500), (1400, 2900), (300, 2))
BEGIN = np.cumsum(np.append(0, PARTS.sum(axis=1) + 350))[:-1]


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("t;imu;arm\n", "{t:,} us;{a:,} us;{b:,} us\n"),
        ("t,imu,arm\n", '"{t:,} us","{a:,} us","{b:,} us"\n'),
        ("", "t={t:,} us imu={a:,} us arm={b:,} us\n"),
        ("", "{s:.6f} imu {a:,} us, arm {b:,} us, total {c:,} us\n"),
    ],
)
def test_thousands_are_set_off_before_a_unit(tmp_path, head, row):
    """``1,234 us`` is 1234 of them, in a cell of its own or in a sentence."""
    text = head + "".join(
        row.format(t=t, s=t / 1e6, a=a, b=b, c=a + b)
        for t, (a, b) in zip(BEGIN.tolist(), PARTS.tolist(), strict=True)
    )
    own = self_ms(read(tmp_path, text))
    assert set(own) == {"imu", "arm"}
    assert np.mean(own["arm"]) == pytest.approx(PARTS[:, 1].mean() / 1000, rel=0.02)


@pytest.mark.parametrize("row", ["{t} ms;{a} ms;{b} ms\n", "{t};{a} ms;{b} ms\n"])
def test_decimals_before_a_unit_stay_decimals(tmp_path, row):
    """``1,234 ms`` where others say ``0,987 ms``: the comma is that of decimals."""
    text = "t;imu;arm\n" + "".join(
        row.format(
            **{k: f"{v / 1000:.3f}".replace(".", ",") for k, v in zip("tab", one, strict=True)}
        )
        for one in zip(BEGIN, *PARTS.T, strict=True)
    )
    own = self_ms(read(tmp_path, text))
    assert np.mean(own["arm"]) == pytest.approx(PARTS[:, 1].mean() / 1000, rel=0.02)
