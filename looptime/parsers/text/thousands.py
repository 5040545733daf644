"""Tables whose numbers have their thousands set off, as spreadsheets write them."""

import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from looptime.parsers.text.dialect import is_missing, is_remark, lines_of, split_line
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import Source, blocks
from looptime.records import dataclass
from looptime.units import word_unit

__all__ = ["joined"]

#: What sets thousands off, and what stands before the decimals then.
_MARKS = {".": ",", ",": r"\.", "'": "[.,]", "’": "[.,]", " ": "[.,]", "\xa0": "[.,]",
          "\u202f": "[.,]", "_": r"\."}  # fmt: skip
#: Marks that may stand before decimals as well.
_EITHER = ".,"
_ROWS, _MOST, _SOME = 2000, 0.95, 3
#: A number that may have thousands set off, with the unit of time behind it; and decimals there.
_TIME = (
    "[num\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]s(?:ec(?:onds?)?)?|s(?:ec(?:onds?)?)?|"
    "micros|millis|nanos"
)
_IN_UNIT = re.compile(rf"(?<![\d.,])(\d{{1,3}}(?:,\d{{3}})*(?:\.\d+)?)\s?({_TIME})\b")
_DECIMALS = re.compile(rf"(?<![\d.,])(?:0,\d+|\d+,(?:\d{{1,2}}|\d{{4,}})|\d{{4,}})\s?(?:{_TIME})\b")
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
    if shown := _before_units(rows):
        return _rewritten(source, text, _without_before_units, ",", shown)
    found = next((one for mark in _MARKS for one in [_find(rows, mark)] if one), None)
    if found is None:
        return source, text
    cells = (cell.strip() for line in rows for cell in split_line(line, found.delimiter))
    shown = max((c for c in cells if found.mark in c and _set_off(found.mark)(c)), key=len)
    return _rewritten(source, text, partial(_without, found=found), found.mark, shown)


def _rewritten(
    source: Source, text: str, without: Callable[[str], str], mark: str, shown: str
) -> tuple[Source, str]:
    """A log and its first lines, each of them rewritten without the mark."""
    every = b"".join(bytes(block.data) for block in blocks(source)).decode("utf-8", "replace")
    rewritten = "\n".join(without(line) for line in every.split("\n"))
    source.cautions.append(
        f"{mark!r} sets off thousands: {shown} is read as {shown.replace(mark, '')}"
    )
    none = np.empty(0, np.int64)
    made = replace(source, rewritten=Rewritten(rewritten.encode(), none, none, []))
    return made, rewritten[: len(text)].rpartition("\n")[0] + "\n"


def _before_units(rows: list[str]) -> str:
    """The longest number with thousands set off by a comma before its unit; empty where none is.

    The comma may be that of decimals: then it stands before one or two digits, or behind a 0. It is
    none where other numbers have no comma or two of them, nor where it would tell of less than the
    smallest units.
    """
    told = [at for row in rows for at in _IN_UNIT.finditer(row) if _stands_apart(at)]
    marked = [at[1] for at in told if "," in at[1]]
    if len(marked) < _SOME or any(_DECIMALS.search(row) for row in rows):
        return ""
    plain = any("," not in at[1] and "." not in at[1] for at in told)
    sure = plain or any(one.count(",") > 1 or "." in one for one in marked)
    least = all(word_unit(at[2]) in ("us", "ns") for at in told if "," in at[1])
    return max(marked, key=len) if sure or least else ""


def _stands_apart(found: re.Match[str]) -> bool:
    """Whether what stands before a number is no other cell of a row parted by commas."""
    line = found.string
    if not found.start():
        return any(mark in line for mark in ";|\t")
    return line[found.start() - 1] in '"=:;|\t (['


def _without_before_units(line: str) -> str:
    """A line without the commas that set off thousands before a unit."""
    return _IN_UNIT.sub(lambda at: at[0].replace(",", "") if _stands_apart(at) else at[0], line)


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
