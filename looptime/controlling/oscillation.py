"""A value that swings by itself while what drives it rests: how fast, and how it dies away.

What drives it is the output, where it is held for long: then the mechanism swings. Else it is the
target: then the loop does, by its gains or its lateness. The height from one turning point to the
next needs no middle: of a swing that dies away each is the same share of the one before.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import mad, median
from looptime.stats.student import t_quantile

__all__ = ["Oscillation", "noise_of", "oscillation"]

#: Share of the rows in which what drives may change, at most, and rows of a stretch at rest.
MOST_CHANGES, LEAST_ROWS, MOST_STRETCHES = 0.2, 12, 400
#: A height counts from so many times the noise on, and a ratio from so many such heights on: else
#: the swing after it could be lost, and with it the ratios that are small.
SCATTERS, CLEAR = 6.0, 8.0
#: Share of the whole range that a height must reach.
LEAST_HEIGHT = 0.004
#: Smallest steps of the value that a height must reach, and rows from one turning to the next.
GRAINS, LEAST_HALF = 3.0, 3.0
#: Fewest ratios and stretches that tell a damping, or ratios in fewer stretches, and how uneven
#: half periods may be (sd / mean).
LEAST_RATIOS, LEAST_STRETCHES, LEAST_IN_ONE, UNEVEN = 6, 3, 10, 0.25
#: How much more slowly later swings die away than earlier ones in a cycle that keeps its size, as a
#: difference of logarithms.
KEEPS = 0.15
#: Least difference of falls, as logarithms, by which a value is seen to move while it swings.
#: Robust standard deviations that they stand out by, and swings on which the move is no more seen.
LEAST_MOVE, STANDS_OUT, STILL = 0.01, 3.0, 4


@dataclass(frozen=True)
class Oscillation:
    """A swing of its own."""

    frequency_hz: Figure  #: As it is seen, damped
    #: 0 where it keeps its size, below 0 where it grows; undefined where it does not die away
    #: alike from swing to swing.
    damping_ratio: Figure
    swings: int  #: From one turning point to the next, over all stretches
    #: ``mechanism``: the output rests meanwhile; ``loop``: it does not.
    of: str
    amplitude: float | None = None  #: Half of the way from one turning point to the next [unit]
    #: Whether a fitted mechanism swings so by its output; None where that can't be told.
    in_loop: bool | None = None
    #: `begin_s`, `end_s`: Between which it is seen; None where it comes and goes.
    begin_s: float | None = None
    end_s: float | None = None
    #: Amplitude in the last third of that time over that in the first; None where it dies away.
    growth: float | None = None


def oscillation(
    time: Float, value: Float, output: Float, target: Float | None
) -> Oscillation | None:
    """How a value swings while its output or its target rests; None where it does not.

    Parameters
    ----------
    time, value, output : float array, shape (n,)
        When each row was logged [s], the measured value, and what drives it.
    target : float array, shape (n,), optional
        What it is to follow.

    Examples
    --------
    A spring of 2 Hz with a damping ratio of 0.1, pushed every 3 s.

    >>> time = np.arange(3000) * 0.01
    >>> since, push = time % 3, np.where(time // 3 % 2, 1.0, -1.0)
    >>> swing = np.exp(-0.1 * 4 * np.pi / 0.99**0.5 * since) * np.cos(4 * np.pi * since)
    >>> found = oscillation(time, push * (1 - 2 * swing), push, None)
    >>> round(found.frequency_hz.value, 2), round(found.damping_ratio.value, 2), found.of
    (2.0, 0.1, 'mechanism')
    """
    for driver, of in ((output, "mechanism"), (target, "loop")):
        if driver is None or len(driver) < LEAST_ROWS:
            continue
        edges = np.flatnonzero(np.diff(driver) != 0) + 1
        if len(edges) <= MOST_CHANGES * len(driver):
            return _of_stretches(time, value, edges, of)
    return None


def noise_of(run: Run, measured: str) -> float:
    """Standard deviation of what noise and rounding make of a signal, in its unit."""
    assert run.signals is not None
    value = run.signals.values[measured]
    scatter, grain = _grain(value[np.isfinite(value)])
    return max(scatter, grain / math.sqrt(12) if grain < np.inf else 0.0)


def _grain(value: Float) -> tuple[float, float]:
    """Standard deviation of a value's noise, and its smallest step."""
    step = np.abs(np.diff(value))
    # of white noise the fourth differences have 70 times the variance, of a swing next to none
    scatter = 1.4826 * median(np.abs(np.diff(value, 4))) / math.sqrt(70)
    return scatter, float(step[step > 0].min(initial=np.inf))


def _of_stretches(time: Float, value: Float, edges: Int, of: str) -> Oscillation | None:
    scatter, grain = _grain(value)
    least = max(SCATTERS * scatter, LEAST_HEIGHT * float(np.ptp(value)), GRAINS * grain)
    if not 0 < least < np.inf:
        return None
    halves, falls, heights = [], [], []
    bounds = np.concatenate([[0], edges, [len(value)]])
    for begin, end in list(pairwise(bounds))[:MOST_STRETCHES]:
        if end - begin >= LEAST_ROWS:
            at = begin + _turning(value[begin:end], least)
            height = np.abs(np.diff(value[at]))
            told = height[:-1] >= CLEAR * least
            halves.append(np.diff(time[at])[: int(told.sum()) + 1] if told.any() else np.zeros(0))
            heights.append(height[:-1][told])
            falls.append(np.log(height[:-1] / np.maximum(height[1:], 1e-300))[told])
    first = _moved(falls)
    halves = [half[first:] for half in halves]
    falls = [fall[first:] for fall in falls]
    told_halves, told_falls = ([one for one in some if len(one)] for some in (halves, falls))
    found = _told(told_halves, told_falls, median(np.diff(time)), of)
    return None if found is None else replace(
        found, amplitude=median(np.concatenate(heights)) / 2
    )  # fmt: skip


def _moved(falls: list[Float]) -> int:
    """Swings to leave out at the start of each stretch: the value still moves to its new middle.

    That makes every other height larger and those between smaller, which a swing that dies away
    does not: its falls are alike. The later half of the swings says how far they are.
    """
    long = [fall for fall in falls if len(fall) >= LEAST_IN_ONE]
    if len(long) < LEAST_STRETCHES:
        return 0
    late = np.concatenate([fall[len(fall) // 2 :] for fall in long])
    off = np.array([fall[:LEAST_IN_ONE] for fall in long]) - median(late)
    far = np.abs(off) > max(STANDS_OUT * 1.4826 * mad(late), LEAST_MOVE)
    turns = far[:, 1:] & far[:, :-1] & (off[:, 1:] * off[:, :-1] < 0)
    moves = np.flatnonzero(turns.mean(axis=0) >= 0.5)
    return int(moves[-1]) + STILL if len(moves) else 0


def _turning(value: Float, least: float) -> Int:
    """Places of the highest and lowest values between which it goes by so much, without the ends.

    Examples
    --------
    >>> _turning(np.array([0.0, 2, 5, 3, 1, 2, 4, 3.9, 4.1]), 2.0).tolist()
    [2, 4]
    """
    found: list[int] = []
    low = high = 0
    way = 0
    for k, x in enumerate(value.tolist()):
        if x > value[high]:
            high = k
        if x < value[low]:
            low = k
        if way >= 0 and value[high] - x >= least:
            found.append(high)
            way, low = -1, k
            high = k
        elif way <= 0 and x - value[low] >= least:
            found.append(low)
            way, high = 1, k
            low = k
    return np.array([at for at in found if at > 0], np.int64)


def _told(
    halves: list[Float], falls: list[Float], row_s: float, of: str
) -> Oscillation | None:  # fmt: skip
    """From the half periods and the logarithms by which heights fall, of each stretch."""
    every = np.concatenate([np.zeros(0), *halves])
    fall = np.concatenate([np.zeros(0), *falls])
    if len(fall) < LEAST_RATIOS or (len(falls) < LEAST_STRETCHES and len(fall) < LEAST_IN_ONE):
        return None
    if np.std(every) > UNEVEN * np.mean(every) or np.mean(every) < LEAST_HALF * row_s:
        return None
    half = _mean(halves)
    frequency = [
        None if x is None or x <= 0 else 0.5 / x for x in (half.value, half.high, half.low)
    ]
    delta = Figure() if _keeps(falls) else _mean(falls)
    ratio = [None if x is None else x / math.hypot(math.pi, x)
             for x in (delta.value, delta.low, delta.high)]  # fmt: skip
    return Oscillation(Figure(*frequency), Figure(*ratio), len(every), of)


def _keeps(falls: list[Float]) -> bool:
    """Whether later swings die away by less than the first two: they settle into a cycle."""
    early = np.concatenate([one[:2] for one in falls])
    late = np.concatenate([one[2:] for one in falls])
    if len(late) < LEAST_RATIOS or len(early) < LEAST_RATIOS:
        return False
    spread = math.sqrt(np.var(early) / len(early) + np.var(late) / len(late))
    return bool(early.mean() - late.mean() > max(KEEPS, 3 * spread))


def _mean(parts: list[Float]) -> Figure:
    """The mean of all with an interval from stretch to stretch, or from swing to swing of one."""
    count = np.array([len(one) for one in parts], float)
    total = np.array([one.sum() for one in parts])
    mean, n = float(total.sum() / count.sum()), len(parts)
    if n < LEAST_STRETCHES:
        every = np.concatenate(parts)
        half = t_quantile(0.975, len(every) - 1) * float(np.std(every, ddof=1) / len(every) ** 0.5)
        return Figure(mean, mean - half, mean + half)
    square = float(((total - mean * count) ** 2).sum())
    spread = math.sqrt(n / (n - 1) * square) / float(count.sum())
    half = t_quantile(0.975, n - 1) * spread
    return Figure(mean, mean - half, mean + half)
