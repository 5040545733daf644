"""One run's figures with standard errors that survive autocorrelation, stalls and drift.

The estimator deletes one of 20 contiguous batches at a time, corrects for correlation between
neighbouring batches, and takes out a straight line only where its slope is significant.
"""

import math
from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.stats.arrays import Float, Int, as_values
from looptime.stats.autocorrelation import inflation, lag_one
from looptime.stats.quantiles import element_number, worst_mean
from looptime.stats.statistic import Statistic, parse_statistic, required_loops
from looptime.stats.student import t_quantile

__all__ = ["BATCHES", "STRETCHES", "Estimate", "batch_variance", "jackknife", "wander"]

#: Contiguous batches that a run is cut into.
BATCHES = 20
#: Longer stretches, whose scatter tells how much of it does not average out.
STRETCHES = 5
#: All loops are put in order where more than one in so many would have to be.
_MUCH = 4
#: Statistics judged unless others are named.
USUAL = ("mean", "median", "p95", "p99", "p99.9", "worst1")


@dataclass(frozen=True)
class Estimate:
    """A figure of one run with its uncertainty within the run."""

    name: str  #: The statistic, see `parse_statistic`
    value: float  #: The figure over all loops given [unit of the values; a share for ``overruns``]
    se: float  #: Standard error, same unit
    df: int  #: Degrees of freedom: 19, or 18 where a straight line was taken out
    #: 95 % interval from Student's t.
    low: float
    high: float
    drifting: bool  #: Whether the figure drifts along the run (the line was significant)
    n: int  #: Loops behind the figure
    #: Whether n allows a verdict (`required_loops`); if not, the interval is only a hint.
    enough: bool
    #: What a run to come differs by beyond `se`, standard deviation, same unit; see `wander`.
    wander: float = 0.0

    @property
    def relative_se(self) -> float:
        """Standard error over the value; 0 where the value is 0."""
        return self.se / abs(self.value) if self.value else 0.0

    @property
    def between_runs(self) -> float:
        """`se` and `wander` in squares, over the value: how much runs differ, as this one tells."""
        return math.hypot(self.se, self.wander) / abs(self.value) if self.value else 0.0


class _SortedBatches:
    """A run sorted at most once, from which the statistics without any one batch are read off."""

    def __init__(self, values: Float) -> None:
        self.length = len(values) // BATCHES
        self.kept = self.length * BATCHES
        self.values = values
        self.skipped = len(values) - self.kept
        self._places = np.dtype(np.int32 if len(values) < 2**31 else np.int64)
        batches = values[self.skipped :].reshape(BATCHES, self.length)
        self.batch_means = batches.mean(axis=1)

    @cached_property
    def order(self) -> Int:
        """Loops in order of their values; which of two equal ones comes first changes nothing."""
        return np.argsort(self.values).astype(self._places)

    @cached_property
    def ascending(self) -> Float:
        """All values in order."""
        return self.values[self.order]

    @cached_property
    def covered(self) -> Int:
        """Loops that the batches cover, in order of their values."""
        return self.order[self.order >= self.skipped] - self.skipped if self.skipped else self.order

    @cached_property
    def sorted(self) -> Float:
        """Their values in order."""
        return self.values[self.skipped :][self.covered] if self.skipped else self.ascending

    @cached_property
    def ranks(self) -> Int:
        """Places in that order of each batch's loops, rising; shape (20, length)."""
        rank: Int = np.empty(self.kept, self._places)
        rank[self.covered] = np.arange(self.kept, dtype=self._places)
        rank = rank.reshape(BATCHES, self.length)
        rank.sort(axis=1)
        return rank

    @cached_property
    def gaps(self) -> Int:
        """How many loops of other batches stand before each of them."""
        within: Int = np.arange(self.length).astype(self._places)
        return self.ranks - within

    def positions(self, number: int) -> np.ndarray:
        """Where in the sorted loops the `number`-th one (from 1) without batch j stands."""
        before = [int(np.searchsorted(g, number - 1, side="right")) for g in self.gaps]
        return number - 1 + np.array(before)

    def means(self, batch_means: Float) -> Float:
        """The mean without batch j."""
        return (batch_means.sum() - batch_means) / (BATCHES - 1)

    def quantiles(self, share: float) -> Float:
        """The quantile without batch j."""
        place = self.positions(element_number(share, self.kept - self.length))
        return self.values[self.skipped :][self.covered[place]]

    def near_the_top(self, share: float) -> tuple[float, Float] | None:
        """A high quantile of all loops, and without batch j, from the largest that may be it.

        None where those are many, or all are in order already.
        """
        left = self.kept - self.length
        above = left - element_number(share, left)
        most = above + 1 + self.length + self.skipped
        if "order" in vars(self) or _MUCH * most > len(self.values):
            return None
        top = np.argpartition(self.values, len(self.values) - most)[-most:]
        top = top[np.argsort(-self.values[top])]
        value = self.values[top[len(self.values) - element_number(share, len(self.values))]]
        top = top[top >= self.skipped]
        batch = (top - self.skipped) // self.length
        others = np.cumsum(batch != np.arange(BATCHES)[:, None], axis=1)
        return float(value), self.values[top[np.argmax(others > above, axis=1)]]

    def worst_means(self, share: float) -> Float:
        """The mean of the worst share without batch j."""
        left = self.kept - self.length
        weight = share * left
        whole = min(int(weight + 1e-9), left)
        rest = max(weight - whole, 0.0) if whole < left else 0.0
        suffix = np.append(np.cumsum(self.sorted[::-1])[::-1], 0.0)
        begin = self.positions(left - whole + 1) if whole else np.full(BATCHES, self.kept)
        tops = suffix[begin]
        for j, first in enumerate(begin):
            mine = self.ranks[j, np.searchsorted(self.ranks[j], first) :]
            tops[j] -= self.sorted[mine].sum()
        if rest:
            tops = tops + rest * self.sorted[self.positions(left - whole)]
        return tops / (whole + rest)


