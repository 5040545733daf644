"""How a log is written: delimiter, decimal mark, header, text before the rows."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field

from looptime.errors import LogError

__all__ = ["NUMBER", "Dialect", "is_missing", "is_number", "sniff", "split_line"]

#: A number as logs write it, with a decimal point.
NUMBER = re.compile(r"^\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*$")
_NUMBER_COMMA = re.compile(r"^\s*[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?\s*$")
_CLOCK = re.compile(
    r"^\s*(\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?.*)?|\d{1,3}:\d\d(:\d\d)?([.,]\d+)?)\s*$"
)
_MISSING = {"", "nan", "na", "n/a", "null", "none", "-"}
_DELIMITERS = (",", ";", "\t", "|", " ")


@dataclass(frozen=True)
class Dialect:
    """How the rows of a log are written.

    Parameters
    ----------
    delimiter : str
        One character; a space stands for any run of white space.
    decimal : str
        ``.`` or ``,``.
    header : tuple of str or None
        Names in the header row, None where there is none.
    header_line : int
        Line of the header, counted from 1; 0 without header.
    fields : int
        Cells in a row.
    first_row : int
        First line that may hold rows (lines before it are text or header).
    sample : tuple of tuple of str
        Cells of the first rows.
    """

    delimiter: str
    decimal: str
    header: tuple[str, ...] | None
    header_line: int
    fields: int
    first_row: int
    sample: tuple[tuple[str, ...], ...] = field(default=(), repr=False)


def is_number(cell: str, decimal: str = ".") -> bool:
    """Whether a cell holds a number.

    Examples
    --------
    >>> is_number(" 7e-05"), is_number("1,5"), is_number("1,5", ","), is_number("")
    (True, False, True, False)
    """
    return bool((NUMBER if decimal == "." else _NUMBER_COMMA).match(cell))


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no value.

    Examples
    --------
    >>> is_missing(" NaN "), is_missing("0")
    (True, False)
    """
    return cell.strip().lower() in _MISSING


def split_line(line: str, delimiter: str) -> list[str]:
    """The cells of one line.

    Examples
    --------
    >>> split_line('1, "a,b" ,2', ",")
    ['1', 'a,b ', '2']
    >>> split_line("1   2", " ")
    ['1', '2']
    """
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def sniff(text: str, path: str, headerless: bool = False) -> Dialect:
    """Find how a log is written from its first lines.

    Parameters
    ----------
    text : str
        The first lines of the log.
    path : str
        The log, for messages.
    headerless : bool
        True where the caller names the columns, so that no row is taken for a header.

    Raises
    ------
    LogError
        If no line has a number in it.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ][:2000]
    if not lines:
        raise LogError("holds no rows: only comments or blank lines", path)
    best: tuple[float, str, str, int] | None = None
    for delimiter in _DELIMITERS:
        for decimal in (".", ",") if delimiter != "," else (".",):
            score, fields = _score([line for _, line in lines], delimiter, decimal)
            if fields and (best is None or score > best[0] + 1e-9):
                best = (score, delimiter, decimal, fields)
    if best is None:
        if len(lines) == 1:
            raise LogError("holds a header and no rows: nothing was logged", path, lines[0][0])
        raise LogError("holds no rows of numbers: is this a timing log?", path, lines[0][0])
    _, delimiter, decimal, fields = best
    return _with_header(lines, delimiter, decimal, fields, headerless)


def _score(lines: list[str], delimiter: str, decimal: str) -> tuple[float, int]:
    """How well the lines fall into rows of one length whose cells are numbers or words."""
    rows = [split_line(line, delimiter) for line in lines[:400]]
    lengths = Counter(len(row) for row in rows if any(_is_value(c, decimal) for c in row))
    if not lengths:
        return 0.0, 0
    fields, hits = max(lengths.items(), key=lambda item: (item[1], item[0]))
    cells = [cell for row in rows if len(row) == fields for cell in row]
    good = sum(_is_value(cell, decimal) for cell in cells)
    whole = sum(_is_value(cell, decimal) or is_missing(cell) or _is_word(cell) for cell in cells)
    # many cells are a sign of the right delimiter, odd cells of a wrong one
    score = hits / len(rows) * whole / len(cells) * (good / len(cells) + 0.1 * min(fields, 10))
    return score, fields


def _is_value(cell: str, decimal: str) -> bool:
    return is_number(cell, decimal) or bool(_CLOCK.match(cell))


def _is_word(cell: str) -> bool:
    return not any(mark in cell for mark in ";|\t") and not cell.strip()[:1].isdigit()


def _with_header(
    lines: list[tuple[int, str]], delimiter: str, decimal: str, fields: int, headerless: bool
) -> Dialect:
    header: tuple[str, ...] | None = None
    header_line = 0
    first_row = lines[0][0]
    sample: list[tuple[str, ...]] = []
    for number, line in lines:
        cells = tuple(cell.strip() for cell in split_line(line, delimiter))
        has_number = any(_is_value(cell, decimal) for cell in cells)
        if not sample and header is None and not headerless and not has_number and len(cells) > 1:
            if abs(len(cells) - fields) <= 1 or len(cells) > fields:
                header, header_line, first_row = cells, number, number + 1
        elif not sample and header is None and not headerless and not has_number and fields == 1:
            header, header_line, first_row = cells, number, number + 1
        elif len(cells) == fields and has_number:
            if not sample and header is None:
                first_row = number
            sample.append(cells)
    return Dialect(delimiter, decimal, header, header_line, fields, first_row, tuple(sample))
