"""Whether a controller settles at the recorded pace, and how far it is from not settling."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.controlling.gain_window import bisected, gain_window
from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import (
    EvenLoop,
    LoopMatrices,
    even_matrix,
    even_settles,
    loop_matrices,
    loops_by_reading,
    spectral_radius,
)
from looptime.heading.pattern import Sampling
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = [
    "Stability",
    "grows_evenly",
    "grows_unevenly",
    "growth_per_s",
    "mean_square",
    "period_range",
    "stability",
]

#: Fewest products, kept orthonormal, until the strongest directions are found.
PRODUCTS = 150
#: Largest state for which the mean square is worked out: its matrix has the fourth power.
MOST_STATES = 16
#: Periods looked at for the edge of stability [s].
SHORTEST_S, LONGEST_S = 5e-5, 10.0
#: A spectral radius as near to 1 as this is 1 but for rounding.
ROUNDING = 1e-9
#: An oscillation that keeps more of its amplitude than this from cycle to cycle rings.
KEPT = 0.5


@dataclass(frozen=True)
class Stability:
    """How the recorded loops settle, without the limits of output and sum."""

    #: ``settles``, ``rings`` (an oscillation loses less than half its amplitude a cycle) or
    #: ``grows``.
    state: str
    #: Growth of a disturbance over this log, gone through again and again; below 0 it dies out;
    #: [1/s].
    growth_per_s: float | None
    #: Factor by which the mean square of a disturbance grows a loop, where the log's loops, each
    #: with its own latency, come in any order.
    mean_square_radius: float | None
    #: ``K kp`` from which on the mean square grows, all gains in proportion; for ``x' = K u``,
    #: proportional and without latency it is ``2 E[T]/E[T^2]``. None where kp is 0; [1/s for a
    #: position].
    mean_square_limit: float | None
    mean_square_factor: float | None  #: The same limit as a factor of the gains
    spectral_radius: float  #: Of even loops at the log's mean period and latency
    #: Even loops settle between these periods; None where there is no such end.
    slowest_stable_ms: float | None
    fastest_stable_ms: float | None
    #: All gains in proportion, as a factor: up to which it settles, where it grows now and lower
    #: gains were found that settle; and below which it grows, where not all lower gains settle.
    settles_to_factor: float | None = None
    settles_from_factor: float | None = None


def stability(law: Law, plant: Plant, at: Sampling, even: EvenLoop) -> Stability:
    """Judge a law and a plant over recorded loops.

    Parameters
    ----------
    law, plant : Law, Plant
        What is looped.
    at : Sampling
        With the sensor's delay in it.
    even : EvenLoop
        At the log's mean period and latency.

    Raises
    ------
    NotEnoughError
        If readings are too many loops old.
    """
    recorded = loop_matrices(law, plant, at)
    growth = growth_per_s(recorded)
    uneven = _square_radius(loops_by_reading(law, plant, at) or recorded)
    square, factor = _square(uneven)
    single = even_matrix(law, plant, even)
    alike = single.each[0]
    grows = growth >= 0 or (square is not None and square >= 1)
    state = "grows" if grows else "rings" if _rings(alike) else "settles"
    fastest, slowest = period_range(law, plant, even)
    low, high = _window(recorded, uneven, single, grows)
    limit = plant.full_speed * law.kp * factor if factor is not None and law.kp else None
    return Stability(
        state, growth, square, limit, factor, spectral_radius(alike),
        None if slowest is None else slowest * 1e3, None if fastest is None else fastest * 1e3,
        high, low,
    )  # fmt: skip


def _window(
    recorded: LoopMatrices,
    uneven: Callable[[float], float] | None,
    even: LoopMatrices,
    grows: bool,
) -> tuple[float | None, float | None]:
    """Lowest and highest factor of the gains with which it settles; no highest where it does now.

    Of gains found for one that grows the recorded order of the loops is asked as well.
    """

    def settles(factor: float) -> bool:  # what neither grows nor dies out is no edge
        if spectral_radius(_with_gains(even, factor).each[0]) > 1 + ROUNDING:
            return False
        return uneven is None or uneven(factor) <= 1 + ROUNDING

    found = gain_window(settles)
    if found is None or (grows and found.high is None):
        return None, None
    if grows and any(growth_per_s(_with_gains(recorded, at)) >= 0 for at in found.inside):
        return None, None
    return found.low, found.high if grows else None


def _with_gains(loops: LoopMatrices, factor: float) -> LoopMatrices:
    """The same loops with all gains so many times what they are."""
    each = loops.each.copy()
    each[:, loops.output] *= factor
    return replace(loops, each=each)


def growth_per_s(loops: LoopMatrices) -> float:
    """Growth of a disturbance a second, from products kept orthonormal by QR.

    The log is gone through again and again until the strongest directions come back to
    themselves; their growth over one passage is that of the log repeated for ever.

    Parameters
    ----------
    loops : LoopMatrices
        In the order of the log.

    References
    ----------
    Largest Lyapunov exponent of a product of matrices.

    Examples
    --------
    >>> even = np.full((50, 1, 1), 0.5)
    >>> round(growth_per_s(LoopMatrices(even, 0, 0.5)) / math.log(0.5), 9)
    100.0
    """
    parts, gathered = _in_parts(loops.each)
    frame = np.eye(parts.shape[1])
    for _ in range(max(1, -(-PRODUCTS // len(parts)))):
        for part in parts:
            frame = np.linalg.qr(part @ frame)[0]
    begin, upper = frame, np.eye(2)[: len(frame), : len(frame)]
    for part in parts:
        frame, step = np.linalg.qr(part @ frame)
        upper = step[:2, :2] @ upper
        size = max(float(np.abs(upper).max()), 1e-300)
        gathered, upper = gathered + math.log(size), upper / size
    # the two strongest directions come back to themselves: an oscillation turns within them
    turned = (begin.T @ frame)[:2, :2] @ upper
    return (math.log(max(spectral_radius(turned), 1e-300)) + gathered) / loops.duration_s


def _in_parts(each: Float) -> tuple[Float, float]:
    """Products of neighbouring matrices, at most about `PRODUCTS`, and the logarithm taken out."""
    gathered = 0.0
    while len(each) > 2 * PRODUCTS:
        odd = each[-1:] if len(each) % 2 else each[:0]
        paired = len(each) // 2 * 2
        each = np.concatenate([each[1:paired:2] @ each[0:paired:2], odd])
        size = np.maximum(np.abs(each).max(axis=(1, 2)), 1e-300)
        gathered += float(np.log(size).sum())
        each = each / size[:, None, None]
    return each, gathered


def mean_square(loops: LoopMatrices) -> tuple[float | None, float | None]:
    """Growth of the mean square a loop, and the factor of all gains from which on it grows.

    ``E[M x M]`` (Kronecker) over the log's loops has the spectral radius by which the mean square
    grows; all gains stand in the row of the output, so that a factor multiplies that row alone.
    None where there are too many states, or no such factor.
    """
    return _square(_square_radius(loops))


def _square(radius: Callable[[float], float] | None) -> tuple[float | None, float | None]:
    return (None, None) if radius is None else (radius(1.0), _limit_of_gain(radius))


def _square_radius(loops: LoopMatrices) -> Callable[[float], float] | None:
    """The spectral radius of ``E[M x M]`` with all gains so many times what they are."""
    n, d, _ = loops.each.shape
    if d > MOST_STATES:
        return None
    flat = loops.each.reshape(n, d * d)
    square = (flat.T @ flat / n).reshape(d, d, d, d).transpose(0, 2, 1, 3).reshape(d * d, d * d)

    def radius(factor: float) -> float:
        rows = np.ones(d)
        rows[loops.output] = factor
        return spectral_radius(np.kron(rows, rows)[:, None] * square)

    return radius


def grows_evenly(radius: float) -> bool:
    """Whether even loops do not die out: their spectral radius is not below 1, but for rounding."""
    return radius >= 1 - ROUNDING


def grows_unevenly(law: Law, plant: Plant, at: Sampling) -> bool:
    """Whether the mean square of a disturbance grows over uneven loops, as in `stability`.

    Where the state is too large for a mean square, whether the loops in their order grow.

    Raises
    ------
    NotEnoughError
        If readings are too many loops old.
    """
    radius = _square_radius(loops_by_reading(law, plant, at) or loop_matrices(law, plant, at))
    if radius is None:
        return growth_per_s(loop_matrices(law, plant, at)) >= 0
    return radius(1.0) >= 1


def _limit_of_gain(radius: Callable[[float], float]) -> float | None:
    """Factor at which settling ends, looked for from 1 on."""
    settled, factor = radius(1.0) < 1, 1.0
    pace = 1.2 if settled else 1 / 1.2
    while (radius(factor) < 1) == settled:
        if not 1e-3 < factor < 1e3:
            return None
        factor *= pace
    ends = (factor / pace, factor) if settled else (factor, factor / pace)
    return bisected(lambda f: radius(f) < 1, *ends)


def period_range(law: Law, plant: Plant, even: EvenLoop) -> tuple[float | None, float | None]:
    """Shortest and longest period of the stable range that the present one is in, or nearest to.

    The latency goes with the period as `EvenLoop.at_period` has it, the sensor's delay stays. None
    for an end that lies beyond the periods looked at, and for both where no period is stable.
    """

    def settles(period: float) -> bool:
        return bool(even_settles(law, plant, even, np.array([period]))[0])

    tried = distinct(np.append(np.geomspace(SHORTEST_S, LONGEST_S, 100), even.period_s))
    good = even_settles(law, plant, even, tried)
    here = int(np.searchsorted(tried, even.period_s))
    if not good.any():
        return None, None
    if not good[here]:
        below, above = np.flatnonzero(good[:here]), np.flatnonzero(good[here:]) + here
        here = int(below[-1] if len(below) else above[0])
    first, last = here, here
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(tried) - 1 and good[last + 1]:
        last += 1
    low = bisected(settles, float(tried[first]), float(tried[first - 1])) if first else None
    high = None
    if last < len(tried) - 1:
        high = bisected(settles, float(tried[last]), float(tried[last + 1]))
    return low, high


def _rings(matrix: Float) -> bool:
    """Whether an oscillation of even loops keeps more than `KEPT` of its amplitude a cycle."""
    values = np.linalg.eigvals(matrix)
    turns = np.abs(np.angle(values))
    swinging = (turns > 1e-9) & (np.abs(values) > 1e-12)
    if not swinging.any():
        return False
    kept = np.log(np.abs(values[swinging])) * (2 * math.pi / turns[swinging])
    return bool(kept.max() > math.log(KEPT))
