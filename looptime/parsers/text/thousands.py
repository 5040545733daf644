"""Tables whose numbers have their thousands set off, as spreadsheets write them."""

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.parsers.text.dialect import is_missing, is_remark, lines_of, split_line
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import Source, blocks
from looptime.records import dataclass

__all__ = ["joined"]

#: What sets thousands off, and what stands before the decimals then.
_MARKS = {".": ",", ",": r"\.", "'": "[.,]", "’": "[.,]", " ": "[.,]", "\xa0": "[.,]",
          "\u202f": "[.,]", "_": r"\."}  # fmt: skip
#: Marks that may stand before decimals as well.
_EITHER = ".,"
_ROWS, _MOST, _SOME = 2000, 0.95, 3
#: From so many groups of three digits on, one begins with 0 if they belong to one number.
_TELL = 50


@dataclass(frozen=True)
class _Found:
    """How a table is split, the mark that sets thousands off, and the columns that have it."""

    delimiter: str
    mark: str
    places: frozenset[int]


def joined(source: Source, text: str) -> tuple[Source, str]:
    """A log and its first lines without the marks that set thousands off, if numbers have some.

    A point or comma is such a mark where a number has two of them, or where whole numbers below a
    thousand go on with it and climb only without.
    """
    rows = [line for line in lines_of(text, _ROWS) if not is_remark(line)]
    found = next((one for mark in _MARKS for one in [_find(rows, mark)] if one), None)
    if found is None:
        return source, text
    every = b"".join(bytes(block.data) for block in blocks(source)).decode("utf-8", "replace")
    rewritten = "\n".join(_without(line, found) for line in every.split("\n"))
    cells = (cell.strip() for line in rows for cell in split_line(line, found.delimiter))
    shown = max((c for c in cells if found.mark in c and _set_off(found.mark)(c)), key=len)
    source.cautions.append(
        f"{found.mark!r} sets off thousands: {shown} is read as {shown.replace(found.mark, '')}"
    )
    none = np.empty(0, np.int64)
    made = replace(source, rewritten=Rewritten(rewritten.encode(), none, none, []))
    return made, rewritten[: len(text)].rpartition("\n")[0] + "\n"


def _set_off(mark: str) -> Callable[[str], object]:
    """Whether a cell is a number whose thousands, if it has any, are set off by a mark."""
    return re.compile(rf"[+-]?\d{{1,3}}(?:{re.escape(mark)}\d{{3}})*(?:{_MARKS[mark]}\d+)?$").match


def _find(rows: list[str], mark: str) -> _Found | None:
    """How the rows are split if some of their columns have thousands set off by a mark."""
    if mark in _EITHER and sum(mark in row for row in rows) < _SOME:
        return None
    for delimiter in ";\t|, ":
        if delimiter == mark:
            continue
        table = [split_line(row, delimiter) for row in rows]
        width = max((len(row) for row in table), key=[len(row) for row in table].count, default=0)
        table = [row for row in table if len(row) == width]
        if width < 2 or len(table) < 0.9 * len(rows):
            continue
        fit = {at: good for at, cells in enumerate(zip(*table, strict=True))
           if (good := _numbers(cells, mark))}  # fmt: skip
        if any(_sure(cells, mark) for cells in fit.values()) and not _are_lists(fit, mark):
            return _Found(delimiter, mark, frozenset(fit))
    return None


def _numbers(cells: tuple[str, ...], mark: str) -> list[str]:
    """The cells of a column whose thousands may be set off; none where they are not."""
    given = [cell.strip() for cell in cells[1:] if not is_missing(cell)]
    good = list(filter(_set_off(mark), given))
    marked = sum(mark in cell for cell in good)
    decimals = any(re.match(rf"[+-]?0+{re.escape(mark)}", cell) for cell in good)
    whole = len(good) >= max(_MOST * len(given), _SOME)
    return good if whole and marked >= _SOME and not decimals else []


def _sure(cells: list[str], mark: str) -> bool:
    """Whether a mark sets thousands off in a column, and no decimals."""
    marks = [cell.count(mark) for cell in cells]
    if len(set(cells)) < _SOME:
        return False
    if mark not in _EITHER or sum(count > 1 for count in marks) >= _SOME:
        return True
    whole = [float(cell.replace(mark, "").replace(",", ".")) for cell in cells]
    climbs = sum(one <= other for one, other in pairwise(whole))
    there = marks.index(1) if 1 in marks else 0
    begins = there > 0 and not any(marks[:there]) and all(marks[there:])
    return begins and climbs >= _MOST * (len(whole) - 1) and whole[there - 1] > 500


def _are_lists(fit: dict[int, list[str]], mark: str) -> bool:
    """Whether a mark stands between numbers: of the thousands' own digits a tenth begin with 0."""
    groups = [group for cells in fit.values() for cell in cells for group in cell.split(mark)[1:]]
    return len(groups) >= _TELL and not any(group.startswith("0") for group in groups)


def _without(line: str, found: _Found) -> str:
    """A line without the marks in the columns that have them."""
    if is_remark(line):
        return line
    cells = split_line(line, found.delimiter)
    fits = _set_off(found.mark)
    made = [cell.replace(found.mark, "") if at in found.places and fits(cell.strip()) else cell
            for at, cell in enumerate(cells)]  # fmt: skip
    return line if made == cells else found.delimiter.join(map(_quoted(found.delimiter), made))


def _quoted(delimiter: str) -> Callable[[str], str]:
    """Cells in quotes where they would be split without."""
    return lambda cell: f'"{cell}"' if delimiter in cell else cell
