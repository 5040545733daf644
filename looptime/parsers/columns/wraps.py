"""First values of a counter that wraps among them, as often as may be."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.stats.arrays import median

__all__ = ["goes_round", "going_on", "keeps_time"]

#: What counters wrap at, also where they are divided to other units.
_SIZES = sorted(2.0**bits / by for bits in (16, 24, 29, 30, 31, 32) for by in (1, 1e3, 1e6))
#: The step across a wrap in usual ones, and how many usual ones a counter counts at least.
_NEAR, _LEAST = 20, 8
#: Share of the steps that lead on, and fewest steps that are usual ones.
_ONWARD, _FEWEST = 0.9, 3
#: What counters of time wrap at [ns] that do so every few loops: they count us, ms or ns.
_ROUNDS = sorted(2.0**bits * by for bits, by in ((16, 1e3), (24, 1e3), (16, 1e6), (32, 1.0)))
#: Fewest values that tell of a counter that wraps every few of them, the share of its steps that
#: fall, how much of its size most steps may differ by, and how far the values may be from filling
#: it evenly: by so much, and by what chance brings about in so many.
_TELL, _FALLS, _EVEN, _FILLS, _CHANCE = 30, 0.05, 0.1, 0.05, 1.63
#: Within how many even steps of its size a counter comes, fewest steps up and down that tell its
#: size, and how near they tell it: in deviations of a mean, and in parts of it.
_REACHES, _WAYS, _DEVIATIONS, _TICK = 6, 3, 4, 1e-4
#: How far a counter's steps are off those of the clock beside it, in parts of its size.
_OFF = 0.02


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


def goes_round(values: Float, unit_ns: float) -> float | None:
    """What a counter of time wraps at that does so every few values; None where they are of none.

    Counted on modulo its size it goes on by nearly as much each time, across its wraps as before
    them, and it comes by all that it counts to. Lengths do neither: those of a few kinds in turn do
    not fill the size, and a wait for a device or the age of what it sent goes round at its period,
    which is no power of two of us.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In the order of the log; NaN where there is none.
    unit_ns : float
        Nanoseconds in one of them.

    Examples
    --------
    >>> k = np.arange(90)
    >>> goes_round((700.0 + 20_000 * k + k % 7) % 65_536, 1e3)
    65536.0
    >>> goes_round((700.0 + 20_000 * k + k % 7) % 65_100, 1e3), goes_round(9.0 + k % 7, 1e6)
    (None, None)
    """
    known = values[np.isfinite(values)]
    if len(known) < _TELL or known.min() < 0:
        return None
    size = next((one / unit_ns for one in _ROUNDS if one / unit_ns > known.max()), None)
    if size is None or known.max() < size * (1 - _REACHES / len(known)):
        return None
    step = np.diff(known)
    low, high = np.quantile(step % size, [0.1, 0.9])
    if (step < 0).mean() < _FALLS or high - low > _EVEN * size or not _tells(step, size):
        return None
    apart = np.abs(np.sort(known) / size - (np.arange(len(known)) + 0.5) / len(known))
    even = float(apart.max()) <= _FILLS + _CHANCE / np.sqrt(len(known))
    return size if even else None


def _tells(step: Float, size: float) -> bool:
    """Whether steps across the wraps are as long as others: they differ by what the size is off.

    Long ones are more often across a wrap, by their variance over their mean.
    """
    ways = [step[step < 0] + size, step[step >= 0]]
    if min(map(len, ways)) < _WAYS:
        return False
    ways = [np.clip(way, *np.quantile(way, [0.1, 0.9])) for way in ways]
    spread = max(float(way.var()) for way in ways)
    chance = np.sqrt(spread * sum(1 / len(way) for way in ways))
    more = 2 * spread / min(float(way.mean()) for way in ways)
    return bool(abs(ways[0].mean() - ways[1].mean()) <= _DEVIATIONS * chance + more + _TICK * size)


def keeps_time(values: Float, times: Float, size: float) -> bool:
    """Whether a counter that wraps at `size` goes on as the clock beside it does.

    A wait until a device's next instant goes the other way: the later the loop, the less is left.

    Parameters
    ----------
    values, times : float64 array, shape (n,)
        In one unit, NaN where there is none.
    size : float
        In that unit, too.

    Examples
    --------
    >>> t = 20.0 * np.arange(90)
    >>> keeps_time(t % 65.536, t + 3, 65.536), keeps_time(-t % 65.536, t + 3, 65.536)
    (True, False)
    """
    off = np.diff(values) - np.diff(times)
    off = off[np.isfinite(off)]
    apart = np.abs((off + size / 2) % size - size / 2)
    return len(off) >= _TELL // 2 and float(median(apart)) <= _OFF * size
