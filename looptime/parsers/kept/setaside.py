"""Rows that were set aside, with their text as it stands in the log."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from looptime.errors import UsageError
from looptime.files import whole_file
from looptime.parsers.text.source import blocks, is_same_file, open_source, stored
from looptime.parsers.text.tidy import line_count
from looptime.schema import REASONS

if TYPE_CHECKING:
    from looptime.parsers.log import Log

__all__ = ["lines_at", "neutral", "set_aside_rows", "write_set_aside"]

#: A spreadsheet takes a cell that begins with one of these for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")


def lines_at(path: str | os.PathLike[str], numbers: Iterable[int]) -> dict[int, str]:
    """Lines of a log by their number, counted from 1; the log is read up to the last of them.

    Parameters
    ----------
    path : path-like
        The log, compressed or not.
    numbers : iterable of int
        Lines that are wanted.
    """
    wanted = np.unique(np.fromiter(numbers, np.int64))
    found: dict[int, str] = {}
    before = 0
    at = 0
    for block in blocks(open_source(path)):
        if at >= len(wanted):
            break
        count = line_count(block.data)
        last = int(np.searchsorted(wanted, before + count, side="right"))
        if last > at:
            lines = block.data.split(b"\n")
            for number in wanted[at:last].tolist():
                text = lines[number - before - 1].decode("utf-8", "replace")
                found[number] = text.rstrip("\r")
            at = last
        before += count
    return found


def set_aside_rows(log: Log, most: int | None = None) -> list[tuple[int, str, str]]:
    """Line, reason and text of the rows of a log that were set aside, in the order of the log.

    Parameters
    ----------
    log : Log
        As `looptime.read_log` returns it.
    most : int, optional
        Only the first so many.
    """
    rows: list[tuple[int, str, str]] = []
    for run in log.runs:
        aside = run.set_aside
        texts = [*aside.text, *[""] * (len(aside) - len(aside.text))]
        reasons = [REASONS[code] for code in aside.reason]
        rows += list(zip(aside.line.tolist(), reasons, texts, strict=True))
    rows.sort(key=lambda row: row[0])
    rows = rows if most is None else rows[:most]
    unread = [line for line, _, text in rows if not text]
    # an export keeps the lines and reasons; its own text is not the log's
    one_file = os.path.isfile(log.path)  # threads of one run have a file each
    again = lines_at(log.path, unread) if unread and one_file and not stored(log.path) else {}
    return [(line, why, text or again.get(line, "")) for line, why, text in rows]


def neutral(text: str) -> str:
    """Text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> neutral("=1+1"), neutral("gyro.read")
    ("'=1+1", 'gyro.read')
    """
    plain = "".join(c if c >= " " or c == "\t" else " " for c in text)
    return f"'{plain}" if plain.lstrip(" ").startswith(_FORMULA) else plain


def write_set_aside(log: Log, path: str | os.PathLike[str]) -> int:
    """Write the rows of a log that were set aside as CSV: ``line,reason,text``.

    Parameters
    ----------
    log : Log
        As `looptime.read_log` returns it.
    path : path-like
        File to write. No cell of it can act as a formula in a spreadsheet.

    Returns
    -------
    int
        Number of rows written.

    Raises
    ------
    UsageError
        If the file is the log itself or cannot be written.
    """
    place = Path(os.fspath(path))
    if is_same_file(place, log.path):
        raise UsageError(f"{place} is the log itself: name another file for the rows set aside")
    rows = set_aside_rows(log)
    with whole_file(place) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("line", "reason", "text"))
        writer.writerows((line, reason, neutral(text)) for line, reason, text in rows)
    return len(rows)
