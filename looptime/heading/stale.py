"""Stale heading: what the controller believes against what is true, over time.

The error at time ``t`` in hold k is ``e(t) = h(t) - h(s_k) - lead_k w(s_k)``, with lead 0 unless
the code extrapolates. Its mean size, root mean square and 95th percentile are taken over time, and
so is its sine, by which a robot that is told to drive straight goes sideways: its mean, in which
left and right cancel, and the mean of its size, in which they do not.

A motion that may begin at any moment is met at every phase alike, so these are averages over the
distribution of the reading's age (`AgeTable`); a recorded motion has its place (`stale_along`).
"""

import math

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.age_distribution import (
    block_sums,
    by_block,
    interval_quantile,
    leave_out,
    ratio,
)
from looptime.heading.block_intervals import figure
from looptime.heading.lag_table import AgeTable
from looptime.heading.lead import NO_LEAD, Lead
from looptime.heading.motion import Motion, Steady
from looptime.heading.pattern import BLOCKS, Sampling
from looptime.heading.sizes import cdf_on_grid, quantile_from_cdf
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = ["Stale", "stale_along", "stale_everywhere", "values_everywhere"]

#: Nodes and weights of Gauss-Legendre quadrature on [0, 1], exact for polynomials to degree 7.
_NODES, _WEIGHTS = (
    (np.polynomial.legendre.leggauss(4)[0] + 1) / 2,
    (np.polynomial.legendre.leggauss(4)[1] / 2),
)
_GRID = 1000
#: Holds that are enough for a motion in its own place, unless every one is asked for.
_ENOUGH = 8_000


@dataclass(frozen=True)
class Stale:
    """Figures of the stale heading over time."""

    #: Of the error's size [rad].
    mean: Figure
    rms: Figure
    p95: Figure
    max: float  #: Over all moments and, for a motion that may begin anywhere, all phases [rad]
    lateral: Figure  #: Mean of ``sin e``: where it ends up sideways, over distance driven
    sideways: Figure  #: Mean of ``|sin e|``: sideways distance to either side, over distance driven


def stale_everywhere(
    motion: Motion, sampling: Sampling, table: AgeTable, *, exact: bool = True
) -> Stale:
    """Figures for a motion that may begin at any moment of the log.

    Parameters
    ----------
    motion : Motion
        Any but a recorded one.
    sampling : Sampling
        Instants of reading and use.
    table : AgeTable
        Of this motion and lead, reaching to this sampling's greatest age.
    exact : bool
        Whether the percentile of a steady turn is found from every hold rather than the table.
    """
    sums, time, cells = _over_ages(motion, sampling, table)
    lead = table.lead.per_hold(sampling)
    p95 = table.quantile(cells, 0.95)
    if isinstance(motion, Steady) and exact:
        p95 = _moved(p95, _steady_quantile(motion.turn_rate, sampling, lead, 0.95))
    return _figures(sums, time, p95, _largest(motion, sampling, lead, table, exact))


def values_everywhere(motion: Motion, sampling: Sampling, table: AgeTable) -> tuple[float, ...]:
    """Mean, rms, p95, lateral and sideways of `stale_everywhere` (not `exact`), no intervals.

    Parameters
    ----------
    motion, sampling, table
        As there.
    """
    sums, time, cells = _over_ages(motion, sampling, table)
    mean, rms, *sines = _means(sums, time)
    return mean, rms, table.sizes.value(cells, 0.95), *sines


def _over_ages(motion: Motion, sampling: Sampling, table: AgeTable) -> tuple[Float, Float, Float]:
    """By block: integrals of the size, square, sine and its size; time; time by cell of ages."""
    nodes, cells = table.weights(sampling)
    means = np.stack([table.size, table.square, table.sine, table.sine_size])
    sums = np.einsum("bj,kj->bk", nodes, means)
    if isinstance(motion, Steady):
        sums = _steady_sums(motion.turn_rate, sampling, table.lead.per_hold(sampling))
    return sums, by_block(sampling, sampling.hold_s), cells


