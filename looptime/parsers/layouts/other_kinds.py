"""Rows of another kind between those of calls, which by their kind never hold a length."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool
from looptime.parsers.columns.headers import Head
from looptime.parsers.layouts.contract import Given
from looptime.parsers.text.dialect import Dialect, is_missing, is_number
from looptime.parsers.text.table import Table
from looptime.records import dataclass

__all__ = ["KINDS", "OtherKinds", "kinds_of", "other_kinds", "told_apart"]

#: Why a column tells calls from other rows.
KINDS = "rows with some of its words never hold a length, those with the others do"
#: Words of a column that tells kinds, or is that of the names.
_MOST_WORDS = 200
#: Rows without a length, and the share of those with one, from which on a kind is told.
_FEWEST, _FEW = 5, 0.05
#: Share of the rows of a kind that hold a length where some were damaged.
_TIMED = 0.8


@dataclass(frozen=True)
class OtherKinds:
    """What tells calls from rows of another kind."""

    by: Head  #: The column whose words say it
    length: Head  #: The column that the others hold nothing in
    timed: frozenset[str]  #: Its words beside which a length stands
    calls: Dialect  #: The first rows without the others
    others: Dialect  #: And those alone

    def lack_lengths(self, made: Given) -> bool:
        """Whether what the others hold nothing in is the length of calls, or their end."""
        return self.length in (made.one.get("duration"), made.one.get("end"))

    def value(self, found: list[Head]) -> Head | None:
        """The column that holds numbers in others and nothing in calls."""
        own = (
            h
            for h in found
            if not _there(self.calls, h).any()
            and _there(self.others, h).any()
            and _numbers_or_nothing(self.others, h)
        )
        return next(own, None)

    def are_others(self, name: Head, found: list[Head]) -> bool:
        """Whether rows without a length are no calls of which nobody knows how long they took."""
        called = {row[name.index] for row in self.calls.sample}
        value = self.value(found)
        there = [value is not None and not is_missing(row[value.index])
                 for row in self.others.sample]  # fmt: skip
        names = [row[name.index] for row in self.others.sample]
        often = len(self.calls.sample) / max(len(called), 1)
        if value is None and max(Counter(names).values(), default=0) > often / 2:
            return False  # as often as calls and with nothing beside it: one that came to no end
        return all(has or one not in called for has, one in zip(there, names, strict=True))

    def marked(self, given: Given, found: list[Head]) -> Given:
        """The parts of columns, with those that tell the others and hold their values."""
        one = {part: head for part, head in given.one.items() if head is not self.by or
               part == "name" or len(self.timed) > 1}  # fmt: skip
        value = self.value(found)
        one |= {"mark": self.by} | ({} if value is None else {"value": value})
        told = {**given.told, "mark": KINDS}
        return replace(given, one=one, told=told, timed=self.timed)


def other_kinds(found: list[Head], dialect: Dialect, length: Head) -> OtherKinds | None:
    """What tells calls from rows of another kind by a word; None where all rows may be calls.

    A row that lost its length has a word beside which others hold one.

    Parameters
    ----------
    found : list of Head
        Every column.
    dialect : Dialect
        How the log is written, with its first rows.
    length : Head
        The column that calls have a length, or an end, in.
    """
    holds = _there(dialect, length)
    if (~holds).sum() < _FEWEST or holds.mean() < _FEW:
        return None
    best: tuple[int, OtherKinds] | None = None
    for head in found:
        cells = [row[head.index] for row in dialect.sample]
        words, code = np.unique(np.array(cells), return_inverse=True)
        few = 2 <= len(words) <= _MOST_WORDS and (best is None or len(words) < best[0])
        if head is length or not few or any(is_number(w) and "." in w for w in words):
            continue
        share = np.bincount(code, holds) / np.bincount(code)
        if not ((share == 0) | (share >= _TIMED)).all():
            continue
        timed = share[code] > 0
        if any(is_missing(word) for word in words[share > 0]):  # it is what the others hold
            continue
        split = (_only(dialect, timed), _only(dialect, ~timed))
        best = len(words), OtherKinds(head, length, frozenset(words[share > 0].tolist()), *split)
    return None if best is None else best[1]


def kinds_of(found: list[Head], dialect: Dialect, length: Head | None) -> Iterator[OtherKinds]:
    """The same, by any column that may hold lengths where no header names it."""
    for head in [length] if length is not None else found:
        if length is not None or _numbers_or_nothing(dialect, head):
            kinds = other_kinds(found, dialect, head)
            if kinds is not None:
                yield kinds


def told_apart(table: Table, timed: frozenset[str]) -> None:
    """Let the words of a table's kinds be those of marks: nothing, ``signal`` or ``note``.

    Parameters
    ----------
    table : Table
        Its column ``mark`` is replaced.
    timed : frozenset of str
        Words of calls; one that is not known and stands beside a length is another.
    """
    at, words = table.columns, table.words["mark"]
    took = at["duration"] if "duration" in at else at["end"]
    long = np.bincount(at["mark"], took > 0, len(words)) > 0
    calls = np.array([word in timed for word in words]) | long
    value = at.get("value", np.full(len(table), np.nan))
    at["mark"] = np.where(calls[at["mark"]], 0, np.where(np.isfinite(value), 1, 2)).astype(np.int8)
    if "end" in at:
        at["end"] = np.where(at["mark"] > 0, at["start"], at["end"])
    table.words["mark"] = ["", "signal", "note"]


def _there(dialect: Dialect, head: Head) -> Bool:
    return np.array([not is_missing(row[head.index]) for row in dialect.sample], bool)


def _numbers_or_nothing(dialect: Dialect, head: Head) -> bool:
    cells = [row[head.index] for row in dialect.sample]
    return all(is_missing(cell) or is_number(cell, dialect.decimal) for cell in cells)


def _only(dialect: Dialect, rows: Bool) -> Dialect:
    kept = tuple(row for row, ours in zip(dialect.sample, rows, strict=True) if ours)
    return replace(dialect, sample=kept)
