"""Steps of numbers that go up by one a loop, also where their counter wraps."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.stats.arrays import median

__all__ = ["number_steps"]

#: What counters wrap at: whole bits, and whole decimal digits.
_WRAPS = sorted([1 << bits for bits in range(7, 33)] + [10**digits for digits in range(2, 10)])
#: How far the time of a step may lie from that of as many loops: loops, and a share of them.
_APART, _APART_SHARE = 0.5, 0.05


def number_steps(number: Int, start: Int | None = None) -> Int:
    """Steps from each number to the next, those across a wrap of their counter undone.

    A fall is a wrap where the counter is seen to turn over at a round number, or where as much
    time passed as the loops take that a wrap there would pass over; else it is left as it is.

    Parameters
    ----------
    number : int array, shape (n,)
        As logged.
    start : int array, shape (n,), optional
        Starts of the loops, in any unit.

    Examples
    --------
    Of an 8-bit counter the loops 254 to 2 are missing.

    >>> number_steps(np.array([252, 253, 3, 4]), np.array([0, 10, 70, 80])).tolist()
    [1, 6, 1]
    >>> number_steps(np.array([252, 253, 3, 4]), np.array([0, 10, 20, 30])).tolist()
    [1, -250, 1]
    """
    step = np.diff(number.astype(np.int64)).astype(np.int64)
    falls = np.flatnonzero(step < 0)
    if not len(falls) or 2 * len(falls) > len(step) or median(step) < 1:
        return step
    usual = int(median(step))
    loops = None
    if start is not None:
        took = np.diff(start).astype(np.float64)
        loops = took / max(median(took[step == usual]), 1e-9) if (step == usual).any() else None
    top = int(number.max())
    for wrap in [w for w in _WRAPS if top < w <= 10 * top]:
        over = step[falls] + wrap
        turned = _fits(over, usual, None if loops is None else loops[falls])
        if turned.any() and (loops is not None or (over == usual).any()):
            step[falls[turned]] = over[turned]
            break
    return step


def _fits(over: Int, usual: int, loops: Float | None) -> Bool:
    """Whether steps are such as a wrap leaves: as much time as that many loops take, if known."""
    passed = over / usual
    if loops is None:
        fits: Bool = (passed >= 1) & (passed == np.rint(passed))
        return fits
    near: Bool = np.abs(loops - passed) <= _APART + _APART_SHARE * passed
    return near & (passed >= 1)