def _moved(found: Figure, value: float) -> Figure:
    if found.value is None or found.low is None or found.high is None:
        return Figure(value)
    by = value - found.value
    return Figure(value, max(found.low + by, 0.0), found.high + by)


def _figures(sums: Float, time: Float, p95: Figure, largest: float) -> Stale:
    left = ratio(leave_out(sums), leave_out(time)[:, None])
    mean, rms, lateral, sideways = _means(sums, time)
    return Stale(
        figure(mean, left[:, 0], positive=True),
        figure(rms, np.sqrt(np.maximum(left[:, 1], 0.0)), positive=True),
        p95,
        largest,
        figure(lateral, left[:, 2]),
        figure(sideways, left[:, 3], positive=True),
    )


def _means(sums: Float, time: Float) -> tuple[float, float, float, float]:
    mean, square, sine, size = (sums.sum(axis=0) / time.sum()).tolist()
    return mean, math.sqrt(max(square, 0.0)), sine, size


def _steady_sums(w: float, sampling: Sampling, lead: Float) -> Float:
    """Block sums of the integrals of |e|, e^2, sin e and |sin e|, for ``e = w (a - lead)``."""
    low = sampling.latency_s - lead
    T = sampling.hold_s
    high = low + T
    size = (high * np.abs(high) - low * np.abs(low)) / 2
    square = T * (low * low + low * T + T * T / 3)
    # the integral of sin(w d) from low to high is T sin(w mid) sinc(w T / 2)
    sine = T * np.sin(w * (low + T / 2)) * np.sinc(w * T / 2 / np.pi)
    # to one side all through, or else by parts
    aside = np.where(
        (low >= 0) & (w * high <= np.pi), np.abs(sine), (_waved(w * high) - _waved(w * low)) / w
    )
    of = (w * size, w * w * square, sine, aside)
    return np.stack([by_block(sampling, x) for x in of], axis=1)


def _waved(x: Float) -> Float:
    """The integral of |sin| from 0 on."""
    whole = np.floor(x / np.pi)
    return np.asarray(2 * (whole + np.sin((x - whole * np.pi) / 2) ** 2))


def _folded(low: Float, high: Float) -> tuple[Float, Float, Float]:
    """Intervals of a value as intervals of its size, with the share of each; twice as many."""
    width = np.maximum(high - low, 1e-300)
    below = np.clip(-low, 0.0, width)
    share = below / width
    crosses = (low < 0) & (high > 0)
    first = np.where(crosses, 0.0, np.minimum(np.abs(low), np.abs(high)))
    second_high = np.maximum(np.where(crosses, high, np.maximum(np.abs(low), np.abs(high))), first)
    lows = np.concatenate([first, np.zeros_like(first)])
    highs = np.concatenate([second_high, np.where(crosses, -low, 0.0)])
    part = np.where(crosses, share, 0.0)
    return lows, highs, np.concatenate([1 - part, part])


def _steady_quantile(w: float, sampling: Sampling, lead: Float, share: float) -> float:
    low = sampling.latency_s - lead
    lows, highs, part = _folded(low, low + sampling.hold_s)
    weight = part * np.tile(sampling.hold_s, 2)
    some = weight > 0
    return w * interval_quantile(lows[some], highs[some], weight[some], share)