def batch_variance(z: Float) -> tuple[float, bool]:
    """Variance of the mean of 20 pseudo-values, and whether they drift.

    With j = 0 .. 19, b the least-squares slope of z on j and e its residuals,
    ``s2e = sum e^2 / 18``. If ``|b| / sqrt(s2e f(e) / sum (j - mean j)^2) > t(.975, 18)`` then
    ``V = s2e f(e) / 20``, else ``V = var(z) f(z) / 20``; f is the inflation of the lag-1
    correlation plus 1/20, see `lag_one` and `inflation`.

    Parameters
    ----------
    z : float array, shape (20,)
        Pseudo-values of the delete-a-batch jackknife, or batch means.

    Returns
    -------
    variance : float
        [unit of `z`, squared]
    drifting : bool

    References
    ----------
    Method of batch means and sectioning in simulation output analysis; long-run variance of a
    first-order autoregression.

    Examples
    --------
    >>> batch_variance(np.arange(20.0))[1]
    True
    >>> batch_variance(np.ones(20))
    (0.0, False)
    """
    j = np.arange(len(z)) - (len(z) - 1) / 2
    u = z - z.mean()
    scale = float(np.abs(z).max())
    if float(np.abs(u).max()) <= 1e-12 * scale:
        return 0.0, False
    spread = float(j @ j)
    slope = float(j @ u) / spread
    e = u - slope * j
    noise = float(e @ e) / (len(z) - 2) * inflation(lag_one(e, 1 / len(z)))
    if abs(slope) > t_quantile(0.975, len(z) - 2) * math.sqrt(noise / spread):
        return noise / len(z), True
    return float(u @ u) / (len(z) - 1) * inflation(lag_one(u, 1 / len(z))) / len(z), False


def wander(z: Float, stretches: Float) -> float:
    """What a run to come differs by beyond the error within this one, by how this one wanders.

    Batches of white noise scatter by half as much if they are four times as long. Where load,
    heat or a battery wander slowly, they do not, and no more does a whole run: with variances
    ``w + f`` of the 20 batches and ``w / 4 + f`` of the 5 stretches, f is left of any length.

    Parameters
    ----------
    z : float array, shape (20,)
        Pseudo-values of the batches.
    stretches : float array, shape (5,)
        The figure of each stretch; empty where they are too short for it.

    Returns
    -------
    float
        ``sqrt(max(f, 0))``, in the unit of `z`.

    References
    ----------
    Two-point fit to the variance-time curve of a sum of white and flicker noise (Allan, Proc.
    IEEE 54, 1966).

    Examples
    --------
    >>> step = np.repeat([9.0, 11.0, 9.0, 11.0, 9.0], 4)
    >>> wander(step, step[::4]) > 1
    True
    >>> wander(np.tile([9.0, 11.0], 10), np.full(5, 10.0))
    0.0
    """
    if not len(stretches):
        return 0.0
    slow = (4 * float(stretches.var(ddof=1)) - float(z.var(ddof=1))) / 3
    return math.sqrt(slow) if slow > 0 else 0.0


