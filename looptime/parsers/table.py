"""Rows of a log as columns of numbers and coded words, every row accounted for.

Blocks of text are parsed by Arrow, one thread a block. Where a block holds anything that Arrow
cannot convert, that block is read again as text and judged row by row, so that a bad row costs
one row and never the log.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.dialect import Dialect, is_remark, split_line
from looptime.parsers.source import Block, Bytes, Source, blocks
from looptime.parsers.tidy import is_prose, line_count, tidy, without_loose_quotes
from looptime.schema import REASONS

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["Rejects", "Table", "Want", "read_table"]

Int = NDArray[np.int64]
_NULLS = ["", "nan", "NaN", "NAN", "na", "NA", "n/a", "N/A", "null", "NULL", "None", "none", "-"]
_MISSING = "missing value"
_UNREADABLE = "unreadable number"
_NO_ROW = "not a row"
#: A line that is no row and longer than this is not looked into any further [characters].
LONGEST_ROW = 64 << 10
#: Lengths of time below this are kept in 32 bits: two of them still add up in those [ns].
LONGEST_SPAN_NS = 1 << 30
#: Texts kept of rows set aside; the rest are found again by their line.
TEXTS_KEPT = 2000


@dataclass(frozen=True)
class Want:
    """A column that a layout asks for.

    Parameters
    ----------
    role : str
        Name of the column in the result.
    index : int
        Its place in the row, from 0.
    how : str
        ``time`` (to int64 ns), ``number`` (float64, NaN where missing), ``count`` (int64, -1
        where missing) or ``word`` (codes into a list of texts).
    unit_ns : int
        Nanoseconds in one unit of a time.
    required : bool
        Whether a row without it is set aside.
    whole : bool
        Whether the first rows of a time column hold whole numbers only.
    stamp : str or None
        Date-time format of a time column that holds no numbers; see `looptime.parsers.stamps_text`.
    span : bool
        Whether a time is a length and not an instant: kept in 32 bits where all of them fit.
    """

    role: str
    index: int
    how: str
    unit_ns: int = 1
    required: bool = False
    whole: bool = True
    stamp: str | None = None
    span: bool = False


@dataclass
class Rejects:
    """Rows set aside while the text was read: line, index of the reason, text."""

    line: list[int] = field(default_factory=list)
    reason: list[int] = field(default_factory=list)
    text: list[str] = field(default_factory=list)

    def add(self, line: int, reason: str, text: str) -> None:
        """Set one row aside."""
        self.line.append(line)
        self.reason.append(REASONS.index(reason))
        self.text.append(text if len(self.text) < TEXTS_KEPT else "")


@dataclass
class Piece:
    """One block, parsed; its lines are counted from 0."""

    columns: dict[str, NDArray[Any]]
    words: dict[str, list[str]]
    lines: Int | int
    line_count: int
    count: int
    rejects: Rejects
    meta: list[tuple[str, str]]
    headers: int = 0
    size: int = 1


@dataclass
class Table:
    """The rows of a log in the order of the file.

    Parameters
    ----------
    columns : dict of str to array, shape (n,)
        By role: int64 times [ns] and counts, float64 numbers, int32 word codes.
    words : dict of str to list of str
        Texts that the codes of a word column index.
    rejects : Rejects
        Rows that are not in `columns`.
    meta : dict of str to str
        ``# key: value`` lines.
    headers : int
        Header rows met again further down.
    """

    columns: dict[str, NDArray[Any]]
    words: dict[str, list[str]]
    rejects: Rejects
    meta: dict[str, str]
    headers: int
    _starts: list[int]
    _lines: list[Int | int]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()))) if self.columns else 0

    @property
    def rows_read(self) -> int:
        """Rows of the file, used or not."""
        return len(self) + len(self.rejects.line)

    def line_of(self, rows: NDArray[np.integer]) -> Int:
        """Lines of the file (from 1) on which rows stand."""
        rows = np.asarray(rows, np.int64)
        starts = np.asarray(self._starts, np.int64)
        block = np.searchsorted(starts, rows, side="right") - 1
        # in most blocks line follows line
        first = np.array([at if isinstance(at, int) else 0 for at in self._lines], np.int64)
        out = rows + (first - starts)[block]
        broken = [b for b, at in enumerate(self._lines) if not isinstance(at, int)]
        if broken:
            order = np.argsort(block, kind="stable")
            edges = np.searchsorted(block[order], [[b, b + 1] for b in broken])
            for b, (low, high) in zip(broken, edges.tolist(), strict=True):
                here = order[low:high]
                out[here] = self._lines[b][rows[here] - starts[b]]  # type: ignore[index]
        return out


def read_table(source: Source, dialect: Dialect, wants: list[Want]) -> Table:
    """Read the wanted columns of every row.

    Parameters
    ----------
    source : Source
        The log.
    dialect : Dialect
        How it is written.
    wants : list of Want
        Columns to read.

    Raises
    ------
    LogError
        If no row can be used.
    """
    builder = _Builder(wants, source)
    for piece in _pieces(source, dialect, wants):
        builder.add(piece)
    table = builder.table()
    if not len(table):
        first = table.rejects.text[0] if table.rejects.text else ""
        why = REASONS[table.rejects.reason[0]] if table.rejects.reason else "no rows"
        raise LogError(
            f"holds no usable row ({why}{': ' + first[:60] if first else ''}): a header alone?"
            if first
            else "holds a header and no rows: nothing was logged",
            source.path,
            table.rejects.line[0] if table.rejects.line else None,
        )
    return table


def _pieces(source: Source, dialect: Dialect, wants: list[Want]) -> Iterator[Piece]:
    """Blocks parsed by a few threads, in the order of the file."""
    workers = min(4, os.cpu_count() or 1)
    waiting: deque[Future[Piece]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for block in blocks(source, held=workers + 2):
            waiting.append(pool.submit(parse_block, block, dialect, wants))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


class _Builder:
    """Columns grown in place: room is reserved once from the file's size and grown if short."""

    def __init__(self, wants: list[Want], source: Source) -> None:
        self.wants = wants
        self.source = source
        self.size = 0
        self.columns: dict[str, NDArray[Any]] = {}
        self.words: dict[str, dict[str, int]] = {w.role: {} for w in wants if w.how == "word"}
        self.rejects = Rejects()
        self.meta: dict[str, str] = {}
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

    def _recode(self, role: str, piece: Piece) -> NDArray[Any]:
        """Codes of this log for the codes of one block."""
        known = self.words[role]
        new = [known.setdefault(word, len(known)) for word in piece.words[role]]
        if len(known) == 1:  # one word so far: a column without weight
            return np.broadcast_to(np.int16(0), piece.count)
        dtype = next(t for t in (np.int8, np.int16, np.int32) if len(known) <= np.iinfo(t).max)
        return np.asarray(new, dtype)[piece.columns[role]]

    def _put(self, role: str, values: NDArray[Any]) -> None:
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
        return Table(columns, words, self.rejects, self.meta, self.headers, self.starts, self.lines)


