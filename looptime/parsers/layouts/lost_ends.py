"""Whether lines that end at one width were cut there: what stands last in them lost its end.

Complete lines may be equally long as well: two numbers whose signs are opposite, a rate beside its
period, a wait that makes up for the work, a last cell filled with zeros.
"""

import numpy as np

from looptime.array_types import Int
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stats.arrays import mad, median

__all__ = ["lost_ends"]

#: How much of the spread of the last number is left in its sum with one that it makes up for.
_MADE_UP = 0.1


def lost_ends(dialect: Dialect, places: list[Int]) -> bool:
    """Whether last cells are shorter by what they lost at their right, not by what they say.

    A number with decimals then has fewer of them. One without is a tenth for each digit lost: what
    it was lies nearer to the others than what it is. A word is the begin of another.
    """
    cells = [[dialect.sample[at][-1] for at in rows.tolist()] for rows in places]
    every = {cell for some in cells for cell in some}
    if all(cell.isalpha() for cell in every):
        return any(other != cell and other.startswith(cell) for cell in every for other in every)
    value = np.abs(numbers(dialect, dialect.fields - 1))
    if any(not np.isfinite(value[rows]).all() for rows in places):
        return True
    mark = dialect.decimal
    if any(mark in cell for cell in every):
        decimals = [[len(cell.partition(mark)[2]) for cell in some] for some in cells]
        return len({int(median(np.array(some))) for some in decimals}) > 1
    wide = np.array([len(some[0]) for some in cells])
    size = np.log10([max(median(value[rows]), 0.1) for rows in places])
    nearer = np.ptp(size + wide.max() - wide) < np.ptp(size)
    return bool(nearer) and not _makes_up(dialect, np.concatenate(places))


def _makes_up(dialect: Dialect, rows: Int) -> bool:
    """Whether the last number goes down by what another one goes up."""
    last = numbers(dialect, dialect.fields - 1)[rows]
    others = (numbers(dialect, at)[rows] for at in range(dialect.fields - 1))
    known = (other for other in others if np.isfinite(other).all())
    return any(mad(last + other) <= _MADE_UP * mad(last) for other in known)
