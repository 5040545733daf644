"""Whether instants keep the beat of something that comes at even intervals."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, as_values

__all__ = ["phase_lock"]

#: Instants looked at, those in a piece, and the fewest in one.
_MOST, _PIECE, _LEAST_PIECE = 2048, 48, 16
#: A beat may drift by a ten-thousandth: a piece lasts so many periods, a quarter of one adrift;
#: one that lasts longer still, across a gap or of few instants, tells nothing.
_LONGEST, _TOO_LONG = 2500, 10_000
#: How far the period may be from the given one, and steps of the search in one of resolution.
_NEAR, _STEPS = 0.15, 4
#: Periods that are looked at more closely, and where between two steps.
_CLOSER, _BETWEEN = 16, np.linspace(-0.5, 0.5, 9)


def phase_lock(instants_ms: ArrayLike, period_ms: float) -> tuple[float, float]:
    """The period near a given one that instants keep best, and how well.

    For each period the phases of the instants are added up as arrows of length one, in pieces
    within which a beat cannot drift by much; the result is the root of the mean of the squares of
    the arrows' means: 1 where all instants of a piece fall on the beat, 0 where they fall anywhere,
    and by chance about one over the root of the instants in a piece.

    Parameters
    ----------
    instants_ms : array_like, shape (n,) [ms]
        The first 2048 are looked at.
    period_ms : float [ms]
        The period that is expected, to 15 %.

    Returns
    -------
    tuple of float
        Period [ms], resultant from 0 to 1: the given one and 0 where the instants lie too far
        apart to tell.

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> beat = 25.3 * np.cumsum(rng.integers(1, 9, 400)) + rng.normal(0, 1, 400)
    >>> period, resultant = phase_lock(beat, 25)
    >>> round(period, 1), round(resultant, 1)
    (25.3, 1.0)
    >>> phase_lock(np.cumsum(rng.uniform(0, 200, 400)), 25)[1] < 0.4
    True
    """
    at = np.sort(as_values(instants_ms, 2, "a beat")[:_MOST])
    pieces = [p for p in _pieces(at, period_ms) if p[-1] - p[0] <= _TOO_LONG * period_ms]
    if not pieces:
        return float(period_ms), 0.0
    longest = max(float(piece[-1] - piece[0]) for piece in pieces)
    step = 1 / (_STEPS * max(longest, period_ms))
    often = np.arange((1 - _NEAR) / period_ms, (1 + _NEAR) / period_ms, step)
    likely = often[np.argsort(_power(pieces, often))[-_CLOSER:]]
    often = np.add.outer(likely, step * _BETWEEN).ravel()
    power = _power(pieces, often)
    best = int(np.argmax(power))
    return float(1 / often[best]), float(np.sqrt(power[best]))


def _power(pieces: list[Float], often: Float) -> Float:
    """Mean over the pieces of the square of the resultant at each frequency."""
    power = np.zeros(len(often))
    for piece in pieces:
        turns = np.exp(2j * np.pi * np.outer(often, piece - piece[0]))
        power += np.abs(turns.mean(axis=1)) ** 2
    return power / len(pieces)


def _pieces(at: Float, period_ms: float) -> list[Float]:
    """Stretches of as many instants each, of which the rest at the end is left out."""
    per_piece = len(at) * _LONGEST * period_ms / max(float(at[-1] - at[0]), period_ms)
    size = min(max(int(min(per_piece, _PIECE)), _LEAST_PIECE), len(at))
    return [at[k : k + size] for k in range(0, len(at) - size + 1, size)]
