"""What the loop's pace means for the robot's motion."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from looptime.controllers import Controller, stated
from looptime.errors import NotEnoughError, UsageError
from looptime.heading import (
    HeadingResult,
    Labels,
    Sensor,
    Setup,
    Tolerance,
    parse_lead,
    parse_motion,
    parse_step,
    study,
)
from looptime.heading.logged_turning import QUANTITIES, coarse_rate_deg, coarse_steps_deg
from looptime.heading.result import AsLogged
from looptime.heading.stalls import stalls_of
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.summing import begin_ns
from looptime.questions.timing import settled, unsettled
from looptime.run import Run

if TYPE_CHECKING:  # loaded where it is asked: the heading needs none of it
    from looptime.controlling import ControlResult

__all__ = ["control", "default_motion", "heading", "setup_of", "tolerance_of"]

#: Turn rate where the team states none [deg/s].
USUAL_TURN_RATE = 180.0
#: Time in which a robot is taken to reach its turn rate [s].
RAMP_S = 0.25
_CALLS = ("read_call", "pickup_call", "use_call")


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


def setup_of(project: Project, run: Run | None = None, **given: Any) -> Setup:
    """How the robot's code goes about its heading.

    Parameters
    ----------
    project : Project
        ``[heading]`` and ``[robot]``.
    run : Run, optional
        Calls that the project file names and this run does not have are left to be guessed.
    **given
        Fields of `Setup`, of its `Labels` and, as `delay_ms` and so on, of its `Sensor`, that
        stand in for the project's; None leaves the project's. `step` and `lead` may be words, as
        `looptime.heading.parse_step` and `parse_lead` read them.
    """
    stated = project.heading
    gone = dict.fromkeys(() if run is None else _not_there(project, run))
    calls = {**{key: getattr(stated, key) for key in _CALLS}, **gone}
    made = Setup(
        labels=Labels(**calls, read_instant=stated.read_instant or "start"),
        sensor=Sensor(delay_ms=stated.sensor_delay_ms),
        speed_m_s=project.max_speed_m_s or 1.0,
    )
    spelt = {"step": parse_step, "lead": parse_lead}
    given = {
        key: spelt[key](value) if key in spelt and isinstance(value, str) else value
        for key, value in given.items()
        if value is not None
    }
    return replace(
        made,
        labels=replace(made.labels, **_fields_of(Labels, given)),
        sensor=replace(made.sensor, **_fields_of(Sensor, given)),
        **_fields_of(Setup, given),
    )


def _not_there(project: Project, run: Run) -> dict[str, str]:
    """Calls that ``[heading]`` names and a run does not have, by key."""
    there = {call.name for call in run.names}
    named = {key: getattr(project.heading, key) for key in _CALLS}
    return {key: name for key, name in named.items() if name is not None and name not in there}


def _fields_of(kind: Any, given: Mapping[str, Any]) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    return {key: value for key, value in given.items() if key in names}


def tolerance_of(
    project: Project, deg: float | None = None, mm: float | None = None, judged: str = "p95"
) -> Tolerance:
    """What error is tolerable: what is given replaces what ``[heading]`` states."""
    if deg is None and mm is None:
        deg, mm = project.heading.tolerance_deg, project.heading.tolerance_mm
    return Tolerance(deg, mm, judged)


def heading(
    asked: Asked,
    run: Run,
    motion: str | None = None,
    *,
    given: Mapping[str, Any] | None = None,
    tolerance: Tolerance | None = None,
    pattern: str = "as recorded",
    rate_hz: float | None = None,
    curve: bool = True,
) -> HeadingResult:
    """What the loop's pace costs in degrees and millimetres.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    run : Run
        A whole run.
    motion : str, optional
        How the robot moves, as `looptime.heading.parse_motion` reads it, or ``recorded``; else as
        `default_motion` says.
    given : dict, optional
        How the robot's code goes about its heading, as for `setup_of`.
    tolerance : Tolerance, optional
        Else the project's.
    pattern, rate_hz, curve
        As for `looptime.heading.study`.

    Raises
    ------
    UsageError
        If there is no such part, or the motion, a call, a rate or a tolerance cannot be.
    NotEnoughError
        If the log is too short for the motion, or lacks the signal that ``recorded`` needs.
    """
    assumed = motion is None
    motion = motion or default_motion(asked.project)
    asked.modelled(run)
    chosen, warmup_loops = settled(asked, run)
    setup = setup_of(asked.project, run, **(given or {}))
    found = study(
        chosen,
        motion=motion if motion == "recorded" else parse_motion(motion),
        setup=setup,
        pattern=pattern,
        rate_hz=rate_hz,
        tolerance=tolerance or tolerance_of(asked.project),
        curve=curve,
    )
    logged, why_not = _as_logged(chosen, setup) if assumed else (None, ())
    notes = [
        f"the project file's {key} = {name!r} is no call of this log: it is guessed"
        for key, name in _not_there(asked.project, run).items()
        if (given or {}).get(key) is None
    ]
    return replace(
        found,
        notes=(*found.notes, *unsettled(asked, run, chosen), *notes, *why_not, *_set_aside(run)),
        stalls=stalls_of(chosen),
        motion_assumed=assumed,
        logged=logged,
        loops_in_run=found.loops_in_run + warmup_loops,
        warmup_loops=warmup_loops,
    )


def _as_logged(run: Run, setup: Setup) -> tuple[AsLogged | None, tuple[str, ...]]:
    """What the pace costs in the motion that a run holds, if it does; or a note of why not."""
    if run.signals is None or not QUANTITIES.keys() & run.signals.values.keys():
        return None, ()
    try:
        found = study(run, motion="recorded", setup=setup, curve=False)
    except (UsageError, NotEnoughError) as error:
        return None, (str(error),)
    coarse = coarse_steps_deg(run, math.degrees(found.stale.max))
    limits = found.motion_limits
    if coarse:
        limits += (f"the heading is logged in steps of {coarse:.3g} deg, which tell no maximum",)
    step = coarse_rate_deg(run, math.degrees(found.peak_rate))
    if step and not coarse:
        limits += (
            f"the heading is logged in steps of {step:.3g} deg, which tell no greatest rate",
        )
    return AsLogged(found.stale, limits, found.peak_rate, coarse, step, found.supposed), ()


def _set_aside(run: Run) -> tuple[str, ...]:
    """What is said of rows that could not be used, but for those at the log's ends."""
    ends = ("before first loop", "unfinished last loop")
    lost = {why: n for why, n in run.set_aside.counts.items() if n and why not in ends}
    if not lost:
        return ()
    shown = ", ".join(f"{n:,} {why}" for why, n in lost.items())
    return (f"rows of the log set aside: {shown}; where one of them held a read or a use, the one "
            "before counts on",)  # fmt: skip


