"""How a log is written: delimiter, decimal mark, header, text before the rows."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import field, replace
from functools import cached_property
from itertools import islice

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError, UsageError
from looptime.records import dataclass
from looptime.stated_columns import StatedColumns
from looptime.units import split_unit

__all__ = [
    "DATED",
    "NUMBER",
    "Dialect",
    "is_clock_text",
    "is_missing",
    "is_number",
    "is_remark",
    "lines_of",
    "named",
    "named_cells",
    "numbers",
    "sniff",
    "split_line",
]

#: A number as logs write it, with a decimal point.
NUMBER = re.compile(r"^[ \t-\r]*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t-\r]*$")
_NUMBER_COMMA = re.compile(
    r"^[ \t-\r]*[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t-\r]*$"
)
_CLOCK = re.compile(
    r"^\s*(\d{4}[-/]\d\d?[-/]\d\d?|((\d{4}[-/]\d\d?[-/]\d\d?|\d\d?[-/.]\d\d?[-/.](\d\d){1,2})"
    r"[T ]\s*)?\d{1,3}:\d\d(:\d\d)?([.,]\d+)?\s*([AaPp]\.?[Mm]\.?)?\s*"
    r"([Zz]|UTC|GMT|[+-]\d\d(:?\d\d)?)?)\s*$"
)
#: A date and a time of day with blanks between are one cell of a log set with blanks.
DATED = re.compile(r"(\d{4}[-/]\d\d[-/]\d\d|\b\d\d?[/.-]\d\d?[/.-]\d{4})[ \t]+(\d{1,2}:\d\d:)")
_RULE = re.compile(r"^[|+:=_\s-]{3,}$")
#: Words between two rules.
_TITLE = re.compile(r"^([-=*~+])\1+\s*[^\W\d_][^,;|\t]*?\1{2,}$")
#: Blanks between a name and its unit in brackets.
_SPACED_UNIT = re.compile(r"\s+(?=[\[(][^\W\d_]{1,3}[\])])")
#: Rows that must go on as numbers of loops do.
_MOSTLY = 0.95
_MISSING = {"", "nan", "na", "n/a", "null", "none", "-"}
#: Brackets behind names that state the unit of all of them, ``(all in us)``, or of the times.
_OF_ALL = re.compile(
    r"[\[({]\s*(?:(all|everything|alles?|tout|tous|tudo|todos?|tutt[io]|allt)|times?|zeiten|unit)"
    r"[\w\s:=]*?[\s:=]([^\s\])}]+)\s*[\])}]\s*$", re.IGNORECASE,
)  # fmt: skip
#: Words of a comment that state the same.
_STATED = re.compile(
    r"\b(?:(all|everything|alles?|alle|tout|tous|tudo|todos?|tutt[io]|allt)\b[\w\s]*?\b(?:in|en)"
    r"|(?:times?|timings?|zeiten|units?|einheit(?:en)?)\b[\w\s]*?(?:[:=]|\b(?:in|are|sind)\b))"
    r"\s*([^\W\d_]+)", re.IGNORECASE,
)  # fmt: skip
_DELIMITERS = (",", ";", "\t", "|", " ")


@dataclass(frozen=True)
class Dialect:
    """How the rows of a log are written."""

    delimiter: str  #: One character; a space stands for any run of white space
    decimal: str  #: ``.`` or ``,``
    header: tuple[str, ...] | None  #: Names in the header row, None where there is none
    header_line: int  #: Line of the header, counted from 1; 0 without header
    fields: int  #: Cells in a row
    first_row: int  #: First line that may hold rows (lines before it are text or header)
    #: The header row as it stands, where its cells differ in number from those of the rows.
    raw_header: tuple[str, ...] | None = None
    units_line: int = 0  #: Line below the header that names the units, 0 for none
    spaced_quotes: bool = False  #: Whether blanks stand between a delimiter and a quoted cell
    sample: tuple[tuple[str, ...], ...] = field(default=(), repr=False)  #: Cells of the first rows
    unit: str | None = None  #: Unit that the caller gives to the clock
    #: How often rows were written, as the caller says of a log without a clock.
    rate_hz: float | None = None
    stated: StatedColumns | None = None  #: What the project says the columns are
    _known: dict[int, Float] = field(default_factory=dict, repr=False, compare=False)

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
    return cell.strip().lower() in _MISSING


def is_remark(line: str) -> bool:
    """Whether a line holds no row: blank, a comment, ruled with dashes, or a title.

    Examples
    --------
    >>> is_remark("  "), is_remark("# robot: tray-carrier"), is_remark("|---|:--:|"), is_remark("1")
    (True, True, True, False)
    >>> is_remark("--- AUTO ---"), is_remark("--- 12 ---"), is_remark("-3 - 4")
    (True, False, False)
    """
    bare = line.strip()
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
        return DATED.sub(r"\1T\2", line).split()
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
    >>> numbers(sniff("a;b\n1;2,5\n2;x\n", "a.csv"), 1).tolist()
    [2.5, nan]
    """
    if index in dialect._known:
        return dialect._known[index]
    cells = [row[index] for row in dialect.sample]
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


