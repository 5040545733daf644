"""Rare events: exact statements about small counts."""

import math

from looptime.errors import NotEnoughError
from looptime.stats.beta import binomial_at_least

__all__ = [
    "binomial_two_sided",
    "poisson_at_least",
    "rare_upper_bound",
    "too_rare_to_gate",
]


def binomial_two_sided(count: int, total: int, share: float) -> float:
    """Conservative exact two-sided binomial p-value: twice the smaller tail, at most 1.

    Parameters
    ----------
    count, total : int
        Events on one side, and on both.
    share : float
        Share of the loops (0 to 1) that this side holds: what is expected if nothing differs.

    Examples
    --------
    All of five events on one of two equally long sides: 2 / 2^5.

    >>> round(binomial_two_sided(5, 5, 0.5), 6)
    0.0625
    >>> binomial_two_sided(0, 0, 0.5)
    1.0
    """
    if total <= 0:
        return 1.0
    upper = binomial_at_least(count, total, share)
    lower = binomial_at_least(total - count, total, 1 - share)
    return min(1.0, 2 * min(lower, upper))


def poisson_at_least(count: int, expected: float) -> float:
    """P(N >= count) for a Poisson count with mean `expected`.

    Examples
    --------
    >>> round(poisson_at_least(1, 0.1), 4)
    0.0952
    """
    if count <= 0:
        return 1.0
    if expected <= 0:
        return 0.0
    if count <= expected:  # the lower tail is the shorter sum
        return max(0.0, 1.0 - sum(_poisson(k, expected) for k in range(count)))
    term = total = _poisson(count, expected)
    k = count
    while term > 1e-17 * total:
        k += 1
        term *= expected / k
        total += term
    return total


def _poisson(count: int, expected: float) -> float:
    return math.exp(count * math.log(expected) - expected - math.lgamma(count + 1))


def rare_upper_bound(n: int) -> float:
    """95 % upper bound on a share when none was seen in n loops: ``min(1, 3 / n)``.

    It assumes independent loops; say so beside it.

    Raises
    ------
    NotEnoughError
        If n is 0.

    References
    ----------
    The rule of three.

    Examples
    --------
    >>> rare_upper_bound(6000)
    0.0005
    """
    if n < 1:
        raise NotEnoughError("a bound on a share needs at least 1 loop, there is none")
    return min(1.0, 3 / n)


def too_rare_to_gate(counts: list[int]) -> bool:
    """Whether baseline runs hold too few events for a limit: fewer than 3 a run on average.

    Examples
    --------
    >>> too_rare_to_gate([0, 2, 1, 3, 1]), too_rare_to_gate([9, 7, 12, 8, 10])
    (True, False)
    """
    return not counts or math.fsum(counts) / len(counts) < 3
