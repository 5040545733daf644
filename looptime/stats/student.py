"""Student's t distribution, from the incomplete beta function."""

import math
from functools import lru_cache

from looptime.stats.beta import incomplete_beta

__all__ = ["t_one_sided", "t_quantile", "t_two_sided"]


@lru_cache(maxsize=1024)
def t_quantile(p: float, df: float) -> float:
    """The value that a t variable with `df` degrees of freedom stays below with chance `p`.

    Examples
    --------
    >>> round(t_quantile(0.975, 18), 3)
    2.101
    """
    if p == 0.5:
        return 0.0
    if p < 0.5:
        return -t_quantile(1 - p, df)
    low, high = 0.0, 1.0
    while t_one_sided(high, df) > 1 - p:
        low, high = high, 2 * high
    t = (low + high) / 2
    while high - low > 1e-13 * high:
        excess = t_one_sided(t, df) - (1 - p)
        low, high = (t, high) if excess > 0 else (low, t)
        step = excess / _density(t, df)
        if abs(step) < 1e-14 * t:
            break
        # Newton, and halving where it would leave the bracket
        t = t + step if low < t + step < high else (low + high) / 2
    return t


def _density(t: float, df: float) -> float:
    scale = math.lgamma((df + 1) / 2) - math.lgamma(df / 2) - math.log(df * math.pi) / 2
    return math.exp(scale - (df + 1) / 2 * math.log1p(t * t / df))


def t_one_sided(t: float, df: float) -> float:
    """P(T_df > t), the p-value of a one-sided test for "larger".

    Examples
    --------
    >>> round(t_one_sided(1.8946, 7), 4)
    0.05
    """
    tail = incomplete_beta(df / 2, 0.5, df / (df + t * t)) / 2
    return tail if t >= 0 else 1 - tail


def t_two_sided(difference: float, se: float, df: float) -> float:
    """Two-sided p-value of a difference with standard error `se`.

    With ``se = 0`` the answer is 1 for no difference and 0 for any other.

    Examples
    --------
    >>> round(t_two_sided(2.101, 1.0, 18), 3)
    0.05
    >>> t_two_sided(0.0, 0.0, 18), t_two_sided(0.1, 0.0, 18)
    (1.0, 0.0)
    """
    if se <= 0 or not math.isfinite(df):
        return 1.0 if difference == 0 else 0.0
    return min(1.0, 2.0 * t_one_sided(abs(difference) / se, df))
