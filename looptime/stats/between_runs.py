"""Several runs a side: one number per run, so that the scatter between runs is in the error.

Every run gives one value on a scale where runs scatter evenly: the logarithm of a time, the
square root of a count.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.arrays import Float, as_values
from looptime.stats.student import t_quantile, t_two_sided

__all__ = [
    "RunDifference",
    "RunOrder",
    "compare_runs",
    "compare_runs_in_order",
    "count_scale",
    "log_scale",
    "order_of_runs",
    "resolvable_between_runs",
    "runs_to_resolve",
]


@dataclass(frozen=True)
class RunDifference:
    """The difference "b minus a" between the runs of two sides, on their common scale."""

    #: Of the mean values.
    difference: float
    se: float
    df: int  #: Degrees of freedom
    p: float  #: Two-sided p-value
    #: 95 % interval.
    low: float
    high: float
    sd: float  #: Pooled run-to-run standard deviation
    history: int = 0  #: Runs of history in the variance; 0 without
    #: Fitted change per run, where the order of the runs was fitted too.
    order_slope: float | None = None
    resolvable: float = math.nan  #: Difference that such a comparison shows with 80 % probability

    @property
    def percent(self) -> float:
        """The difference of logarithms as a change in percent, ``100 (exp(d) - 1)``."""
        return 100 * math.expm1(self.difference)

    @property
    def percent_interval(self) -> tuple[float, float]:
        """The interval of `percent`."""
        return 100 * math.expm1(self.low), 100 * math.expm1(self.high)


@dataclass(frozen=True)
class RunOrder:
    """How the runs of two sides followed each other."""

    letters: str  #: A or B for each run in time order, for example ``AABB``
    #: Whether one side was recorded wholly before the other, so that a trend of battery or heat
    #: cannot be told from the change.
    separated: bool
    #: Difference of the mean positions over its largest possible value: 0 for ABBA, 1 for AABB, -1
    #: for BBAA.
    imbalance: float


def log_scale(values: ArrayLike) -> Float:
    """Logarithms of one figure of several runs, the scale on which runs are compared.

    Raises
    ------
    NotEnoughError
        If a value is not above 0.

    Examples
    --------
    >>> log_scale([1.0, np.e])
    array([0., 1.])
    """
    x = as_values(values)
    if not (x > 0).all():
        raise NotEnoughError("a relative comparison needs values above 0, one run has 0")
    return np.log(x)


def count_scale(counts: ArrayLike) -> Float:
    """``sqrt(count + 3/8)``: counts of overruns on a scale where they scatter evenly.

    The runs must hold windows of equal length; otherwise scale the counts to a common length.

    Raises
    ------
    ValueError
        If a count is negative.

    References
    ----------
    Anscombe's square-root transform of Poisson counts.

    Examples
    --------
    >>> count_scale([0, 1]).round(3)
    array([0.612, 1.173])
    """
    x = as_values(counts)
    if (x < 0).any():
        raise ValueError("a count cannot be negative")
    return np.sqrt(x + 0.375)


def _pooled(a: Float, b: Float, history: Float | None) -> tuple[float, int]:
    """Pooled variance and its degrees of freedom."""
    total = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
    df = len(a) + len(b) - 2
    if history is not None:
        total += float(((history - history.mean()) ** 2).sum())
        df += len(history) - 1
    return total / df, df


def _result(d: float, se: float, df: int, sd: float, **more: Any) -> RunDifference:
    half = t_quantile(0.975, df) * se
    return RunDifference(
        difference=d,
        se=se,
        df=df,
        p=t_two_sided(d, se, df),
        low=d - half,
        high=d + half,
        sd=sd,
        resolvable=(t_quantile(0.975, df) + t_quantile(0.8, df)) * se,
        **more,
    )


def compare_runs(a: ArrayLike, b: ArrayLike, history: ArrayLike | None = None) -> RunDifference:
    """Whether the runs of two sides differ: Student's t with pooled variance.

    ``s2 = (SS_a + SS_b) / (k_a + k_b - 2)``, ``t = d / sqrt(s2 (1/k_a + 1/k_b))``. With a
    history of m >= 5 runs of the unchanged set-up the variance is moderated by theirs,
    ``s2 = ((m - 1) s0^2 + SS_a + SS_b) / (m - 1 + k_a + k_b - 2)``; then one run a side will do.

    Parameters
    ----------
    a, b : array_like, shapes (k_a,), (k_b,)
        One value per run, from `log_scale` or `count_scale`.
    history : array_like, shape (m,), optional
        The same value of older runs of the unchanged set-up. Fewer than 5 are not used.

    Raises
    ------
    NotEnoughError
        If a side is empty, or without history the sides hold fewer than 3 runs together.

    References
    ----------
    Student's two-sample t test; moderation of a variance by a prior sample.

    Examples
    --------
    >>> found = compare_runs([1.0, 2.0, 3.0], [4.0, 5.0, 6.0])
    >>> found.difference, found.sd, found.df, round(found.p, 4)
    (3.0, 1.0, 4, 0.0213)
    """
    ya, yb = as_values(a, 1, "a side"), as_values(b, 1, "a side")
    old = None if history is None else as_values(history)
    if old is not None and len(old) < 5:
        old = None
    if old is None and len(ya) + len(yb) < 3:
        raise NotEnoughError(
            "one run a side cannot tell a change from scatter between runs: record 3 + 3, as ABBA"
        )
    s2, df = _pooled(ya, yb, old)
    se = math.sqrt(s2 * (1 / len(ya) + 1 / len(yb)))
    d = float(yb.mean() - ya.mean())
    past = 0 if old is None else len(old)
    return _result(d, se, df, math.sqrt(s2), history=past)


def order_of_runs(time_a: ArrayLike, time_b: ArrayLike) -> RunOrder:
    """How the runs of two sides followed each other, from the times they were recorded.

    Parameters
    ----------
    time_a, time_b : array_like, shapes (k_a,), (k_b,)
        Times of recording, any common unit.

    Raises
    ------
    NotEnoughError
        If a side is empty.

    Examples
    --------
    >>> order_of_runs([1, 4], [2, 3])
    RunOrder(letters='ABBA', separated=False, imbalance=0.0)
    >>> order_of_runs([1, 2, 3], [4, 5, 6]).separated
    True
    """
    ta, tb = as_values(time_a, 1, "a side"), as_values(time_b, 1, "a side")
    order = np.argsort(np.concatenate([ta, tb]), kind="stable")
    side = np.repeat([0, 1], [len(ta), len(tb)])[order]
    place = np.arange(len(side), dtype=float)
    gap = float(place[side == 1].mean() - place[side == 0].mean()) / (len(side) / 2)
    letters = "".join("AB"[s] for s in side)
    alone = len(side) == 2
    separated = not alone and int((np.diff(side) != 0).sum()) == 1
    return RunOrder(letters, separated, gap)


def compare_runs_in_order(
    a: ArrayLike, b: ArrayLike, time_a: ArrayLike, time_b: ArrayLike
) -> RunDifference:
    """Whether the sides differ beyond a straight trend along the order of recording.

    Least squares of the values on side and place in the order. It keeps its level where the
    sides were recorded one after the other, but loses most of the power: interleave instead.

    Parameters
    ----------
    a, b : array_like, shapes (k_a,), (k_b,)
        One value per run.
    time_a, time_b : array_like, same shapes
        Times of recording.

    Raises
    ------
    NotEnoughError
        If a side is empty or both hold fewer than 4 runs together.

    References
    ----------
    Analysis of covariance.

    Examples
    --------
    A trend of 1 per run and nothing else:

    >>> found = compare_runs_in_order([1, 2, 3], [4.1, 4.9, 6], [1, 2, 3], [4, 5, 6])
    >>> bool(found.p > 0.5), round(found.order_slope, 2)
    (True, 0.98)
    """
    ya, yb = as_values(a, 1, "a side"), as_values(b, 1, "a side")
    y = np.concatenate([ya, yb])
    if len(y) < 4:
        raise NotEnoughError(f"a trend over runs needs at least 4 runs, there are {len(y)}")
    times = np.concatenate([as_values(time_a), as_values(time_b)])
    place = np.empty(len(y))
    place[np.argsort(times, kind="stable")] = np.arange(len(y))
    side = np.repeat([0.0, 1.0], [len(ya), len(yb)])
    design = np.column_stack([np.ones(len(y)), side, place - place.mean()])
    covariance = np.linalg.pinv(design.T @ design)
    fit = covariance @ design.T @ (y - y.mean())
    left = y - y.mean() - design @ fit
    df = len(y) - 3
    s2 = float(left @ left) / df
    s2 = 0.0 if s2 <= 1e-26 * float(y @ y) else s2
    se = math.sqrt(s2 * float(covariance[1, 1]))
    return _result(float(fit[1]), se, df, math.sqrt(s2), order_slope=float(fit[2]))


def resolvable_between_runs(sd: float, runs_a: int, runs_b: int) -> float:
    """Difference between sides that k_a and k_b runs show with 80 % probability.

    ``(t(.975, df) + t(.80, df)) sd sqrt(1/k_a + 1/k_b)`` with ``df = k_a + k_b - 2``.

    Parameters
    ----------
    sd : float
        Run-to-run standard deviation on the scale of the values.
    runs_a, runs_b : int
        Runs on each side, at least 3 together.

    Raises
    ------
    NotEnoughError
        If there are fewer than 3 runs.

    Examples
    --------
    >>> [round(resolvable_between_runs(1.0, k, k), 2) for k in (2, 3, 5, 8)]
    [5.36, 3.04, 2.02, 1.51]
    """
    df = runs_a + runs_b - 2
    if df < 1 or min(runs_a, runs_b) < 1:
        raise NotEnoughError(f"a comparison of runs needs 3 runs, there are {runs_a + runs_b}")
    factor = t_quantile(0.975, df) + t_quantile(0.80, df)
    return factor * sd * math.sqrt(1 / runs_a + 1 / runs_b)


def runs_to_resolve(sd: float, change: float, most: int = 100) -> int | None:
    """Runs a side with which a change would show with 80 % probability.

    The smallest k for which `resolvable_between_runs` is at most `change`.

    Parameters
    ----------
    sd : float
        Run-to-run standard deviation.
    change : float
        Difference to be seen, on the same scale.
    most : int
        Where to stop looking.

    Returns
    -------
    int or None
        None if more than `most` runs would be needed.

    Examples
    --------
    >>> runs_to_resolve(0.007, 0.02), runs_to_resolve(0.007, 0.0)
    (4, None)
    """
    for k in range(2, most + 1):
        if resolvable_between_runs(sd, k, k) <= change:
            return k
    return None
