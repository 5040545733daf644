"""Gain and phase margin of even loops, from the exact discrete loop transfer function."""

import math
from collections.abc import Callable

import numpy as np

from looptime.array_types import Complex, Float
from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import EvenLoop, LoopMatrices, even_matrix, spectral_radius
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = ["Margins", "margins"]

#: Frequencies looked at, up to half the loop rate; each crossing is then found exactly.
POINTS = 1500


@dataclass(frozen=True)
class Margins:
    """How far even loops are from the edge."""

    #: Factor of all gains at the edge: above 1 for loops that settle, below 1 for loops that do
    #: not; None where no factor leads there.
    gain_margin: float | None
    #: Least phase that is left at a gain crossover; None where there is no crossover.
    phase_margin_deg: float | None
    crossover_hz: float | None  #: Where that is [Hz]


def _curve(made: LoopMatrices) -> Callable[[Float], Complex]:
    """``L(z)`` at ``z = exp(i angle)``, cut open where the output is put to use."""
    whole, o = made.each[0], made.output
    rest = np.delete(np.arange(len(whole)), o)
    A, b = whole[np.ix_(rest, rest)], whole[rest, o]
    c, direct, one = whole[o, rest], whole[o, o], np.eye(len(A))

    def at(angle: Float) -> Complex:
        z = np.exp(1j * angle)
        right = np.broadcast_to(b, (len(z), len(b)))[..., None]
        inner = np.linalg.solve(z[:, None, None] * one - A, right)
        return np.asarray(-(inner[..., 0] @ c + direct) / z, dtype=np.complex128)

    return at


def margins(law: Law, plant: Plant, at: EvenLoop) -> Margins:
    """Gain and phase margin; exact but for the search of the crossings.

    Examples
    --------
    >>> found = margins(Law("per loop", 4.0), Plant("position", 10.0), EvenLoop(0.02, 0.0))
    >>> round(found.gain_margin, 9)
    2.5
    """
    made = even_matrix(law, plant, at)
    value = _curve(made)
    angle = distinct(np.concatenate(
        [np.geomspace(1e-6, math.pi, POINTS // 2), np.linspace(1e-3, math.pi, POINTS // 2)]
    ))  # fmt: skip
    found = value(angle)
    stable = spectral_radius(made.each[0]) < 1
    level = np.log(np.abs(found))
    crossing = _roots(angle, level, lambda a: np.log(np.abs(value(a))))
    phase = np.degrees(np.angle(-value(crossing))) if len(crossing) else np.empty(0)
    least = int(np.argmin(np.abs(phase))) if len(phase) else None
    return Margins(
        _gain_margin(value, angle, found, stable),
        None if least is None else float(phase[least]),
        None if least is None else float(crossing[least]) / (2 * math.pi * at.period_s),
    )


def _gain_margin(
    value: Callable[[Float], Complex], angle: Float, found: Complex, stable: bool
) -> float | None:
    """The factor nearest to 1 that puts -1 on the curve."""
    real = _roots(angle, found.imag, lambda a: value(a).imag)
    at = np.append(value(real).real if len(real) else np.empty(0), found[-1].real)
    factors = -1 / at[at < 0]
    factors = factors[factors > 1] if stable else factors[factors <= 1]
    if not len(factors):
        return None
    return float(factors.min() if stable else factors.max())


def _roots(angle: Float, level: Float, again: Callable[[Float], Float]) -> Float:
    """Where a function of the angle changes its sign, at all places together.

    Regula falsi that halves the weight of an end which stays (Illinois).
    """
    change = np.flatnonzero(np.sign(level[:-1]) * np.sign(level[1:]) < 0)
    if not len(change):
        return np.empty(0)
    low, high, at_low, at_high = angle[change], angle[change + 1], level[change], level[change + 1]
    found = low
    for _ in range(30):
        found = high - at_high * (high - low) / (at_high - at_low)
        at = again(found)
        turned = np.sign(at) * np.sign(at_high) < 0
        low, at_low = np.where(turned, high, low), np.where(turned, at_high, at_low / 2)
        high, at_high = found, np.where(at == 0, at_high * 1e-300, at)
        if np.all(np.abs(high - low) <= 1e-14 * high) or np.all(np.abs(at) <= 1e-13):
            break
    return np.asarray(found, dtype=np.float64)
