"""Lines that were all cut at one width: what stands last in them lost digits or letters.

Complete lines may be equally long as well: two numbers whose signs are opposite, a rate beside its
period, a wait that makes up for the work, a last cell filled with zeros.
"""

import numpy as np

from looptime.array_types import Int
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stats.arrays import distinct, mad, median

__all__ = ["cut_lines"]

#: Lines were cut where those that begin their last cell at so many places, each in so many rows,
#: mostly end at one width (two places where words are the same); of all lines at least this share.
_CUTS, _CUT_ROWS, _CUT_SHARE, _CUT_FEWEST = 3, 8, 0.8, 0.1
#: How much of the spread of the last number is left in its sum with one that it makes up for.
_MADE_UP = 0.1


def cut_lines(dialect: Dialect) -> tuple[str, ...]:
    """A caution where lines end at one width, wherever the last cell begins: they were cut there.

    Examples
    --------
    >>> rows = tuple(("7" * k, "7" * (12 - k)) for k in range(6, 9) for _ in range(10))
    >>> cut_lines(Dialect(",", ".", None, 0, 2, 1, sample=rows))[0][:54]
    'lines end at 13 characters, wherever their last cell b'
    """
    before = np.array([sum(map(len, row[:-1])) + len(row) - 1 for row in dialect.sample])
    last = np.array([len(row[-1]) for row in dialect.sample])
    if not len(last) or dialect.delimiter == " ":
        return ()
    width = int((before + last).max())
    full = before + last == width
    if full.mean() < _CUT_FEWEST:
        return ()
    words: dict[tuple[str, ...], list[int]] = {}
    for at, row in enumerate(dialect.sample):
        words.setdefault(tuple(c for c in row[:-1] if c[:1].isalpha()), []).append(at)

    def places(rows: Int) -> list[Int]:
        """Rows of each width before the last cell with which lines end there alike."""
        found = [rows[before[rows] == at] for at in distinct(before[rows[full[rows]]])]
        return [one[full[one]] for one in found
                if full[one].sum() >= _CUT_ROWS and full[one].mean() >= _CUT_SHARE]  # fmt: skip

    ends = {row[-1] for row, cut in zip(dialect.sample, full.tolist(), strict=True) if cut}
    ends = {word for word in ends if word.isalpha()}
    begun = sum(any(other != word and other.startswith(word) for other in ends) for word in ends)
    alike = [places(np.array(rows)) for rows in words.values()]
    groups = [found for found in alike if len(found) > 1]
    if len(every := places(np.arange(len(last)))) >= _CUTS:
        groups.append(every)
    cut = begun >= 2 or any(_lost(dialect, found) for found in groups)
    if not cut:
        return ()
    return (
        f"lines end at {width} characters, wherever their last cell begins: cut off there? Then "
        "what stands last in them is wrong",
    )


def _lost(dialect: Dialect, places: list[Int]) -> bool:
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