def _all_same(column: NDArray[Any], values: NDArray[Any]) -> bool:
    """Whether two columns without weight hold the same value."""
    return column.strides == (0,) and np.array_equal(
        column[:1], values[:1], equal_nan=values.dtype.kind == "f"
    )


def parse_block(block: Block, dialect: Dialect, wants: list[Want]) -> Piece:
    """Parse one block of lines."""
    data, torn = tidy(_without_header(block, dialect), dialect)
    if not data or data.isspace():
        return _no_rows(data, dialect, torn)
    odd: list[tuple[int, str]] = []
    try:
        arrow = _arrow(data, dialect, wants, odd, as_text=False)
        if b'"' in data and arrow.num_rows + len(odd) != line_count(data):
            raise ValueError("a quote that is never closed swallowed the rows after it")
        return _piece(arrow, data, dialect, wants, (odd, torn), as_text=False)
    except (ValueError, OverflowError):  # pyarrow.ArrowInvalid is a ValueError
        pass
    odd.clear()
    text = data
    if b'"' in text:
        text, more = without_loose_quotes(text, dialect)
        torn += more
    arrow = _arrow(text, dialect, wants, odd, as_text=True)
    return _piece(arrow, text, dialect, wants, (odd, torn), as_text=True)


def _without_header(block: Block, dialect: Dialect) -> Bytes:
    """Blank the header out; text before it is judged like any other line."""
    data = block.data
    if block.number:
        return data
    for line in (dialect.header_line, dialect.units_line):
        if not line or line > line_count(data):
            continue
        at = 0
        for _ in range(line - 1):
            at = data.find(b"\n", at) + 1
        end = data.find(b"\n", at)
        data = data[:at] + (data[end:] if end >= 0 else b"\n")
    return data


