"""First values of a counter that wraps among them, as often as may be."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.stats.arrays import median

__all__ = ["goes_round", "going_on"]

#: What counters wrap at, also where they are divided to other units.
_SIZES = sorted(2.0**bits / by for bits in (16, 24, 29, 30, 31, 32) for by in (1, 1e3, 1e6))
#: The step across a wrap in usual ones, and how many usual ones a counter counts at least.
_NEAR, _LEAST = 20, 8
#: Share of the steps that lead on, and fewest steps that are usual ones.
_ONWARD, _FEWEST = 0.9, 3
#: Fewest values that tell of a counter that wraps every few of them, the share of its steps that
#: fall, how much of its size most steps may differ by, and how far the values may be from filling
#: it evenly: by so much, and by what chance brings about in so many.
_TELL, _FALLS, _EVEN, _FILLS, _CHANCE = 30, 0.05, 0.1, 0.05, 1.63


def going_on(values: Float) -> Float:
    """Values with what a counter lost at its wraps; as they stand where they are none of a counter.

    A counter falls by nearly all that it counts, to where it would be a few steps on.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In the order of the log, in any unit; NaN where there is none.

    Examples
    --------
    >>> import numpy as np
    >>> going_on(np.array([55000.0, 58000, 61000, 64000, 1464, 4464])).tolist()
    [55000.0, 58000.0, 61000.0, 64000.0, 67000.0, 70000.0]
    >>> going_on(np.array([7.0, 3, 9, 2, 8])).tolist()  # no counter
    [7.0, 3.0, 9.0, 2.0, 8.0]
    """
    there = np.isfinite(values)
    known = values[there]
    step = np.diff(known)
    forward = step[step > 0]
    if len(forward) < _FEWEST or not (step < 0).any() or known.min() < 0:
        return values
    usual, most = median(forward), float(known.max())
    size = next((one for one in _SIZES if one > most), np.inf)
    back = step < -size / 2
    if not back.any() or usual * _LEAST > size or (step[back] + size > _NEAR * usual).any():
        return values
    on = np.unwrap(known, period=size)
    if (np.diff(on) >= 0).mean() < _ONWARD:
        return values
    made = values.copy()
    made[there] = on
    return made


def goes_round(values: Float) -> float | None:
    """What a counter wraps at that does so every few values; None where they are none of one.

    Counted on modulo its size it goes on by nearly as much each time, and it comes by all that it
    counts to. Lengths do neither: those of a few kinds in turn do not fill the size, an angle or an
    age that goes round in steps hardly does so at a power of two.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In the order of the log, in any unit; NaN where there is none.

    Examples
    --------
    >>> k = np.arange(90)
    >>> goes_round((700.0 + 20_000 * k + k % 7) % 65_536), goes_round(9000.0 + 700 * (k % 7))
    (65536.0, None)
    """
    known = values[np.isfinite(values)]
    if len(known) < _TELL or known.min() < 0:
        return None
    size = next((one for one in _SIZES if one > known.max()), None)
    if size is None:
        return None
    step = np.diff(known)
    low, high = np.quantile(step % size, [0.1, 0.9])
    if (step < 0).mean() < _FALLS or high - low > _EVEN * size:
        return None
    apart = np.abs(np.sort(known) / size - (np.arange(len(known)) + 0.5) / len(known))
    even = float(apart.max()) <= _FILLS + _CHANCE / np.sqrt(len(known))
    return size if even else None
