"""Quantiles as elements of the sorted data, by share of loops and by share of time."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from looptime.stats.arrays import Float, as_values

__all__ = [
    "element_number",
    "elements",
    "interdecile",
    "percentiles",
    "quantile",
    "quantiles",
    "time_quantiles",
    "worst_mean",
]


def element_number(p: float, m: int) -> int:
    """Number, counted from 1, of the sorted element that is the p-quantile of m values.

    ``ceil(p m)``, kept within 1 .. m; rounding errors of the product are forgiven.

    Parameters
    ----------
    p : float
        Share, 0 to 1.
    m : int
        How many values there are.

    Examples
    --------
    >>> element_number(0.95, 600), element_number(0.5, 5), element_number(0.0, 5)
    (570, 3, 1)
    """
    return min(max(math.ceil(p * m - 1e-9 * max(1, m)), 1), m)


def elements(x: NDArray[Any], places: Sequence[int]) -> list[float]:
    """The elements that would stand at some places of the sorted values.

    Each place is found by a partition of what lies above the one before it, which is quicker
    than a sort of all.

    Parameters
    ----------
    x : array, shape (n,)
        Values in any unit, unsorted.
    places : sequence of int
        Rising, each 0 .. n - 1.

    Examples
    --------
    >>> elements(np.array([9, 1, 5, 7, 3]), [0, 2, 2, 4])
    [1.0, 5.0, 5.0, 9.0]
    """
    found, passed, left = [], 0, x.copy()
    for place in places:
        at = place - passed
        if at == len(left) - 1:
            found.append(float(left.max()))
            continue
        left.partition(at)
        left = left[at:]
        passed = place
        found.append(float(left[0]))
    return found


def percentiles(x: NDArray[Any], percents: Sequence[float]) -> list[float]:
    """Percentiles between the elements: `numpy.percentile`, by partitions.

    With ``v = (n - 1) p / 100`` the value is as far between the elements ``floor(v)`` and
    ``floor(v) + 1``, counted from 0, as v is.

    Parameters
    ----------
    x : array, shape (n,)
        Finite values in any unit, unsorted.
    percents : sequence of float
        Rising, each 0 .. 100.

    Examples
    --------
    >>> percentiles(np.array([4.0, 1.0, 2.0, 3.0]), [0, 50, 90])
    [1.0, 2.5, 3.7]
    """
    places = [(len(x) - 1) * (p / 100) for p in percents]
    pairs = [(int(v), min(int(v) + 1, len(x) - 1)) for v in places]
    wanted = sorted({k for pair in pairs for k in pair})
    at = dict(zip(wanted, elements(x, wanted), strict=True))
    made = []
    for v, (low, high) in zip(places, pairs, strict=True):
        rise, part = at[high] - at[low], v - low
        made.append(at[low] + rise * part if part < 0.5 else at[high] - rise * (1 - part))
    return made


def quantiles(x: ArrayLike, shares: ArrayLike) -> Float:
    """Quantiles of the values: each is an element that occurs, ``sorted(x)[ceil(p n) - 1]``.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in any unit, unsorted.
    shares : array_like, shape (k,)
        Shares, 0 to 1.

    Returns
    -------
    float array, shape (k,) [unit of `x`]

    Raises
    ------
    NotEnoughError
        If `x` is empty.

    Examples
    --------
    >>> quantiles([9, 1, 2, 3, 4, 5, 6, 7, 8, 10], [0.5, 0.95])
    array([ 5., 10.])
    """
    values = as_values(x, 1, "a quantile")
    wanted = np.atleast_1d(np.asarray(shares, dtype=np.float64))
    places = [element_number(float(p), len(values)) - 1 for p in wanted]
    order = sorted(set(places))
    found = dict(zip(order, elements(values, order), strict=True))
    return np.array([found[place] for place in places])


def quantile(x: ArrayLike, p: float) -> float:
    """One quantile of the values; see `quantiles`.

    Examples
    --------
    >>> quantile([3, 1, 2], 0.5)
    2.0
    """
    return float(quantiles(x, [p])[0])


def time_quantiles(period: ArrayLike, shares: ArrayLike) -> Float:
    """Quantiles by share of time: what holds for a moment picked at random.

    The p-quantile is the smallest period T for which loops no longer than T fill at least the
    share p of the whole time, ``sum(x[x <= T]) >= p sum(x)``. A long loop counts by its length.

    Parameters
    ----------
    period : array_like, shape (n,)
        Periods, none negative.
    shares : array_like, shape (k,)
        Shares of time, 0 to 1.

    Returns
    -------
    float array, shape (k,) [unit of `period`]

    Raises
    ------
    NotEnoughError
        If there is no loop.
    ValueError
        If a period is negative.

    References
    ----------
    Length-biased sampling (the inspection paradox of renewal theory).

    Examples
    --------
    Nine loops of 10 ms and one of 90 ms: half of the time is spent inside the long one.

    >>> time_quantiles([10] * 9 + [90], [0.5, 0.51])
    array([10., 90.])
    """
    values = np.sort(as_values(period, 1, "a quantile"))
    if values[0] < 0:
        raise ValueError("a period cannot be negative")
    filled = np.cumsum(values)
    goals = np.atleast_1d(np.asarray(shares, dtype=np.float64)) * filled[-1] * (1 - 1e-12)
    return values[np.minimum(np.searchsorted(filled, goals), len(values) - 1)]


def worst_mean(x: ArrayLike, share: float = 0.01) -> float:
    """Mean of the worst (largest) `share` of the values.

    With ``w = share * n``, the ``floor(w)`` largest values have weight 1 and the next one has
    the weight that is left over, so the figure moves smoothly with n.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in any unit.
    share : float
        Share of the values, above 0 and at most 1.

    Raises
    ------
    NotEnoughError
        If `x` is empty.

    References
    ----------
    Expected shortfall (conditional tail expectation) of an empirical distribution.

    Examples
    --------
    The largest 1.5 of 10 values: 10 with weight 1 and 9 with weight 0.5.

    >>> round(worst_mean([1, 2, 3, 4, 5, 6, 7, 8, 9, 10], 0.15), 4)
    9.6667
    """
    values = np.sort(as_values(x, 1, "the worst-case mean"))[::-1]
    weight = share * len(values)
    whole = min(int(weight + 1e-9), len(values))
    rest = max(weight - whole, 0.0) if whole < len(values) else 0.0
    total = float(values[:whole].sum()) + (rest * float(values[whole]) if rest else 0.0)
    return total / (whole + rest)


def interdecile(x: NDArray[Any]) -> float:
    """How far the 90th percentile lies above the 10th.

    Examples
    --------
    >>> interdecile(np.arange(11.0))
    8.0
    """
    low, high = percentiles(x, [10, 90])
    return high - low
