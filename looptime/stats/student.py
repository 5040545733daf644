"""Student's t distribution, from the incomplete beta function in `scipy.special`."""

from __future__ import annotations

import math

from scipy.special import stdtr, stdtrit

__all__ = ["t_one_sided", "t_quantile", "t_two_sided"]


def t_quantile(p: float, df: float) -> float:
    """The value that a t variable with `df` degrees of freedom stays below with chance `p`.

    Examples
    --------
    >>> round(t_quantile(0.975, 18), 3)
    2.101
    """
    return float(stdtrit(df, p))


def t_one_sided(t: float, df: float) -> float:
    """P(T_df > t), the p-value of a one-sided test for "larger".

    Examples
    --------
    >>> round(t_one_sided(1.8946, 7), 4)
    0.05
    """
    return float(stdtr(df, -t))


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
    return min(1.0, 2.0 * float(stdtr(df, -abs(difference) / se)))
