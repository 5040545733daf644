"""Checks of array arguments, shared by the modules of this package."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from looptime.array_types import Bool, Float, Int
from looptime.errors import NotEnoughError

__all__ = [
    "HUGE",
    "Float",
    "Int",
    "among",
    "as_pair",
    "as_values",
    "common_divisor",
    "distinct",
    "mad",
    "median",
    "straight",
    "tally",
]

#: Scale factor that makes the median absolute deviation estimate a normal standard deviation.
MAD_SCALE = 1.4826
#: Values beyond this are garbled, and overflow where they are multiplied.
HUGE = 1e60
#: Numbers whose divisor is looked for at once.
_DIVIDED = 1 << 12
#: Values counted at once.
_AT_ONCE = 1 << 18


def as_values(x: ArrayLike, least: int = 1, what: str = "this figure") -> Float:
    """The values as a one-dimensional float array, long enough and finite.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in any unit.
    least : int
        Smallest n that will do.
    what : str
        Name of the figure, for the message.

    Raises
    ------
    NotEnoughError
        If n is below `least`.
    ValueError
        If `x` is not one-dimensional or holds NaN or infinity.

    Examples
    --------
    >>> as_values([3, 1, 2])
    array([3., 1., 2.])
    >>> as_values([1.0], 40, "the jackknife")
    Traceback (most recent call last):
    looptime.errors.NotEnoughError: the jackknife needs at least 40 values, there is 1
    """
    values = np.asarray(x, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"values must have one dimension, not {values.ndim}")
    if len(values) < least:
        there = f"there {'is' if len(values) == 1 else 'are'} {len(values):,}"
        raise NotEnoughError(f"{what} needs at least {least:,} values, {there}")
    if not np.isfinite(values).all():
        raise ValueError("values must be finite: found NaN or infinity")
    return values


def as_pair(
    x: ArrayLike, start_s: ArrayLike, least: int = 1, what: str = "this figure"
) -> tuple[Float, Float]:
    """Values and the start times that belong to them, checked together.

    Raises
    ------
    NotEnoughError
        If there are fewer than `least` values.
    ValueError
        If the lengths differ, or a value is not finite.

    Examples
    --------
    >>> as_pair([1, 2], [0, 0.1])
    (array([1., 2.]), array([0. , 0.1]))
    """
    values, times = as_values(x, least, what), as_values(start_s)
    if len(values) != len(times):
        raise ValueError(f"{len(values)} values do not match {len(times)} start times")
    return values, times


def distinct(x: NDArray[Any]) -> NDArray[Any]:
    """Each of the values once, rising: `numpy.unique`, which first loads masked arrays.

    Examples
    --------
    >>> distinct(np.array([3, 1, 3]))
    array([1, 3])
    """
    rising = np.sort(x)
    return rising[np.append(True, rising[1:] != rising[:-1])[: len(rising)]]


def among(x: NDArray[Any], some: NDArray[Any]) -> Bool:
    """Which of the values are among some others: `numpy.isin`, which first loads masked arrays.

    Examples
    --------
    >>> among(np.array([3, 1, 4]), np.array([4, 2, 3])).tolist(), among(np.array([1]), np.array([]))
    ([True, False, True], array([False]))
    """
    if not len(some):
        return np.zeros(len(x), bool)
    rising = np.sort(some)
    found: Bool = rising[np.minimum(np.searchsorted(rising, x), len(rising) - 1)] == x
    return found


def common_divisor(x: Int) -> int:
    """Greatest common divisor of whole numbers, 0 where there is none above 0.

    Most are known by the first few; of the rest a division tells whether they change it.

    Examples
    --------
    >>> common_divisor(np.array([0, 12, -18])), common_divisor(np.array([0]))
    (6, 0)
    """
    divisor = 0
    for low in range(0, len(x), _DIVIDED):
        part = x[low : low + _DIVIDED]
        if not divisor or (part // divisor * divisor != part).any():  # far quicker than the rest
            divisor = int(np.gcd(divisor, np.gcd.reduce(part)))
        if divisor == 1:
            break
    return divisor


def tally(code: Int, size: int, weight: NDArray[Any] | None = None) -> NDArray[Any]:
    """Times that each code below `size` is met, or the sum of the weights there.

    `numpy.bincount` in blocks: at once it copies all codes and weights to 64 bits.

    Examples
    --------
    >>> tally(np.array([2, 0, 2], np.int8), 4), tally(np.array([2, 0, 2]), 3, np.array([5, 7, 6]))
    (array([1, 0, 2, 0]), array([ 7.,  0., 11.]))
    """
    total: NDArray[Any] = np.zeros(size, np.int64 if weight is None else np.float64)
    for low in range(0, len(code), _AT_ONCE):
        part = code[low : low + _AT_ONCE]
        first = int(part.min())
        held = np.bincount(part - first, None if weight is None else weight[low : low + _AT_ONCE])
        total[first : first + len(held)] += held
    return total


def median(x: NDArray[Any]) -> float:
    """Median of finite values, at least one: `numpy.median` by one partition [unit of `x`].

    Examples
    --------
    >>> median(np.array([4, 1, 3, 2])), median(np.array([5.0, 1.0, 2.0]))
    (2.5, 2.0)
    """
    return _median_of(x.copy())


def _median_of(x: NDArray[Any]) -> float:
    """The same; the values are left in another order."""
    half = len(x) // 2
    x.partition(half)
    upper = float(x[half])
    return upper if len(x) % 2 else (float(x[:half].max()) + upper) / 2


def mad(x: Float, middle: float | None = None) -> float:
    """Median absolute deviation from the median, unscaled [unit of `x`].

    Parameters
    ----------
    x : float array, shape (n,)
        At least one value.
    middle : float, optional
        The median, if it is known.

    Examples
    --------
    >>> mad(np.array([1.0, 2.0, 3.0, 4.0, 100.0]))
    1.0
    """
    off = x - (median(x) if middle is None else middle)
    return _median_of(np.abs(off, out=off))


def straight(x: Float, y: Float) -> tuple[float, float] | None:
    """Least-squares slope of y over x, and their correlation; None where either never varies.

    Examples
    --------
    >>> slope, correlation = straight(np.array([1.0, 2.0, 3.0]), np.array([5.0, 7.0, 9.0]))
    >>> slope, round(correlation, 9)
    (2.0, 1.0)
    """
    with np.errstate(over="ignore", invalid="ignore"):  # squares of what is garbled
        x, y = x - x.mean(), y - y.mean()
        power, spread, both = float(x @ x), float(y @ y), float(x @ y)
    if not (0 < power < np.inf and 0 < spread < np.inf):
        return None
    return both / power, both / power**0.5 / spread**0.5
