"""Where a figure's level changed between two runs."""

import math

from looptime.array_types import Float
from looptime.stats.between_runs import compare_runs
from looptime.stats.changepoints import long_run_variance, partition
from looptime.stats.student import t_quantile

__all__ = ["SEGMENT", "cuts_of", "least_step_percent", "p_of_place"]

#: Runs of the shortest stretch between two changes.
SEGMENT = 3
_PENALTY = 3.0
#: How much more than what the test asks a change needs to be found among all places as well, by
#: simulation: 1.3 to 1.7 times in seasons of 7 to 20 runs.
_FOUND = 1.75


def cuts_of(y: Float, alpha: float) -> list[int]:
    """Edges of the stretches of equal level: 0, each change that holds, and the end.

    Changes are found by penalised least squares; one holds where its two stretches differ by
    Student's t at `alpha` over the number of places where a change could be.

    Parameters
    ----------
    y : float array, shape (n,)
        Logarithms of the figure, in the order of recording.
    alpha : float
        Chance of any false change in a figure that did not change.

    Examples
    --------
    >>> import numpy as np
    >>> y = np.array([0.0, 0.01, -0.01, 0.01, 0.0, 0.2, 0.21, 0.19, 0.2, 0.21])
    >>> cuts_of(y, 0.01)
    [0, 5, 10]
    """
    least = min(SEGMENT, len(y) // 2)
    price = _PENALTY * long_run_variance(y, least) * math.log(len(y))
    cuts = [0, *partition(y, price, least), len(y)]
    k = 1
    while k < len(cuts) - 1:
        if p_of_place(y, cuts, k) < alpha:
            k += 1
        else:
            del cuts[k]
            k = max(k - 1, 1)
    return cuts


def least_step_percent(y: Float, alpha: float) -> float | None:
    """A change of level to more that shows in at least four of five seasons, where it lasts.

    That is of the shortest stretch at one end, against all runs before or after it; None where
    there are too few runs for two such stretches.

    Parameters
    ----------
    y, alpha : float array, float
        As `cuts_of` takes them.

    Examples
    --------
    >>> import numpy as np
    >>> round(least_step_percent(np.tile([0.01, -0.01], 6), 0.05), 1)
    5.3
    """
    n = len(y)
    if n < 2 * SEGMENT:
        return None
    level = alpha / max(n - 2 * SEGMENT + 1, 1)
    factor = t_quantile(1 - level / 2, n - 2) + t_quantile(0.8, n - 2)
    sd = float(y.std(ddof=1))
    return 100 * math.expm1(_FOUND * factor * sd * math.sqrt(1 / SEGMENT + 1 / (n - SEGMENT)))


def p_of_place(y: Float, cuts: list[int], k: int) -> float:
    """Two-sided p-value of the k-th change, times the places where a change could be."""
    a, b = y[cuts[k - 1] : cuts[k]], y[cuts[k] : cuts[k + 1]]
    return min(1.0, compare_runs(a, b).p * max(len(y) - 2 * SEGMENT + 1, 1))
