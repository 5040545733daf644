"""Names of the figures that describe one run, and how many loops each of them needs."""

import math
from functools import lru_cache

from looptime.errors import UsageError
from looptime.records import dataclass

__all__ = ["Statistic", "least_loops", "parse_statistic", "required_loops"]


@dataclass(frozen=True)
class Statistic:
    """One figure of a run."""

    name: str  #: As asked for, for example ``p99``
    kind: str  #: ``mean``, ``quantile``, ``worst`` or ``overruns``
    #: Of a quantile the share below it; of a worst-case mean the share above; else 0.
    share: float = 0.0


@lru_cache(maxsize=256)
def parse_statistic(name: str) -> Statistic:
    """The figure meant by a name.

    Parameters
    ----------
    name : str
        ``mean``, ``median``, ``pQ`` (the Q-th percentile, as in ``p95`` or ``p99.9``), ``worstQ``
        (mean of the worst Q percent) or ``overruns`` (share of loops above the budget).

    Raises
    ------
    UsageError
        If the name is none of these.

    Examples
    --------
    >>> parse_statistic("p99")
    Statistic(name='p99', kind='quantile', share=0.99)
    >>> parse_statistic("worst1").share
    0.01
    """
    if name in ("mean", "overruns"):
        return Statistic(name, name)
    if name == "median":
        return Statistic(name, "quantile", 0.5)
    for prefix, kind in (("p", "quantile"), ("worst", "worst")):
        try:
            percent = float(name.removeprefix(prefix)) if name.startswith(prefix) else math.nan
        except ValueError:
            continue
        if 0 < percent < 100:
            return Statistic(name, kind, round(percent / 100, 12))
    known = "mean, median, p95, p99, worst1 or overruns"
    raise UsageError(f"statistic {name!r} is not known: use one such as {known}")


def required_loops(name: str) -> int:
    """Loops that a run must hold for a verdict on this figure.

    Thirty loops beyond the quantile (p95: 600; p99: 3,000) but never more than 6,000 (p99.9);
    200 for the mean, the median and counts, that is ten loops in each of twenty batches.

    Examples
    --------
    >>> [required_loops(s) for s in ("mean", "p95", "p99", "p99.9", "worst1", "worst5")]
    [200, 600, 3000, 6000, 3000, 600]
    """
    figure = parse_statistic(name)
    if figure.kind in ("mean", "overruns"):
        return 200
    beyond = figure.share if figure.kind == "worst" else 1 - figure.share
    return min(max(200, math.ceil(30 / beyond - 1e-6)), 6000)


def least_loops(name: str) -> int:
    """Loops a run must hold for a figure to be one number of it, or its tail to be counted.

    Ten loops beyond the quantile (p95: 200; p99: 1,000; never more than 6,000); 200 for the
    mean, the median and counts. Where several runs a side give one number each, their scatter
    carries the error; the exceedance test counts loops, and called 2.4 to 6.2 % of unchanged
    pairs of 1,000 to 2,000 loops different, over four kinds of log.

    Examples
    --------
    >>> [least_loops(s) for s in ("mean", "p95", "p99", "p99.9", "worst1")]
    [200, 200, 1000, 6000, 1000]
    """
    figure = parse_statistic(name)
    if figure.kind in ("mean", "overruns"):
        return 200
    beyond = figure.share if figure.kind == "worst" else 1 - figure.share
    return min(max(200, math.ceil(10 / beyond - 1e-6)), 6000)
