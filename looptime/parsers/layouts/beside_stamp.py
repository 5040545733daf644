"""A part that a row holds though it lies on the other side of the row's stamp."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.parsers.columns.unit import tick_of
from looptime.parsers.layouts.contract import LoopRows

__all__ = ["beside_stamp", "taken_over"]

#: Rows from which on anything is told; those that must be longer than their loop, and how many of
#: these may still be when one part is taken from the row beside; what is left over then, at most.
_ENOUGH, _LONGER, _STILL, _EVENER = 20, 5, 0.1, 0.5
#: Rows by which it is told.
_ROWS = 50_000


def beside_stamp(found: LoopRows, values: Int, unit_ns: int) -> int | None:
    """The column whose length belongs to the loop of the row beside; None where none does.

    The wait that a row's stamp ends may stand in that row: it is of the loop before. Then the parts
    of a row after a long one are shorter than their loop and those of the long one longer, which no
    loop is. The parts are in their own rows where none is longer than its loop.

    Parameters
    ----------
    found : LoopRows
        Loops whose starts are the rows' stamps, or whose ends are.
    values : int64 array, shape (n, k) [ns]
        What each part took in the row of each loop.
    unit_ns : int
        The finest unit of any column.

    Examples
    --------
    >>> work = np.random.default_rng(1).integers(3, 9, 60) * 1_000_000
    >>> stamp = 20_000_000 * np.arange(60)
    >>> wait = 20_000_000 - work
    >>> rows = LoopRows(np.arange(60), stamp)
    >>> before = np.append(0, wait[:-1])  # each row holds the wait that its stamp ends
    >>> beside_stamp(rows, np.stack([work, before], axis=1), 1000)
    1
    >>> beside_stamp(rows, np.stack([work, wait], axis=1), 1000) is None
    True
    """
    if found.period is not None or found.body is not None or values.shape[1] < 2:
        return None
    values, known = values[:_ROWS], _whole(found)[:_ROWS]
    period = np.append(np.diff(found.start[:_ROWS]), 0)
    if found.ended:
        period = np.append(0, period[:-1])
    if known.sum() < _ENOUGH:
        return None
    ticks = sum(tick_of(column, unit_ns) for column in values.T)
    room = float(ticks + tick_of(found.start[:_ROWS], unit_ns))
    rest = (period - values.sum(axis=1))[known].astype(float)
    longer = int((rest < -room).sum())
    if longer < _LONGER:
        return None
    left = {}
    for column in range(values.shape[1]):
        moved = rest + (values[:, column] - taken_over(values[:, column], found.ended))[known]
        if (moved < -room).sum() <= _STILL * longer:
            left[column] = _off(moved)
    best = min(left, key=left.__getitem__, default=None)
    return best if best is not None and left[best] <= _EVENER * _off(rest) else None


def taken_over(values: Int, ended: bool) -> Int:
    """Values of the next row each, or where rows end their loops of the last; 0 at the edge."""
    moved = np.roll(values, 1 if ended else -1)
    moved[0 if ended else -1] = 0
    return moved


def _whole(found: LoopRows) -> Bool:
    """Loops of which both stamps are in the log, and no row between."""
    known = np.ones(len(found), bool)
    known[: 1 if found.ended else 0] = False
    if not found.ended:
        known[-1:] = False
    if found.lost is not None:
        known &= ~(np.append(False, found.lost[:-1]) if found.ended else found.lost)
    return known


def _off(rest: Float) -> float:
    return float(np.abs(rest - np.median(rest)).mean())
