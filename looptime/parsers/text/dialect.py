"""How a log is written, as a record, and what its lines and cells are under it."""

import csv
import re
from collections.abc import Mapping
from dataclasses import field, replace
from functools import cached_property

import numpy as np

from looptime.array_types import Float
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.stated_columns import StatedColumns

__all__ = [
    "DATED",
    "KIND_OF_ROW",
    "LONGEST_REMARK",
    "NUMBER",
    "Dialect",
    "cells_of",
    "holds_numbers",
    "is_clock_text",
    "is_missing",
    "is_number",
    "is_remark",
    "lines_of",
    "named",
    "named_cells",
    "numbers",
    "split_line",
]

#: So much of a comment or a line between rows is looked at for what it says of the log: a search
#: may take the square of its length.
LONGEST_REMARK = 1000
#: A number as logs write it, with a decimal point.
NUMBER = re.compile(
    r"^[ \t-\r]*[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t-\r]*$"
)
_NUMBER_COMMA = re.compile(
    r"^[ \t-\r]*[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t-\r]*$"
)
#: Numbers, each on a line, as most columns are.
_PLAIN = re.compile(r"(?:-?[0-9]+(?:\.[0-9]+)?\n)*-?[0-9]+(?:\.[0-9]+)?")
_CLOCK = re.compile(
    r"^\s*(\d{4}[-/]\d\d?[-/]\d\d?|((\d{4}[-/]\d\d?[-/]\d\d?|\d\d?[-/.]\d\d?[-/.](\d\d){1,2})"
    r"[T ]\s*)?\d{1,3}:\d\d(:\d\d)?([.,]\d+)?\s*([AaPp]\.?[Mm]\.?)?\s*"
    r"([Zz]|UTC|GMT|[+-]\d\d(:?\d\d)?)?)\s*$"
)
#: A date and a time of day with blanks between are one cell of a log set with blanks.
DATED = re.compile(r"(\d{4}[-/]\d\d[-/]\d\d|\b\d\d?[/.-]\d\d?[/.-]\d{4})[ \t]+(\d{1,2}:\d\d:)")
_RULE = re.compile(r"^[|+:=_\s-]{3,}$")
#: A first cell in which a spreadsheet says that it has no value.
_CELL_ERROR = re.compile(r"#(REF!|VALUE!|DIV/0!|N/A|NAME\?|NUM!|NULL!|##+)[,;\t|]")
#: What stands between names of several words in a header set with blanks.
_TWO_BLANKS = re.compile(r"[ \t]{2,}|\t")
#: Words between two rules.
_TITLE = re.compile(r"^([-=*~+])\1+\s*[^\W\d_][^,;|\t]*\1\1$")
#: What the column is called of the words by which kinds of rows are told apart, and named above.
KIND_OF_ROW = "kind_of_row"
_MISSING = {"", "nan", "na", "n/a", "null", "none", "-"}


