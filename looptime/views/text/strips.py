"""Small pictures in letters: a histogram of periods and the run as a strip."""

import math

import numpy as np

from looptime.array_types import Float
from looptime.views.text.terminal import number

__all__ = ["bars", "histogram_lines", "strip_lines"]

_BLOCKS = " ▁▂▃▄▅▆▇█"
_ASCII = " .:-=+*%#"


def bars(heights: Float, encoding: str | None = "utf-8") -> str:
    """Heights from 0 to 1 as one line of blocks, as plain letters where they cannot be shown.

    What is above 0 shows, however low.

    Examples
    --------
    >>> bars(np.array([0.0, 0.01, 0.5, 1.0])), bars(np.array([0.0, 0.01, 1.0]), "ascii")
    (' ▁▄█', ' .#')
    """
    letters = _BLOCKS
    try:
        _BLOCKS.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        letters = _ASCII
    steps = np.clip(np.floor(np.asarray(heights, float) * 8), 0, 8).astype(int)
    steps = np.where((np.asarray(heights) > 0) & (steps == 0), 1, steps)
    return "".join(letters[k] for k in steps)


def histogram_lines(
    values_ms: Float, encoding: str | None = "utf-8", width: int = 64
) -> tuple[str, str]:
    """Loops by their length, and the scale below: heights are square roots of counts.

    Parameters
    ----------
    values_ms : array, shape (n,) [ms]
        From the shortest up to the 99.9th percentile; longer ones stand in the last letter.
    encoding : str or None
        Of what it is printed to.
    width : int
        Letters.

    Examples
    --------
    >>> histogram_lines(np.array([1.0, 1.0, 1.0, 1.0, 5.0]), width=3)[0]
    '█ ▄'
    """
    x = np.asarray(values_ms, float)
    most = math.ceil(0.999 * (len(x) - 1))
    low, high = float(x.min()), float(np.partition(x, most)[most])
    if high <= low:
        return bars(np.ones(1), encoding), f"all {number(low)} ms"
    place = np.minimum(((x - low) / (high - low) * width).astype(int), width - 1)
    counts = np.bincount(place, minlength=width)
    left, right = f"{number(low)} ms", f"{number(high)} ms and more"
    scale = left + right.rjust(max(width - len(left), len(right) + 1))
    return bars(np.sqrt(counts / counts.max()), encoding), scale


def strip_lines(
    start_s: Float, values_ms: Float, encoding: str | None = "utf-8", width: int = 64
) -> tuple[str, str]:
    """The longest loop of each stretch of the run, from 0 to the longest of all.

    Parameters
    ----------
    start_s, values_ms : arrays, shape (n,) [s], [ms]
        Start and length of each loop, in order of time.
    encoding : str or None
        Of what it is printed to.
    width : int
        Letters.

    Examples
    --------
    >>> strip_lines(np.array([0.0, 1, 2]), np.array([4.0, 8.0, 4.0]), width=3)[0]
    '▄█▄'
    """
    start, x = np.asarray(start_s, float), np.asarray(values_ms, float)
    first, last = float(start[0]), float(start[-1])
    span = (last - first) or 1.0
    place = np.minimum(((start - first) / span * width).astype(int), width - 1)
    top = np.zeros(width)
    np.maximum.at(top, place, x)
    left, right = f"{number(first)} s", f"{number(last)} s"
    scale = left + right.rjust(max(width - len(left), len(right) + 1))
    return bars(top / float(top.max() or 1.0), encoding), scale
