"""Where within a run the loop changed its level for good."""

import itertools
import math

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, Float, Int, as_pair, as_values, mad, median
from looptime.stats.autocorrelation import inflation, lag_one
from looptime.stats.levels import IN_RUN
from looptime.stats.windows import loops_per_window, window_medians

__all__ = ["ChangePoints", "change_points", "long_run_variance", "partition", "segment_means"]

WINDOW_S = 0.5
LEAST_LOOPS = 50
#: Windows of the shortest segment.
SEGMENT = 4
#: Share of the step beside it that the step at a shoulder has at most.
_SHOULDER = 0.25
#: How sudden a change of the level is to be, in standard deviations of those elsewhere in the run;
#: spans in a run that tell it; and what changes in one direction come to that need not be, as a
#: share of the level. Of logs of up to three minutes whose level wanders with a standard deviation
#: of 0.8 %, no more than one in twenty has one; where it goes up by 3 %, all but one in a hundred.
_SUDDEN, _SPANS, _MATTERS = 5.0, 7, 0.023
#: Share of the loops on both sides of a clear change that are nearer to their own level.
_CLEAR = 0.95
#: Robust standard deviations of the windows, and the share of the level, by which a start of fewer
#: than four windows must differ.
_STANDS_OUT, _LEAST_START = 5.0, 0.1
#: Longer runs get wider windows, so that the exact search stays quick.
MOST_WINDOWS = 1500


@dataclass(frozen=True)
class ChangePoints:
    """Levels of a run and where they change."""

    loops: Int  #: Index of the first loop of each segment but the first, shape (c,)
    times_s: Float  #: Start time of that loop, shape (c,)
    #: Mean of the window medians of each segment [unit of the values], shape (c + 1,).
    levels: Float
    relative_steps: Float  #: Each step over the level before it, shape (c,)
    loops_per_window: int  #: Resolution of `loops`


