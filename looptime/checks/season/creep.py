"""Whether a figure crept over the runs or stepped between two of them."""

import math
from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float, Int

__all__ = ["creeps"]

_TINY = 1e-12


def creeps(place: Int, y: Float, cuts: Sequence[int]) -> bool:
    """Whether a straight line tells a figure's values better than the steps found in it.

    Both are fitted by least squares and compared by the Bayesian information criterion
    ``n ln(RSS / n) + k ln n`` (Schwarz 1978): a line has 2 parameters, each step a level and a
    place.

    Parameters
    ----------
    place : int array, shape (n,)
        Places of the runs in the order of recording, without odd runs.
    y : float array, shape (n,)
        Logarithms of the figure.
    cuts : sequence of int
        Edges of the stretches of equal level: 0, each step, and n.

    Examples
    --------
    >>> place = np.arange(12)
    >>> creeps(place, 0.01 * place, [0, 6, 12]), creeps(place, 0.1 * (place > 5), [0, 6, 12])
    (True, False)
    """
    line = y - np.polyval(np.polyfit(place, y, 1), place)
    stretch = np.repeat(np.arange(len(cuts) - 1), np.diff(cuts))
    levels = y - (np.bincount(stretch, y) / np.bincount(stretch))[stretch]

    def criterion(left: Float, parameters: int) -> float:
        n = len(left)
        return n * math.log(max(float(left @ left), _TINY) / n) + parameters * math.log(n)

    return criterion(line, 2) < criterion(levels, 1 + 2 * (len(cuts) - 2))
