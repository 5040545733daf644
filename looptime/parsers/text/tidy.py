"""Lines of a block made fit to parse: line ends, blanks, and quotes that were never closed."""

import re

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool
from looptime.parsers.text.dialect import DATED, Dialect, is_missing, is_number, split_line
from looptime.parsers.text.source import HOLE, Bytes

__all__ = ["is_prose", "line_count", "tidy", "without_loose_quotes"]

_DATED = re.compile(DATED.pattern.encode())
#: A quoted cell may hold line breaks, but not this many.
_MOST_LINES = 20


def line_count(data: Bytes) -> int:
    r"""Number of lines, the last one with or without an end.

    Examples
    --------
    >>> line_count(b"a\nb\n"), line_count(b"a\nb")
    (2, 2)
    """
    ends = int(np.count_nonzero(np.frombuffer(data, np.uint8) == ord("\n")))
    return ends + bool(data and not data.endswith(b"\n"))


def is_prose(text: str, dialect: Dialect, number_columns: list[int]) -> bool:
    r"""Whether a line with as many cells as a row is text all the same.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("t_ms,x\n1,2\n", "a.csv")
    >>> is_prose("warning: 3, hot", like, [0, 1]), is_prose("1O.5,2", like, [0, 1])
    (True, False)
    """
    if not any(c.isdecimal() for c in text):
        return not any(is_missing(cell) for cell in split_line(text, dialect.delimiter))
    if len(number_columns) < 2:
        return False
    cells = split_line(text, dialect.delimiter)
    numbers = [cells[at] for at in number_columns if at < len(cells)]
    return not any(is_missing(c) or is_number(c, dialect.decimal) for c in numbers)


def tidy(data: Bytes, dialect: Dialect) -> tuple[Bytes, list[tuple[int, str]]]:
    r"""Make a block of lines fit to parse, without moving any line.

    Returns
    -------
    data : bytes
        The same number of lines.
    torn : list of (int, str)
        Lines, counted from 0, that were blanked out because they hold a quote that is never
        closed, which would swallow the rows after it, or have a hole.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("name,x\na,1\n", "a.csv")
    >>> tidy(b'a,1\n"b,2\nc,3\n', like)
    (b'a,1\n\nc,3\n', [(1, '"b,2')])
    """
    holes: list[tuple[int, str]] = []
    if not data.isascii():
        # byte-order marks stand within a log where files were joined
        data = data.decode("utf-8", "replace").replace("\ufeff", "").encode()
        if HOLE in data:
            data, holes = _without_holes(data)
    if b"\r" in data:
        data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b" ")
    if dialect.delimiter == " ":
        data = _DATED.sub(rb"\1T\2", data)
        data = re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+|(?<![ \t])[ \t]+$", b"", data))
    if b'"' not in data:
        return data, holes
    if dialect.spaced_quotes:
        mark = dialect.delimiter.encode()
        # a quoted cell is passed over whole: blanks in it stay
        spaced = re.compile(rb'("(?:[^"\n]|"")*")|' + re.escape(mark) + rb'[ \t]+(?=")')
        data = spaced.sub(lambda found: found[1] or mark, data)
    data, torn = _closed(data, dialect)
    return data, holes + torn


def _without_holes(data: Bytes) -> tuple[Bytes, list[tuple[int, str]]]:
    """Blank out lines in which a stretch of the file is no text: a row there is two, or a part."""
    lines: list[Bytes] = list(data.split(b"\n"))
    found = []
    for at, line in enumerate(lines):
        if HOLE in line:
            lines[at] = b""
            if line.replace(HOLE, b"").strip():  # an end of a file that was never written is none
                found.append((at, line.decode("utf-8", "replace")))
    return b"\n".join(lines), found


def _closed(data: Bytes, dialect: Dialect) -> tuple[Bytes, list[tuple[int, str]]]:
    """Join the lines of a quoted cell that holds line breaks; blank out quotes never closed."""
    odd = _odd_lines(data)
    if not odd:
        return data, []
    lines: list[Bytes] = list(data.split(b"\n"))
    torn: list[tuple[int, str]] = []
    at = 0
    while at < len(odd):
        first = odd[at]
        last = odd[at + 1] if at + 1 < len(odd) else first
        if first < last <= first + _MOST_LINES:
            joined = b" ".join(line.strip() for line in lines[first : last + 1])
            cells = split_line(joined.decode("utf-8", "replace"), dialect.delimiter)
            if len(cells) == dialect.fields:
                lines[first] = joined
                lines[first + 1 : last + 1] = [b""] * (last - first)
                at += 2
                continue
        torn.append((first, lines[first].decode("utf-8", "replace")))
        lines[first] = b""
        at += 1
    return b"\n".join(lines), torn


def _all_closed(marks: NDArray[np.uint8]) -> bool:
    r"""Whether every line has an even number of quotes; in a quarter of the time of their places.

    A bit a letter: each becomes the parity of the quotes up to it, in its word by doubling, then
    with those of the words before. No line may end where that is odd.

    Examples
    --------
    >>> [_all_closed(np.frombuffer(text, np.uint8)) for text in (b'"a",1\n"b"', b'"a\n"')]
    [True, False]
    """
    inside, end = _bits(marks == ord('"')), _bits(marks == ord("\n"))
    for length in (1, 2, 4, 8, 16, 32):
        inside ^= inside << np.uint64(length)
    odd = inside >> np.uint64(63)
    inside ^= ((np.cumsum(odd) - odd) & np.uint64(1)) * np.uint64(2**64 - 1)
    return not (inside & end).any() and not int(inside[-1]) >> 63


def _bits(marked: Bool) -> NDArray[np.uint64]:
    """Marks as bits of words, the first the lowest; one word more than there is need for."""
    packed = np.packbits(marked, bitorder="little")
    words = np.zeros(len(packed) // 8 + 1, "<u8")
    words.view(np.uint8)[: len(packed)] = packed
    return words


def _odd_lines(data: Bytes) -> list[int]:
    """Lines, counted from 0, with an odd number of quotes."""
    marks = np.frombuffer(data, np.uint8)
    if _all_closed(marks):
        return []
    quote, end = np.flatnonzero(marks == ord('"')), np.flatnonzero(marks == ord("\n"))
    before = np.concatenate([[0], np.searchsorted(quote, end), [len(quote)]])
    odd: list[int] = np.flatnonzero(np.diff(before) % 2).tolist()
    return odd


def without_loose_quotes(data: Bytes, dialect: Dialect) -> tuple[Bytes, list[tuple[int, str]]]:
    r"""Blank out lines whose quotes stand elsewhere than around a whole cell.

    Returns
    -------
    data, torn
        As for `tidy`.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("name,x\na,1\n", "a.csv")
    >>> without_loose_quotes(b'a"b,"2\n"c,d",3\n', like)
    (b'\n"c,d",3\n', [(0, 'a"b,"2')])
    """
    mark = re.escape(dialect.delimiter.encode())
    cell = rb'(?:"(?:[^"]|"")*"|[^"' + mark + rb"]*)"
    good = re.compile(cell + rb"(?:" + mark + cell + rb")*")
    lines: list[Bytes] = list(data.split(b"\n"))
    torn = []
    for at, line in enumerate(lines):
        if b'"' in line and not good.fullmatch(line):
            torn.append((at, line.decode("utf-8", "replace")))
            lines[at] = b""
    return b"\n".join(lines), torn
