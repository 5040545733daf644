"""Which runs are unlike the others, in one figure or in several."""

import math
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.checks.season.level_changes import cuts_of
from looptime.checks.season.season import Listed
from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, mad
from looptime.stats.student import t_two_sided

__all__ = [
    "LEAST_RUNS", "Moved", "Odd", "dearest", "gaps", "odd_places", "odd_runs", "odd_together",
]  # fmt: skip

#: Runs below which none can be told to be odd.
LEAST_RUNS = 6
#: A run may be odd beyond so many robust standard deviations from its neighbours, and this share.
ODD_MADS, ODD_SHARE = 4.0, 0.02
#: At most one run in so many is odd.
_ONE_IN = 4
#: Runs beyond which the level is looked for once, without all that may be odd.
_MANY = 600
#: Level, shared by all figures, at which a run that is odd in one is odd in another as well.
_AS_WELL = 0.05
#: Share of a change of the loop that calls must carry before they are named as where it lies.
_CARRIED = 0.5


@dataclass(frozen=True)
class Moved:
    """A call that moved with the loop."""

    call: str
    more_ms: float  #: What it took more [ms a loop]; below 0 it took less


@dataclass(frozen=True)
class Odd:
    """A run unlike the others."""

    #: `entry`, `run`: Its name in the season, and what it is called.
    entry: str
    run: str
    version: str | None
    figures: tuple[str, ...]  #: Those in which it is unlike them
    percent: float  #: Its distance from its neighbours in the first of them; below 0 it was faster
    of_loop: bool = False  #: Whether that is a share of the loop: some runs lack the call
    #: The calls that carry at least half of the loop's distance from its neighbours, dearest first.
    calls: tuple[Moved, ...] = ()


def odd_together(figures: Sequence[Float], alphas: Sequence[float]) -> list[Int]:
    """The places of the odd runs in each of several figures of the same runs.

    A run that is odd in one figure at that figure's level is odd in another where it lies so far
    off there that one run, known beforehand, would by chance in one season of 20.

    Parameters
    ----------
    figures : sequence of float array, shape (n,)
        Logarithms, in the order of recording.
    alphas : sequence of float
        Chance of any false odd run in each figure.
    """
    as_well = _AS_WELL / max(len(figures), 1)
    sure = [set(odd_places(y, alpha).tolist()) for y, alpha in zip(figures, alphas, strict=True)]
    accused = sorted(set().union(*sure))
    out: list[Int] = []
    for y, mine in zip(figures, sure, strict=True):
        far = _far(y)
        starts = _starts(y, np.flatnonzero(far), as_well)
        also = {
            k for k in accused
            if k not in mine and far[k] and _p(y, k, {*mine, k}, as_well, starts) < as_well
        }  # fmt: skip
        both = sorted(mine | also)
        out.append(np.array(both if len(y) - len(both) >= LEAST_RUNS else sorted(mine), np.int64))
    return out