def _largest(
    motion: Motion, sampling: Sampling, lead: Float, table: AgeTable, exact: bool
) -> float:
    """Largest error over all phases, at the ends of the holds and within them."""
    begin = sampling.latency_s
    end = begin + sampling.hold_s
    count = min(8 if exact else 2, len(end))
    extreme = distinct(
        np.concatenate([np.argpartition(x, -count)[-count:] for x in (end, end - lead, lead)])
    )
    phases, _ = motion.phases(table.phases * (4 if exact else 1))
    within = np.concatenate([begin[extreme], end[extreme]])
    before = phases - within[:, None]
    error = motion.heading(phases) - motion.heading(before)
    ahead = np.tile(lead[extreme], 2)[:, None]
    if ahead.any():
        error = error - ahead * motion.rate(before)
    found = float(np.abs(error).max())
    if table.lead.kind == "measured":
        return found
    reached = (table.nodes <= end.max()) & (table.nodes >= begin.min())
    inner = table.peak[: len(table.nodes)][reached]
    return max(found, float(inner.max(initial=0.0)))


def stale_along(
    motion: Motion, sampling: Sampling, lead: Lead = NO_LEAD, *, exact: bool = True
) -> Stale:
    """Figures for a motion with its own place in time, such as the recorded one.

    Every hold is cut at the motion's knots; on each piece the heading is a polynomial of degree 3
    at most, so that 4-point Gauss-Legendre quadrature of ``e`` and ``e^2`` is exact.

    Parameters
    ----------
    motion : Motion
        Times count as those of the sampling do.
    sampling : Sampling
        Instants of reading and use.
    lead : Lead
        By how much the code extrapolates.
    exact : bool
        Whether every hold is looked at, and the percentile found from every piece, rather than
        stretches of up to `_ENOUGH` holds and a table of sizes.
    """
    use = sampling.use_s
    knots = motion.knots
    knots = knots[(knots > use[0]) & (knots < use[-1])]
    edges = distinct(np.concatenate([use, knots]))
    hold = np.clip(np.searchsorted(use, edges[:-1], side="right") - 1, 0, len(sampling) - 1)
    width = np.diff(edges)
    time = by_block(sampling, sampling.hold_s)
    every = 1 if exact else -(-len(sampling) // _ENOUGH)
    if every > 1:  # stretches of 50 holds, evenly spread over the log
        some = hold // 50 % every == 0
        edges, hold, width = np.append(edges[:-1][some], 0.0), hold[some], width[some]
        time = block_sums(sampling.block[hold], width)
    begin, taken = edges[:-1], sampling.taken_s[:-1]
    believed = motion.heading(taken)
    if lead.kind != "none":
        believed = believed + lead.per_hold(sampling) * motion.rate(taken)
    error = motion.heading(begin[:, None] + width[:, None] * _NODES) - believed[hold, None]
    block, sine = sampling.block[hold], np.sin(error)
    sums = np.stack(
        [
            block_sums(block, width * np.einsum("ij,j->i", f, _WEIGHTS))
            for f in (np.abs(error), error * error, sine, np.abs(sine))
        ],
        axis=1,
    )
    ends = [motion.heading(begin + part * width) - believed[hold] for part in (0.0, 0.5, 1.0)]
    largest = float(np.abs(np.stack(ends)).max())
    p95 = _quantile_along(ends, width, block, largest, exact)
    return _figures(sums, time, p95, largest)


def _quantile_along(
    ends: list[Float], width: Float, block: Int, largest: float, exact: bool
) -> Figure:
    """p95 with its interval, the error taken to run evenly through each half of a piece."""
    first = np.concatenate(ends[:2])
    last = np.concatenate(ends[1:])
    lows, highs, part = _folded(np.minimum(first, last), np.maximum(first, last))
    weight = part * np.tile(width / 2, 4)
    some = weight > 0
    if largest <= 0:
        return Figure(0.0, 0.0, 0.0)
    grid = np.geomspace(largest * 1e-5, largest * 1.0001, _GRID)
    group = np.tile(block, 4)[some]
    lows, highs, weight = lows[some], highs[some], weight[some]
    found = quantile_from_cdf(grid, cdf_on_grid(lows, highs, weight, group, BLOCKS, grid), 0.95)
    return _moved(found, interval_quantile(lows, highs, weight, 0.95)) if exact else found
