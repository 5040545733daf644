"""How old the reading in use is: the exact distribution of its age over time.

At a time ``t`` in ``[u_k, u_{k+1})`` the age is ``a(t) = t - s_k``; it grows from the latency
``L_k`` to ``L_k + T_k`` within the hold.
"""

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.block_intervals import figure
from looptime.heading.pattern import BLOCKS, Sampling
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = ["AgeParts", "age_parts", "interval_quantile", "leave_out", "mean_age_ms", "mean_age_s"]


@dataclass(frozen=True)
class AgeParts:
    """The mean age over time and its three parts, which add up to it exactly [ms]."""

    #: ``E[L T]/E[T]``, ``E[T]/2`` and ``Var[T]/(2 E[T])`` add up to the mean age over time.
    mean_ms: Figure
    latency_ms: Figure
    hold_ms: Figure
    unevenness_ms: Figure
    max_ms: float  #: Greatest age; no interval is given for a maximum


def leave_out(sums: Float) -> Float:
    """Totals without each block; from shape (BLOCKS, ...) to the same shape.

    Examples
    --------
    >>> leave_out(np.array([1.0, 2.0, 4.0])).tolist()
    [6.0, 5.0, 3.0]
    """
    return sums.sum(axis=0) - sums


def ratio(above: Float, below: Float) -> Float:
    """Quotient, NaN where there is nothing below: a block that cannot be left out."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(above / below, dtype=np.float64)


def block_sums(block: Int, values: Float) -> Float:
    """Sum of values over each block; shape (BLOCKS,)."""
    return np.asarray(np.bincount(block, values, minlength=BLOCKS), dtype=np.float64)


def by_block(sampling: Sampling, values: Float) -> Float:
    """Sum of a value a hold over each block; shape (BLOCKS,)."""
    return block_sums(sampling.block, values)


def mean_age_s(sampling: Sampling) -> float:
    """Mean age over time: ``sum(L T + T^2 / 2) / sum(T)`` [s].

    Examples
    --------
    >>> from looptime.heading.pattern import even
    >>> round(mean_age_s(even(100, 10, latency_s=0.003)), 12)
    0.008
    """
    T, L = sampling.hold_s, sampling.latency_s
    return float(np.sum(T * (L + T / 2)) / np.sum(T))


def age_parts(sampling: Sampling) -> AgeParts:
    """Mean age over time as latency + hold + unevenness, exact, with intervals.

    ``mean a = E[L T]/E[T] + E[T]/2 + Var[T]/(2 E[T])``: the age is integrated over every hold and
    divided by the total time; the second moment ``E[T^2]/(2 E[T])`` is the sum of the last two.

    References
    ----------
    Mean residual time of a renewal process (inspection paradox).
    """
    mean, latency, hold, uneven = (_figure_ms(*part) for part in _with_left_out(sampling))
    greatest = float((sampling.latency_s + sampling.hold_s).max())
    return AgeParts(mean, latency, hold, uneven, greatest * 1e3)


def mean_age_ms(sampling: Sampling) -> Figure:
    """The mean age of `age_parts` alone [ms]."""
    return _figure_ms(*_with_left_out(sampling)[0])


def _figure_ms(value: Float, left_out: Float) -> Figure:
    return figure(float(value), left_out, positive=True).scaled(1e3)


def _with_left_out(sampling: Sampling) -> list[tuple[Float, Float]]:
    """Mean age and its parts over all loops, and without each block [s]."""
    T, L = sampling.hold_s, sampling.latency_s
    sums = np.stack([by_block(sampling, x) for x in (np.ones_like(T), T, L * T, T * T)])
    return list(zip(_parts(sums.sum(axis=1)), _parts(leave_out(sums.T).T), strict=True))


def _parts(sums: Float) -> tuple[Float, Float, Float, Float]:
    n, T, LT, TT = sums
    latency, hold = ratio(LT, T), ratio(T, n) / 2
    uneven = ratio(TT, T) / 2 - hold
    return latency + hold + uneven, latency, hold, uneven


def interval_quantile(low: Float, high: Float, weight: Float, share: float) -> float:
    """Quantile of a mixture of uniform distributions, exact.

    Parameters
    ----------
    low, high : float array, shape (m,)
        Ends of each uniform part; equal ends are a point.
    weight : float array, shape (m,)
        Above or equal 0.
    share : float
        0.95 for p95.

    Returns
    -------
    float
        The smallest x at which the distribution function reaches `share`.

    Examples
    --------
    >>> interval_quantile(np.array([0.0, 0.0]), np.array([1.0, 2.0]), np.ones(2), 0.75)
    1.0
    """
    place = distinct(np.concatenate([low, high]))
    goal = share * float(weight.sum())
    enough = goal * (1 - 1e-15)
    first, last, below, between = 0, len(place) - 1, 0.0, (low, high, weight)
    while first < last:  # densities summed up would drown in those of very narrow parts
        middle = (first + last) // 2
        begins, ends, heavy = between
        if below + _at_most(place[middle], *between) >= enough:
            last, some = middle, begins <= place[middle]
        else:
            first, some = middle + 1, ends > place[middle]
            below += float(heavy[~some].sum())
        between = begins[some], ends[some], heavy[some]
    if first == 0:
        return float(place[0])
    before, x = float(place[first - 1]), float(place[first])
    points = float(weight[(low == high) & (low == x)].sum())
    reached, at = (_at_most(one, low, high, weight) for one in (before, x))
    at -= points
    if at < enough or at <= reached:
        return x
    return min(before + (x - before) * (goal - reached) / (at - reached), x)


def _at_most(x: float, low: Float, high: Float, weight: Float) -> float:
    """Weight of a mixture of uniform distributions at or below x."""
    some = low < x
    with np.errstate(divide="ignore", over="ignore"):  # a point before x has all its weight there
        part = np.minimum((x - low[some]) / (high[some] - low[some]), 1.0)
    return float(weight[some] @ part) + float(weight[(low == high) & (low == x)].sum())
