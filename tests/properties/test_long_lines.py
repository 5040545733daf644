"""Lines as no logger writes them: each is looked at once, where its square was never done."""

import pytest

from looptime.length_groups import of_lengths
from looptime.parsers.lines.begun_at import read_begun
from looptime.parsers.lines.events import read_events
from looptime.parsers.lines.monitor import split_host
from looptime.parsers.text.dialect import is_number, is_remark
from looptime.parsers.text.sniff import sniff
from looptime.parsers.text.tidy import tidy
from looptime.units import split_unit

LONG = 100_000


@pytest.mark.parametrize("filling", [" ", "\t", "5", ".", "- ", "@ ", "a ", "[", "1 ", "B "])
def test_events_among_long_lines(filling: str) -> None:
    """What stands between the rows is passed over; they are read as without it."""
    rows = [f"{20 * k + at} {what}" for k in range(6) for at, what in
            ((0, "loop start"), (9, "belt done"))]  # fmt: skip
    found = read_events([filling * (LONG // len(filling)) + "!", *rows])
    assert found is not None
    assert [(e.stamp, e.name) for e in found][-2:] == [("100", "loop"), ("109", "belt")]


@pytest.mark.parametrize("filling", [" ", "-", "a ", "1 "])
def test_begins_and_hosts_among_long_lines(filling: str) -> None:
    """Calls that tell their begin, and stamps of a host, are found beside such a line."""
    long = filling * LONG
    told = [line for k in range(6) for line in (f"pass {k} at {5 + k / 50:.3f}",
            f"  lift: {5.001 + k / 50:.3f} + 1.5 ms")]  # fmt: skip
    grid = read_begun([*told, long])
    assert grid is not None
    assert grid.rows[1] == ["5.001", "1500000", "lift", "0"]
    split = split_host([f"10:00:00.8{k} -> 8{k},9" for k in range(9)] + [long])
    assert split is not None
    assert split[0][:2] == ["10:00:00.80", "10:00:00.81"]


def test_long_cells() -> None:
    """A number may have any number of digits; a text of this length names no unit."""
    digits = "5" * LONG
    assert is_number(digits)
    assert not is_number(digits + "x")
    assert is_number(" 5. ")
    assert is_number(".5e3")
    assert not is_number(".")
    assert not is_number("5.5.5")
    for mark in ("_", "[", "a ", "a_", "in "):
        assert split_unit((mark * LONG + "!")[:LONG])[1] is None
    assert split_unit("lift_" * 70 + "ms")[1] == "ms"
    assert of_lengths("a." * LONG) is None
    assert is_remark("--- AUTO ---")
    assert not is_remark("--a" + "-" * LONG + "!")


def test_blanks_within_a_row() -> None:
    """Those between two cells are one, those at the ends none."""
    like = sniff("name x\na 1\n", "a.txt")
    blanks = b" " * LONG
    assert tidy(blanks + b"a" + blanks + b"1" + blanks + b"\n", like)[0] == b"a 1\n"
