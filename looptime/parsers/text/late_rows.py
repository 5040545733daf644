"""A log whose rows begin only behind many lines of other text, as a program prints while it starts.

How a log is written is told by its first lines. Where those are prose and no reading fits them, the
rows are looked for further on, and what stands before them is blanked out. A table that a program
prints among lines that hold its loops is not that: nothing is taken where other lines have values.
"""

import re
from dataclasses import replace

import numpy as np

from looptime.errors import LogError
from looptime.parsers.text.prose import are_names, is_title, is_written
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import HEAD_BYTES, Source, blocks
from looptime.records import dataclass

__all__ = ["LOOKED_AT", "from_late_rows"]

#: How much of a log is looked through, and how large one may be whose rows begin late [bytes].
LOOKED_AT, _MOST = 16 << 20, 64 << 20
#: What parts cells, that which may stand in a cell of another last.
_MARKS = (b";", b"\t", b"|", b",")
_DIGIT = re.compile(rb"\d")
#: A cell, or cells, of numbers and times of day alone.
_NUMBERS = re.compile(rb"(?=[^\n]*\d)[-+.\d,;:|\t eET]+")
#: How a row of numbers begins.
_BEGINS = re.compile(rb"\s*[-+.\d]")
#: Rows of a table, and lines that hold a value, of which fewer tell nothing.
_FEW = 20
#: Lines of other text that may stand between two rows.
_BETWEEN = 20
#: Rows that may stand elsewhere in the log, as a share of those of the table.
_ELSEWHERE = 0.1
#: Lines that tell how a log is written, and the share of them that has no number in prose.
_LINES, _WITHOUT = 400, 0.6
#: Lines before the rows, of which fewer leave enough of those to tell.
_FEWEST = 360
#: A number in a line, and one that is named or has a unit of time.
_NUMBER = re.compile(rb"\d+(?:[.,:]\d+)*")
_VALUE = re.compile(rb"[=:]\s*[-+]?\d|\d\s?(?:[num]|\xc2\xb5|\xce\xbc)?s(?:ec)?\b")
#: What a header has, and a sentence above rows as a rule has not.
_HEADER = re.compile(rb"[,;|\t_\[(]")
#: What a clock's column is called, among blanks.
_CLOCK = re.compile(rb"(?:t|ts|time|timestamp)(?:_\w+|[\[(]\w+[\])])?", re.IGNORECASE)

_Shape = tuple[bytes, int]


@dataclass
class _Table:
    """Rows of one shape with few other lines between them."""

    shape: _Shape  #: What parts their cells, and how many they are
    first: int  #: Line of the first row, from 0
    last: int  #: Line of the last row
    rows: int = 1
    loose: bool = False  #: Whether more than one line of other text parts two of the first rows


def from_late_rows(source: Source, text: str) -> tuple[Source, str] | None:
    """The log with what stands before its rows blanked out, and its first lines with rows in them.

    Remarks stay, and what may be the rows' header. None where the first lines are no prose, or no
    rows follow, or others of its lines hold values, too.

    Parameters
    ----------
    source : Source
        The log, which nothing else reads.
    text : str
        Its first lines.

    Raises
    ------
    LogError
        If the rows begin in a log too large to be read so.
    """
    said = source.rewritten
    if not _is_prose(text) or (said is not None and (len(said.line) or said.others is not None)):
        return None
    data, rest = bytearray(), blocks(source)
    for block in rest:
        data += block.data
        if len(data) > LOOKED_AT:
            break
    first = bytes(data).split(b"\n")
    found = _tables(first)[0]
    if not found:
        return None
    for block in rest:
        data += block.data
        if len(data) > _MOST:
            raise LogError(
                f"its rows begin behind {found[0].first:,} lines of other text: cut those off",
                source.path, found[0].first + 1,
            )  # fmt: skip
    lines = bytes(data).split(b"\n")
    table = _only(lines)
    if table is None or not _FEWEST <= table.first < len(first):
        return None
    kept = _header(lines, table)
    shown = [line if line.startswith(b"#") or at in kept else b""
             for at, line in enumerate(lines[: table.first])]  # fmt: skip
    gone = [at for at, line in enumerate(lines[: table.first]) if line.strip() and not shown[at]]
    above = b"\n".join([*shown, b""])
    made = above + b"\n".join(lines[table.first :])
    source.cautions.append(
        f"{len(gone):,} lines of other text stand before the rows: only remarks among them are read"
    )
    none, before = np.zeros(0, np.int64), [] if said is None else said.aside
    aside = sorted([*((at, "not a row") for at in gone), *before])
    end = made.rfind(b"\n", 0, len(above) + HEAD_BYTES) + 1
    head = made[:end].decode("utf-8", "replace")
    return replace(source, rewritten=Rewritten(made, none, none, aside)), head


def _is_prose(text: str) -> bool:
    """Whether the lines that tell how a log is written are sentences, or words without numbers."""
    lines = text.splitlines()[:_LINES]
    said = [line for line in lines if line.strip() and not line.startswith("#")]
    without = sum(not any(map(str.isdecimal, line)) for line in said)
    return len(lines) == _LINES and (without >= _WITHOUT * len(said) or is_written(text))


