"""How much runs of the same code differ from one another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from looptime.checks.regression import LEAST_BASELINE
from looptime.checks.values import RunValues

__all__ = ["run_scatter"]


def run_scatter(runs: Sequence[RunValues]) -> float | None:
    """Relative run-to-run standard deviation of the mean of the quantity judged.

    ``s = sd(ln mean)`` over the runs. What the finite length of each run adds to it is left in:
    few runs cannot tell the two apart, and too wide is the safer side.

    Parameters
    ----------
    runs : sequence of RunValues
        At least `LEAST_BASELINE` runs of one robot.

    Returns
    -------
    float or None
        None where there are too few runs to say.
    """
    means = [v.value for run in runs if (v := run.get("mean")) is not None and v.value > 0]
    return float(np.std(np.log(means), ddof=1)) if len(means) >= LEAST_BASELINE else None