def sniff(text: str, path: str, columns: str | None = None) -> Dialect:
    """Find how a log is written from its first lines.

    Parameters
    ----------
    text : str
        The first lines of the log.
    path : str
        The log, for messages.
    columns : str, optional
        Names that the caller gives to the columns, separated by commas.

    Raises
    ------
    LogError
        If no line has a number in it, or the header does not go with the rows.
    UsageError
        If `columns` does not go with the rows.
    """
    every = list(enumerate(lines_of(text), 1))
    lines = list(islice(((n, line) for n, line in every if not is_remark(line)), 2000))
    if not lines:
        raise LogError("holds no rows: only comments or blank lines", path)
    best: tuple[float, str, str, int] | None = None
    scored = [line for _, line in lines[:400]]
    for delimiter in _worth_trying(scored):
        for decimal in (".", ",") if delimiter != "," else (".",):
            score, fields = _score(scored, delimiter, decimal)
            if fields and (best is None or score > best[0] + 1e-9):
                best = (score, delimiter, decimal, fields)
    if best is None:
        if len(lines) == 1:
            raise LogError("holds a header and no rows: nothing was logged", path, lines[0][0])
        raise LogError("holds no rows of numbers: is this a timing log?", path, lines[0][0])
    _, delimiter, decimal, fields = best
    sample, first, before = _sample(lines, delimiter, decimal, fields)
    spaced = delimiter != " " and any(_has_spaced_quote(line, delimiter) for _, line in lines)
    plain = Dialect(
        delimiter, decimal, None, 0, fields, first, spaced_quotes=spaced, sample=tuple(sample)
    )
    if columns is not None:
        return named(_with_header(plain, before, path, strict=False), columns, path)
    found = _with_header(plain, before, path)
    found = found if found.header else _commented(found, every)
    if found.header:
        return _in_stated_unit(found, every)
    return replace(found, header=_later_header(plain, lines))


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
        raise UsageError(
            f"--columns names {len(names)} columns, but the rows of {path} have {dialect.fields} "
            f"cells (such as {row[:60]!r}): name each one, skip for those to leave out"
        )
    return replace(dialect, header=tuple("" if name == "skip" else name for name in names))


def _worth_trying(lines: list[str]) -> list[str]:
    """Delimiters that stand in the lines, and one that does not: each of those splits alike."""
    text = "\n".join(lines)
    absent = [d for d in _DELIMITERS if d not in text and d not in ", "]
    tabs, most = Counter(line.count("\t") for line in lines).most_common(1)[0]
    if tabs > 1 and most > 0.9 * len(lines):  # a blank parts them as well, but for empty cells
        absent.append(" ")
    return [d for d in _DELIMITERS if d not in absent[1:]]


