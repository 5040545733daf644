"""One block of text parsed to columns, every row accounted for.

Arrow parses the block. Where it holds anything that Arrow cannot convert, it is read again as
text and judged row by row, so that a bad row costs one row and never the log.
"""

from __future__ import annotations

import re
from dataclasses import field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.parsers.text.cells import NULLS, Key, Want, number_column, word_codes
from looptime.parsers.text.dialect import Dialect, is_remark, named_cells, split_line
from looptime.parsers.text.source import Block, Bytes
from looptime.parsers.text.tidy import is_prose, line_count, tidy, without_loose_quotes
from looptime.records import dataclass
from looptime.schema import LIMITS, REASONS

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["Piece", "Rejects", "parse_block"]

_MISSING = "missing value"
_UNREADABLE = "unreadable number"
_NO_ROW = "not a row"
#: A limit of the loop's time, in a line such as ``# loop budget_ms: 20`` or ``deadline 20 ms``.
_LIMIT = re.compile(
    r"(?:^|[,;|])[\s#/;%*-]*(?:(?:the|our|loop|cycle|period|control|main|time|frame)[\s_-]+)*"
    rf"({'|'.join(LIMITS)})(?:[\s_]*[(\[]?(ms|us|s)\b[)\]]?)?\s*(?:[:=]|is|of)?\s*"
    r"(\d+(?:\.\d+)?)(?:\s*(ms|us|s)\b)?\s*"
    r"(?:ticks?\s*|counts?\s*)?(?:(?:per|a|each|every|/)\s*(?:loop|cycle|pass|frame|iteration)\s*)?(?:$|[,;|(])",
    re.IGNORECASE,
)
#: What a line has in it that may state the loop's pace.
_PACE = re.compile(r"\d\s*(?:hz|1/s|/s|per second|ms|us|s)\b|(?:hz|ms|us)\b", re.IGNORECASE)
#: A line that is no row and longer than this is not looked into any further [characters].
LONGEST_ROW = 64 << 10
#: A line that names a phase is no longer than this [characters].
LONGEST_MARK = 100
#: Texts kept of rows set aside; the rest are found again by their line.
TEXTS_KEPT = 2000


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

    columns: dict[Key, NDArray[Any]]
    words: dict[Key, list[str]]
    lines: Int | int
    line_count: int
    count: int
    rejects: Rejects
    meta: list[tuple[str, str]]
    between: list[tuple[int, str]]  #: Short lines that are no rows, which may name a phase
    headers: int = 0
    size: int = 1


def parse_block(block: Block, dialect: Dialect, wants: list[Want]) -> Piece:
    """Parse one block of lines."""
    data, torn = tidy(_without_header(block, dialect), dialect)
    if not data or data.isspace():
        return _no_rows(data, dialect, torn)
    odd: list[tuple[int, str]] = []
    try:
        arrow, data = _arrow_trimmed(data, dialect, wants, odd, as_text=False)
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
        if not text or text.isspace():
            return _no_rows(data, dialect, torn)
    arrow, text = _arrow_trimmed(text, dialect, wants, odd, as_text=True)
    return _piece(arrow, text, dialect, wants, (odd, torn), as_text=True)


def _without_header(block: Block, dialect: Dialect) -> Bytes:
    """Blank the header out; text before it is judged like any other line."""
    data = block.data
    if block.number:
        return data
    for line in (dialect.groups_line, dialect.header_line, dialect.units_line):
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
    told = _Told()
    headers = sum(_judge(line, text, dialect, told) for line, text in odd)
    return Piece({}, {}, 0, line_count(data), 0, told.rejects(), told.meta, told.between, headers,
                 max(1, len(data)))  # fmt: skip


def _arrow_trimmed(
    data: Bytes,
    dialect: Dialect,
    wants: list[Want],
    odd: list[tuple[int, str]],
    as_text: bool,
) -> tuple[pa.Table, Bytes]:
    """The rows of a block, and its text without empty cells beyond a row's last column."""
    arrow = _arrow(data, dialect, wants, odd, as_text)
    short = {line: cut for line, text in odd if (cut := _without_surplus(text, dialect))}
    if not short:
        return arrow, data
    lines: list[Bytes] = list(data.split(b"\n"))
    for line, text in short.items():
        lines[line] = text.encode()
    odd.clear()
    data = b"\n".join(lines)
    return _arrow(data, dialect, wants, odd, as_text), data


