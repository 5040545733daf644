"""The gate's limits: where one new run may lie, given the runs of a baseline."""

import math

import numpy as np
from numpy.typing import ArrayLike

from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, as_values, mad
from looptime.stats.student import t_one_sided, t_quantile

__all__ = [
    "Limit",
    "Screened",
    "extra_variance",
    "prediction_limit",
    "screen_baseline",
]


@dataclass(frozen=True)
class Screened:
    """A baseline after forgotten bad runs were looked for."""

    kept: np.ndarray  #: Runs that stay, shape (m,)
    #: Indexes of the runs beyond 4 scaled MAD of the median; dropped when m >= 8, else kept and to
    #: be warned about.
    odd: np.ndarray
    usable: bool  #: False where more than a quarter of the runs would go


@dataclass(frozen=True)
class Limit:
    """A new run held against the limit that its baseline predicts."""

    value: float  #: Of the new run, on the scale of the baseline
    #: Of the baseline.
    mean: float
    sd: float
    runs: int  #: Baseline runs
    se: float  #: ``sqrt(sd^2 (1 + 1/m) + extra)``, the error of the prediction
    high: float
    p: float  #: One-sided p-value for "larger than the baseline"
    beyond: bool  #: Whether the value is above `high`
    resolvable: float  #: Change that this gate shows with 80 % probability, on the same scale


def screen_baseline(values: ArrayLike) -> Screened:
    """Look for runs of a baseline that are unlike the others.

    A run is odd if it is farther than 4 x 1.4826 MAD from the median. With m >= 8 odd runs are
    dropped; with fewer all are kept, since the MAD of so few says little.

    Parameters
    ----------
    values : array_like, shape (m,)
        One value per run, from `log_scale` or `count_scale`.

    Raises
    ------
    NotEnoughError
        If there is no run.

    References
    ----------
    Outlier screening by the median absolute deviation (the Hampel identifier).

    Examples
    --------
    >>> screened = screen_baseline([1.0, 1.1, 0.9, 1.05, 0.95, 1.02, 0.98, 9.0])
    >>> screened.odd, screened.usable
    (array([7]), True)
    """
    y = as_values(values, 1, "a baseline")
    far = np.abs(y - np.median(y)) > 4 * MAD_SCALE * mad(y) + 1e-12 * np.abs(y).max()
    # a MAD of zero says nothing about scatter: half of the runs have the very same value
    if mad(y) == 0:
        far = np.zeros(len(y), dtype=bool)
    odd = np.flatnonzero(far)
    if len(y) < 8:
        return Screened(np.ones(len(y), dtype=bool), odd, usable=True)
    return Screened(~far, odd, usable=len(odd) <= len(y) / 4)


def extra_variance(new: float, baseline: ArrayLike) -> float:
    """Variance to add where the new run's window is shorter than the baseline's.

    ``max(0, V_new - mean V_baseline)``, the jackknife variances on the scale of the values
    (relative variances ``(se / value)^2`` for logarithms).

    Parameters
    ----------
    new : float
        Within-run variance of the new run.
    baseline : array_like, shape (m,)
        Within-run variances of the baseline runs.

    Raises
    ------
    NotEnoughError
        If the baseline is empty.

    Examples
    --------
    >>> extra_variance(0.04, [0.01, 0.01]), extra_variance(0.01, [0.04])
    (0.03, 0.0)
    """
    return max(0.0, new - float(as_values(baseline, 1, "a baseline").mean()))


def prediction_limit(
    value: float,
    baseline: ArrayLike,
    alpha: float = 0.05,
    extra: float = 0.0,
) -> Limit:
    """The limit that one more run of an unchanged set-up exceeds with chance `alpha`.

    ``mean + t(1 - alpha, m - 1) sqrt(s^2 (1 + 1/m) + extra)``.

    Parameters
    ----------
    value : float
        Of the new run, on the scale of the baseline.
    baseline : array_like, shape (m,)
        One value per run, screened; m >= 5, better 8 to 12.
    alpha : float
        Level, one-sided.
    extra : float
        From `extra_variance`, where the windows could not be made equal.

    Raises
    ------
    NotEnoughError
        If the baseline holds fewer than 5 runs.

    References
    ----------
    Normal-theory prediction limit for one future observation.

    Examples
    --------
    >>> limit = prediction_limit(12.0, [9.0, 10.0, 11.0, 10.0, 10.0])
    >>> round(limit.high, 3), limit.beyond, round(limit.p, 4)
    (11.651, True, 0.0306)
    """
    y = as_values(baseline, 5, "a baseline")
    m = len(y)
    mean, sd = float(y.mean()), float(y.std(ddof=1))
    if sd <= 1e-13 * abs(mean):  # equal but for the rounding of their mean
        mean, sd = float(np.median(y)), 0.0
    se = math.sqrt(sd**2 * (1 + 1 / m) + extra)
    t = t_quantile(1 - alpha, m - 1)
    high = mean + t * se
    surely = 0.0 if value > mean else 1.0
    p = t_one_sided((value - mean) / se, m - 1) if se > 0 else surely
    return Limit(
        value=value,
        mean=mean,
        sd=sd,
        runs=m,
        se=se,
        high=high,
        p=p,
        beyond=value > high,
        resolvable=(t + t_quantile(0.80, m - 1)) * se,
    )
