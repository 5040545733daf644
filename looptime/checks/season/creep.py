"""Whether a figure crept over the runs or stepped between two of them."""

from __future__ import annotations

import math

import numpy as np

from looptime.array_types import Float
from looptime.checks.season.trends import Trend, Trends

__all__ = ["creeps"]

_TINY = 1e-12


def creeps(at: Trends, trend: Trend) -> bool:
    """Whether a straight line tells a figure's values better than the steps found in it.

    Both are fitted to the logarithms by least squares, odd runs left out, and compared by the
    Bayesian information criterion ``n ln(RSS / n) + k ln n`` (Schwarz 1978): a line has
    2 parameters, each step a level and a place.

    Parameters
    ----------
    at : Trends
        The runs of one robot.
    trend : Trend
        One of its figures.

    Returns
    -------
    bool
        False where no slope is given, or the values are not all above zero.
    """
    odd = {run.entry for run in at.odd if trend.title in run.figures}
    kept = np.array([k for k, e in enumerate(at.entries) if e.name not in odd])
    values = np.array(trend.values)[kept]
    if trend.per_run_percent.value is None or not (values > 0).all():
        return False
    y = np.log(values)
    line = y - np.polyval(np.polyfit(kept, y, 1), kept)
    starts = {step.after_entry for step in trend.steps}
    stretch = np.cumsum([at.entries[k].name in starts for k in kept])
    levels = y - (np.bincount(stretch, y) / np.bincount(stretch))[stretch]

    def criterion(left: Float, parameters: int) -> float:
        n = len(left)
        return n * math.log(max(float(left @ left), _TINY) / n) + parameters * math.log(n)

    return criterion(line, 2) < criterion(levels, 1 + 2 * len(starts))
