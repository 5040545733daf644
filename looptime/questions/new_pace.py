"""What a new pace does to the project's controllers and steered wheels."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from looptime.controlling.gain_shift import gain_shift
from looptime.controlling.wheels import Steering, steering
from looptime.errors import LooptimeError
from looptime.project import Project
from looptime.run import Run

if TYPE_CHECKING:
    from looptime.checks.compare.comparison import Comparison
    from looptime.planner.answer.predict import Prediction

__all__ = ["compared_controllers", "planned_controllers"]


def planned_controllers(project: Project, run: Run, told: Prediction) -> Prediction:
    """A prediction with what it does to controllers, and to the wheels as a set.

    Parameters
    ----------
    project : Project
        ``[[controller]]``, ``[[wheel]]`` and ``[steering]``.
    run : Run
        What was planned for.
    told : Prediction
        From `looptime.planner.predict`.
    """
    means = (told.baseline.period_ms["mean"].value, told.predicted.period_ms["mean"].value)
    wheels = None
    if project.wheels:
        wheels = {"before": _steered(project, run), "after": _steered(project, told.run)}
    return replace(told, gain_shift=gain_shift(project.controllers, *means), steering=wheels)


def _steered(project: Project, run: Run) -> Steering | None:
    """The wheels over a run; None where it lacks their calls."""
    try:
        return steering(run, project.wheels, project.max_steering_deg_s, project.max_speed_m_s)
    except LooptimeError:
        return None


def compared_controllers(project: Project, found: Comparison) -> Comparison:
    """A comparison with what the change of the pace between its sides does to controllers."""
    loops = [sum(f.loops for f in side) for side in (found.before, found.after)]
    length = [sum(f.duration_s for f in side) for side in (found.before, found.after)]
    means = [1e3 * s / n if n else None for s, n in zip(length, loops, strict=True)]
    return replace(found, gain_shift=gain_shift(project.controllers, means[0], means[1]))
