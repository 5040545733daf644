"""Rows that stand in a log twice by chance, and are missing: somebody removed them."""

import numpy as np

from looptime.array_types import Int

__all__ = ["expected_alike", "without_alike"]

#: Rows looked at, and steps between lengths by which it is told how often two are alike.
_LOOKED_AT, _NEAR = 100_000, 5
#: Where so many pairs are to be expected, chance makes none once in three thousand logs.
_FEWEST = 8.0


def without_alike(name: Int, length: Int) -> tuple[str, ...]:
    """A caution where no two rows are alike that by chance often would be.

    Parameters
    ----------
    name : int array, shape (n,)
        Codes of the rows' names.
    length : int64 array, shape (n,) [ns]
        Their lengths.
    """
    name, length = name[:_LOOKED_AT], length[:_LOOKED_AT]
    expected, alike = expected_alike(name, length)
    if alike or expected < _FEWEST:
        return ()
    return (
        f"no two rows are alike, where chance makes about {expected:,.0f} pairs: rows that stood "
        "in the log twice were removed, and loops lack them; use the log as it was written",
    )


def expected_alike(name: Int, length: Int) -> tuple[float, int]:
    """Pairs of alike rows that near ones tell to be expected, and rows that are like another.

    Lengths of a name lie as densely at each other as beside each other: of pairs that are j steps
    apart, either way, there are twice as many as alike ones.

    Examples
    --------
    >>> length = np.arange(0, 4000, 100)
    >>> expected_alike(np.zeros(40, int), length), expected_alike(np.zeros(40, int), length // 200)
    ((18.5, 0), (34.0, 20))
    """
    order = np.lexsort((length, name))
    name, length = name[order], length[order]
    same = name[1:] == name[:-1]
    step = np.diff(length)
    tick = int(np.gcd.reduce(step[same])) if same.any() else 0
    if not tick:
        return 0.0, int(np.count_nonzero(same))
    alike = int(np.count_nonzero(same & (step == 0)))
    close = np.where(same, np.minimum(step // tick, _NEAR + 1), _NEAR + 1)
    place = np.concatenate([[0], np.cumsum(close)])  # further apart than matters is as far
    near = sum(_pairs(place, apart) for apart in range(1, _NEAR + 1))
    return near / (2 * _NEAR), alike


def _pairs(value: Int, apart: int) -> int:
    """Pairs of sorted whole numbers that lie so far apart."""
    high = np.searchsorted(value, value + apart, side="right")
    return int((high - np.searchsorted(value, value + apart, side="left")).sum())