def _stretches(runs: _SortedBatches, figure: Statistic) -> Float:
    """The figure of each of five stretches; none where one of them is too short for it."""
    if figure.kind == "mean":
        return runs.batch_means.reshape(STRETCHES, -1).mean(axis=1)
    values = runs.values[runs.skipped :].reshape(STRETCHES, -1)
    length = values.shape[1]
    if figure.kind == "overruns" or length * (1 - figure.share) < 1:
        return np.empty(0)
    if figure.kind == "worst":
        return np.array([worst_mean(row, figure.share) for row in values])
    place = element_number(figure.share, length) - 1
    return np.asarray(np.partition(values, place, axis=1)[:, place])


def _value_and_deleted(
    runs: _SortedBatches, figure: Statistic, budget: float | None
) -> tuple[float, Float]:
    """The figure over all loops, and without each batch in turn."""
    if figure.kind == "mean":
        return float(runs.values.mean()), runs.means(runs.batch_means)
    if figure.kind == "overruns":
        if budget is None:
            raise UsageError("overruns need a budget: give one in the unit of the values")
        above = runs.values > budget
        shares = above[runs.skipped :].reshape(BATCHES, -1).mean(axis=1)
        return float(above.mean()), runs.means(shares)
    if figure.kind == "quantile":  # few are looked up: nothing is put in order for them
        high = runs.near_the_top(figure.share)
        if high is not None:
            return high
        value = runs.values[runs.order[element_number(figure.share, len(runs.values)) - 1]]
        return float(value), runs.quantiles(figure.share)
    ascending = runs.ascending
    weight = figure.share * len(ascending)
    whole = int(weight + 1e-9)
    rest = max(weight - whole, 0.0)
    top = float(ascending[len(ascending) - whole :].sum()) if whole else 0.0
    if rest:
        top += rest * float(ascending[len(ascending) - whole - 1])
    return top / (whole + rest), runs.worst_means(figure.share)


def jackknife(
    x: ArrayLike, statistics: Sequence[str] = USUAL, budget: float | None = None
) -> dict[str, Estimate]:
    """Figures of one run with standard errors from 20 contiguous batches.

    The last ``20 L`` loops, ``L = floor(n / 20)``, are cut into 20 batches. With ``theta`` the
    figure and ``theta_(-j)`` the figure without batch j, the pseudo-values
    ``z_j = 20 theta - 19 theta_(-j)`` go to `batch_variance`. One sort serves all figures.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods, works or durations in loop order, warm-up cut off, any unit. Where the clock
        is coarse, dither them first for quantiles (`looptime.stats.dither`).
    statistics : sequence of str
        Names as in `parse_statistic`.
    budget : float, optional
        Needed for ``overruns``, in the unit of `x`.

    Returns
    -------
    dict of str to Estimate
        In the order asked for.

    Raises
    ------
    NotEnoughError
        With fewer than 40 loops.
    UsageError
        If a statistic is not known or the budget is missing.

    References
    ----------
    Delete-a-group jackknife; sectioning of simulation output.

    Examples
    --------
    With independent values the error of the mean is close to sd / sqrt(n):

    >>> x = np.random.default_rng(1).normal(10, 1, 10_000)
    >>> mean = jackknife(x, ["mean"])["mean"]
    >>> bool(0.005 < mean.se < 0.02), bool(mean.low < 10 < mean.high)
    (True, True)
    """
    values = as_values(x, 2 * BATCHES, "the error of a figure")
    runs = _SortedBatches(values)
    out = {}
    for name in statistics:
        value, deleted = _value_and_deleted(runs, parse_statistic(name), budget)
        z = BATCHES * value - (BATCHES - 1) * deleted
        variance, drifting = batch_variance(z)
        df = BATCHES - 2 if drifting else BATCHES - 1
        half = t_quantile(0.975, df) * math.sqrt(variance)
        out[name] = Estimate(
            name=name,
            value=value,
            se=math.sqrt(variance),
            df=df,
            # a share cannot be negative
            low=max(value - half, 0.0) if name == "overruns" else value - half,
            high=value + half,
            drifting=drifting,
            n=len(values),
            enough=len(values) >= required_loops(name),
            wander=wander(z, _stretches(runs, parse_statistic(name))),
        )
    return out