def _score(lines: list[str], delimiter: str, decimal: str) -> tuple[float, int]:
    """How well the lines fall into rows of one length whose cells are numbers or words."""
    rows = [split_line(line, delimiter) for line in lines]
    valued = [[_is_value(cell, decimal) for cell in row] for row in rows]
    lengths = Counter(len(row) for row in valued if any(row))
    if not lengths:
        return 0.0, 0
    fields, hits = max(lengths.items(), key=lambda item: (item[1], item[0]))
    full = [both for both in zip(rows, valued, strict=True) if len(both[0]) == fields]
    good = sum(sum(value) for _, value in full)
    words = Counter(c for row, value in full for c, v in zip(row, value, strict=True) if not v)
    whole = good + sum(n for cell, n in words.items() if is_missing(cell) or _is_word(cell))
    cells = fields * len(full)
    # many cells are a sign of the right delimiter, odd cells of a wrong one
    score = hits / len(rows) * whole / cells * (good / cells + 0.1 * min(fields, 10))
    headed = not any(valued[0]) and len(rows[0]) == fields  # a name for every cell
    return score + 0.01 * headed, fields


def _has_spaced_quote(line: str, delimiter: str) -> bool:
    """Whether a cell has blanks before its quote."""
    if ' "' not in line and '\t"' not in line:
        return False
    cells = next(csv.reader([line], delimiter=delimiter), [])
    return any(cell[:1] in (" ", "\t") and cell.lstrip()[:1] == '"' for cell in cells)


def _is_value(cell: str, decimal: str) -> bool:
    if cell[:1].isalpha():  # most words need no more
        return False
    return is_number(cell, decimal) or bool(_CLOCK.match(cell))


def _is_word(cell: str) -> bool:
    return not any(mark in cell for mark in ";|\t") and not cell.strip()[:1].isdecimal()


def _cells(line: str, delimiter: str) -> tuple[str, ...]:
    cells = map(str.strip, split_line(line, delimiter))
    return tuple(map(unquoted, cells) if "'" in line else cells)


def unquoted(cell: str) -> str:
    """A cell without single quotes around it.

    Examples
    --------
    >>> unquoted("'gyro.read'"), unquoted("it's")
    ('gyro.read', "it's")
    """
    return cell[1:-1].strip() if len(cell) > 1 and cell[0] == cell[-1] == "'" else cell


_Lines = list[tuple[int, tuple[str, ...]]]


def _sample(
    lines: list[tuple[int, str]], delimiter: str, decimal: str, fields: int
) -> tuple[list[tuple[str, ...]], int, _Lines]:
    """Cells of the first rows, the line of the first, and the lines before it that may name them.

    A word in every cell but the last rows' first one is a row too, if it holds a number.
    """
    sample: list[tuple[str, ...]] = []
    before: _Lines = []
    first = lines[0][0]
    for number, line in lines:
        cells = _cells(line, delimiter)
        if len(cells) == fields and any(_is_value(cell, decimal) for cell in cells):
            if not sample:
                first = number
            sample.append(cells)
        elif not sample and not any(_is_value(cell, decimal) for cell in cells):
            before.append((number, named_cells(line, delimiter, fields)))
    return sample, first, before


def named_cells(line: str, delimiter: str, fields: int) -> tuple[str, ...]:
    """The cells of a line of names; a delimiter within brackets sets none apart.

    Examples
    --------
    >>> named_cells("n,t [us, since boot],gyro (us, mean of 2)", ",", 3)
    ('n', 't [us, since boot]', 'gyro (us, mean of 2)')
    """
    cells = _cells(line, delimiter)
    made: list[str] = []
    depth = 0
    for cell in cells if len(cells) > fields else ():
        if depth > 0:
            made[-1] += f"{delimiter} {cell}"
        else:
            made.append(cell)
        depth += sum(map(cell.count, "([")) - sum(map(cell.count, ")]"))
    return tuple(made) if len(made) == fields else cells


