"""Rows of a log as columns of numbers and coded words, every row accounted for.

Blocks of text are parsed by a few threads, and what they yield is put one after another into
columns that are grown in place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.abreast import abreast, threads_for_a_log
from looptime.array_types import Bool, Int
from looptime.errors import LogError
from looptime.parsers.text.block import Piece, Rejects, parse_block
from looptime.parsers.text.cells import Key, Member, Want
from looptime.parsers.text.dialect import Dialect, is_missing, split_line
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import BLOCK_BYTES, LONGEST_LINE, Source, blocks
from looptime.records import dataclass
from looptime.schema import REASONS
from looptime.units import UNITS, split_unit

__all__ = ["Key", "Member", "Rejects", "Table", "Want", "damaged_lines", "lost_after", "read_table"]

_NAME = re.compile(r"[A-Za-z_][\w.\[\]()/%-]*")
#: Times beyond this [ns] do not fit.
_LONGEST_NS = 2.0**63
#: A second table, below the first, holds at most this part of the rows.
_SECOND = 0.2
#: Rows that a block holds at least, up to a few megabytes.
_ROWS_A_BLOCK = 100
#: What a column of phases is known by.
PHASE = "phase"
#: What the text ruled out for these reasons were rows; other lines between rows are not missed.
_WERE_ROWS = (
    "wrong number of fields", "unreadable number", "missing value", "line too long",
    "corrupt stamp",
)  # fmt: skip


@dataclass
class Table:
    """The rows of a log in the order of the file."""

    #: By part: int64 times [ns] and counts, float64 numbers, int32 word codes; shape (n,).
    columns: dict[Key, NDArray[Any]]
    words: dict[Key, list[str]]  #: Texts that the codes of a word column index
    rejects: Rejects  #: Rows that are not in `columns`
    meta: dict[str, str]  #: ``# key: value`` lines
    headers: int  #: Header rows met again further down
    _starts: list[int]
    _lines: list[Int | int]
    #: Lines, from 1, whose values stand in another line's row, and that row, rising.
    folded: tuple[Int, Int] | None = None
    #: Lines, from 1 and rising, that are no gap between rows: folded, or another reading's.
    passed: Int | None = None
    #: Short lines that are no rows, which may name a phase, and their texts.
    between: list[tuple[int, str]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()))) if self.columns else 0

    def group(self, name: str) -> dict[int | str, NDArray[Any]]:
        """The columns that play one part together, by place or name."""
        return {
            key.place: column
            for key, column in self.columns.items()
            if isinstance(key, Member) and key.group == name
        }

    @property
    def rows_read(self) -> int:
        """Rows of the file, used or not."""
        return len(self) + len(self.rejects.line)

    def without(self, rows: dict[str, Int]) -> Table:
        """The table without some rows, which are set aside, by reason."""
        keep = np.ones(len(self), bool)
        new = []
        for reason, mine in rows.items():
            keep[mine] = False
            new += [(line, REASONS.index(reason), "") for line in self.line_of(mine).tolist()]
        old = zip(self.rejects.line, self.rejects.reason, self.rejects.text, strict=True)
        every = sorted([*old, *new])
        return replace(
            self,
            columns={key: column[keep] for key, column in self.columns.items()},
            rejects=Rejects(*(list(part) for part in zip(*every, strict=True))),
            _starts=[0], _lines=[self.line_of(np.flatnonzero(keep))],
        )  # fmt: skip

    def line_of(self, rows: Int) -> Int:
        """Lines of the file (from 1) on which rows stand."""
        rows = np.asarray(rows, np.int64)
        starts = np.asarray(self._starts, np.int64)
        block = np.searchsorted(starts, rows, side="right") - 1
        # in most blocks line follows line
        first = np.array([at if isinstance(at, int) else 0 for at in self._lines], np.int64)
        out = rows + (first - starts)[block]
        broken = {b: at for b, at in enumerate(self._lines) if not isinstance(at, int)}
        if broken:
            order = np.argsort(block, kind="stable")
            edges = np.searchsorted(block[order], [[b, b + 1] for b in broken])
            for (b, lines), (low, high) in zip(broken.items(), edges.tolist(), strict=True):
                here = order[low:high]
                out[here] = lines[rows[here] - starts[b]]
        return out


def read_table(source: Source, dialect: Dialect, wants: list[Want]) -> Table:
    """Read the wanted columns of every row.

    Raises
    ------
    LogError
        If no row can be used.
    """
    builder = _Builder(wants, source)
    for piece in _pieces(source, dialect, wants):
        builder.add(piece)
    table = _with_phases(_first_table(builder.table(), dialect, source.path))
    if source.rewritten is not None:
        _account(table, source.rewritten)
    if not len(table):
        first = table.rejects.text[0] if table.rejects.text else ""
        why = REASONS[table.rejects.reason[0]] if table.rejects.reason else "no rows"
        last = _too_large(first, dialect, wants) or "a header alone?"
        raise LogError(
            f"holds no usable row ({why}{': ' + first[:60] if first else ''}): {last}"
            if first
            else "holds a header and no rows: nothing was logged",
            source.path,
            table.rejects.line[0] if table.rejects.line else None,
        )
    return table


def _too_large(row: str, dialect: Dialect, wants: list[Want]) -> str:
    """That a time of a row is beyond any clock in its unit, if so; else empty."""
    cells = row.split(dialect.delimiter or None)
    for want in wants:
        if want.how != "time" or want.index >= len(cells):
            continue
        cell = cells[want.index].strip().replace(dialect.decimal, ".")
        try:
            value = float(cell)
        except ValueError:
            continue
        unit = next((name for name, ns in UNITS.items() if ns == want.unit_ns), "")
        if unit and abs(value) * want.unit_ns >= _LONGEST_NS:
            return f"in {unit} that is no time of a log: --unit says another"
    return ""


def _account(table: Table, made: Rewritten) -> None:
    """Book the lines that share a row, and those that were set aside as the log was rewritten.

    The text of a row that was set aside is found again in the log itself.
    """
    bad = table.rejects
    why = dict(zip(bad.line, bad.reason, strict=True))
    line, head = made.line + 1, made.head + 1
    own = table.line_of(np.arange(len(table)))
    row = np.searchsorted(own, head)
    used = (row < len(own)) & (own[np.minimum(row, len(own) - 1)] == head) if len(own) else row < 0
    for at in np.flatnonzero(~used).tolist():  # the row itself was set aside
        if int(head[at]) in why:
            bad.line.append(int(line[at]))
            bad.reason.append(why[int(head[at])])
    for place, reason in made.aside:
        bad.line.append(place + 1)
        bad.reason.append(REASONS.index(reason))
    order = sorted(range(len(bad.line)), key=bad.line.__getitem__)
    bad.line[:] = [bad.line[at] for at in order]
    bad.reason[:] = [bad.reason[at] for at in order]
    bad.text[:] = [""] * len(order)
    table.folded = (line[used], row[used])
    others = np.empty(0, np.int64) if made.others is None else made.others + 1
    table.passed = np.union1d(line[used], others)


def _first_table(table: Table, dialect: Dialect, path: str) -> Table:
    """The rows above a second header that names other columns: what follows it is another table.

    A log is mostly one table, and a header has a name for every cell.

    Raises
    ------
    LogError
        If much of the log stands below a header that names the same in another order or unit.
    """
    for line, text in zip(table.rejects.line, table.rejects.text, strict=True):
        cells = [cell.strip() for cell in split_line(text, dialect.delimiter)]
        if not 1 < len(cells) == len(set(cells)) == dialect.fields or any(
            is_missing(cell) or not _NAME.fullmatch(cell) for cell in cells
        ):
            continue
        after = np.flatnonzero(table.line_of(np.arange(len(table))) > line)
        if 0 < len(after) <= _SECOND * len(table):
            return table.without({"not a row": after})
        if len(after) and 2 * len(_stems(cells) & _stems(dialect.header or ())) >= len(cells):
            raise LogError(
                f"a second header names other columns than the first ({', '.join(cells)[:80]}): "
                "two logs stand in one file: cut it before this line",
                path,
                line,
            )
    return table


def _with_phases(table: Table) -> Table:
    """The table with the phase of each row as lines between them say, where no column does."""
    last = table.between[-1][0] if table.between else 0
    if PHASE in table.columns or not len(table) or last < table.line_of(np.zeros(1, np.int64))[0]:
        return table
    from looptime.parsers.text.phase_marks import in_phases

    found = in_phases(table.between, table.line_of(np.arange(len(table))))
    if found is None:
        return table
    table.columns[PHASE], table.words[PHASE] = found.code, found.names
    table.meta.pop(PHASE, None)
    old = zip(table.rejects.line, table.rejects.reason, table.rejects.text, strict=True)
    kept = [one for one in old if one[0] not in found.lines]
    return replace(table, rejects=Rejects(*(list(part) for part in zip(*kept, strict=True))))


def _stems(header: Iterable[str]) -> set[str]:
    """Names of columns without the units behind them."""
    return {split_unit(name)[0].lower() for name in header}


def _pieces(source: Source, dialect: Dialect, wants: list[Want]) -> Iterator[Piece]:
    """Blocks parsed by a few threads, in the order of the file."""
    threads = threads_for_a_log()
    held = threads + 2 if threads > 1 else 1
    # each block costs something a column: of wide rows it holds more than a few
    wide = _ROWS_A_BLOCK * max((len(dialect.delimiter.join(row)) for row in dialect.sample[:2]),
                               default=0)  # fmt: skip
    size = min(wide, LONGEST_LINE) if wide > BLOCK_BYTES else None
    return abreast(
        lambda at: parse_block(at, dialect, wants), blocks(source, size, held=held), threads
    )


class _Builder:
    """Columns grown in place: room is reserved once from the file's size and grown if short."""

    def __init__(self, wants: list[Want], source: Source) -> None:
        self.wants = wants
        self.source = source
        self.size = 0
        self.columns: dict[Key, NDArray[Any]] = {}
        self.words: dict[Key, dict[str, int]] = {w.role: {} for w in wants if w.how == "word"}
        self.rejects = Rejects()
        self.meta: dict[str, str] = {}
        self.between: list[tuple[int, str]] = []
        self.headers = 0
        self.starts: list[int] = []
        self.lines: list[Int | int] = []
        self.lines_read = 0
        self.room = 0

    def add(self, piece: Piece) -> None:
        before = 1 + self.lines_read
        self.lines_read += piece.line_count
        for line, reason, text in zip(
            piece.rejects.line, piece.rejects.reason, piece.rejects.text, strict=True
        ):
            self.rejects.add(before + line, REASONS[reason], text)
        self.meta.update(piece.meta)
        self.between += [(before + line, text) for line, text in sorted(piece.between)]
        self.headers += piece.headers
        if not piece.count:
            return
        self.starts.append(self.size)
        self.lines.append(piece.lines + before)
        self.room = self._room(piece)
        for role, values in piece.columns.items():
            coded = self._recode(role, piece) if role in piece.words else values
            self._put(role, coded)
        self.size += piece.count

    def _recode(self, role: Key, piece: Piece) -> NDArray[Any]:
        """Codes of this log for the codes of one block."""
        known = self.words[role]
        new = [known.setdefault(word, len(known)) for word in piece.words[role]]
        if len(known) == 1:  # one word so far: a column without weight
            return np.broadcast_to(np.int16(0), piece.count)
        dtype = next(t for t in (np.int8, np.int16, np.int32) if len(known) <= np.iinfo(t).max)
        return np.asarray(new, dtype)[piece.columns[role]]

    def _put(self, role: Key, values: NDArray[Any]) -> None:
        """Add to a column; it is widened when a value asks for it."""
        column = self.columns.get(role)
        weightless = values.strides == (0,) and len(values) > 1
        if weightless and (column is None or _all_same(column, values)):
            self.columns[role] = np.broadcast_to(values[:1], self.room)
            return
        dtype = values.dtype if column is None else np.result_type(column, values)
        if (
            column is None
            or column.dtype != dtype
            or len(column) < self.room
            or (column.strides == (0,))
        ):
            grown = np.empty(self.room, dtype)
            if column is not None:
                grown[: self.size] = column[: self.size]
            self.columns[role] = column = grown
        column[self.size : self.size + len(values)] = values

    def _room(self, piece: Piece) -> int:
        """Rows to reserve; memory that is reserved but never written costs nothing."""
        need = self.size + piece.count
        if need <= self.room:
            return self.room
        # the first block tells rows a byte; compressed logs grow by halves
        if not self.room and self.source.compression is None:
            return max(need, int(1.1 * piece.count * self.source.size / piece.size) + 1024)
        return max(need, int(self.room * 1.5))

    def table(self) -> Table:
        columns = {role: values[: self.size] for role, values in self.columns.items()}
        words = {role: list(known) for role, known in self.words.items()}
        return Table(columns, words, self.rejects, self.meta, self.headers, self.starts, self.lines,
                     between=self.between)  # fmt: skip