def _no_rows(data: Bytes, dialect: Dialect, odd: list[tuple[int, str]]) -> Piece:
    """A block of blank lines, and of lines that `tidy` took out."""
    judged: list[tuple[int, str, str]] = []
    meta: list[tuple[str, str]] = []
    headers = sum(_judge(line, text, dialect, judged, meta) for line, text in odd)
    rejects = Rejects()
    for line, reason, text in judged:
        rejects.add(line, reason, text)
    return Piece({}, {}, 0, line_count(data), 0, rejects, meta, headers, max(1, len(data)))


def _arrow(
    data: Bytes,
    dialect: Dialect,
    wants: list[Want],
    odd: list[tuple[int, str]],
    as_text: bool,
) -> pa.Table:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    def skip(row: Any) -> str:
        odd.append((row.number - 1, row.text))
        return "skip"

    types = {
        f"c{w.index}": _word_type(w, dialect) if w.how == "word" else _number_type(w, as_text)
        for w in wants
    }
    return pacsv.read_csv(
        pa.BufferReader(data),
        read_options=pacsv.ReadOptions(
            use_threads=False,
            block_size=max(len(data) + 1, 1024),
            column_names=[f"c{i}" for i in range(dialect.fields)],
        ),
        parse_options=pacsv.ParseOptions(
            delimiter=dialect.delimiter, invalid_row_handler=skip, ignore_empty_lines=False
        ),
        convert_options=pacsv.ConvertOptions(
            include_columns=sorted(types),
            column_types=types,
            null_values=_NULLS,
            decimal_point=dialect.decimal,
        ),
    )


def _word_type(want: Want, dialect: Dialect) -> pa.DataType:
    """Words are coded as they are read; one that never changes is cheaper to look at later."""
    import pyarrow as pa

    same = len({row[want.index] for row in dialect.sample}) == 1
    return pa.string() if same else pa.dictionary(pa.int32(), pa.string())


def _number_type(want: Want, as_text: bool) -> pa.DataType:
    import pyarrow as pa

    if as_text or want.stamp is not None:
        return pa.string()
    if want.how == "count" or (want.how == "time" and want.whole):
        return pa.int64()
    return pa.float64()


def _piece(
    arrow: pa.Table,
    data: Bytes,
    dialect: Dialect,
    wants: list[Want],
    aside: tuple[list[tuple[int, str]], list[tuple[int, str]]],
    as_text: bool,
) -> Piece:
    """Columns of a block; `aside` are lines that Arrow skipped, and lines blanked out before."""
    odd, torn = aside
    columns: dict[str, NDArray[Any]] = {}
    words: dict[str, list[str]] = {}
    bad = np.zeros(arrow.num_rows, np.int8)  # 1: missing, 2: unreadable
    for want in wants:
        column = arrow.column(f"c{want.index}")
        if want.how == "word":
            columns[want.role], words[want.role] = _words(column)
            if want.required and "" in words[want.role]:
                empty = words[want.role].index("")
                bad[columns[want.role] == empty] = 1
            if want.index == 0:  # a comment may have as many commas as a row
                for code, word in enumerate(words[want.role]):
                    if word.startswith("#"):
                        bad[columns[want.role] == code] = 2
        else:
            columns[want.role], wrong = _numbers(column, want, dialect, as_text)
            if wrong is not None:
                np.maximum(bad, wrong, out=bad)
    judged: list[tuple[int, str, str]] = []
    meta: list[tuple[str, str]] = []
    headers = sum(_judge(line, text, dialect, judged, meta) for line, text in [*odd, *torn])
    lines: Int | int = 0
    if odd:  # only where there are odd lines is a line kept for every row
        is_row = np.ones(arrow.num_rows + len(odd), bool)
        is_row[[line for line, _ in odd]] = False
        lines = np.flatnonzero(is_row)
    if bad.any():
        is_header = _header_rows(arrow, dialect, wants) if as_text else np.zeros(len(bad), bool)
        headers += int(is_header.sum())
        place = lines if not isinstance(lines, int) else np.arange(len(bad))
        doubtful = np.flatnonzero((bad > 0) & ~is_header)
        for row, text in zip(doubtful, _texts(data, place[doubtful]), strict=True):
            if is_remark(text):
                _judge(int(place[row]), text, dialect, judged, meta)
            elif is_prose(text, dialect, [want.index for want in wants if want.how != "word"]):
                judged.append((int(place[row]), _NO_ROW, text))
            else:
                reason = _MISSING if bad[row] == 1 else _UNREADABLE
                judged.append((int(place[row]), reason, text))
        keep = bad == 0
        columns = {role: _kept(values, keep) for role, values in columns.items()}
        for role, known in words.items():
            used, columns[role] = np.unique(columns[role], return_inverse=True)
            words[role] = [known[code] for code in used]
        lines = place[keep]
    rejects = Rejects()
    for line, reason, text in sorted(judged):
        rejects.add(line, reason, text)
    count = len(next(iter(columns.values()))) if columns else 0
    total = arrow.num_rows + len(odd)
    return Piece(columns, words, lines, total, count, rejects, meta, headers, max(1, len(data)))