def _with_header(plain: Dialect, before: _Lines, path: str, strict: bool = True) -> Dialect:
    """Find the header among the lines before the rows: the nearest that has a name for each cell.

    Where `strict` is false, a header that does not go with the rows is left alone.
    """
    fields = plain.fields
    exact = [(n, cells) for n, cells in before if len(_trimmed(cells, fields)) == fields]
    if fields == 1:
        exact = [(n, cells) for n, cells in exact if len(cells[0].split()) <= 3]
    if exact:
        number, cells = exact[-1]
        units_line = 0
        if len(exact) > 1 and _are_units(cells):
            units_line, units = number, cells
            number, cells = exact[-2]
            cells = tuple(
                f"{name} [{unit}]" if unit and split_unit(name)[1] is None else name
                for name, unit in zip(_trimmed(cells, fields), map(_bare_unit, units), strict=False)
            )
        last, unit, of_all = _stated_behind(cells[-1])
        names = _in_unit((*cells[:-1], last), unit, of_all)
        return replace(
            plain, header=_trimmed(names, fields), header_line=number,
            first_row=max(number, units_line) + 1, units_line=units_line,
            raw_header=cells if len(cells) != fields or unit else None,
        )  # fmt: skip
    likely = [(n, cells) for n, cells in before if len(cells) > 1 and _are_names(cells)]
    if not likely:
        return plain
    number, cells = likely[-1]
    if len(cells) == fields - 1:
        named_cells = _short_header(plain, cells)
        if named_cells is not None:
            return replace(
                plain, header=named_cells, header_line=number, first_row=number + 1,
                raw_header=cells,
            )  # fmt: skip
    if not strict:
        return replace(plain, header_line=number, first_row=number + 1, raw_header=cells)
    raise LogError(
        f"the header names {len(cells)} columns, but the rows have {fields} cells: "
        "name each one with --columns",
        path,
        number,
    )


def _later_header(plain: Dialect, lines: list[tuple[int, str]]) -> tuple[str, ...] | None:
    """Header that stands among the rows only, as of a log cut at its start or taken up again."""
    for number, line in lines:
        late = number > plain.first_row
        cells = named_cells(line, plain.delimiter, plain.fields) if late else ()
        if len(cells) != plain.fields or len(set(cells)) < len(cells) or len(cells) < 2:
            continue
        if any(not cell or _is_value(cell, plain.decimal) for cell in cells):
            continue
        if sum(_are_names((cell,)) for cell in cells) >= 2:
            return cells
    return None


def _trimmed(cells: tuple[str, ...], fields: int) -> tuple[str, ...]:
    """Header cells without empty ones past the last cell of a row."""
    while len(cells) > fields and not cells[-1]:
        cells = cells[:-1]
    return cells


def _are_names(cells: tuple[str, ...]) -> bool:
    """Whether cells look like column headers and not like prose."""
    usual = {"time", "timestamp", "t", "name", "duration", "start", "end", "loop", "dt", "section"}
    return any(split_unit(cell)[1] is not None or cell.lower() in usual for cell in cells)


def _are_units(cells: tuple[str, ...]) -> bool:
    """Whether cells are units and nothing else, one of them a time unit."""
    bare = [_bare_unit(cell) for cell in cells]
    times = [cell for cell in bare if cell and split_unit(f"x_{cell}")[1] is not None]
    return bool(times) and all(len(cell) <= 6 for cell in bare)


def _bare_unit(cell: str) -> str:
    """A unit without brackets; a dash stands for none."""
    return cell.strip("[]() -")


