"""The regularised incomplete beta function, and the binomial tail that it gives.

Loading `scipy.special` takes longer than analysing a minute of loops; what every summary needs of
it is this one function.
"""

import math
from functools import lru_cache

__all__ = ["binomial_at_least", "incomplete_beta"]

_TINY = 1e-300
_STEPS = 10_000


@lru_cache(maxsize=4096)
def incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b).

    Evaluated by its continued fraction with the modified Lentz method; where x lies beyond the
    mean, by ``I_x(a, b) = 1 - I_{1-x}(b, a)``, so that the fraction converges fast.

    Parameters
    ----------
    a, b : float
        Above 0.
    x : float
        From 0 to 1.

    References
    ----------
    Digital Library of Mathematical Functions, 8.17.22 (continued fraction) and 8.17.4 (symmetry).

    Examples
    --------
    >>> round(incomplete_beta(2, 3, 0.5), 12)  # 11/16 by expanding the polynomial
    0.6875
    """
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    if x > (a + 1) / (a + b + 2):
        return 1.0 - incomplete_beta(b, a, 1.0 - x)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    return front * _fraction(a, b, x) / a


def _fraction(a: float, b: float, x: float) -> float:
    # written out: a comparison of thousands of calls goes through this millions of times
    d = 1.0 - (a + b) * x / (a + 1)
    c, d = 1.0, 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, _STEPS):
        far = a + 2 * m
        term = m * (b - m) * x / ((far - 1) * far)
        d, c = 1.0 + term * d, 1.0 + term / c
        d, c = 1.0 / (d if abs(d) > _TINY else _TINY), (c if abs(c) > _TINY else _TINY)
        value *= c * d
        term = -(a + m) * (a + b + m) * x / (far * (far + 1))
        d, c = 1.0 + term * d, 1.0 + term / c
        d, c = 1.0 / (d if abs(d) > _TINY else _TINY), (c if abs(c) > _TINY else _TINY)
        value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value


def binomial_at_least(count: int, total: int, share: float) -> float:
    """P(N >= count) for a binomial count of `total` tries that each succeed with chance `share`.

    Examples
    --------
    >>> binomial_at_least(2, 3, 0.5)  # (3 + 1) / 8
    0.5
    """
    if count <= 0:
        return 1.0
    if count > total:
        return 0.0
    return incomplete_beta(count, total - count + 1, share)