def _kept(values: NDArray[Any], keep: NDArray[np.bool_]) -> NDArray[Any]:
    """The rows that are kept; one value for all rows stays without weight."""
    if values.strides == (0,):
        return values[: np.count_nonzero(keep)]
    return values[keep]


def _words(column: pa.ChunkedArray) -> tuple[NDArray[Any], list[str]]:
    """Codes and texts of a dictionary column; spaces around a word do not count."""
    if column.num_chunks == 0:
        return np.empty(0, np.int32), []
    chunk = column.combine_chunks() if column.num_chunks > 1 else column.chunk(0)
    if str(chunk.type) == "string":
        if _one_word(chunk):
            return np.broadcast_to(np.int32(0), len(chunk)), [chunk[0].as_py().strip()]
        chunk = chunk.dictionary_encode()
    texts = [str(word).strip() for word in chunk.dictionary.to_pylist()]
    codes = _plain(chunk.indices, len(texts))
    if chunk.null_count:
        texts.append("")
    if len(set(texts)) < len(texts):
        first: dict[str, int] = {}
        merged = np.asarray([first.setdefault(word, len(first)) for word in texts], np.int32)
        return merged[codes], list(first)
    return codes.astype(np.int32, copy=False), texts


def _one_word(texts: pa.StringArray) -> bool:
    """Whether all of many texts are the same."""
    count = len(texts)
    if not count or texts.null_count:
        return False
    word = np.frombuffer(texts[0].as_py().encode(), np.uint8)
    _, ends, letters = texts.buffers()
    end = np.frombuffer(ends, np.int32)[texts.offset : texts.offset + count + 1]
    if (np.diff(end) != len(word)).any():
        return False
    if not len(word):
        return True
    every = np.frombuffer(letters, np.uint8)[end[0] : end[-1]].reshape(count, len(word))
    return bool((every == word).all())


def _plain(array: pa.Array, missing: float) -> NDArray[Any]:
    """A primitive Arrow array as NumPy, with a value for what is missing.

    Arrow's own ways load large modules, pandas among them; a short log should not wait for those.
    """
    dtype = np.dtype(str(array.type).replace("double", "float64"))
    if not len(array):
        return np.empty(0, dtype)
    values = np.frombuffer(array.buffers()[1], dtype)[array.offset : array.offset + len(array)]
    return values if not array.null_count else np.where(_given(array), values, dtype.type(missing))


def _given(array: pa.Array) -> NDArray[np.bool_]:
    """Which values of an Arrow array are there."""
    bits = array.buffers()[0]
    if bits is None or not array.null_count:
        return np.ones(len(array), bool)
    flat = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little")
    return flat[array.offset : array.offset + len(array)].astype(bool)


def _numbers(
    column: pa.ChunkedArray, want: Want, dialect: Dialect, as_text: bool
) -> tuple[NDArray[Any], NDArray[np.int8] | None]:
    """A column as numbers, and for each row 0, 1 (missing) or 2 (unreadable)."""
    if want.stamp is not None:
        from looptime.parsers.stamps_text import parse_stamps

        ns, ok, given = parse_stamps(column, want.stamp)
        return ns, _mark(ok, given, want.required)
    wrong: NDArray[np.int8] | None = None
    if as_text:
        column, wrong = _from_text(column, want, dialect)
    array = column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)
    if array.null_count and wrong is None:
        given = _given(array)
        wrong = _mark(np.ones(len(given), bool), given, want.required)
    if want.how == "number":
        if array.null_count == len(array) > 1:
            return np.broadcast_to(np.nan, len(array)), wrong
        given = _plain(array, np.nan).astype(np.float64, copy=False)
        return (np.where(np.isinf(given), np.nan, given) if np.isinf(given).any() else given), wrong
    if want.how == "count":
        counts = _plain(array, -1)
        if counts.dtype.kind == "f":
            counts = np.where(np.abs(counts) < 2**53, counts, -1)
        small = not len(counts) or (counts.max() < 2**31 and counts.min() >= -(2**31))
        return counts.astype(np.int32 if small else np.int64), wrong
    times, too_big = _to_ns(_plain(array, 0), want.unit_ns, want.span)
    if too_big is not None:
        wrong = too_big if wrong is None else np.maximum(wrong, too_big)
    return times, wrong


