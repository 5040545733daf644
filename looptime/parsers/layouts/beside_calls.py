"""What stands beside timed calls: signals in rows or columns of their own, marks, row numbers."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.signals import row_numbers
from looptime.parsers.layouts.contract import CallRows, Given
from looptime.parsers.text.dialect import Dialect
from looptime.parsers.text.table import Table
from looptime.signal_names import known_as
from looptime.stats.arrays import distinct

__all__ = ["is_place_in_loop", "with_columns", "with_marks", "with_row_numbers"]

#: Words of marks that say what a row is; any other beside a value names that value.
_KINDS = ("signal", "published", "used")
#: Rows that fall back from which on numbers may begin anew in each loop, their share of all rows,
#: and the share of the falls that must be to the first places or at another loop's number.
_FEWEST, _ANEW, _MOSTLY = 30, 0.02, 0.9
#: A number of eight bits wraps at the next one.
_BYTE = 255


def with_row_numbers(made: Given | None, found: list[Head], dialect: Dialect) -> Given | None:
    """The parts of a log with the column that numbers its rows, where no header says so."""
    if made is None or "seq" in made.one:
        return made
    return replace(made, one={**row_numbers(found, made.one.values(), dialect), **made.one})


def is_place_in_loop(number: Int, thread: Int | None, loop: Int | None) -> bool:
    """Whether numbers of rows begin anew in each loop: they are places in it and count no rows.

    Parameters
    ----------
    number : int array, shape (n,)
        Below 0 where a row has none.
    thread, loop : int array, shape (n,), optional
        Of each row.

    Examples
    --------
    >>> is_place_in_loop(np.arange(400) % 8, None, None)
    True
    >>> is_place_in_loop(np.arange(40_000) % 256, None, None)
    False
    """
    mine = number >= 0
    if thread is not None and len(thread) and thread.strides != (0,):
        mine = mine & (thread == np.bincount(thread).argmax())
    where = slice(None) if mine.all() else mine
    own = np.asarray(number)[where]
    fall = np.flatnonzero(own[1:] < own[:-1])
    if len(fall) < _FEWEST or len(fall) < _ANEW * len(own):
        return False
    to_first = own[fall + 1] <= own.min() + 1
    if loop is not None:
        to_first &= loop[where][fall + 1] != loop[where][fall]
    return bool(to_first.mean() >= _MOSTLY and (loop is not None or own.max() < _BYTE))


def with_columns(rows: CallRows, table: Table) -> CallRows:
    """Calls with the signals that columns of their own hold in some of the rows."""
    found = {}
    for name, column in table.group("signal").items():
        values = column[_places(rows)]
        there = np.isfinite(values)
        if there.any():
            found[str(name)] = (rows.start[there], values[there])
    return replace(rows, signals=rows.signals | found) if found else rows


def with_marks(rows: CallRows, table: Table) -> CallRows:
    """Take note of the signal rows and the marks between the calls, and of values in their rows."""
    words = table.words["mark"]
    mark = table.columns["mark"][_places(rows)]
    code = {word: words.index(word) for word in _KINDS if word in words}
    signals = dict(rows.signals)
    on_call = np.zeros(len(mark), bool)
    if "value" in table.columns:
        value = table.columns["value"][_places(rows)]
        for name, mine in _named(rows, mark, value, words, code):
            known, factor = known_as(name)
            if known in signals:
                known, factor = name, 1.0
            signals[known] = (rows.start[mine], value[mine] * factor)
        kinds = np.isin(mark, list(code.values()))
        on_call = ~kinds & np.isfinite(value) & (rows.duration > 0)
    handed = np.flatnonzero(
        np.isin(mark, [code[word] for word in ("published", "used") if word in code])
    )
    marks = None
    if len(handed):
        thread = np.zeros(len(handed), np.int16) if rows.thread is None else rows.thread[handed]
        used = mark[handed] == code.get("used", -1)
        marks = (rows.start[handed], thread, rows.name[handed], used)
    hidden = mark != words.index("") if "" in words else np.ones(len(mark), bool)
    hidden &= ~on_call
    if rows.hidden is not None:
        hidden |= rows.hidden
    return replace(rows, signals=signals, marks=marks, hidden=hidden)


def _named(
    rows: CallRows, mark: Int, value: Float, words: list[str], code: dict[str, int]
) -> list[tuple[str, Int]]:
    """Each signal's name with its rows: those of ``signal``, else those that share a mark."""
    here = np.flatnonzero(mark == code.get("signal", -1))
    found = [(rows.names[n], here[rows.name[here] == n]) for n in distinct(rows.name[here])]
    for k, word in enumerate(words):
        mine = np.flatnonzero((mark == k) & np.isfinite(value))
        if word and word not in _KINDS and word != "note" and len(mine):
            found.append((word, mine))
    return found


def _places(rows: CallRows) -> slice | Int:
    """Where rows stand in their table."""
    return slice(rows.first, rows.first + len(rows)) if rows.row is None else rows.row