def odd_places(y: Float, alpha: float) -> Int:
    """Places of the runs that are unlike the others in one figure.

    Those beyond 4 robust standard deviations, and 2 %, of their neighbours are looked at, the
    farthest first, each against the level and the scatter of the runs that are left without it
    and those before it: Student's t of a new value, with its p-value times the runs left. All
    down to the last one that holds at `alpha` are odd, so that two odd runs cannot hide each other.

    Parameters
    ----------
    y : float array, shape (n,)
        Logarithms of the figure, in the order of recording.
    alpha : float
        Chance of any odd run in a figure that did not change.

    References
    ----------
    B. Rosner, "Percentage points for a generalized ESD many-outlier procedure", 1983.

    Examples
    --------
    >>> odd_places(np.array([0.0, 0.01, -0.01, 0.01, 0.3, 0.0, -0.01, 0.0]), 0.01)
    array([4])
    """
    n, far = len(y), _far(y)
    looked = [int(k) for k in np.argsort(-np.abs(gaps(y)), kind="stable") if far[k]]
    looked = looked[: max(1, min(n // _ONE_IN, n - LEAST_RUNS))]
    odd, starts = 0, _starts(y, looked, alpha)
    for i, k in enumerate(looked):
        if _p(y, k, looked[: i + 1], alpha, starts) * (n - i) < alpha:
            odd = i + 1
    return np.sort(np.array(looked[:odd], np.int64))


def gaps(y: Float) -> Float:
    """By how much each run lies off the median of itself and two neighbours on either side.

    At the ends it is the median of the five there, or that carried on by their usual step (median
    of all slopes between two of them): the nearer of the two, so that a trend makes no run odd.
    """
    windows = np.lib.stride_tricks.sliding_window_view(y, 5)
    middle = np.median(windows, axis=1)
    gap = y - np.concatenate([[middle[0]] * 2, middle, [middle[-1]] * 2])
    one, other = np.triu_indices(5, 1)
    for window, ends in ((windows[0], (0, 1)), (windows[-1], (-1, -2))):
        slope = float(np.median((window[other] - window[one]) / (other - one)))
        for at, steps in zip(ends, (2, 1), strict=True):
            carried = gap[at] + slope * (steps if at >= 0 else -steps)
            gap[at] = min(gap[at], carried, key=abs)
    return gap


def _far(y: Float) -> Bool:
    # half the variance of a difference is that of a value; changes of level are few
    scatter = MAD_SCALE * mad(np.diff(y)) / math.sqrt(2)
    return np.abs(gaps(y)) > max(ODD_MADS * scatter, math.log1p(ODD_SHARE))


def _starts(y: Float, far: Sequence[int] | Int, alpha: float) -> Int | None:
    """Runs from which on a long season's level is another; None of a shorter one."""
    if len(y) <= _MANY:
        return None
    left = np.setdiff1d(np.arange(len(y)), far)
    return left[cuts_of(y[left], alpha)[1:-1]]


def _p(
    y: Float, k: int, without: Collection[int], alpha: float, starts: Int | None = None
) -> float:
    """Two-sided p-value that run `k` is one more of those left, on the nearest of their levels.

    These are looked for among the runs left, unless it is known where they begin.
    """
    left = np.setdiff1d(np.arange(len(y)), list(without))
    if starts is None:
        edges = cuts_of(y[left], alpha)
    else:
        edges = [0, *np.searchsorted(left, starts).tolist(), len(left)]
    parts = [y[left[a:b]] for a, b in pairwise(edges)]
    starts = left[edges[1:-1]]
    beside = {int(np.searchsorted(starts, at, side="right")) for at in (k - 1, k + 1)}
    near = min((parts[i] for i in beside), key=lambda part: abs(y[k] - part.mean()))
    squares = math.fsum(float(((part - part.mean()) ** 2).sum()) for part in parts)
    df = len(left) - len(parts)
    se = math.sqrt(squares / df * (1 + 1 / len(near)))
    return t_two_sided(float(y[k] - near.mean()), se, df)


def odd_runs(
    entries: Sequence[Listed],
    figures: Sequence[tuple[str, str, Sequence[float]]],
    logs: Mapping[int, Float],
    odd: Mapping[int, Int],
    base: Sequence[float],
) -> tuple[Odd, ...]:
    """The odd runs with their figures and calls, the one with the most figures first.

    Parameters
    ----------
    entries : sequence of Listed
        The runs in the order of recording.
    figures : sequence of (statistic, call, values)
        Of the whole loop (no call) and of calls.
    logs, odd : mapping
        By place in `figures`: its logarithms, and the places of the runs that are odd in it.
    base : sequence of float
        What of each figure is the loop's, added to a call that some runs lack; else 0.
    """
    off = {k: gaps(y) for k, y in logs.items()}

    def moved(k: int, run: int) -> Moved:
        return Moved(figures[k][1], figures[k][2][run] * -math.expm1(-float(off[k][run])))

    made = []
    for run in sorted({int(run) for places in odd.values() for run in places}):
        mine = [k for k, places in odd.items() if run in places]
        titles = tuple(f"{figures[k][1]} {figures[k][0]}".strip() for k in mine)
        loop = next((k for k in logs if figures[k][:2] == ("mean", "")), None)
        calls = [moved(k, run) for k in logs if figures[k][1]]
        facts = entries[run].facts
        made.append(Odd(
            entries[run].name, facts.name, facts.version, titles,
            100 * math.expm1(float(off[mine[0]][run])), base[mine[0]] > 0,
            () if loop is None else tuple(dearest(calls, moved(loop, run).more_ms)),
        ))  # fmt: skip
    return tuple(sorted(made, key=lambda o: (-len(o.figures), -abs(o.percent))))


def dearest(moved: Sequence[Moved], change_ms: float) -> list[Moved]:
    """The dearest of the calls that moved with the loop, as many as carry half of its change.

    Examples
    --------
    >>> dearest([Moved("imu.read", 0.1), Moved("arm.read", 0.7), Moved("log", -0.2)], 1.0)
    [Moved(call='arm.read', more_ms=0.7)]
    """
    same = sorted((m for m in moved if m.more_ms * change_ms > 0), key=lambda m: -abs(m.more_ms))
    held, taken = 0.0, []
    for call in same[:3]:
        if abs(held) >= _CARRIED * abs(change_ms):
            break
        held += call.more_ms
        taken.append(call)
    return taken if abs(held) >= _CARRIED * abs(change_ms) else []