def _without_surplus(text: str, dialect: Dialect) -> str | None:
    """A row without the empty cells at its end that are too many; None where that is no row.

    Where most rows have an empty cell that no header names, a row without it gets one.
    """
    cells = split_line(text, dialect.delimiter)
    surplus = len(cells) - dialect.fields
    if surplus == -1 and len(cells) > 1 and dialect.header and not dialect.header[-1]:
        return text.rstrip("\r\n") + dialect.delimiter
    if surplus <= 0 or len(text) > LONGEST_ROW or any(c.strip() for c in cells[-surplus:]):
        return None
    for _ in range(surplus):
        text = text[: text.rindex(dialect.delimiter)]
    return text


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
            delimiter=dialect.delimiter,
            quote_char='"' if b'"' in data else False,  # not to look for one saves a twentieth
            invalid_row_handler=skip,
            ignore_empty_lines=False,
        ),
        convert_options=pacsv.ConvertOptions(
            include_columns=sorted(types),
            column_types=types,
            null_values=NULLS,
            decimal_point=dialect.decimal,
        ),
    )


def _word_type(want: Want, dialect: Dialect) -> pa.DataType:
    """Words are coded as they are read; one that never changes is cheaper to look at later."""
    import pyarrow as pa

    return pa.string() if want.index in dialect.steady else pa.dictionary(pa.int32(), pa.string())


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
    columns: dict[Key, NDArray[Any]] = {}
    words: dict[Key, list[str]] = {}
    bad = np.zeros(arrow.num_rows, np.int8)  # 1: missing, 2: unreadable
    no_length: NDArray[np.int8] | None = None
    timed = next((want.timed for want in wants if want.role == "mark"), frozenset())
    lengths = ("duration", "end") if timed else ("duration",)
    no_name = np.zeros(arrow.num_rows, np.int8)
    for want in wants:
        column = arrow.column(f"c{want.index}")
        if want.how == "word":
            columns[want.role], words[want.role] = word_codes(column)
            if want.required and "" in words[want.role]:
                empty = words[want.role].index("")
                lacks = no_name if want.role == "name" else bad
                lacks[columns[want.role] == empty] = 1
            if want.index == 0:  # a comment may have as many commas as a row
                for code, word in enumerate(words[want.role]):
                    if word.startswith("#"):
                        bad[columns[want.role] == code] = 2
        else:
            columns[want.role], wrong = number_column(column, want, dialect, as_text)
            if wrong is not None and want.role in lengths:
                no_length = wrong if no_length is None else np.maximum(no_length, wrong)
            elif wrong is not None:
                np.maximum(bad, wrong, out=bad)
    marked_rows = None if timed else _called_as_marked(columns, words)
    if marked_rows is not None:
        no_name[marked_rows] = 0
    np.maximum(bad, no_name, out=bad)
    if no_length is not None:
        if timed or "" in words.get("mark", ()):  # a mark is an instant
            marked = np.array([word not in (timed or ("",)) for word in words["mark"]])
            no_length[(no_length == 1) & marked[columns["mark"]]] = 0
        np.maximum(bad, no_length, out=bad)
    told = _Told()
    headers = sum(_judge(line, text, dialect, told) for line, text in [*odd, *torn])
    lines: Int | int = 0
    if odd:  # only where there are odd lines is a line kept for every row
        is_row = np.ones(arrow.num_rows + len(odd), bool)
        is_row[[line for line, _ in odd]] = False
        lines = np.flatnonzero(is_row)
    place = lines if not isinstance(lines, int) else np.arange(len(bad))
    if not any(want.required and want.how != "word" for want in wants):
        bad[_blank(data)[place]] = 1  # else its missing value tells
    if bad.any():
        doubtful = np.flatnonzero(bad)
        for row, text in zip(doubtful, _texts(data, place[doubtful]), strict=True):
            if is_remark(text) or _of_head(text, dialect):
                headers += _judge(int(place[row]), text, dialect, told)
                continue
            told.keep(int(place[row]), text)
            prose = is_prose(text, dialect, [want.index for want in wants if want.how != "word"])
            reason = _NO_ROW if prose else _MISSING if bad[row] == 1 else _UNREADABLE
            told.judged.append((int(place[row]), reason, text))
        keep = bad == 0
        columns = {role: _kept(values, keep) for role, values in columns.items()}
        for role, known in words.items():
            used, columns[role] = np.unique(columns[role], return_inverse=True)
            words[role] = [known[code] for code in used]
        lines = place[keep]
    count = len(next(iter(columns.values()))) if columns else 0
    total = arrow.num_rows + len(odd)
    return Piece(columns, words, lines, total, count, told.rejects(), told.meta, told.between,
                 headers, max(1, len(data)))  # fmt: skip


