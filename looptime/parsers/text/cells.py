"""Cells of one block as numbers and coded words, each cell that is none told apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.parsers.text.buffers import plain, present, spans
from looptime.parsers.text.dialect import Dialect, unquoted
from looptime.records import dataclass

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["NULLS", "Key", "Member", "Want", "in_32_bits", "lengths", "number_column", "word_codes"]

#: Cells that say that there is no value.
NULLS = ["", "nan", "NaN", "NAN", "na", "NA", "n/a", "N/A", "null", "NULL", "None", "none", "-"]
#: Words that change less often than in this share of the rows are told by where they change.
_FEW_CHANGES = 0.3
#: Lengths of time below this are kept in 32 bits: two of them still add up in those [ns].
LONGEST_SPAN_NS = 1 << 30


class Member(NamedTuple):
    """One of several columns that play the same part, by its place among them or its name."""

    group: str
    place: int | str


#: What a column is known by: the part that it plays alone, or its place among others.
Key = str | Member


@dataclass(frozen=True)
class Want:
    """A column that a layout asks for."""

    role: Key  #: What the column is known by in the result
    index: int  #: Its place in the row, from 0
    #: ``time`` (to int64 ns), ``number`` (float64, NaN where missing), ``count`` (int64, -1 where
    #: missing) or ``word`` (codes into a list of texts).
    how: str
    unit_ns: int = 1  #: Nanoseconds in one unit of a time
    required: bool = False  #: Whether a row without it is set aside
    whole: bool = True  #: Whether the first rows of a time column hold whole numbers only
    #: Date-time format of a time column that holds no numbers; see
    #: `looptime.parsers.text.datetimes`.
    stamp: str | None = None
    #: Whether a time is a length and not an instant: kept in 32 bits where all of them fit.
    span: bool = False
    #: Of words that tell kinds of rows, those of rows that must hold a length.
    timed: frozenset[str] = frozenset()


def word_codes(column: pa.ChunkedArray) -> tuple[Int, list[str]]:
    """Codes and texts of a dictionary column; spaces around a word do not count."""
    if column.num_chunks == 0:
        return np.empty(0, np.int32), []
    chunk = column.combine_chunks() if column.num_chunks > 1 else column.chunk(0)
    if not hasattr(chunk, "dictionary"):
        if str(chunk.type) != "string":  # numbers, where the column is wanted as both
            chunk = chunk.cast("string")
        if _one_word(chunk):
            return np.broadcast_to(np.int32(0), len(chunk)), [unquoted(chunk[0].as_py().strip())]
        starts = _changes(chunk)
        if not chunk.null_count and len(starts) <= _FEW_CHANGES * len(chunk):
            return _merged(*_coded(chunk, starts))
        chunk = chunk.dictionary_encode()
    texts = chunk.dictionary.to_pylist()
    codes = plain(chunk.indices, len(texts))
    return _merged(codes, [*texts, ""] if chunk.null_count else texts)


def _merged(codes: Int, words: list[Any]) -> tuple[Int, list[str]]:
    """Codes and texts, those that differ by what does not count taken together."""
    texts = [unquoted(str(word).strip()) for word in words]
    if len(set(texts)) < len(texts):
        first: dict[str, int] = {}
        merged = np.asarray([first.setdefault(word, len(first)) for word in texts], np.int32)
        return merged[codes], list(first)
    return codes.astype(np.int32, copy=False), texts


def _coded(texts: pa.StringArray, starts: NDArray[np.intp]) -> tuple[NDArray[np.int32], list[str]]:
    """Codes and texts of words that mostly stay the same from row to row, as phases do.

    Arrow's own encoding loads a module that takes longer to load than a short log to read.
    """
    end, letters = spans(texts)
    begin, length = end[starts], np.diff(end)[starts]
    known: list[NDArray[np.intp]] = []  # where each word is met first, and all its places
    for size in np.flatnonzero(np.bincount(length)).tolist():
        at = np.flatnonzero(length == size)
        word = letters[begin[at, None] + np.arange(size)].view(f"S{size}") if size else at * 0
        code = np.unique(word.ravel(), return_inverse=True)[1]
        known += [at[code == k] for k in range(code.max() + 1)]
    known.sort(key=lambda places: int(places[0]))
    codes = np.empty(len(starts), np.int32)
    for k, places in enumerate(known):
        codes[places] = k
    words = [texts[int(starts[places[0]])].as_py() for places in known]
    return np.repeat(codes, np.diff(starts, append=len(texts))), words


def _changes(texts: pa.StringArray) -> NDArray[np.intp]:
    """Rows whose word is not that of the row before, the first row among them."""
    end, letters = spans(texts)
    length = np.diff(end)
    new = np.append(True, length[1:] != length[:-1])[: len(length)]
    for size in np.flatnonzero(np.bincount(length)).tolist():
        row = np.flatnonzero(~new & (length == size))
        for letter in range(size):
            at = end[row] + letter
            new[row] |= letters[at] != letters[at - size]
    return np.flatnonzero(new)


def _one_word(texts: pa.StringArray) -> bool:
    """Whether all of many texts are the same."""
    count = len(texts)
    if not count or texts.null_count:
        return False
    word = texts[0].as_py().encode()
    end, letters = spans(texts)
    if end[-1] - end[0] != count * len(word) or (np.diff(end) != len(word)).any():
        return False
    return letters[end[0] : end[-1]].tobytes() == word * count


def number_column(
    column: pa.ChunkedArray, want: Want, dialect: Dialect, as_text: bool
) -> tuple[NDArray[Any], NDArray[np.int8] | None]:
    """A column as numbers, and for each row 0, 1 (missing) or 2 (unreadable)."""
    if want.stamp is not None:
        from looptime.parsers.text.datetimes import parse_stamps

        ns, ok, given = parse_stamps(column, want.stamp)
        return ns, _mark(ok, given, want.required)
    wrong: NDArray[np.int8] | None = None
    if as_text:
        column, wrong = _from_text(column, want, dialect)
    array = column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)
    if array.null_count and wrong is None:
        given = present(array)
        wrong = _mark(np.ones(len(given), bool), given, want.required)
    if want.how == "number":
        if array.null_count == len(array) > 1:
            return np.broadcast_to(np.nan, len(array)), wrong
        given = plain(array, np.nan).astype(np.float64, copy=False)
        return (np.where(np.isinf(given), np.nan, given) if np.isinf(given).any() else given), wrong
    if want.how == "count":
        counts = plain(array, -1)
        if counts.dtype.kind == "f":
            counts = np.where(np.abs(counts) < 2**53, counts, -1)
        return in_32_bits(counts.astype(np.int64, copy=False)), wrong
    times, too_big = _to_ns(plain(array, 0), want.unit_ns, want.span)
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
    nothing = pc.is_in(pc.utf8_lower(text), value_set=pa.array([*NULLS, "inf", "-inf"]))
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


def _mark(ok: Bool, given: Bool, required: bool) -> NDArray[np.int8]:
    wrong = np.zeros(len(ok), np.int8)
    if required:
        wrong[~given] = 1
    wrong[~ok] = 2
    return wrong


def _ends(values: NDArray[Any]) -> tuple[float, float]:
    """Least and greatest, as numbers that do not overflow; 0 for none."""
    return (values.min().item(), values.max().item()) if len(values) else (0, 0)


def in_32_bits(values: NDArray[Any]) -> NDArray[Any]:
    """Whole numbers in half the memory, where they fit.

    Examples
    --------
    >>> in_32_bits(np.array([7, 2**31])).dtype.name, in_32_bits(np.array([7, -(2**31)])).dtype.name
    ('int64', 'int32')
    """
    least, most = _ends(values)
    return values.astype(np.int32) if least >= -(2**31) and most < 2**31 else values


def lengths(end: Int, start: Int) -> Int:
    """End minus start, written over `end`, and in half the memory where all are spans [ns].

    Examples
    --------
    >>> lengths(np.array([5, 2**40]), np.array([2, 2**40 - 9])), lengths(np.array([2**40]), 0).dtype
    (array([3, 9], dtype=int32), dtype('int64'))
    """
    np.subtract(end, start, out=end)
    least, most = _ends(end)
    return end.astype(np.int32) if max(most, -least) < LONGEST_SPAN_NS else end


def _to_ns(values: NDArray[Any], unit_ns: int, span: bool) -> tuple[Int, NDArray[np.int8] | None]:
    limit = 9.2e18 / unit_ns
    big = None
    least, most = _ends(values)
    # a nan among the values makes both comparisons false
    if not (most <= limit and least >= -limit):
        big = np.where((values <= limit) & (values >= -limit), np.int8(0), np.int8(2))
        big[np.isnan(values)] = 1
        values = np.where(big > 0, 0, values)
        least, most = _ends(values)
    short = span and max(most, -least) < LONGEST_SPAN_NS / unit_ns
    dtype = np.int32 if short else np.int64
    if values.dtype.kind == "i":
        return (values * unit_ns if unit_ns != 1 else values).astype(dtype), big
    scaled = values * float(unit_ns)
    return np.rint(scaled, out=scaled).astype(dtype), big
