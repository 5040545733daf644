"""Spectra of point events on one clock, and the statistic of a line with all its harmonics."""

import math
from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float, Int

__all__ = [
    "CYCLES",
    "HARMONICS",
    "TRIALS",
    "fast_length",
    "h_bounds",
    "h_statistic",
    "h_tail",
    "log_trials",
    "spectrum",
    "within_reach",
]

HARMONICS = 8
#: Points of the spectrum a resolved frequency: the eighth harmonic moves eight times as fast as
#: the first.
PADDING = 16
#: The same where only a bound is wanted.
COARSE = 4
#: Between two points of the coarse spectrum the highest line rises by no more than this: events
#: within T turn by at most pi f T from the middle, so that |F| falls no faster than a cosine.
BETWEEN = 1 / math.cos(math.pi / 8) ** 2
#: Fewest cycles within the run.
CYCLES = 8
#: Independent trials per cycle in each octave: the eighth harmonic resolves frequencies eight
#: times as finely as the first, and the best is sought between the resolved ones, too. With 12 the
#: adjusted p of clean logs falls below 0.03 in 2 % of them and below 0.006 in 0.7 %.
TRIALS = 12
#: Cells that the level is within reach of are halved so many times, if they are few.
_HALVINGS = 2
_FEW = 100
#: Of how many bins one is left: one of these divides every length that has factors 2, 3 and 5.
_THIN = (Fraction(3), Fraction(2), Fraction(5, 2))
#: Thinned bins to which one event adds.
_TAPS = 27