def _called_as_marked(columns: dict[Key, NDArray[Any]], words: dict[Key, list[str]]) -> Bool | None:
    """Give a row without a name that of what marks it, a value's own; the rows, None for none."""
    if not {"name", "mark"} <= words.keys() or "" not in words["name"] or not any(words["mark"]):
        return None
    name, mark = columns["name"], columns["mark"]
    rows = name == words["name"].index("")
    if "" in words["mark"]:
        rows &= mark != words["mark"].index("")
    place = {word: code for code, word in enumerate(words["name"])}
    code = np.array([place.setdefault(word, len(place)) for word in words["mark"]], np.int32)
    columns["name"], words["name"] = np.where(rows, code[mark], name), list(place)
    return np.asarray(rows)


def _kept(values: NDArray[Any], keep: Bool) -> NDArray[Any]:
    """The rows that are kept; one value for all rows stays without weight."""
    if values.strides == (0,):
        return values[: np.count_nonzero(keep)]
    return values[keep]


def _blank(data: Bytes) -> Bool:
    r"""Which lines of a block are empty.

    Examples
    --------
    >>> _blank(b"\n1,2\n\n3,4").tolist()
    [True, False, True, False]
    """
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n"))
    return np.asarray(np.diff(ends, prepend=-1, append=len(data)) == 1)


def _texts(data: Bytes, lines: Int) -> list[str]:
    """Lines of a block by their place."""
    if not len(lines):
        return []
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n"))
    stops = np.append(ends, len(data))[lines].tolist()
    begins = np.append(0, ends + 1)[lines].tolist()
    every = (data[begin:stop] for begin, stop in zip(begins, stops, strict=True))
    return [line.decode("utf-8", "replace").rstrip("\r") for line in every]


@dataclass
class _Told:
    """What the lines of a block that are no rows say."""

    judged: list[tuple[int, str, str]] = field(default_factory=list)
    meta: list[tuple[str, str]] = field(default_factory=list)
    between: list[tuple[int, str]] = field(default_factory=list)

    def keep(self, line: int, text: str) -> None:
        """Keep a line that may name a phase."""
        if len(text) <= LONGEST_MARK and len(self.between) < TEXTS_KEPT:
            self.between.append((line, text))

    def rejects(self) -> Rejects:
        """The rows set aside, in the order of their lines."""
        made = Rejects()
        for line, reason, text in sorted(self.judged):
            made.add(line, reason, text)
        return made


def _limit(text: str) -> tuple[str, str] | None:
    """The limit of a loop's time that a line states, as a key and its value with its unit, if any.

    Examples
    --------
    >>> _limit("deadline_us=10000"), _limit("// loop budget 12.5 ms"), _limit("budget: tight")
    (('deadline', '10000 us'), ('budget', '12.5 ms'), None)
    >>> _limit("# tick 1 us; deadline 2200 (start to start)"), _limit("Budget 12 ms per loop")
    (('deadline', '2200'), ('budget', '12 ms'))
    >>> _limit("# imu.read (budget 7 ms), arm.send (budget 9 ms)"), _limit("budget 3.2 ms left")
    (None, None)
    """
    found = _LIMIT.search(text[:LONGEST_MARK])
    if found is None:
        return None
    unit = found[2] or found[4] or ""
    return found[1].lower(), f"{found[3]} {unit.lower()}".strip()


def _of_head(text: str, dialect: Dialect) -> bool:
    """Whether a line is one of those above the rows again: names, their groups or units."""
    named = named_cells(text.strip(), dialect.delimiter, dialect.fields)
    return named == dialect.header or named in dialect.head


def _judge(line: int, text: str, dialect: Dialect, told: _Told) -> int:
    """A line that is no row as it stands: a comment, text, or a row that was cut or garbled.

    Returns 1 where it is the header again, else 0.
    """
    told.keep(line, text)
    bare = text.strip()
    limit = _limit(bare)
    told.meta += [limit] if limit is not None else []
    if limit is None and ":" not in bare and _PACE.search(bare[:LONGEST_MARK]):
        from looptime.stated_pace import PACE, stated_tick  # few logs state one

        pace = stated_tick(bare) if len(bare) <= LONGEST_MARK else None
        told.meta += [(PACE, pace)] if pace is not None else []
    if is_remark(bare):
        key, colon, value = bare.lstrip("#").strip().partition(":")
        if limit is None and bare[:1] == "#" and colon and key.strip():
            told.meta.append((key.strip(), value.strip()))
        return 0
    if len(text) > LONGEST_ROW:
        told.judged.append((line, "line too long", text[:LONGEST_ROW]))
        return 0
    if _of_head(bare, dialect):
        return 1
    has_digit = any(c.isdecimal() for c in bare)
    delimiter = dialect.delimiter.strip() or " "
    garbled = any(c < " " or c == "\x7f" for c in bare if c not in "\t\x1b")  # nobody writes so
    is_row = (delimiter in bare and has_digit) or garbled
    told.judged.append((line, "wrong number of fields" if is_row else _NO_ROW, text.rstrip("\r\n")))
    return 0
