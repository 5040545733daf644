"""Two recordings held against each other: do these two differ?

Nothing here speaks about the code that ran: one recording a side cannot tell a change of code
from the ordinary scatter between runs. See `looptime.stats.between_runs` for several runs a side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.arrays import as_values
from looptime.stats.counts import binomial_two_sided
from looptime.stats.dither import TOO_COARSE, dither, untold_there
from looptime.stats.jackknife import BATCHES, USUAL, Estimate, jackknife
from looptime.stats.quantiles import element_number
from looptime.stats.statistic import least_loops, parse_statistic, required_loops
from looptime.stats.student import t_quantile, t_two_sided

__all__ = [
    "Difference",
    "Exceedance",
    "Scatter",
    "compare_overruns",
    "compare_recordings",
    "difference",
    "exceedance_test",
    "usual_scatter",
    "welch_df",
]


@dataclass(frozen=True)
class Difference:
    """The difference "b minus a" of one figure between two recordings."""

    name: str  #: The statistic
    #: Its value on each side.
    a: float
    b: float
    #: b - a and its standard error [unit of the values].
    difference: float
    se: float
    df: float  #: Degrees of freedom
    p: float | None  #: Two-sided p-value; None where `refused`
    #: 95 % interval of `judged`.
    low: float | None
    high: float | None
    percent: float | None  #: Difference in percent of a; None where a is 0
    #: The difference that was tested: `difference`, save where quantiles were dithered.
    judged: float
    drifting: bool  #: Whether the figure drifts along either recording
    refused: str = ""  #: Why there is no verdict, and what would do; empty where there is one
    #: For p99 and beyond, the test that decides; `p` is then the p-value of it.
    exceedance: Exceedance | None = None
    counts: tuple[int, int] | None = None  #: Events on each side, for overruns


@dataclass(frozen=True)
class Exceedance:
    """Shares of loops above a common threshold in two recordings."""

    threshold: float  #: The pooled quantile [unit of the values]
    #: Shares of loops above it.
    share_a: float
    share_b: float
    p: float  #: Two-sided p-value of a Welch test on the shares in 20 batches a side
    df: float  #: Its degrees of freedom


@dataclass(frozen=True)
class Scatter:
    """A change held against a scatter between runs that is assumed, not measured."""

    change: float  #: Relative change, log(b / a)
    limit: float  #: Largest change (either way) that ordinary scatter explains at 95 %
    beyond: bool  #: Whether the change is beyond it
    p: float  #: Two-sided p-value


def welch_df(va: float, vb: float, dfa: float, dfb: float) -> float:
    """Degrees of freedom of a sum of two variances (Welch and Satterthwaite)."""
    # squares of the ratios, since the variances of tiny units may underflow when squared
    total = va + vb
    if total <= 0:
        return dfa + dfb
    return 1.0 / ((va / total) ** 2 / dfa + (vb / total) ** 2 / dfb)


def _too_short(name: str, n: int) -> str:
    need = required_loops(name)
    return f"{name} needs {need:,} loops on each side, the shorter has {n:,}" if n < need else ""


def difference(a: Estimate, b: Estimate) -> Difference:
    """Whether one figure of two recordings differs, by their jackknife errors.

    ``d = b - a``, ``se = sqrt(V_a + V_b)``, ``df = (V_a + V_b)^2 / (V_a^2/19 + V_b^2/19)``;
    p and the 95 % interval from Student's t.

    Parameters
    ----------
    a, b : Estimate
        The same statistic of the two recordings, over windows of the same length.

    Returns
    -------
    Difference
        `refused` says so where a side is too short or neither varies at all.

    References
    ----------
    Welch's t test with Satterthwaite's degrees of freedom.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> old, new = (jackknife(rng.normal(m, 1, 4000), ["mean"])["mean"] for m in (10, 11))
    >>> d = difference(old, new)
    >>> bool(d.p < 0.001), bool(d.low < 1 < d.high)
    (True, True)
    """
    d, va, vb = b.value - a.value, a.se**2, b.se**2
    se, df = math.hypot(a.se, b.se), welch_df(va, vb, BATCHES - 1, BATCHES - 1)
    refused = _too_short(a.name, min(a.n, b.n))
    if not refused and se == 0 and d != 0:
        refused = "the clock is too coarse: neither recording varies at all"
    half = t_quantile(0.975, df) * se
    return Difference(
        name=a.name,
        a=a.value,
        b=b.value,
        difference=d,
        se=se,
        df=df,
        p=None if refused else t_two_sided(d, se, df),
        low=None if refused else d - half,
        high=None if refused else d + half,
        percent=100 * d / a.value if a.value else None,
        judged=d,
        drifting=a.drifting or b.drifting,
        refused=refused,
    )


def exceedance_test(a: ArrayLike, b: ArrayLike, p: float = 0.99) -> Exceedance:
    """Whether more loops of one recording lie in the common tail; decides for p99 and beyond.

    The threshold is element ``ceil(p (n_a + n_b))`` of the pooled sorted loops. The shares of
    loops above it in each of 20 batches a side go to a plain Welch test.

    Parameters
    ----------
    a, b : array_like, shapes (n_a,), (n_b,)
        Values in loop order, the same unit (dithered where the clock is coarse).
    p : float
        The quantile in question.

    Raises
    ------
    NotEnoughError
        If a side holds fewer than 40 loops.

    References
    ----------
    Batch means with Welch's t test, on the indicator of an exceedance.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> a, b = rng.normal(10, 1, 6000), rng.normal(10, 1.3, 6000)
    >>> test = exceedance_test(a, b)
    >>> bool(test.p < 0.001), bool(test.share_b > test.share_a)
    (True, True)
    """
    sides = [as_values(x, 2 * BATCHES, "the comparison of tails") for x in (a, b)]
    sides = [x[len(x) % BATCHES :] for x in sides]
    pooled = np.concatenate(sides)
    k = element_number(p, len(pooled)) - 1
    threshold = float(np.partition(pooled, k)[k])
    shares = [(x > threshold).reshape(BATCHES, -1).mean(axis=1) for x in sides]
    (ma, mb), (va, vb) = zip(*((s.mean(), s.var(ddof=1) / BATCHES) for s in shares), strict=True)
    df = welch_df(float(va), float(vb), BATCHES - 1, BATCHES - 1)
    return Exceedance(
        threshold=threshold,
        share_a=float(ma),
        share_b=float(mb),
        p=t_two_sided(float(mb - ma), math.sqrt(va + vb), df),
        df=df,
    )


def compare_overruns(a: ArrayLike, b: ArrayLike, budget: float) -> Difference:
    """Whether the share of loops above a budget differs between two recordings.

    With at least 10 overruns over both sides the jackknife decides; with fewer the
    conservative exact binomial test of the counts, which assumes independent loops.

    Parameters
    ----------
    a, b : array_like, shapes (n_a,), (n_b,)
        Values in loop order.
    budget : float
        In the unit of the values.

    Examples
    --------
    >>> a, b = np.full(1000, 10.0), np.full(1000, 10.0)
    >>> b[::200] = 25.0
    >>> d = compare_overruns(a, b, budget=20)
    >>> d.counts, round(d.p, 9)
    ((0, 5), 0.0625)
    """
    sides = [as_values(x, 2 * BATCHES, "a comparison of overruns") for x in (a, b)]
    counts = (int((sides[0] > budget).sum()), int((sides[1] > budget).sum()))
    ea, eb = (jackknife(x, ["overruns"], budget)["overruns"] for x in sides)
    found = difference(ea, eb)
    fields = {**found.__dict__, "counts": counts}
    if sum(counts) < 10:
        share = len(sides[1]) / (len(sides[0]) + len(sides[1]))
        fields |= {"p": binomial_two_sided(counts[1], sum(counts), share), "refused": ""}
        fields |= {"low": None, "high": None}
    return Difference(**fields)


def compare_recordings(
    a: ArrayLike,
    b: ArrayLike,
    statistics: Sequence[str] = USUAL,
    tick: float = 0.0,
    budget: float | None = None,
) -> dict[str, Difference]:
    """All figures of two recordings compared, each by the test that holds its level.

    Quantiles are judged on dithered values where `tick` is coarse, but `a` and `b` of the
    result, and hence `difference` and `percent`, are those of the values as they are. From p99
    on the exceedance test decides. Of values that are one or two ticks long the mean alone is
    judged: how they differ is not in them.

    Parameters
    ----------
    a, b : array_like, shapes (n_a,), (n_b,)
        Values in loop order, warm-up cut, windows of equal length, the same unit.
    statistics : sequence of str
        Names as in `parse_statistic`.
    tick : float
        The coarser of the two clocks' ticks [unit of the values].
    budget : float, optional
        For ``overruns``.

    Raises
    ------
    NotEnoughError
        If a side holds fewer than 40 loops.

    Examples
    --------
    A slow-down of a fifth of a tick, which the medians of whole milliseconds cannot show:

    >>> rng = np.random.default_rng(2)
    >>> a, b = (np.round(rng.normal(m, 0.6, 6000)) for m in (10.0, 10.2))
    >>> compare_recordings(a, b, ["median"], tick=1.0)["median"].difference
    0.0
    >>> bool(compare_recordings(a, b, ["median"], tick=1.0)["median"].p < 1e-6)
    True
    """
    raw = [as_values(x, 2 * BATCHES, "a comparison") for x in (a, b)]
    smooth = raw
    if tick > 0:
        smooth = [dither(x, tick, seed) for seed, x in enumerate(raw, 20)]
        if np.array_equal(raw[0], raw[1]):  # the same log twice must not differ by its noise
            smooth[1] = smooth[0]
    quantiles = [s for s in statistics if parse_statistic(s).kind == "quantile"]
    plain = [s for s in statistics if parse_statistic(s).kind in ("mean", "worst")]
    shown = [jackknife(x, [*quantiles, *plain]) for x in raw]
    judged = shown
    if smooth is not raw:
        judged = [e if x is own else jackknife(x, quantiles) | {s: e[s] for s in plain}
                  for x, own, e in zip(smooth, raw, shown, strict=True)]  # fmt: skip
    out = {}
    for name in statistics:
        figure = parse_statistic(name)
        if figure.kind == "overruns":
            if budget is not None:
                found = compare_overruns(raw[0], raw[1], budget)
                if any(found.counts or ()) and any(untold_there(x, tick, budget) for x in raw):
                    found = replace(found, refused=TOO_COARSE, p=None, low=None, high=None)
                out[name] = found
            continue
        fields = dict(difference(judged[0][name], judged[1][name]).__dict__)
        va, vb = shown[0][name].value, shown[1][name].value
        fields |= {"a": va, "b": vb, "difference": vb - va}
        fields["percent"] = 100 * (vb - va) / va if va else None
        if figure.kind == "quantile" and figure.share >= 0.99:
            test = exceedance_test(smooth[0], smooth[1], figure.share)
            fields |= {"exceedance": test, "p": None if fields["refused"] else test.p}
            shorter = min(map(len, raw))
            if shorter >= least_loops(name) and fields["refused"] == _too_short(name, shorter):
                fields |= {"refused": "", "p": test.p}
        off = (untold_there(x, tick, v) for x, v in zip(raw, (va, vb), strict=True))
        if figure.kind != "mean" and any(off):
            fields |= {"refused": TOO_COARSE, "p": None, "low": None, "high": None}
        out[name] = Difference(**fields)
    return out


def usual_scatter(a: Estimate, b: Estimate, assumed_sd: float = 0.01) -> Scatter:
    """Whether a change between two recordings exceeds an assumed scatter between runs.

    For one run a side without any history: ``s = sqrt(assumed_sd^2 + V / theta^2)`` (V the
    mean of both variances, with what both wander) with 4 degrees of freedom, limit
    ``t(.975, 4) sqrt(2) s``. Not fit for overruns.

    Parameters
    ----------
    a, b : Estimate
        The same statistic of both recordings.
    assumed_sd : float
        Relative run-to-run standard deviation that is taken for granted.

    Raises
    ------
    NotEnoughError
        If a value is not above 0, or the statistic counts overruns.

    References
    ----------
    Student's t with an assumed variance worth few degrees of freedom.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> old, new = (jackknife(rng.normal(m, 0.1, 6000), ["mean"])["mean"] for m in (10, 10.2))
    >>> scatter = usual_scatter(old, new)
    >>> scatter.beyond, round(scatter.limit, 3)
    (False, 0.039)
    """
    if a.name == "overruns":
        raise NotEnoughError("overruns need recorded runs to know their scatter: record 3 + 3")
    if a.value <= 0 or b.value <= 0:
        raise NotEnoughError(f"{a.name} is zero on a side: a relative change needs values above 0")
    s = math.sqrt(assumed_sd**2 + (a.between_runs**2 + b.between_runs**2) / 2)
    change = math.log(b.value / a.value)
    limit = t_quantile(0.975, 4) * math.sqrt(2) * s
    p = t_two_sided(change, math.sqrt(2) * s, 4)
    return Scatter(change, limit, abs(change) > limit, p)
