"""Rows that hold more or fewer cells than the first: those of another loop, and mere messages."""

from collections import Counter

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.evidence import scatter
from looptime.parsers.text.dialect import Dialect, is_number, split_line
from looptime.parsers.text.table import Table
from looptime.schema import REASONS

__all__ = ["of_another_kind", "of_another_loop", "refuse_messages"]

#: Rows by which a pace is told, the share of all rows that they are, and how unlike steps may be.
_ENOUGH, _MANY, _EVEN = 30, 0.05, 0.5
#: Share of the rows set aside that are of one width.
_ALIKE = 0.95
#: Share of the lines that have as many words as the first, from which they may be rows of one kind.
_ONE_KIND = 0.7
_WIDTH, _OTHER = (REASONS.index(one) for one in ("wrong number of fields", "other thread"))


def of_another_loop(table: Table, dialect: Dialect, clock: int) -> None:
    """Book rows of another width as those of another loop, in place, where they keep a pace.

    Rows that were damaged are of any width and stand anywhere; those of another loop are all of
    one width, and the time in them goes on evenly from the first to the last.

    Parameters
    ----------
    table : Table
        The rows that are left, and those that were set aside.
    dialect : Dialect
        How they are written.
    clock : int
        Column of the time.
    """
    bad = table.rejects
    mine = [at for at, reason in enumerate(bad.reason) if reason == _WIDTH]
    if len(mine) < max(_ENOUGH, _MANY * (len(table) + len(mine))):
        return
    rows = [split_line(bad.text[at], dialect.delimiter) for at in mine if bad.text[at]]
    width, count = Counter(map(len, rows)).most_common(1)[0] if rows else (0, 0)
    if count < _ALIKE * len(rows) or clock >= width:
        return
    cells = [row[clock] for row in rows if len(row) == width]
    known = [float(c.replace(",", ".")) for c in cells if is_number(c, dialect.decimal)]
    if len(known) < _ALIKE * len(cells) or scatter(np.diff(known)) > _EVEN:
        return
    for at in mine:
        bad.reason[at] = _OTHER


def of_another_kind(table: Table, dialect: Dialect) -> None:
    """Book rows of another width that begin with another word as such, in place.

    Parameters
    ----------
    table : Table
        The rows that are left, and those that were set aside.
    dialect : Dialect
        How they are written: each behind the word of its kind.
    """
    bad, own = table.rejects, dialect.sample[0][0]
    for at, reason in enumerate(bad.reason):
        word = split_line(bad.text[at], dialect.delimiter)[0].strip() if bad.text[at] else own
        if reason == _WIDTH and word != own and word.isidentifier():
            bad.reason[at] = _OTHER


def refuse_messages(table: Table, dialect: Dialect, times: Float | Int) -> None:
    """Refuse lines of a stamp and words, of any number, that come at no pace.

    Those that happen to have as many words as the first would else be taken for loops.

    Parameters
    ----------
    table : Table
        The rows that are left, and those that were set aside.
    dialect : Dialect
        How they are written.
    times : ndarray, shape (rows,)
        Of the rows that are left, in any unit.

    Raises
    ------
    LogError
        With what to do.
    """
    other = sum(reason == _WIDTH for reason in table.rejects.reason)
    words = any(cell[:1].isalpha() for row in dialect.sample for cell in row)
    if dialect.header or not words or len(table) > _ONE_KIND * (len(table) + other):
        return
    if len(times) > 2 and scatter(np.diff(times)) <= _EVEN:
        return
    raise LogError(
        "holds messages of a time and words that come at no pace: what a loop of the robot takes "
        "is not in them. Log each loop's begin, or how long it and its calls took",
    )
