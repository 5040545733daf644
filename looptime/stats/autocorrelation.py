"""How far a value of a series tells the next one, and what that does to a variance."""

from looptime.stats.arrays import Float

__all__ = ["inflation", "lag_one"]


def lag_one(u: Float, bias: float) -> float:
    """Lag-1 correlation of a centred series, with `bias` added, clipped to 0 .. 0.8.

    A short series underestimates its correlation by about ``1 / n`` for each fitted
    parameter; `bias` puts that back.

    Examples
    --------
    >>> import numpy as np
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
