"""Tables of fixed width with blank cells: a cell belongs to the name that it stands under."""

import re

from looptime.parsers.lines.grid import DELIMITER
from looptime.parsers.text.dialect import is_number, is_remark

__all__ = ["parted_by_place"]

_FIRST = 250
_CELL = re.compile(r"\S+")
#: Names that a header has at least, and how many lines that may be rows tell.
_NAMES, _ROWS = 3, 8
#: Share of the rows whose cells stand under the names, and of those with a blank cell.
_UNDER, _BLANK = 0.95, 0.02


def parted_by_place(lines: list[str]) -> list[str]:
    """Lines with a mark between the cells of a table of fixed width; others as they are.

    The cells of a column end, or begin, where its name does. Where no cell is blank, the blanks
    between them part them as well, and the lines are left as they are.

    Examples
    --------
    >>> log = [" TIME  IMU MAST", *(f"{20 * k:5}  1.2 {'3.4' if k % 4 == 0 else '':>4}"
    ...        for k in range(9))]
    >>> parted_by_place(log)[:3]
    ['TIME;IMU;MAST', '0;1.2;3.4', '20;1.2;']
    >>> log = ["TIME IMU"]
    >>> parted_by_place(log) is log
    True
    """
    sample = lines[:_FIRST]
    for at in _headers(sample):
        for side in (1, 0):  # ends, then begins
            edges = [name.span()[side] for name in _CELL.finditer(sample[at])]
            if _stands_under(sample[at + 1 :], edges, side):
                made = (_cells(line, edges, side) for line in lines)
                return [line if cells is None else DELIMITER.join(cells)
                        for line, cells in zip(lines, made, strict=True)]  # fmt: skip
    return lines


def _stands_under(lines: list[str], edges: list[int], side: int) -> bool:
    """Whether the cells of rows stand under the names, and some are blank."""
    rows = [line for line in lines if any(map(is_number, line.split()))]
    told = [cells for line in rows if (cells := _cells(line, edges, side)) is not None]
    blank = sum("" in cells for cells in told)
    if not all(map(any, zip(*told, strict=True))):  # a name without any cell
        return False
    return len(told) >= max(_ROWS, _UNDER * len(rows)) and blank >= _BLANK * len(told)


def _headers(sample: list[str]) -> list[int]:
    """Lines of names above the first row of numbers, the most names first; none in a marked table.

    Others are a title and a row of units.
    """
    found: list[tuple[int, int]] = []
    for at, line in enumerate(sample):
        cells = line.split()
        numbers = sum(map(is_number, cells))
        if any(mark in line for mark in "\t;|"):
            return []
        if found and 2 * numbers >= len(cells) > 0:
            return [k for _, k in sorted(found)]
        if len(cells) >= _NAMES and not (numbers or is_remark(line)):
            found.append((-len(cells), at))
    return []


def _cells(line: str, edges: list[int], side: int) -> list[str] | None:
    """The cells of a line by the names that they stand under; None where one stands elsewhere."""
    place = {edge: k for k, edge in enumerate(edges)}
    made = [""] * len(edges)
    for cell in _CELL.finditer(line):
        at = place.get(cell.span()[side])
        if at is None:
            return None
        made[at] = cell[0]
    return made if line.strip() else None