@dataclass(frozen=True)
class Dialect:
    """How the rows of a log are written."""

    delimiter: str  #: One character; a space stands for any run of white space
    decimal: str  #: ``.`` or ``,``
    header: tuple[str, ...] | None  #: Names in the header row, None where there is none
    header_line: int  #: Line of the header, counted from 1; 0 without header
    fields: int  #: Cells in a row
    first_row: int  #: First line that may hold rows (lines before it are text or header)
    #: The rows of the head as they stand: groups, names and units of the columns.
    head: tuple[tuple[str, ...], ...] = ()
    units_line: int = 0  #: Line below the header that names the units, 0 for none
    groups_line: int = 0  #: Line above the header that names groups of columns, 0 for none
    spaced_quotes: bool = False  #: Whether blanks stand between a delimiter and a quoted cell
    sample: tuple[tuple[str, ...], ...] = field(default=(), repr=False)  #: Cells of the first rows
    unit: str | None = None  #: Unit that the caller gives to the clock
    #: How often rows were written, as the caller says of a log without a clock.
    rate_hz: float | None = None
    stated: StatedColumns | None = None  #: What the project says the columns are
    #: Headers whose unit only lines above the rows state, with how it is said that they do.
    said_above: Mapping[str, str] = field(default_factory=dict)
    #: Headers of columns of a list in a line, with the unit behind its last; empty where others of
    #: that list are no lengths.
    in_list: Mapping[str, str] = field(default_factory=dict)
    #: Numbers of columns of this sample; another one has its own.
    _known: dict[int, Float] = field(default_factory=dict, init=False, repr=False, compare=False)
    #: Columns that may be clocks, and those that may not.
    clocks: dict[int, bool] = field(default_factory=dict, init=False, repr=False, compare=False)

    @cached_property
    def steady(self) -> frozenset[int]:
        """Columns whose cell is the same in every row of the sample."""
        columns = enumerate(zip(*self.sample, strict=True))
        return frozenset(place for place, cells in columns if len(set(cells)) == 1)


def is_number(cell: str, decimal: str = ".") -> bool:
    """Whether a cell holds a number.

    Examples
    --------
    >>> is_number(" 7e-05"), is_number("1,5"), is_number("1,5", ","), is_number("")
    (True, False, True, False)
    """
    return bool((NUMBER if decimal == "." else _NUMBER_COMMA).match(cell))