def _short_header(plain: Dialect, cells: tuple[str, ...]) -> tuple[str, ...] | None:
    """A header with one name too few: the rows end in a delimiter, or begin with an index."""
    if plain.sample and all(row[-1] == "" for row in plain.sample):
        return (*cells, "")
    first = numbers(plain, 0)
    if len(first) > 1 and (np.diff(first) == 1).all():
        return ("", *cells)
    return None


def _commented(plain: Dialect, every: list[tuple[int, str]]) -> Dialect:
    """Take the comment right above the first row for the header if it names every column."""
    above = [line for number, line in every if number < plain.first_row and line.strip()]
    if not above or not above[-1].lstrip().startswith("#"):
        return plain
    text, unit, of_all = _stated_behind(above[-1].strip().lstrip("#").strip())
    if plain.delimiter == " ":
        text = _SPACED_UNIT.sub("", text)
    cells = named_cells(text, plain.delimiter, plain.fields)
    if len(cells) == plain.fields - 1 and _numbers_loops(plain):  # the hash is no comment's
        cells = ("loop", *cells)
    if unit and len(cells) != plain.fields:  # names are set apart in another way
        cells = tuple(re.split(r"[,;|\s]+", text))
    words = [cell for cell in cells if cell and not _is_value(cell, plain.decimal)]
    if len(cells) != plain.fields or len(words) < len(cells) or not _are_names(cells):
        return plain
    if ":" in cells[0]:
        return plain
    return replace(plain, header=_in_unit(cells, unit, of_all))


def _in_stated_unit(plain: Dialect, every: list[tuple[int, str]]) -> Dialect:
    """The header in the one unit that comments above the rows state, where it names none itself."""
    header = plain.header or ()
    above = [line for number, line in every if number < plain.first_row and is_remark(line)]
    told = [(split_unit(f"x [{at[2]}]")[1], at[1] is not None)
            for line in above for at in _STATED.finditer(line)]  # fmt: skip
    units = {unit for unit, _ in told if unit}
    if len(units) != 1 or any(split_unit(one)[1] for one in header):
        return plain
    of_all = any(every for unit, every in told if unit)
    fit = [at for at in range(len(header)) if _may_be_times(numbers(plain, at))]
    chosen, unit = fit if of_all else fit[:1], units.pop()
    return replace(plain, header=tuple(
        f"{one} [{unit}]" if at in chosen else one for at, one in enumerate(header)
    ))  # fmt: skip


def _may_be_times(values: Float) -> bool:
    """Whether cells are numbers, and no count of the rows."""
    step = np.diff(values)
    return bool(np.isfinite(values).any()) and not (len(step) > 2 and (step == 1).mean() > 0.9)


def _in_unit(cells: tuple[str, ...], unit: str | None, of_all: bool) -> tuple[str, ...]:
    """Names with the unit that is stated of the first, or of all of them."""
    if unit is None:
        return cells
    named = [one if split_unit(one)[1] else f"{one} [{unit}]" for one in cells]
    return tuple(named) if of_all else (named[0], *cells[1:])


def _numbers_loops(plain: Dialect) -> bool:
    """Whether the first cells are numbers that stay or go up by one."""
    first = numbers(plain, 0)
    steps = np.diff(first)
    return len(first) > 2 and bool(((steps == 0) | (steps == 1)).mean() > _MOSTLY)


def _stated_behind(text: str) -> tuple[str, str | None, bool]:
    """Names without brackets behind them, the unit that those state, whether it is that of all.

    Examples
    --------
    >>> _stated_behind("micros sense (all in us)"), _stated_behind("t x (times in ms)")
    (('micros sense', 'us', True), ('t x', 'ms', False))
    >>> _stated_behind("t [ms], volts (V)")
    ('t [ms], volts (V)', None, False)
    """
    found = _OF_ALL.search(text)
    unit = split_unit(f"x [{found[2]}]")[1] if found else None
    if found is None or unit is None:
        return text, None, False
    return text[: found.start()].strip(), unit, found[1] is not None
