"""How far a value of a series tells the next one, and what that does to a variance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values

__all__ = ["autocorrelation", "inflation", "lag_one"]


def autocorrelation(x: ArrayLike, lags: int = 20) -> Float:
    """Autocorrelation of a series at the lags 0 .. `lags`.

    ``r_k = sum_j u_j u_(j+k) / sum_j u_j^2`` with u the centred values.

    Parameters
    ----------
    x : array_like, shape (n,)
        Series in any unit.
    lags : int
        Largest lag; cut to n - 1.

    Returns
    -------
    float array, shape (min(lags, n - 1) + 1,)
        Element 0 is 1; a constant series has 0 at every later lag.

    Raises
    ------
    NotEnoughError
        If there are fewer than 2 values.

    References
    ----------
    The biased sample autocorrelation of time-series analysis.

    Examples
    --------
    >>> autocorrelation([1, -1, 1, -1], 2)
    array([ 1.  , -0.75,  0.5 ])
    """
    values = as_values(x, 2, "the autocorrelation")
    u = values - values.mean()
    total = float(u @ u)
    most = min(lags, len(u) - 1)
    out = np.zeros(most + 1)
    out[0] = 1.0
    if total > 1e-24 * float(values @ values):
        for k in range(1, most + 1):
            out[k] = float(u[:-k] @ u[k:]) / total
    return out


def lag_one(u: Float, bias: float) -> float:
    """Lag-1 correlation of a centred series, with `bias` added, clipped to 0 .. 0.8.

    A short series underestimates its correlation by about ``1 / n`` for each fitted
    parameter; `bias` puts that back.

    Examples
    --------
    >>> lag_one(np.array([1.0, -1.0, 1.0, -1.0]), 0.25)
    0.0
    >>> lag_one(np.array([-2.0, -1.0, 0.0, 1.0, 2.0]), 0.2)
    0.6000000000000001
    """
    total = float(u @ u)
    if total <= 0:
        return 0.0
    return min(max(float(u[:-1] @ u[1:]) / total + bias, 0.0), 0.8)


def inflation(r: float) -> float:
    """Factor by which a lag-1 correlation r inflates the variance of a mean.

    ``(1 + r) / (1 - r)``, the long-run variance of a first-order autoregression over its
    variance.

    Examples
    --------
    >>> inflation(0.5)
    3.0
    """
    return (1.0 + r) / (1.0 - r)
