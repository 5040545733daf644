"""What a team's project file says about its heading, as the study takes it."""

from __future__ import annotations

from looptime.heading.instants import Labels
from looptime.heading.sensor import Sensor
from looptime.heading.setup import Setup, Tolerance
from looptime.project import Project

__all__ = ["default_motion", "setup_from_project", "tolerance_from_project"]

#: Turn rate where the team states none [deg/s].
USUAL_TURN_RATE = 180.0
#: Time in which a robot is taken to reach its turn rate [s].
RAMP_S = 0.25


def default_motion(project: Project | None = None) -> str:
    """Half a turn from rest to rest at the robot's own turn rate, reached in a quarter second.

    Parameters
    ----------
    project : Project, optional
        Its ``[robot] max_turn_rate_deg_s`` is used; else 180 deg/s.

    Returns
    -------
    str
        As `looptime.heading.parse_motion` reads it.

    Examples
    --------
    >>> default_motion()
    'turn:180,180,720'
    """
    rate = (project.max_turn_rate_deg_s if project else None) or USUAL_TURN_RATE
    return f"turn:180,{rate:g},{rate / RAMP_S:g}"


def setup_from_project(project: Project) -> Setup:
    """Labels, sensor delay and speed as the project file has them.

    Parameters
    ----------
    project : Project
        ``[heading]`` and ``[robot]``.

    Returns
    -------
    Setup
    """
    stated = project.heading
    return Setup(
        labels=Labels(
            stated.read_call, stated.pickup_call, stated.use_call, stated.read_instant or "start"
        ),
        sensor=Sensor(delay_ms=stated.sensor_delay_ms),
        speed_m_s=project.max_speed_m_s or 1.0,
    )


def tolerance_from_project(project: Project) -> Tolerance:
    """Tolerances as the project file has them.

    Parameters
    ----------
    project : Project
        ``[heading]``.

    Returns
    -------
    Tolerance
    """
    return Tolerance(project.heading.tolerance_deg, project.heading.tolerance_mm)
