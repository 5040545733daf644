"""Stalls that come back: every so many seconds, or every so many loops."""

import math
from collections.abc import Mapping
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from looptime.records import dataclass
from looptime.stats.arrays import Float, Int, as_pair, as_values, median
from looptime.stats.counts import poisson_at_least
from looptime.stats.levels import IN_RUN
from looptime.stats.outliers import Events, stalls
from looptime.stats.spectrum import (
    CYCLES,
    HARMONICS,
    band,
    fast_length,
    h_statistic,
    h_tail,
    log_trials,
    spectrum,
    within_reach,
)

__all__ = ["Rhythm", "logged_rhythm", "rhythm", "rhythms"]

Times = NDArray[Any]

#: Fewest events that can show a rhythm.
LEAST_EVENTS = 6
#: Events that take up more than this share of the loops are no exception any more.
MOST_SHARE = 0.3
#: A longer run is judged by the stretch of so many loops that has most events.
MOST_LOOPS = 60_000
#: On a clock with more bins than this, events are not looked for.
_MOST_BINS = 64 * MOST_LOOPS


@dataclass(frozen=True)
class Rhythm:
    """Whether stalls come back, by which clock, and how often."""

    found: bool  #: Whether a rhythm is significant
    #: ``time``, ``loops``, or ``either`` where the two cannot be told apart; empty if not found.
    clock: str
    period_s: float | None  #: Time from stall to stall [s]
    period_loops: float | None  #: Loops from stall to stall
    #: Adjusted p-value; 1 where there are too few events, or where a bound of the spectrum shows
    #: that no rhythm can reach the level.
    p: float
    #: Median excess of the stalls over their surroundings [unit of the values].
    height: float | None
    #: Loops at which the stalls that keep the rhythm begin; all stalls if not found; shape (e,).
    events: Int


@dataclass(frozen=True)
class _Events:
    """Events on one clock; length of the recording, width of a bin and length of a loop on it."""

    positions: Float
    length: float
    step: float
    loop: float

    @property
    def searched(self) -> bool:
        """Whether the clock is fine enough: one gap of a day would ask for endless bins."""
        return self.length <= _MOST_BINS * self.step

    def within_reach(self, level: float) -> bool:
        return self.searched and within_reach(
            self.positions, self.length, self.step, self.loop, level
        )


@dataclass(frozen=True)
class _Line:
    """The best line of one clock: its place in the spectrum, and what was looked at."""

    strength: float = 0.0
    p: float = 1.0
    best: int = 0
    low: int = 0
    grid: float = math.nan
    z: Float = field(default_factory=lambda: np.zeros(0), repr=False)
    h: Float = field(default_factory=lambda: np.zeros(0), repr=False)