def _from_text(
    column: pa.ChunkedArray, want: Want, dialect: Dialect
) -> tuple[pa.ChunkedArray, NDArray[np.int8]]:
    """Cells that Arrow would not take as they stand, one by one: number, missing or unreadable."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(column)
    if dialect.decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    good = pc.match_substring_regex(text, r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
    nothing = pc.is_in(pc.utf8_lower(text), value_set=pa.array([*_NULLS, "inf", "-inf"]))
    nothing = pc.or_(pc.fill_null(nothing, True), pc.is_null(text))
    ok = pc.fill_null(good, False).to_numpy()
    wrong = _mark(ok | nothing.to_numpy(), ok, want.required)
    numbers = pc.if_else(good, text, None)
    if want.how == "time" and want.whole:
        try:  # whole numbers keep every digit
            return pc.cast(numbers, pa.int64()), wrong
        except ValueError:
            pass
    return pc.cast(numbers, pa.float64()), wrong


def _mark(ok: NDArray[np.bool_], given: NDArray[np.bool_], required: bool) -> NDArray[np.int8]:
    wrong = np.zeros(len(ok), np.int8)
    if required:
        wrong[~given] = 1
    wrong[~ok] = 2
    return wrong


def _to_ns(
    values: NDArray[Any], unit_ns: int, span: bool
) -> tuple[NDArray[np.integer], NDArray[np.int8] | None]:
    limit = 9.2e18 / unit_ns
    big = None
    least, most = (values.min(), values.max()) if len(values) else (0, 0)
    # a nan among the values makes both comparisons false
    if not (most <= limit and least >= -limit):
        big = np.where(np.abs(values) <= limit, np.int8(0), np.int8(2))
        big[np.isnan(values)] = 1
        values = np.where(big > 0, 0, values)
    short = span and max(most, -least) < LONGEST_SPAN_NS / unit_ns
    dtype = np.int32 if short else np.int64
    if values.dtype.kind == "i":
        return (values * unit_ns if unit_ns != 1 else values).astype(dtype), big
    scaled = values * float(unit_ns)
    return np.rint(scaled, out=scaled).astype(dtype), big


def _texts(data: Bytes, lines: Int) -> list[str]:
    """Lines of a block by their place."""
    if not len(lines):
        return []
    every = data.split(b"\n")
    return [every[line].decode("utf-8", "replace").rstrip("\r") for line in lines]


def _header_rows(arrow: pa.Table, dialect: Dialect, wants: list[Want]) -> NDArray[np.bool_]:
    """Rows that repeat the header."""
    import pyarrow.compute as pc

    header = dialect.header or ()
    same = np.full(arrow.num_rows, any(want.index < len(header) for want in wants))
    for want in wants:
        if want.index >= len(header):
            continue
        column = arrow.column(f"c{want.index}")
        if want.how == "word":
            column = column.cast("string")
        equal = pc.equal(pc.utf8_trim_whitespace(column), header[want.index].strip())
        same &= pc.fill_null(equal, False).to_numpy()
    return same


def _judge(
    line: int,
    text: str,
    dialect: Dialect,
    judged: list[tuple[int, str, str]],
    meta: list[tuple[str, str]],
) -> int:
    """A line that is no row as it stands: a comment, text, or a row that was cut or garbled.

    Returns 1 where it is the header again, else 0.
    """
    bare = text.strip()
    if is_remark(bare):
        key, colon, value = bare.lstrip("#").strip().partition(":")
        if bare[:1] == "#" and colon and key.strip():
            meta.append((key.strip(), value.strip()))
        return 0
    if len(text) > LONGEST_ROW:
        judged.append((line, "line too long", text[:LONGEST_ROW]))
        return 0
    for header in (dialect.raw_header, dialect.header):
        if header and tuple(c.strip() for c in split_line(bare, dialect.delimiter)) == header:
            return 1
    has_digit = any(c.isdigit() for c in bare)
    delimiter = dialect.delimiter.strip() or " "
    is_row = delimiter in bare and has_digit
    judged.append((line, "wrong number of fields" if is_row else _NO_ROW, text.rstrip("\r\n")))
    return 0
