"""Rows that stand in a log twice: more often than by chance, or never, as none was left."""

import numpy as np

from looptime.array_types import Float, Int

__all__ = ["expected_alike", "without_alike", "written_again"]

#: Rows looked at, and steps between lengths by which it is told how often two are alike.
_LOOKED_AT, _NEAR = 100_000, 5
#: Where so many pairs are to be expected, chance makes none once in three thousand logs.
_FEWEST = 8.0
#: Rows like one of so many before are told from so many on, and so many times as often as chance
#: makes them, where lengths are of so many kinds.
_LAGS, _AGAIN, _TIMES, _KINDS = 24, 12, 5.0, 20


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


def written_again(name: Int, length: Int) -> tuple[str, ...]:
    """A caution where rows are like the one before, or loops like that before, as no chance makes.

    Parameters
    ----------
    name : int array, shape (n,)
        Codes of the rows' names.
    length : int64 array, shape (n,) [ns]
        Their lengths.

    Examples
    --------
    >>> name, length = np.tile([0, 1, 2], 60), 900 + np.arange(180) ** 2 * 37 % 211
    >>> written_again(name, length)
    ()
    >>> written_again(np.repeat(name, 2), np.repeat(length, 2))[0][:30]
    '180 rows or more are like one '
    """
    name, length = name[:_LOOKED_AT], length[:_LOOKED_AT]
    if len(np.unique(length)) < _KINDS or len(name) < 2 * _LAGS:
        return ()
    chance = _alike_by_chance(name, length)
    lags = range(1, _LAGS + 1)
    own = [name[lag:] == name[:-lag] for lag in lags]
    alike = np.array([
        np.count_nonzero(same & (length[lag:] == length[:-lag]))
        for lag, same in zip(lags, own, strict=True)
    ])  # fmt: skip
    expected = np.array([
        float(chance[name[lag:]][same].sum()) for lag, same in zip(lags, own, strict=True)
    ])  # fmt: skip
    there = np.array([bool(same.any()) for same in own])
    usual = np.median(alike[there]) if there.any() else 0.0  # lengths that stay for long
    expected = np.maximum(expected, np.where(alike > 0, usual, 0.0))
    if not ((alike >= np.maximum(_AGAIN, _TIMES * expected)).any() or
            alike.sum() >= max(2 * _AGAIN, _TIMES * expected.sum())):  # fmt: skip
        return ()
    return (
        f"{int(alike.max()):,} rows or more are like one close before them, where chance makes "
        f"{expected[np.argmax(alike)]:,.0f}: written twice? Then loops are counted twice",
    )


def _alike_by_chance(name: Int, length: Int) -> Float:
    """The share of all pairs of rows of each name that are alike."""
    order = np.lexsort((length, name))
    name, length = name[order], length[order]
    new = np.flatnonzero((name[1:] != name[:-1]) | (length[1:] != length[:-1])) + 1
    first = np.append(0, new)
    times = np.diff(np.append(first, len(name))).astype(np.float64)
    rows = np.bincount(name).astype(np.float64)
    alike = np.bincount(name[first], weights=times * (times - 1), minlength=len(rows))
    share: Float = alike / np.maximum(1.0, rows * (rows - 1.0))
    return share


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