def _fundamental(z: Float, h: Float, low: int, best: int) -> int:
    """The lowest f / q at which the line itself is still there."""
    z_best, h_best = z[best], h[best - low]
    for q in range(min(200, best // max(low, 1)), 1, -1):
        at = round(best / q)
        near = np.arange(max(at - 1, low), min(at + 2, low + len(h)))
        if not len(near):
            continue
        line = near[np.argmax(z[near])]
        strong = z[line] >= 0.4 * z_best and h[near - low].max() >= 0.75 * h_best
        close = q <= 8 and z[line] >= 0.5 * z_best and z[line] >= 5
        if strong or close:
            return int(line)
    return best


def _refine(positions: Float, f: float, width: float, highest: float) -> float:
    """The frequency near f at which the harmonics are strongest, off the grid."""
    harmonics = np.arange(1, max(1, min(HARMONICS, int(highest / f))) + 1)
    for _ in range(2):
        near = f + width * np.linspace(-1, 1, 17)
        phase = np.exp(2j * np.pi * np.multiply.outer(near, positions))
        power, turn = np.zeros(len(near)), np.ones_like(phase)
        for _ in harmonics:
            turn *= phase
            power += np.abs(turn.sum(axis=1)) ** 2
        f, width = float(near[np.argmax(power)]), width / 8
    return f


def _coincidence_period(positions: Float, length: float, step: float) -> float | None:
    """Shortest lag at which events follow each other more often than chance has it."""
    bins = int(length / step) + 1
    counts = np.bincount((positions / step + 0.5).astype(np.int64), minlength=bins).astype(float)
    size = fast_length(2 * len(counts))
    pairs = np.fft.irfft(np.abs(np.fft.rfft(counts, size)) ** 2, size)
    lags = np.arange(3, max(len(counts) // CYCLES, 4))
    n = counts.sum()
    expected = n * n / len(counts) * (1 - lags / len(counts))
    excess = pairs[lags] - expected
    most = float(excess.max())
    if most <= 0:
        return None
    for i in np.flatnonzero(excess >= 0.7 * most):
        count = round(float(pairs[lags[i]]))
        if poisson_at_least(count, float(expected[i])) < 0.01 / len(lags):
            return float(lags[i]) * step
    return None


def _best_line(at: _Events) -> _Line:
    """The strongest rhythm of events on one clock."""
    if not at.searched:
        return _Line()
    z, grid = spectrum(at.positions, at.length, at.step, 0.5 / at.loop)
    low, high = band(grid, at.length, at.loop, len(z))
    if high - low < 2:
        return _Line()
    h = h_statistic(z, low, high)
    frequency = np.arange(low, high) * grid
    octaves = math.log2(frequency[-1] / frequency[0])
    log_p = h_tail(h, len(at.positions)) + log_trials(frequency, at.length, octaves)
    best = int(np.argmin(log_p))
    p = math.exp(min(0.0, float(log_p[best])))
    return _Line(float(h[best]), p, low + best, low, grid, z, h)


def _period(at: _Events, line: _Line) -> float:
    """Period that a line speaks of, on its clock."""
    base = _fundamental(line.z, line.h, line.low, line.best)
    f = _refine(at.positions, base * line.grid, line.grid, 0.5 / at.loop)
    n = len(at.positions)
    power = abs(np.exp(2j * np.pi * f * at.positions).sum()) ** 2 / n
    if math.sqrt(power / n) >= 0.5:  # the events are regular at it
        return 1 / f
    return _coincidence_period(at.positions, at.length, at.loop) or 1 / f


def _busiest(loops: Int, n: int) -> slice:
    """The stretch of at most `MOST_LOOPS` loops that holds most events."""
    if n <= MOST_LOOPS:
        return slice(0, n)
    inside = np.searchsorted(loops, loops + MOST_LOOPS) - np.arange(len(loops))
    first = min(int(loops[int(np.argmax(inside))]), n - MOST_LOOPS)
    return slice(first, first + MOST_LOOPS)


def _none(events: Events, p: float = 1.0) -> Rhythm:
    height = median(events.heights) if len(events.heights) else None
    return Rhythm(False, "", None, None, p, height, events.loops)


def _in_step(positions: Float, period: float) -> np.ndarray:
    """Which events keep the rhythm: within a sixth of a period of its beat."""
    phase = np.exp(2j * np.pi * positions / period)
    centre = phase.sum()
    return np.asarray(np.abs(np.angle(phase * np.conj(centre))) <= np.pi / 3)


def rhythm(
    x: ArrayLike,
    start_s: ArrayLike,
    level: float = IN_RUN.rhythm,
    tick: float = 0.0,
    length: ArrayLike | None = None,
) -> Rhythm:
    """Whether the stalls of a series come back, by the clock on the wall or by loops counted.

    Events are the `stalls`; at least 6 are needed. For each clock (loop number; time at
    the middle of the slow loop) the H statistic is taken from 8 cycles a run up to one in three
    loops, with ``p = P(H) x 12 f T x octaves`` (`h_tail`), unless a coarse spectrum rules out that
    the level can be reached at all (`within_reach`). The clock is the one whose H is more than
    1.15 times the other's. The period is the lowest f / q at which the line is still there, or,
    where the stalls keep it only loosely, the shortest lag with significantly many
    coincidences.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods, works, or one call's time in each loop, in loop order, warm-up cut off.
    start_s : array_like, shape (n,) [s]
        Start times of the loops.
    level : float
        Adjusted p below which a rhythm is reported, either clock.
    tick : float
        Tick of the clock [unit of `x`].
    length : array_like, shape (n,) [s], optional
        Length of each loop, from start to start. By default from `start_s`.

    Returns
    -------
    Rhythm
        A run of few loops, few stalls or stalls in nearly every loop gives `found` False.

    Raises
    ------
    NotEnoughError
        If there are fewer than 50 loops.

    References
    ----------
    H-test for periodic signals; unbinned periodogram of point events; coincidence
    counting.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> x = rng.normal(10, 1, 3000)
    >>> x[25::50] += 8
    >>> found = rhythm(x, np.cumsum(x) / 1000)
    >>> found.found, found.clock, round(found.period_loops, 2)
    (True, 'loops', 50.0)
    """
    values, times = as_pair(x, start_s, 50, "a rhythm")
    if length is None:
        gaps = np.diff(times)
        lasts = np.append(gaps, median(gaps))
    else:
        lasts = as_pair(length, times)[0]
    return logged_rhythm(values, times, lasts, level, tick, per_s=1.0)


def logged_rhythm(
    values: Float, start: Times, length: Times, level: float, tick: float, per_s: float = 1e9
) -> Rhythm:
    """As `rhythm`, of starts and lengths as they are logged, which are not copied.

    Parameters
    ----------
    values : float array, shape (n,)
        As for `rhythm`.
    start, length : array, shape (n,)
        Start and length of each loop, `per_s` of their unit to a second.
    level, tick : float
        As for `rhythm`.
    per_s : float
        1e9 for nanoseconds.

    Raises
    ------
    NotEnoughError
        If there are fewer than 50 loops.
    """
    values = as_values(values, 50, "a rhythm")
    events = stalls(values, tick=tick)
    if len(events.loops) < LEAST_EVENTS or len(events.loops) > MOST_SHARE * len(values):
        return _none(events)
    part = _busiest(events.loops, len(values))
    chosen = (events.loops >= part.start) & (events.loops < part.stop)
    loops, heights = events.loops[chosen], events.heights[chosen]
    period = median(length[part]) / per_s
    if len(loops) < LEAST_EVENTS or period <= 0:
        return _none(events)
    span = float(start[part.stop - 1] + length[part.stop - 1] - start[part.start]) / per_s
    middle = (start[loops] - start[part.start] + length[loops] / 2) / per_s
    by_time = _Events(middle, span, period / 4, period)
    by_loops = _Events((loops - part.start).astype(float), float(part.stop - part.start), 1.0, 1.0)
    if not any(at.within_reach(level) for at in (by_loops, by_time)):
        return _none(events)
    return _told(events, loops, heights, by_time, by_loops, level)


def _told(
    events: Events, loops: Int, heights: Float, by_time: _Events, by_loops: _Events, level: float
) -> Rhythm:
    """The rhythm by the better clock, if it is significant."""
    time_line, loop_line = _best_line(by_time), _best_line(by_loops)
    p = min(time_line.p, loop_line.p)
    if p >= level:
        return _none(events, p)
    clock = "either"
    if time_line.strength > 1.15 * loop_line.strength:
        clock = "time"
    elif loop_line.strength > 1.15 * time_line.strength:
        clock = "loops"
    beat = loop_line.strength > time_line.strength
    at = by_loops if beat else by_time
    period = _period(at, loop_line if beat else time_line)
    # the other clock's period follows from how many loops fill a second
    loop_s = by_time.length / by_loops.length
    keep = _in_step(at.positions, period)
    return Rhythm(
        found=True,
        clock=clock,
        period_s=period * loop_s if beat else period,
        period_loops=period if beat else period / loop_s,
        p=p,
        height=median(heights[keep] if keep.any() else heights),
        events=loops[keep],
    )


def rhythms(
    series: Mapping[str, ArrayLike],
    start_s: ArrayLike,
    level: float = IN_RUN.rhythm,
    tick: float = 0.0,
) -> dict[str, Rhythm]:
    """`rhythm` for several series of one run, which share the level.

    Parameters
    ----------
    series : mapping of str to array_like, shape (n,)
        For example the periods and the time of each call, one value per loop.
    start_s : array_like, shape (n,) [s]
        Start times of the loops.
    level : float
        Level of "any of them"; each is tested at its share.
    tick : float
        Tick of the clock [unit of the values].

    Raises
    ------
    NotEnoughError
        If there are fewer than 50 loops.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> gyro, motor = rng.normal(2, 0.1, 2000), rng.normal(3, 0.1, 2000)
    >>> motor[::40] += 3
    >>> found = rhythms({"gyro": gyro, "motor": motor}, np.arange(2000) * 0.01)
    >>> [name for name, r in found.items() if r.found]
    ['motor']
    """
    each = level / max(1, len(series))
    return {name: rhythm(x, start_s, each, tick) for name, x in series.items()}
