"""Which loops are slow: a robust threshold, and events that stand out from their surroundings."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, Float, Int, as_values, mad, median

__all__ = ["Events", "merge_close", "running_median", "stalls"]

#: Loops of the running median.
SPAN = 101
#: Windows whose medians are found at a time.
_WINDOWS = 4096


@dataclass(frozen=True)
class Events:
    """Stalls: loops that stand out from the loops around them, close ones taken together."""

    loops: Int  #: Index of the loop that began each event, shape (e,)
    #: Largest excess over the running median within the event [unit of the values], shape (e,).
    heights: Float


def running_median(x: ArrayLike, span: int = SPAN, stride: int | None = None) -> Float:
    """Median of the `span` loops around each loop, taken at every few loops and interpolated.

    At the ends the window is cut, not padded.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in loop order.
    span : int
        Loops in the window, odd.
    stride : int
        Loops between the medians; 1 for each loop. By default a tenth of the span, in very long
        runs up to half of it.

    Returns
    -------
    float array, shape (n,)

    Raises
    ------
    NotEnoughError
        If `x` is empty.

    Examples
    --------
    >>> running_median([1, 2, 30, 4, 5], span=3, stride=1)
    array([1.5, 2. , 4. , 5. , 4.5])
    """
    values = as_values(x, 1, "a running median")
    n, half = len(values), span // 2
    if stride is None:
        stride = min(max(span // 10, n // 20_000), max(half, 1))
    at = np.arange(0, n, stride)
    at = at if at[-1] == n - 1 else np.append(at, n - 1)
    medians = np.empty(len(at))
    whole = slice(*np.searchsorted(at, [half, n - half]).tolist())  # windows that are not cut
    if whole.stop > whole.start:
        view = np.lib.stride_tricks.sliding_window_view(values, 2 * half + 1)
        windows = view[at[whole.start] - half :: stride][: whole.stop - whole.start]
        for first in range(0, len(windows), _WINDOWS):
            some = windows[first : first + _WINDOWS].copy()
            some.partition(half, axis=1)
            medians[whole][first : first + _WINDOWS] = some[:, half]
    for i in (*range(whole.start), *range(max(whole.start, whole.stop), len(at))):
        medians[i] = median(values[max(at[i] - half, 0) : at[i] + half + 1])
    if n == 1:
        return medians
    # straight lines between the medians, all as long as the stride but the last
    slopes = np.diff(medians) / np.diff(at)
    lines = np.empty((len(at), stride))
    np.multiply.outer(slopes, np.arange(stride), out=lines[:-1])
    lines[:-1] += medians[:-1, None]
    made = lines.ravel()[:n]
    made[-1] = medians[-1]
    return made


def merge_close(loops: Int, gap: int = 2) -> Int:
    """Where in a rising list of loops a new event begins: loops at most `gap` apart are one.

    Returns
    -------
    int array
        Indexes into `loops` of the first loop of each event.

    Examples
    --------
    >>> merge_close(np.array([3, 4, 6, 9, 20]))
    array([0, 3, 4])
    """
    if not len(loops):
        return np.zeros(0, dtype=np.int64)
    return np.append(0, np.flatnonzero(np.diff(loops) > gap) + 1).astype(np.int64)


def stalls(x: ArrayLike, k: float = 3.0, tick: float = 0.0) -> Events:
    """Loops that stand out: above the running median by more than ``k x 1.4826 MAD``.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in loop order.
    k : float
        Scales above the running median.
    tick : float
        Tick of the clock [unit of `x`]; an event stands out by more than 1.5 ticks, so that
        the beat of rounded values is none.

    Raises
    ------
    NotEnoughError
        If `x` is empty.

    References
    ----------
    Hampel identifier with a running median.

    Examples
    --------
    >>> x = np.tile([9.9, 10.0, 10.1, 10.0], 100)
    >>> x[[40, 41, 300]] += 5
    >>> stalls(x).loops
    array([ 40, 300])
    """
    values = as_values(x, 1, "a search for stalls")
    excess = running_median(values)
    np.subtract(values, excess, out=excess)
    level = median(excess)
    scale = MAD_SCALE * mad(excess, level)
    rounding = 1e-9 * max(float(values.max()), -float(values.min()))
    loops = np.flatnonzero(excess - max(level, 0.0) > max(k * scale, 1.5 * tick, rounding))
    first = merge_close(loops)
    heights = np.maximum.reduceat(excess[loops], first) if len(first) else np.zeros(0)
    return Events(loops[first], heights)