def is_clock_text(cell: str) -> bool:
    """Whether a cell holds a date or a time of day.

    Examples
    --------
    >>> is_clock_text("2026-03-01T10:00:00.125Z"), is_clock_text("12:01:02.5"), is_clock_text("7")
    (True, True, False)
    """
    return bool(_CLOCK.match(cell))


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no value.

    Examples
    --------
    >>> is_missing(" NaN "), is_missing("0")
    (True, False)
    """
    return not cell[:1].isdecimal() and cell.strip().lower() in _MISSING


def is_remark(line: str) -> bool:
    r"""Whether a line holds no row: blank, a comment, ruled with dashes, or a title.

    Examples
    --------
    >>> is_remark("  "), is_remark("# robot: tray-carrier"), is_remark("|---|:--:|"), is_remark("1")
    (True, True, True, False)
    >>> is_remark("#REF!,20,3"), is_remark("####;20;3"), is_remark("#20,3"), is_remark("#\tname")
    (False, False, True, True)
    >>> is_remark("--- AUTO ---"), is_remark("--- 12 ---"), is_remark("-3 - 4")
    (True, False, False)
    """
    bare = line.strip()
    # most rows need no more than their first letter
    if bare[:1].isalnum() or (bare.startswith("#") and _CELL_ERROR.match(bare)):
        return False
    return not bare or bare.startswith(("#", "//")) or bool(_RULE.match(bare) or _TITLE.match(bare))


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
        return (DATED.sub(r"\1T\2", line) if ":" in line else line).split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def numbers(dialect: Dialect, index: int) -> Float:
    r"""Cells of one column in the sample, NaN where a cell holds no number.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> numbers(sniff("a;b\n1;2,5\n2;x\n", "a.csv"), 1).tolist()
    [2.5, nan]
    """
    if index in dialect._known:
        return dialect._known[index]
    cells = [row[index] for row in dialect.sample]
    if dialect.decimal == "." and _PLAIN.fullmatch("\n".join(cells)):
        values = np.array(list(map(float, cells)))
    else:
        values = np.array(
            [
                float(cell.replace(",", ".")) if is_number(cell, dialect.decimal) else np.nan
                for cell in cells
            ]
        )
    values[np.abs(values) > 1e300] = np.nan  # no time, and too much to reckon with
    values.flags.writeable = False
    dialect._known[index] = values
    return values


def holds_numbers(dialect: Dialect) -> bool:
    r"""Whether the first rows hold nothing but numbers, as those of loops often do.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> holds_numbers(sniff("t,imu\n1,2\n2,2\n", "a")), holds_numbers(sniff("t,n\n1,a\n2,b\n", "a"))
    (True, False)
    """
    cells = (cell for row in dialect.sample[:50] for cell in row)
    return all(is_number(cell, dialect.decimal) or is_missing(cell) for cell in cells)


def lines_of(text: str, most: int = -1) -> list[str]:
    r"""The first lines, as a text editor counts them: by LF, CR LF, and CR where there is no LF.

    Examples
    --------
    >>> lines_of("a\r\nb\n"), lines_of("a\rb")
    (['a', 'b', ''], ['a', 'b'])
    """
    if "\n" not in text:
        return text.split("\r", most)[: most if most > 0 else None]
    lines = text.split("\n", most)[: most if most > 0 else None]
    if "\r" not in text:
        return lines
    return [line.rstrip("\r").replace("\r", " ") for line in lines]


def named(dialect: Dialect, columns: str, path: str) -> Dialect:
    """The dialect with the columns named by the caller; ``skip`` leaves a column out.

    Raises
    ------
    UsageError
        If there are not as many names as cells in a row.
    """
    names = tuple(name.strip() for name in columns.split(","))
    if len(names) != dialect.fields:
        row = dialect.delimiter.join(dialect.sample[0]) if dialect.sample else ""
        now = ", ".join(dialect.header or ())[:80]
        cells = f"cells called {now}" if now else "cells"
        raise UsageError(
            f"--columns names {len(names)} columns, but the rows of {path} have {dialect.fields} "
            f"{cells} (such as {row[:60]!r}): name each one, skip for those to leave out"
        )
    return replace(dialect, header=tuple("" if name == "skip" else name for name in names))


def cells_of(line: str, delimiter: str) -> tuple[str, ...]:
    """The cells of a line without blanks and single quotes around them.

    Examples
    --------
    >>> cells_of(" 1; 'gyro.read'", ";")
    ('1', 'gyro.read')
    """
    cells = split_line(line, delimiter)
    if " " in line or not line.isprintable():  # else there is nothing to strip
        cells = list(map(str.strip, cells))
    return tuple(map(unquoted, cells) if "'" in line else cells)


def unquoted(cell: str) -> str:
    """A cell without single quotes around it.

    Examples
    --------
    >>> unquoted("'gyro.read'"), unquoted("it's")
    ('gyro.read', "it's")
    """
    return cell[1:-1].strip() if len(cell) > 1 and cell[0] == cell[-1] == "'" else cell


def named_cells(line: str, delimiter: str, fields: int) -> tuple[str, ...]:
    """The cells of a line of names; a delimiter within brackets sets none apart.

    Names of several words stand two blanks apart where the cells of rows stand one or more.

    Examples
    --------
    >>> named_cells("n,t [us, since boot],gyro (us, mean of 2)", ",", 3)
    ('n', 't [us, since boot]', 'gyro (us, mean of 2)')
    >>> named_cells("unix time [s]   lift  drive command [s]", " ", 3)
    ('unix time [s]', 'lift', 'drive command [s]')
    >>> named_cells("t imu wheels (us)", " ", 3)
    ('t', 'imu', 'wheels (us)')
    """
    cells = cells_of(line, delimiter)
    if delimiter == " " and len(cells) > fields > 1:
        apart = tuple(_TWO_BLANKS.split(line.strip()))
        if len(apart) == fields:
            return apart
    made: list[str] = []
    depth = 0
    for cell in cells if len(cells) > fields else ():
        if depth > 0:
            made[-1] += f"{delimiter} {cell}"
        elif made and delimiter == " " and cell[:1] in "([" and cell[-1:] in ")]":
            made[-1] += f" {cell}"
        else:
            made.append(cell)
        depth += sum(map(cell.count, "([")) - sum(map(cell.count, ")]"))
    return tuple(made) if len(made) == fields else cells