def control(
    asked: Asked,
    run: Run,
    given: Mapping[str, Any] | None = None,
    *,
    fit: str | None = None,
    changes: Sequence[str] = (),
    curve: bool = True,
) -> ControlResult:
    """What the loop's pace does to its controllers and steered wheels.

    Parameters
    ----------
    asked : Asked
        With what the question is asked; controllers and wheels are the project's.
    run : Run
        A whole run.
    given : dict, optional
        Keys of one controller to look at instead; of the project's, where its name is that of one.
    fit : str, optional
        ``OUTPUT,MEASURED``: signals that the mechanism is fitted to; the target's may follow.
    changes : sequence of str
        Remedies, as for a plan: the predicted run takes the place of the recorded one.
    curve : bool
        Whether to work out other loop rates too.

    Raises
    ------
    UsageError
        If there is no such part, or a change or a controller cannot be as it is given.
    NotEnoughError
        If the log is too short.
    """
    from looptime.controlling import control as studied
    from looptime.controlling.fit import parse_fit

    asked.modelled(run)
    chosen = _controllers(asked.project, dict(given)) if given else None
    if changes:
        from looptime.questions.planning import plan

        told = plan(asked, run, changes)
        left, warmup_loops = told.run, told.warmup_loops
    else:
        left, warmup_loops = settled(asked, run)
    found = studied(
        left, project=asked.project, controllers=chosen, wheels=None if chosen is None else (),
        fit=None if fit is None else parse_fit(fit), curve=curve, origin_ns=begin_ns(run),
    )  # fmt: skip
    said = (f"predicted, with {'; '.join(changes)}",) if changes else unsettled(asked, run, left)
    said = (*said, *_of_another(asked.project, given))
    return replace(found, warmup_loops=warmup_loops, notes=(*said, *found.notes))


def _of_another(project: Project, given: Mapping[str, Any] | None) -> tuple[str, ...]:
    """How to change the only controller of the project, where one without a name is given."""
    if not given or "name" in given or len(project.controllers) != 1:
        return ()
    name = project.controllers[0].name
    return (f"the project states {name}, which is not looked at here: --name {name} changes it",)


def _controllers(project: Project, given: dict[str, Any]) -> tuple[Controller, ...]:
    """The one controller that is given."""
    base = {one.name: one for one in project.controllers}.get(given.get("name", ""))
    try:
        return (stated(Controller, given) if base is None else _changed(base, given),)
    except UsageError as error:
        raise UsageError(f"the controller given by options: {error}") from error


def _changed(base: Controller, over: dict[str, Any]) -> Controller:
    """A controller with some keys stated anew."""
    before = {f.name: getattr(base, f.name) for f in fields(base) if f.name not in over}
    target = before.pop("target", None)
    before = {key: value for key, value in before.items() if value not in (None, "")}
    whole = {**before, **over} if target is None else {"target": target.text, **before, **over}
    made: Controller = stated(Controller, whole)
    return made
