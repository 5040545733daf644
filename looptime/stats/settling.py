"""Where the warm-up at the start of a run ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import NotEnoughError
from looptime.stats.arrays import MAD_SCALE, Float, as_pair, mad
from looptime.stats.windows import loops_per_window, window_medians

__all__ = ["WarmUp", "truncation", "warm_up"]

WINDOW_S = 0.25
LEAST_LOOPS = 25


@dataclass(frozen=True)
class WarmUp:
    """The cut between warm-up and the rest.

    Parameters
    ----------
    loops : int
        Loops to leave out at the start; 0 where no warm-up shows.
    seconds : float
        Their duration [s].
    excess : float
        Median of the first windows over the median of the second half of the run, minus 1.
    unguarded_loops : int
        The cut before the guard asked whether it matters.
    """

    loops: int
    seconds: float
    excess: float
    unguarded_loops: int


def truncation(y: Float) -> int:
    """Values to leave out at the start so that the mean of the rest is most certain (MSER).

    The c in 0 .. K/2 that makes ``sum_(j >= c) (y_j - mean_c)^2 / (K - c)^2`` smallest.

    Parameters
    ----------
    y : float array, shape (K,)
        Series of window medians.

    References
    ----------
    Marginal standard error rule (MSER) of simulation output analysis.

    Examples
    --------
    >>> truncation(np.array([9.0, 5.0, 1.0, 1.1, 0.9, 1.0, 1.1, 0.9, 1.0, 1.0]))
    2
    """
    u = y - y.mean()
    left = np.arange(len(u), 0, -1)
    total = np.cumsum(u[::-1])[::-1]
    squares = np.cumsum((u**2)[::-1])[::-1]
    score = np.maximum(squares - total**2 / left, 0.0) / left.astype(float) ** 2
    return int(np.argmin(score[: len(u) // 2 + 1]))


def warm_up(x: ArrayLike, start_s: ArrayLike) -> WarmUp:
    """Where the warm-up ends: MSER on the medians of 0.25 s windows, guarded.

    The cut c of `truncation` is kept only if ``0 < c < K/2`` and
    ``|median(y_0 .. y_(min(c,4)-1)) - M| >= max(0.01 M, 3 sigma / sqrt(min(c, 4)))``, with M and
    sigma the median and 1.4826 MAD of the second half. The cut is enough for the mean; it
    does not say that the loop is steady from there. To compare runs use the largest cut of
    all of them, at least 1 s.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods, or works of a paced loop, in loop order.
    start_s : array_like, shape (n,) [s]
        Start times.

    Raises
    ------
    NotEnoughError
        If the run holds fewer than 8 windows.

    References
    ----------
    MSER with batches of 5 and its many variants; the guard is a plain effect-size test.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> t = np.arange(6000) * 0.01
    >>> x = 10 * (1 + 0.2 * np.exp(-t / 2)) + rng.normal(0, 0.5, 6000)
    >>> bool(1 < warm_up(x, t).seconds < 12)
    True
    >>> warm_up(rng.normal(10, 0.5, 6000), t).loops
    0
    """
    values, times = as_pair(x, start_s, 2, "the end of the warm-up")
    loops = loops_per_window(times, WINDOW_S, LEAST_LOOPS)
    if len(values) < 8 * loops:
        raise NotEnoughError(
            f"the end of the warm-up needs at least {8 * loops:,} loops (8 windows), "
            f"there are {len(values):,}"
        )
    y = window_medians(values, times, loops).medians
    half = len(y) // 2
    cut, tail = truncation(y), y[half:]
    level, sigma = float(np.median(tail)), MAD_SCALE * mad(tail)
    head = min(cut, 4) or 4
    gap = float(np.median(y[:head])) - level
    needed = max(0.01 * abs(level), 3 * sigma / math.sqrt(head))
    kept = cut if 0 < cut < half and abs(gap) >= needed and gap != 0 else 0
    return WarmUp(
        loops=kept * loops,
        seconds=float(times[kept * loops] - times[0]),
        excess=gap / level if level else 0.0,
        unguarded_loops=cut * loops,
    )