def partition(y: ArrayLike, penalty: float, least: int = SEGMENT) -> list[int]:
    """Cut a series into segments of constant mean: exact optimum of penalised least squares.

    Minimises ``sum over segments of (SS within + penalty)`` over all partitions with at least
    `least` values in a segment, by dynamic programming in O(K^2). Of more than `MOST_WINDOWS`
    values every so many are tried, and then all between them, a cut at a time.

    Parameters
    ----------
    y : array_like, shape (K,)
        Series.
    penalty : float
        Price of a segment [unit of `y`, squared].
    least : int
        Fewest values in a segment.

    Returns
    -------
    list of int
        Index of the first value of each segment but the first.

    Raises
    ------
    NotEnoughError
        If there are fewer than `least` values.

    References
    ----------
    Optimal partitioning (of which PELT is the pruned form).

    Examples
    --------
    >>> partition([0, 0, 0, 0, 5, 5, 5, 5, 5], penalty=1.0)
    [4]
    """
    values = as_values(y, least, "a search for changes")
    u = values - median(values)
    k = len(u)
    all_sums = np.append(0.0, np.cumsum(u))
    all_squares = np.append(0.0, np.cumsum(u**2))
    every = -(-k // MOST_WINDOWS)
    place = np.append(np.arange(0, k, every), k)
    fewest = -(-least // every)
    if k - place[-2] < every:  # the last one reaches to the end
        place = np.delete(place, -2)
    sums, squares, k = all_sums[place], all_squares[place], len(place) - 1
    best = np.full(k + 1, np.inf)
    best[0] = 0.0
    back = np.zeros(k + 1, dtype=np.int64)
    for end in range(fewest, k + 1):
        begin = end - fewest + 1
        gap = sums[end] - sums[:begin]
        wide = place[end] - place[:begin]
        cost = best[:begin] + (squares[end] - squares[:begin]) - gap**2 / wide
        at = int(np.argmin(cost))
        best[end], back[end] = cost[at] + penalty, at
    cuts, end = [], k
    while end > 0:
        end = int(back[end])
        cuts.append(int(place[end]))
    cuts = sorted(cuts)[1:]
    return cuts if every == 1 else _between(all_sums, cuts, every, least)


def _between(sums: Float, cuts: list[int], every: int, least: int) -> list[int]:
    """Cuts that were looked for at every so many places, each moved to the best one near it."""
    edges = [0, *cuts, len(sums) - 1]
    for j in range(1, len(edges) - 1):
        low, high = edges[j - 1], edges[j + 1]
        at = np.arange(max(low + least, edges[j] - every), min(high - least, edges[j] + every) + 1)
        if len(at):
            left, right = sums[at] - sums[low], sums[high] - sums[at]
            edges[j] = int(at[np.argmax(left**2 / (at - low) + right**2 / (high - at))])
    return edges[1:-1]


def segment_means(y: Float, cuts: list[int]) -> Float:
    """Mean of each segment between the cuts.

    Examples
    --------
    >>> segment_means(np.array([1.0, 1.0, 4.0]), [2])
    array([1., 4.])
    """
    edges = np.array([0, *cuts, len(y)])
    return np.add.reduceat(y, edges[:-1]) / np.diff(edges)


def _noise(y: Float) -> float:
    """Variance of the white part of a series, from its first differences.

    Never quite 0: a noise-free series still needs a price per segment.
    """
    rough = (MAD_SCALE * mad(np.diff(y))) ** 2 / 2
    return max(rough, (1e-6 * float(np.abs(y).max())) ** 2, 1e-300)


def long_run_variance(y: Float, least: int = SEGMENT) -> float:
    """Variance that the mean of many values of a series sees, whatever its levels do.

    A first fit with penalty ``8 s2 ln K`` (s2 half the squared scaled MAD of the first
    differences) takes the levels out; with r the lag-1 correlation of the residuals plus
    ``(1 + segments) / K``, the answer is ``max(s2, var (1 + r) / (1 - r))``.

    Examples
    --------
    >>> y = np.random.default_rng(1).normal(0, 1, 200)
    >>> bool(0.5 < long_run_variance(y) < 2.5)
    True
    """
    s2 = _noise(y)
    cuts = partition(y, 8 * s2 * math.log(len(y)), least)
    means = segment_means(y, cuts)
    left = y - np.repeat(means, np.diff([0, *cuts, len(y)]))
    r = lag_one(left, (2 + len(cuts)) / len(y))
    return max(s2, float(left.var()) * inflation(r))


def _without_small_steps(y: Float, cuts: list[int], least: float) -> list[int]:
    """Drop the smallest step, time and again, until all are at least `least` of the level."""
    while cuts:
        means = segment_means(y, cuts)
        steps = np.abs(np.diff(means)) / np.maximum(np.abs(means[:-1]), 1e-300)
        smallest = int(np.argmin(steps))
        if steps[smallest] >= least:
            break
        cuts = cuts[:smallest] + cuts[smallest + 1 :]
    return cuts


def _without_shoulders(y: Float, cuts: list[int]) -> list[int]:
    """Cuts without those that a step within a window leaves beside it.

    The shortest segment there may be then holds a little of the step, in the same direction.
    """
    while True:
        step = np.diff(segment_means(y, cuts))
        size = np.sort(np.abs([step[:-1], step[1:]]), axis=0)
        shoulder = (np.diff(cuts) <= SEGMENT + 1) & (step[:-1] * step[1:] > 0)
        shoulder &= size[0] <= _SHOULDER * size[1]
        if not shoulder.any():
            return cuts
        k = int(np.argmax(shoulder))
        k += int(abs(step[k]) > abs(step[k + 1]))
        cuts = cuts[:k] + cuts[k + 1 :]


def _sudden(y: Float, cut: int) -> bool:
    """Whether the level goes on there as nowhere else, over some span on either side.

    The change from the mean of as many windows before to that after is `_SUDDEN` standard
    deviations, by the median, of all such changes that do not reach across the cut.
    """
    sums = np.append(0.0, np.cumsum(y))
    span = SEGMENT
    while span == SEGMENT or _SPANS * span <= len(y):
        at = np.arange(span, len(y) - span + 1)
        change = np.abs(sums[at + span] - 2 * sums[at] + sums[at - span])
        far = np.abs(at - cut) >= span
        if far.sum() < SEGMENT:
            return False
        here = change[np.abs(at - cut) <= 1]
        if len(here) and here.max() > _SUDDEN * MAD_SCALE * median(change[far]):
            return True
        span *= 2
    return False


def _outstanding(y: Float, cuts: list[int]) -> list[int]:
    """Cuts that a level which wanders all along does not explain, or that matter in any case.

    Where cuts follow one another in one direction, and come to `_MATTERS` of the level together,
    they are told whatever else the level does.
    """
    means = segment_means(y, cuts)
    kept: list[int] = []
    for _, flight in itertools.groupby(range(len(cuts)), key=lambda k: means[k + 1] > means[k]):
        along = list(flight)
        first, last = float(means[along[0]]), float(means[along[-1] + 1])
        large = abs(last - first) >= _MATTERS * abs(first)
        kept += [cuts[k] for k in along if large or _sudden(y, cuts[k])]
    return kept


def _exact(x: Float, edges: list[int], levels: Float) -> list[int]:
    """Each edge at the very loop, where nearly all loops beside it lie on their own side.

    Windows tell a change to half a second, and nothing of what lasts no four of them; a level of
    fewer loops at the start of the run reaches into the next.
    """
    edges = list(edges)
    for j in range(1, len(edges) - 1):
        parted = _parted(x[edges[j - 1] : edges[j + 1]], levels[j - 1], levels[j])
        edges[j] = edges[j - 1] + parted if parted else edges[j]
    return edges


def _parted(x: Float, before: float, after: float) -> int:
    """How many values belong to the level before, where hardly any is nearer to the other's.

    Examples
    --------
    >>> _parted(np.array([9.0, 8.0, 9.0, 2.0, 1.0, 2.0]), 9, 2), _parted(np.arange(9.0) % 3, 0, 2)
    (3, 0)
    """
    own = (x > (before + after) / 2) == (before > after)
    most = int(np.argmax(np.cumsum(np.where(own, 1, -1))[:-1])) + 1
    clear = own[:most].mean() >= _CLEAR and own[most:].mean() <= 1 - _CLEAR
    return most if clear else 0


def _short_start(x: Float, t: Float, y: Float, loops: int, end: int) -> int:
    """Loops of a level at the start that holds no four windows and yet stands out; 0 for none."""
    rest = y[SEGMENT : end // loops]
    level = median(rest) if len(rest) >= SEGMENT else float(y[0])
    least = max(_STANDS_OUT * MAD_SCALE * mad(rest), _LEAST_START * abs(level)) if len(rest) else 0
    half = (float(y[0]) + level) / 2
    if abs(y[0] - level) <= least or ((rest > half) == (y[0] > half)).any():  # it comes back
        return 0
    first = _parted(x[:end], float(y[0]), level)
    return first if first < SEGMENT * loops and t[first] - t[0] >= WINDOW_S else 0


def _levels(x: Float, edges: list[int], y: Float, loops: int) -> Float:
    """Mean of the window medians within each segment; of one without, the median of its loops."""
    made = []
    for low, high in itertools.pairwise(edges):
        first, last = -(-low // loops), len(y) if high == len(x) else high // loops
        made.append(float(np.mean(y[first:last])) if first < last else median(x[low:high]))
    return np.array(made)


def change_points(
    x: ArrayLike,
    start_s: ArrayLike,
    penalty: float = IN_RUN.change_penalty,
    least_step: float = 0.01,
) -> ChangePoints:
    """Where the level of a run changes: exact penalised least squares on 0.5 s window medians.

    Each segment costs ``penalty x LRV x ln K`` (`long_run_variance`) and holds at least 4
    windows. A level that wanders has no change points but where it goes on as nowhere else, or by
    2.3 %. Where 95 % of the loops beside a change are nearer to their own level than to the other,
    its place is the loop that parts them best. A change point is a true statement about the
    recording, not about its cause.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods or works in loop order, warm-up cut off, dithered where the clock is coarse.
    start_s : array_like, shape (n,) [s]
        Start times.
    penalty : float
        Price factor (`looptime.stats.levels`).
    least_step : float
        Steps smaller than this share of the level are not reported.

    Raises
    ------
    NotEnoughError
        If the run holds fewer than 12 windows.

    References
    ----------
    Optimal partitioning with a penalty scaled by the long-run variance.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> t = np.arange(6000) * 0.01
    >>> found = change_points(np.where(t < 30, 10.0, 10.5) + rng.normal(0, 0.5, 6000), t)
    >>> bool(abs(found.times_s[0] - 30) <= 0.5), round(float(found.relative_steps[0]), 2)
    (True, 0.05)
    """
    values, times = as_pair(x, start_s, 2, "a change point")
    loops = loops_per_window(times, WINDOW_S, LEAST_LOOPS)
    loops = max(loops, math.ceil(len(values) / MOST_WINDOWS))
    if len(values) < 12 * loops:
        raise NotEnoughError(
            f"change points need at least {12 * loops:,} loops (12 windows), "
            f"there are {len(values):,}"
        )
    y = window_medians(values, times, loops).medians
    cuts = partition(y, penalty * long_run_variance(y) * math.log(len(y)))
    cuts = _without_shoulders(y, _without_small_steps(y, cuts, least_step))
    cuts = _without_small_steps(y, _outstanding(y, cuts), least_step)
    edges = _exact(values, [0, *(cut * loops for cut in cuts), len(values)], segment_means(y, cuts))
    first = _short_start(values, times, y, loops, edges[1])
    edges[1:1] = [first] if first else []
    means = _levels(values, edges, y, loops)
    at = np.array(edges[1:-1], dtype=np.int64)
    before = np.where(means[:-1] == 0, 1.0, means[:-1])
    return ChangePoints(at, times[at], means, np.diff(means) / before, loops)