def _all_same(column: NDArray[Any], values: NDArray[Any]) -> bool:
    """Whether two columns without weight hold the same value."""
    return column.strides == (0,) and np.array_equal(
        column[:1], values[:1], equal_nan=values.dtype.kind == "f"
    )


def damaged_lines(table: Table) -> Int:
    """Lines of rows that the text itself ruled out; text between rows is not missed.

    Parameters
    ----------
    table : Table
        The rows that are left, and those that were ruled out.

    Returns
    -------
    int64 array, shape (k,)
    """
    codes = [REASONS.index(reason) for reason in _WERE_ROWS]
    lines = np.asarray(table.rejects.line, np.int64)
    return lines[np.isin(np.asarray(table.rejects.reason, np.int64), codes)]


def lost_after(rows: Int, table: Table) -> Bool | None:
    """Rows of a table between which and the next one a damaged row was set aside.

    Parameters
    ----------
    rows : int64 array, shape (n,)
        Rows of the table, rising.
    table : Table
        Where they come from.

    Returns
    -------
    bool array, shape (n,), or None
        None where nothing is missing.
    """
    gone = damaged_lines(table)
    if not len(gone) or not len(rows):
        return None
    at = np.searchsorted(table.line_of(rows), gone) - 1
    lost = np.zeros(len(rows), bool)
    lost[at[at >= 0]] = True
    return lost
