"""What a program says above a table: lines that hold its marks and numbers, and no names."""

from collections.abc import Callable, Sequence

from looptime.length_groups import of_lengths
from looptime.parsers.text.dialect import is_missing
from looptime.signal_names import OTHER_UNITS
from looptime.units import split_unit, word_unit

__all__ = ["behind_talk", "is_talk", "names_alone"]

#: Columns of a table whose names tell that they are such.
_FEWEST = 3
#: Rows of talk at most, and the rows below that show it to be none of theirs.
_TALK, _BELOW = 12, 6


def names_alone(cells: Sequence[str]) -> bool:
    """Whether cells name columns, a clock by its unit among them, and are no units themselves.

    Examples
    --------
    >>> names_alone(["ms", "imu", "enc", "mot"]), names_alone(["ms", "ms", "V", "deg"])
    (True, False)
    >>> names_alone(["n", "us", "imu", "enc"]), names_alone(["us", "rpm", "imu"])
    (True, False)
    """
    if len(cells) < _FEWEST or len(set(cells)) < len(cells) or not all(cells):
        return False
    others = [cell for cell in cells if word_unit(cell) is None]
    units = sum(len(cell) < 2 or cell.lower() in OTHER_UNITS or not cell.isidentifier()
                for cell in others)  # fmt: skip
    return len(others) == len(cells) - 1 and 2 * units < len(others)


def is_talk(above: Sequence[str], names: Sequence[str]) -> bool:
    """Whether a line right above the names of columns groups none of them.

    It says nothing of lengths or of a unit of time, and it either has a cell for each of the first
    columns alone, or the names stand by themselves.

    Examples
    --------
    >>> is_talk(("IMU ok", "4 modules ok"), ("t", "imu", "enc", "mot"))
    True
    >>> is_talk(("", "front", "", "rear"), ("t", "read", "deg", "read"))
    False
    >>> is_talk(("clock", "durations"), ("t", "imu", "enc"))
    False
    """
    stems = [split_unit(cell) for cell in above if cell]
    if any(unit or of_lengths(f"{stem}.x") for stem, unit in stems):
        return False
    short = len(above) < len(names) and len(set(above)) == len(above) and all(above)
    return short or names_alone(names)


def behind_talk(rows: Sequence[Sequence[str]], is_value: Callable[[str], bool]) -> int:
    """Place of the names behind a few lines that are as long as rows by chance; 0 for none.

    Each of these has a word where all rows below the names have numbers.

    Parameters
    ----------
    rows : sequence of sequence of str
        Cells of the first lines that have as many as the rows.
    is_value : function
        Whether a cell holds a number or a time of day.

    Examples
    --------
    >>> rows = [["calibrating", "3", "2"], ["ms", "imu", "enc"], *(["12", "3", "7"],) * 6]
    >>> behind_talk(rows, str.isdigit), behind_talk(rows[1:], str.isdigit)
    (1, 0)
    """
    for at in reversed(range(1, min(len(rows) - _BELOW, _TALK + 1))):
        cells, below = rows[at], rows[at + 1 : at + 1 + _BELOW]
        if not all(cells) or len(set(cells)) < len(cells):
            continue
        if any(map(is_value, cells)) or not any(any(map(is_value, row)) for row in rows[:at]):
            continue
        of_numbers = [k for k in range(len(cells)) if all(is_value(row[k]) for row in below)]
        if all(
            any(not is_value(row[k]) and not is_missing(row[k]) for k in of_numbers)
            for row in rows[:at]
        ):
            return at
    return 0
