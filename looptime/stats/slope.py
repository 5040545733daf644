"""Whether a run gets slower or faster from its start to its end."""

import math

import numpy as np
from numpy.typing import ArrayLike

from looptime.records import dataclass
from looptime.stats.arrays import Float, as_pair, median
from looptime.stats.autocorrelation import inflation, lag_one
from looptime.stats.levels import IN_RUN
from looptime.stats.student import t_quantile, t_two_sided
from looptime.stats.windows import window_medians

__all__ = ["Drift", "drift", "drift_of_part", "theil_sen"]

WINDOWS = 30
#: Where a line through the windows may bend.
_BENDS = slice(5, -5, 5)
#: A bend is believed where it leaves less than this share of what the straight line leaves.
_BENT = 0.3
#: Windows shorter than this need a look at the second lag, too [s].
SHORT_WINDOW_S = 1.5


@dataclass(frozen=True)
class Drift:
    """The straight trend along a run."""

    change: float  #: From the start to the end of the run, Theil-Sen [unit of the values]
    #: 95 % interval of `change`.
    low: float
    high: float
    relative: float  #: `change` over the median of the run; 0 where that is 0
    per_minute: float  #: `change` per minute
    p: float  #: p-value of the slope
    df: float  #: Degrees of freedom left after the correction for correlation
    #: Whether it is worth reporting: p below the level, its interval without 0, and 1 % of the run.
    found: bool


def theil_sen(t: Float, y: Float) -> float:
    """Median of the slopes between all pairs of points: a slope that outliers do not move.

    Parameters
    ----------
    t, y : float array, shape (k,)
        Points; pairs at the same t are left out.

    References
    ----------
    Theil-Sen estimator.

    Examples
    --------
    >>> theil_sen(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 50.0, 3.0]))
    1.0
    """
    i, j = np.triu_indices(len(t), 1)
    run = t[j] - t[i]
    usable = run > 0
    if not usable.any():
        return 0.0
    return median((y[j] - y[i])[usable] / run[usable])


def _correlation(e: Float, window_s: float) -> float:
    """Lag-1 correlation of the residuals of a line through the windows, freed of its bias.

    The fit takes about (2 + 4 r) / k off the correlation of k residuals. Slow states of a bus
    outlast short windows, and then the second lag says more than the first.
    """
    unbiased = 1 - 4 / WINDOWS
    r = lag_one(e, 2 / WINDOWS) / unbiased
    if window_s < SHORT_WINDOW_S and float(e @ e) > 0:
        second = (float(e[:-2] @ e[2:]) / float(e @ e) + 2 / WINDOWS) / unbiased
        r = max(r, math.sqrt(second)) if second > 0.15 else r
    return min(r, 0.8)


def _left_by_a_bend(u: Float, y: Float) -> Float:
    """What is left of values by the best line with one bend in it; shape (k,).

    A loop that begins to slow down half-way would else be taken for one that wanders.
    """
    best = np.full(len(y), np.inf)
    for bend in u[_BENDS]:
        design = np.column_stack([np.ones(len(u)), u, np.maximum(u - bend, 0.0)])
        left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
        best = left if not float(left @ left) >= float(best @ best) else best
    return best


def drift(x: ArrayLike, start_s: ArrayLike, level: float = IN_RUN.drift) -> Drift:
    """Trend along a run: estimated by Theil-Sen, tested by least squares, on 30 windows.

    A window stands for the mean of its typical loops, those between its quartiles. The test's
    standard error is inflated by ``sqrt(f)``, ``f = (1 + r) / (1 - r)``, with r the lag-1
    correlation of the residuals freed of its bias, ``(r + 2/30) / (1 - 4/30)``;
    ``df = 28 / f``, at least 3.1 as r counts up to 0.8. Where windows are shorter than 1.5 s, r is
    at least the root of the lag-2 correlation if that exceeds 0.15.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods or works in loop order, warm-up cut off, dithered where the clock is coarse.
    start_s : array_like, shape (n,) [s]
        Start times.
    level : float
        p below which a drift of at least 1 % is reported. The default leaves room for the
        other alarms about the same run (`looptime.stats.levels`); on its own, 0.05.

    Raises
    ------
    NotEnoughError
        With fewer than 300 loops.

    References
    ----------
    Theil-Sen estimator; ordinary least squares with a lag-1 correction, as is usual for the
    Mann-Kendall trend test.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> t = np.arange(6000) * 0.01
    >>> found = drift(10 + 0.005 * t + rng.normal(0, 0.5, 6000), t)
    >>> found.found, bool(found.low < 0.3 < found.high)
    (True, True)
    """
    values, times = as_pair(x, start_s, 10 * WINDOWS, "a drift")
    windows = window_medians(values, times, len(values) // WINDOWS, from_end=True, middle_half=True)
    y, t = windows.medians[-WINDOWS:], windows.centres_s[-WINDOWS:]
    length = float(times[-1] - times[0])
    u = t - t.mean()
    spread = float(u @ u)
    estimate = theil_sen(t, y)
    slope = float(u @ y) / spread if spread > 0 else 0.0
    e = y - y.mean() - slope * u
    bent = _left_by_a_bend(u, y)
    e = bent if float(bent @ bent) < _BENT * float(e @ e) else e
    e[np.abs(e) <= 1e-12 * np.abs(y).max()] = 0.0
    factor = inflation(_correlation(e, length / WINDOWS))
    df = (WINDOWS - 2) / factor
    se = math.sqrt(float(e @ e) / (WINDOWS - 2) * factor / spread) if spread > 0 else 0.0
    half = t_quantile(0.975, df) * se
    middle = median(values)
    relative = estimate * length / middle if middle else 0.0
    p = t_two_sided(slope if abs(slope) * length > 1e-12 * abs(middle) else 0.0, se, df)
    return Drift(
        change=estimate * length,
        low=(estimate - half) * length,
        high=(estimate + half) * length,
        relative=relative,
        per_minute=estimate * 60,
        p=p,
        df=df,
        found=p < level and abs(relative) >= 0.01 and abs(estimate) > half,
    )


def drift_of_part(part: ArrayLike, x: ArrayLike, start_s: ArrayLike) -> float:
    """What one part of the values adds to their trend, from the start to the end of the run.

    Estimated as `drift` estimates the whole: by Theil-Sen on the same windows, of each the mean
    over its typical loops, those in which the whole lies between its quartiles.

    Parameters
    ----------
    part : array_like, shape (n,)
        The part of each value, in its unit.
    x, start_s : array_like, shape (n,)
        As `drift` took them.

    Raises
    ------
    NotEnoughError
        With fewer than 300 loops.

    Examples
    --------
    >>> t = np.arange(3000) * 0.01
    >>> round(drift_of_part(0.01 * t, 10 + 0.03 * t, t), 3)  # 0.01 a second for 29.99 s
    0.3
    """
    values, times = as_pair(x, start_s, 10 * WINDOWS, "a drift")
    loops = len(values) // WINDOWS
    whole, own, t = (
        np.asarray(a)[-WINDOWS * loops :].reshape(WINDOWS, loops) for a in (values, part, times)
    )
    cut = loops // 4
    typical = np.argsort(whole, axis=1, kind="stable")[:, cut : loops - cut]
    means = np.take_along_axis(own, typical, axis=1).mean(axis=1)
    return theil_sen(t.mean(axis=1), means) * float(times[-1] - times[0])
