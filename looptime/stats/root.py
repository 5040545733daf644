"""Where a function crosses zero, with few evaluations."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["crossing"]

#: Relative accuracy that a number itself has, four times over.
_LEAST = 4 * 2.0**-52


def crossing(
    function: Callable[[float], float], low: float, high: float, near: float, most: int
) -> float:
    """A place where a function is 0, given two at which its signs differ.

    Parameters
    ----------
    function : callable
        Of one number.
    low, high : float
        At one of them it is above 0, at the other below.
    near : float
        How far off the place may be.
    most : int
        After so many steps the best place so far is returned.

    References
    ----------
    Brent (1973), Algorithms for minimization without derivatives, chapter 4: the straight line or
    the parabola through what is known, where it is to be trusted, else the middle.

    Examples
    --------
    >>> round(crossing(lambda x: x**3 - 2, 0.0, 2.0, 1e-12, 50), 9)
    1.25992105
    """
    before, here = low, high
    was, now = function(before), function(here)
    if was == 0:
        return before
    other, beyond, last, step = before, was, here - before, here - before
    for _ in range(most):
        if now != 0 and was != 0 and (was < 0) != (now < 0):
            other, beyond, last, step = before, was, here - before, here - before
        if abs(beyond) < abs(now):
            before, here, other = here, other, here
            was, now, beyond = now, beyond, now
        least, half = (near + _LEAST * abs(here)) / 2, (other - here) / 2
        if now == 0 or abs(half) < least:
            return here
        wanted = _guessed((before, was), (here, now), (other, beyond))
        trusted = abs(last) > least and abs(now) < abs(was)
        if trusted and 2 * abs(wanted) < min(abs(last), 3 * abs(half) - least):
            last, step = step, wanted
        else:
            last = step = half
        before, was = here, now
        here += step if abs(step) > least else (least if half > 0 else -least)
        now = function(here)
    return here


def _guessed(
    before: tuple[float, float], here: tuple[float, float], other: tuple[float, float]
) -> float:
    """How far from here the line, or the inverse parabola, through what is known is 0."""
    (x, f), (x0, f0), (x1, f1) = here, before, other
    if f == f0:
        return float("inf")
    if x0 == x1:
        return -f * (x - x0) / (f - f0)
    if f1 == f0:
        return float("inf")
    by_before, by_other = (f0 - f) / (x0 - x), (f1 - f) / (x1 - x)
    return -f * (f1 * by_other - f0 * by_before) / (by_other * by_before * (f1 - f0))