def _only(lines: list[bytes]) -> _Table | None:
    """The table of a log that holds but one; None where its loops may as well be other lines.

    Its rows are most of what follows its beginning, few others stand in the log, none of them as
    many as make a table behind it, and fewer lines than that have values otherwise.
    """
    tables, rows, values = _tables(lines)
    if not tables:
        return None
    table = max(tables, key=lambda one: one.rows)
    follow = sum(line.strip()[:1] not in (b"", b"#") for line in lines[table.first :])
    own = [lines[at].strip() for at in _header(lines, table)]
    others = [one for one in tables if one is not table]
    unlike = all(one.last < table.first and _differs(lines, one, table, own) for one in others)
    is_alone = values < _FEW and rows - table.rows <= _ELSEWHERE * table.rows and unlike
    is_most = not table.loose and 2 * table.rows > follow
    return table if is_alone and is_most and _goes_on(lines, table, own) else None


def _differs(lines: list[bytes], one: _Table, table: _Table, own: list[bytes]) -> bool:
    """Whether a table has rows unlike those of another, or a header that is not its own."""
    if one.shape != table.shape:
        return True
    above = [lines[at].strip() for at in _header(lines, one)]
    return bool(above and own) and above != own


def _goes_on(lines: list[bytes], table: _Table, own: list[bytes]) -> bool:
    """Whether no header but its own stands between the rows of a table."""
    numbers = any(map(_NUMBERS.fullmatch, _cells(lines[table.first].strip(), table.shape[0])))
    within = (line.strip() for line in lines[table.first + 1 : table.last]
              if not _BEGINS.match(line) and (numbers or not _DIGIT.search(line)))  # fmt: skip
    return not any(line not in own and _names(line, table.shape) for line in within)


def _tables(lines: list[bytes]) -> tuple[list[_Table], int, int]:
    """Every table of a log, by its beginning; how many rows it has, and other lines with values."""
    last: dict[_Shape, _Table] = {}
    found: list[_Table] = []
    rows = values = 0
    for at, line in enumerate(lines):
        if not _DIGIT.search(line) or line.startswith(b"#"):
            continue
        shape = _shape(line.strip())
        if shape is None:
            values += _has_value(line)
            continue
        rows += 1
        table = last.get(shape)
        if table is None or at - table.last > _BETWEEN + 1:
            table = last[shape] = _Table(shape, at, at)
            found.append(table)
            continue
        table.loose |= table.rows < _FEW and at - table.last > 2
        table.last, table.rows = at, table.rows + 1
    return [table for table in found if table.rows >= _FEW], rows, values


def _shape(line: bytes) -> _Shape | None:
    r"""What parts the cells of a row and how many they are; None of a line that is no row.

    Examples
    --------
    >>> [_shape(line) for line in (b"12,3", b"9.1  7.2", b"imu read;812;9", b"imu,begin,at7")]
    [(b',', 2), (b' ', 2), (b';', 3), (b',', 3)]
    >>> [_shape(line) for line in (b"bench 2 reached, arm free", b"imu took 9 ms", b"arm, free")]
    [None, None, None]
    """
    mark = next((mark for mark in _MARKS if mark in line), b" ")
    cells = _cells(line, mark)
    if not _DIGIT.search(line):
        return None
    if not _NUMBERS.fullmatch(line):
        if mark == b" ":
            return None
        if b" " in line and 2 * sum(map(bool, map(_NUMBERS.fullmatch, cells))) < len(cells):
            return None
    return mark, len(cells)


def _cells(line: bytes, mark: bytes) -> list[bytes]:
    return line.split() if mark == b" " else line.split(mark)


def _has_value(line: bytes) -> bool:
    """Whether a line has several numbers, or one that is no small count.

    Examples
    --------
    >>> [_has_value(line) for line in (b"imu_ms=9", b"imu took 9 ms", b"imu 9 at 812", b"imu 9.1")]
    [True, True, True, True]
    >>> _has_value(b"tray 7 set down"), _has_value(b"arm free")
    (False, False)
    """
    numbers = _NUMBER.findall(line)
    return len(numbers) > 1 or any(len(one) > 3 or not one.isdigit() for one in numbers) or (
        _VALUE.search(line) is not None
    )  # fmt: skip


def _header(lines: list[bytes], table: _Table) -> list[int]:
    """Lines above a table's rows that may name its columns and their units, from 0.

    The last with as many names as the rows have cells, with those right above it, unless other rows
    stand between; else what stands right above the rows, if it is not a sentence by its signs.
    """
    near: list[int] = []
    named: list[int] = []
    for at in range(table.first - 1, -1, -1):
        line = lines[at].strip()
        if _names(line, table.shape):
            named.append(at)
        elif named or (line[:1] != b"#" and _shape(line) is not None):
            break
        elif line and line[:1] != b"#":
            near.append(at)
    return named or [at for at in near[:1] if _HEADER.search(lines[at])]


def _names(line: bytes, shape: _Shape) -> bool:
    r"""Whether a line holds a name for each cell of a row, and is no sentence.

    Examples
    --------
    >>> [_names(line, (b",", 2)) for line in (b"t_ms,grip", b"bench reached, arm free", b"1,2")]
    [True, False, False]
    >>> _names(b"t imu wheels", (b" ", 3)), _names(b"mast lowered now", (b" ", 3))
    (True, False)
    """
    mark, count = shape
    cells = [cell.strip() for cell in _cells(line, mark)]
    if len(cells) != count or count < 2 or any(map(_NUMBERS.fullmatch, cells)) or not all(cells):
        return False
    if mark != b" " and b" " not in line:
        return True
    words = [cell.decode("utf-8", "replace") for cell in cells]
    return are_names(words) or (
        _CLOCK.fullmatch(cells[0]) is not None and not is_title(" ".join(words))
    )
