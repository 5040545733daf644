"""How much runs of the same code differ from one another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from looptime.checks.recording.figures import RunValues

if TYPE_CHECKING:
    from looptime.run import Run

__all__ = ["LEAST_BASELINE", "run_scatter", "season_scatter"]

#: Baseline runs below which no regression is judged.
LEAST_BASELINE = 5


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


def season_scatter(
    past: Sequence[RunValues], run: Run, robot: str | None
) -> tuple[float | None, str]:
    """`run_scatter` of the past runs of a run's robot, and where it is from.

    Parameters
    ----------
    past : sequence of RunValues
        Runs of a season.
    run : Run
        The run that is looked at.
    robot : str or None
        Name of the robot in the project file; else the run's own.

    Returns
    -------
    sd : float or None
        None where there are too few runs to say.
    source : str
        ``season`` or ``assumed``.
    """
    robot = robot or run.meta.get("robot")
    found = run_scatter([r for r in past if robot is None or r.facts.robot in (robot, None)])
    return (None, "assumed") if found is None else (found, "season")
