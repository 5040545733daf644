"""Whether loops start on a grid of ticks, by how little many of them together differ."""

import numpy as np

from looptime.array_types import Bool, Float
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = [
    "CUT", "ON_GRID", "SPAN", "held_by", "kept_between", "on_grid", "spread", "surely_on_grid",
    "variance_ratio",
]  # fmt: skip

#: Standard deviation of the difference of two stamps that are cut to ticks [ticks].
CUT = 6**-0.5
#: Below this share of the variance of independent terms, sums of so many keep to a grid.
ON_GRID, SPAN = 0.15, 32
#: Share of what cutting to ticks adds that is never taken off: it is not known more exactly.
_STAYS = 0.1
#: Loops from which on independent periods keep to a grid by chance in less than one log of a
#: thousand; how alike those of one place in turns are at most.
_SURE, _TURNS = 200, 0.25
#: Robust standard deviations, or steps of the clock, off the usual one from which on a loop is late
#: or makes up for it; spans between such that tell.
_FAR, _ONE_STEP, _SPANS = 5.0, 1.5, 320
#: How many times as far off four times as many loops may be: twice in free ones, once on a grid.
_GROWS = 1.5
#: How much the part that holds them varies by, as the others must by less than this share of it.
_MOST = 0.6


def spread(x: Float) -> float:
    """Robust standard deviation: the distance between the quartiles over 1.349."""
    low, high = percentiles(x, [25, 75])
    return (high - low) / 1.349


def on_grid(period: Float, grain: float) -> bool:
    """Whether starts keep to a grid, as stretches of many periods show."""
    ratio = variance_ratio(period, grain)
    return ratio is not None and ratio < ON_GRID


def surely_on_grid(period: Float, grain: float) -> bool:
    """Whether starts keep to a grid, and not because long and short loops take turns.

    Calls that come every so many loops keep sums of periods alike as well, while these are alike
    from turn to turn.
    """
    if len(period) < _SURE or not on_grid(period, grain):
        return False
    return _not_by_turns(period)


def _not_by_turns(period: Float) -> bool:
    off = period - period.mean()
    turns = max(float(off[k:] @ off[:-k]) for k in range(2, SPAN + 1))
    return turns < _TURNS * float(off @ off)


def kept_between(period: Float, grain: float) -> bool:
    """Whether starts keep to a grid from one late loop to the next, each of which begins it anew.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it, else 0.

    Examples
    --------
    >>> off = np.random.default_rng(1).normal(0, 0.2, 1001)
    >>> period = 20 + np.diff(off)
    >>> period[200::300] += 37.3
    >>> kept_between(period, 0.0), kept_between(20 + off, 0.0)
    (True, False)
    """
    middle = median(period)
    usual = _usual(period, grain)
    cut = (CUT * grain) ** 2
    one = max(float(np.var(period[usual])) - cut, _STAYS * cut)
    few, many = (_apart(period, usual, span) for span in (SPAN // 4, SPAN))
    if few is None or many is None or not many - cut < ON_GRID * SPAN * one:
        return False
    return many < _GROWS * few and _not_by_turns(np.where(usual, period, middle))


def held_by(period: Float, parts: dict[int, Float], grain: float) -> int | None:
    """The part that keeps starts on a grid; None where they keep to none, or none stands out.

    What it is late by once it is early by then, so that its sums differ as little as those of the
    loops; or the others together wander, and the loops do not. It varies by far the most.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    parts : dict of float array, shape (n,) [ms]
        What each part takes in it.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it, else 0.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> work, late = rng.normal(8, 0.2, 600), rng.normal(0, 0.7, 601)
    >>> wait = 25 + np.diff(late) - work
    >>> held_by(wait + work, {0: work, 1: wait}, 0.0), held_by(wait + work, {0: work}, 0.0)
    (1, None)
    """
    if not (surely_on_grid(period, grain) or kept_between(period, grain)):
        return None
    rest = period - sum(parts.values())
    varied = {code: spread(np.diff(x)) for code, x in [*parts.items(), (-1, rest)]}
    code, *others = sorted(varied, key=varied.__getitem__, reverse=True)
    if code < 0 or any(varied[one] > _MOST * varied[code] for one in others):
        return None
    usual = _usual(period, grain)
    own = parts[code]
    sums = [_apart(x, usual, SPAN) for x in (own, period, period - own)]
    if None in sums:
        return None
    of_own, of_loops, of_others = (float(x or 0.0) for x in sums)
    by_itself = of_own < ON_GRID * SPAN * float(np.var(own[usual]))
    return code if by_itself or of_loops < ON_GRID * of_others else None


def _usual(period: Float, grain: float) -> Bool:
    """Loops that are neither late nor make up for a late one."""
    far = max(_FAR * spread(period), _ONE_STEP * grain)
    usual: Bool = np.abs(period - median(period)) <= far
    return usual


def _apart(period: Float, usual: Bool, span: int) -> float | None:
    """Mean square of what so many usual loops in a row are off; None where there are few."""
    if len(period) < span:
        return None
    at, gone = (np.append(0, np.cumsum(x)) for x in (period, ~usual))
    whole = gone[span:] == gone[:-span]
    off = (at[span:] - at[:-span])[whole] - span * float(period[usual].mean())
    return float(np.mean(off**2)) if len(off) >= _SPANS else None


def variance_ratio(period: Float, grain: float, span: int = SPAN) -> float | None:
    """Variance of the time over `span` periods over `span` times that of one; 1 for independent.

    What cutting the stamps to ticks adds to each is taken off: alone, it would look like a grid.
    """
    if len(period) < 4 * span:
        return None
    start = np.concatenate([[0.0], np.cumsum(period - period.mean())])
    cut = (CUT * grain) ** 2
    one = max(float(np.var(np.diff(start))) - cut, _STAYS * cut)
    many = max(float(np.var(start[span:] - start[:-span])) - cut, 0.0)
    return many / (span * one) if one > 0 else None