def fast_length(n: int) -> int:
    """Smallest 2^a 3^b 5^c that is at least n, for which the transform is quick.

    Examples
    --------
    >>> fast_length(7), fast_length(1001)
    (8, 1024)
    """
    best = 1 << max(n - 1, 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            power = three << max((-(-n // three) - 1).bit_length(), 0)
            if n <= power < best:
                best = power
            three *= 3
        five *= 5
    return best


@lru_cache(maxsize=2)
def _low_pass(thin: Fraction) -> Float:
    """What an event at each place between two thinned bins adds to those around it.

    A windowed sinc, flat to a part in 100,000 up to an eighth of the bins' rate; what it lets
    through beyond is folded above that, as long as a third of the rate is left.
    """
    half, wide = float(thin * (_TAPS // 2) + 1), float(thin)
    places = np.arange(thin.numerator) / thin.denominator
    t = wide * (np.arange(_TAPS) - _TAPS // 2) - places[:, None]
    window = np.i0(10.4 * np.sqrt(np.clip(1 - (t / half) ** 2, 0, 1))) / np.i0(10.4)
    return np.asarray(np.where(np.abs(t) < half, np.sinc(t / wide) * window, 0.0))


def _thinned(place: Int, bins: int, thin: Fraction) -> Float:
    """Events counted in bins, of which one in `thin` is left, below an eighth of their rate."""
    if thin == 1:
        return np.bincount(place, minlength=bins).astype(np.float64)
    bin_, between = np.divmod(place * thin.denominator, thin.numerator)
    around = bin_[:, None] + np.arange(_TAPS)
    added = _low_pass(thin)[between]
    size = int(bins / thin) + _TAPS
    return np.bincount(around.ravel(), added.ravel(), minlength=size).astype(np.float64)


def spectrum(
    positions: Float, length: float, step: float, top: float, padding: int = PADDING
) -> tuple[Float, float]:
    """``z(f) = |sum exp(2 pi i f t)|^2 / n`` of events in bins, on a fine grid up to `top`.

    Parameters
    ----------
    positions : float array, shape (n,)
        Events, from 0 to `length`, in any unit.
    length, step : float
        Length of the recording and width of a bin, same unit.
    top : float
        Highest frequency, one over the same unit.
    padding : int
        Points of the grid to one over `length`, at least.

    Returns
    -------
    z : float array, shape (k,)
    grid : float
        Step of the frequencies: z[i] belongs to ``i * grid``.

    References
    ----------
    Periodogram of point events by a zero-padded fast Fourier transform.

    Examples
    --------
    >>> z, grid = spectrum(np.array([0.0, 10, 20, 30]), 40.0, 1.0, 0.5)
    >>> round(float(z[round(0.1 / grid)]), 1)
    4.0
    """
    bins = math.ceil(length / step) + 1
    size = fast_length(padding * bins)
    grid = 1 / (size * step)
    thin = Fraction(1)
    if top * step <= 0.125 + 1e-9:  # then bins can be left out, and the grid stays what it is
        thin = next((t for t in _THIN if size % t == 0), thin)
    counts = _thinned((positions / step).astype(np.int64), bins, thin)
    # single precision is exact to a part in a million here, and half the work
    line = np.fft.rfft(counts.astype(np.float32), int(size / thin))[: math.floor(top / grid) + 2]
    z = line.real.astype(np.float64) ** 2 + line.imag.astype(np.float64) ** 2
    return z / len(positions), grid


def h_statistic(z: Float, low: int, high: int) -> Float:
    """``H(f) = max_(m <= 8) (2 sum_(k <= m) z(k f) - 4 m + 4)`` at the grid points low .. high-1.

    Harmonics above the highest frequency of the grid say nothing and are left out.

    Parameters
    ----------
    z : float array, shape (k,)
        From `spectrum`.
    low, high : int
        First grid point, and the one after the last.

    References
    ----------
    H-test for periodic signals.

    Examples
    --------
    >>> h_statistic(np.array([0.0, 9.0, 6.0]), 1, 2)
    array([26.])
    """

    def at_points(k: int, end: int) -> Float:
        return 2 * z[low * k : (end - 1) * k + 1 : k]

    return _over_harmonics(len(z), low, high, at_points)


def _over_harmonics(
    points: int, low: int, high: int, twice_z: Callable[[int, int], Float]
) -> Float:
    """H from ``2 z`` of the k-th harmonic of the points low .. end-1, as `twice_z(k, end)` has it.

    A harmonic beyond the spectrum's `points` is left out.
    """
    total = np.zeros(high - low)
    best = np.full(high - low, -np.inf)
    for k in range(1, HARMONICS + 1):
        end = min(high, (points - 1) // k + 1)
        if end <= low:
            break
        part = slice(0, end - low)
        total[part] += twice_z(k, end) - 4
        np.maximum(best[part], total[part] + 4, out=best[part])
    return best


def h_bounds(z: Float, low: int, high: int) -> Float:
    """Most that H can be anywhere between the grid points i and i + 1, for i in low .. high-1.

    The k-th harmonic of such a frequency lies between the points ``k i`` and ``k (i + 1)`` of a
    coarse spectrum: their largest z, times what a line may rise between two points, bounds it.

    Parameters
    ----------
    z : float array, shape (k,)
        From `spectrum` with four points to a resolved frequency.
    low, high : int
        First grid point, and the one after the last.

    References
    ----------
    Bernstein's inequality for band-limited functions.

    Examples
    --------
    >>> z = np.array([0.0, 9.0, 6.0, 1.0, 2.0])
    >>> bool(h_bounds(z, 1, 2)[0] >= h_statistic(z, 1, 3).max())
    True
    """

    def at_most(k: int, end: int) -> Float:
        largest = z[low * k : (end - 1) * k + 1 : k].copy()
        for j in range(1, k + 1):
            ahead = z[low * k + j : (end - 1) * k + j + 1 : k]
            np.maximum(largest[: len(ahead)], ahead, out=largest[: len(ahead)])
        return (2 * BETWEEN) * largest

    return _over_harmonics(len(z), low, high, at_most)


def _narrow_bounds(z: Float, begin: Float, width: float) -> Float:
    """`h_bounds` of a few cells that are narrower than the grid: from `begin`, `width` points."""
    total = np.zeros(len(begin))
    best = np.full(len(begin), -np.inf)
    for k in range(1, HARMONICS + 1):
        first = np.floor(k * begin).astype(np.int64)
        last = np.ceil(k * (begin + width)).astype(np.int64)
        points = first[:, None] + np.arange(int((last - first).max()) + 1)
        points = np.minimum(points, np.minimum(last, len(z) - 1)[:, None])
        step = 2 * BETWEEN * z[points].max(axis=1) - 4
        total += np.where(first < len(z), step, -np.inf)
        np.maximum(best, total + 4, out=best)
    return best


def h_tail(h: ArrayLike, n: int) -> Float:
    """Natural logarithm of P(H >= h) at one frequency, for n events at random.

    ``-a h`` with ``a = 0.4`` up to h = 18, as for many events, and beyond it
    ``a = 0.4 - s ln(h / 18)``, ``s = 0.13 / (1 + n / 37)``. Few events have the heavier tail, since
    a handful of them that happen to fall together raise all harmonics at once; the
    coefficients were fitted to an importance sample of H for n = 6 to 50, down to 1e-9.

    Parameters
    ----------
    h : array_like, shape (k,)
        Values of the H statistic.
    n : int
        Events.

    References
    ----------
    H-test for periodic signals, whose tail for many events is ``exp(-0.4 h)``.

    Examples
    --------
    >>> h_tail([10.0, 40.0], 1_000_000).round(1)
    array([ -4., -16.])
    >>> bool(h_tail([40.0], 6)[0] > h_tail([40.0], 50)[0] > -16)
    True
    """
    values = np.asarray(h, dtype=np.float64)
    slope = 0.13 / (1 + n / 37)
    # the line's own maximum bounds what the fit may say about extreme values
    top = 18 * math.exp(min(0.4 / slope - 1, 600.0))
    bounded = np.clip(values, 18.0, top)
    return -np.where(values <= 18, 0.4 * values, bounded * (0.4 - slope * np.log(bounded / 18)))


def band(grid: float, length: float, loop: float, points: int) -> tuple[int, int]:
    """Grid points from 8 cycles a run to one in three loops: first, and the one after the last."""
    low = math.ceil(CYCLES / length / grid)
    return low, min(math.floor(1 / (3 * loop) / grid) + 1, points)


def log_trials(frequency: ArrayLike, length: float, octaves: float) -> Float:
    """Natural logarithm of the trials that the best of all frequencies is worth.

    ``12 f T`` in each octave, so that every octave has its share of the level.

    Examples
    --------
    >>> float(np.exp(log_trials(np.array([0.5]), 100.0, 3.0))[0].round())
    1800.0
    """
    return np.asarray(np.log(TRIALS * length * octaves * np.asarray(frequency)), np.float64)


def within_reach(positions: Float, length: float, step: float, loop: float, level: float) -> bool:
    """Whether any frequency could have an adjusted p below `level`.

    Parameters
    ----------
    positions : float array, shape (n,)
        Events on one clock.
    length, step, loop : float
        Length of the recording, width of a bin and length of a loop on that clock.
    level : float
        Adjusted p.

    Returns
    -------
    bool
        False only if the fine spectrum cannot reach it either, see `h_bounds`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> within_reach(np.sort(rng.uniform(0, 1000, 40)), 1000.0, 1.0, 1.0, 1e-3)
    False
    >>> within_reach(np.arange(0.0, 1000, 25), 1000.0, 1.0, 1.0, 1e-3)
    True
    """
    z, grid = spectrum(positions, length, step, 0.5 / loop, COARSE)
    low, high = band(grid, length, loop, len(z))
    low = max(low - 1, 1)  # the cell before the first point reaches into the band
    if high <= low:
        return True
    octaves = math.log2(1 / (3 * loop) * length / CYCLES)

    def reach(begin: Float, bounds: Float) -> Float:
        lowest = np.maximum(begin * grid, CYCLES / length)
        log_p = h_tail(bounds, len(positions)) + log_trials(lowest, length, octaves)
        return begin[log_p < math.log(level)]

    left, width = reach(np.arange(low, high, dtype=np.float64), h_bounds(z, low, high)), 1.0
    for _ in range(_HALVINGS):
        if not 0 < len(left) <= _FEW:
            break
        width /= 2
        left = np.concatenate([left, left + width])
        left = reach(left, _narrow_bounds(z, left, width))
    return len(left) > 0
