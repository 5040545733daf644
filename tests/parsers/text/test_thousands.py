"""Thousands that are set off in tables: told from decimals, joined, and said."""

import numpy as np
import pytest

from looptime.parsers.text.thousands import _find
from tests.parsers.build import periods_ms, read


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
