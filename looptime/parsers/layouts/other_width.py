"""Rows of another loop, which hold more or fewer cells than those of the first."""

from collections import Counter

import numpy as np

from looptime.parsers.columns.evidence import scatter
from looptime.parsers.text.dialect import Dialect, is_number, split_line
from looptime.parsers.text.table import Table
from looptime.schema import REASONS

__all__ = ["of_another_loop"]

#: Rows by which a pace is told, the share of all rows that they are, and how unlike steps may be.
_ENOUGH, _MANY, _EVEN = 30, 0.05, 0.5
#: Share of the rows set aside that are of one width.
_ALIKE = 0.95
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
