"""The whole question at once: from a run's timing to its controllers and steered wheels."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.estimate import Figure
from looptime.controllers import Controller, Target, Wheel
from looptime.controlling.at_limit import at_limit
from looptime.controlling.control_result import (
    CAUTIONS,
    Controlled,
    ControlResult,
    Model,
)
from looptime.controlling.effective import derivative_noise, effective_gains
from looptime.controlling.enough import judged_of, required, states_of, stops_helping
from looptime.controlling.fit import Fit, fit_plant
from looptime.controlling.fit_signals import FitSignals, fit_signals
from looptime.controlling.law import law_of, plant_of
from looptime.controlling.logged_controllers import Logged, at_its_pace, logged_controllers
from looptime.controlling.margins import margins
from looptime.controlling.moves import (
    SHAPE_LOOPS,
    Move,
    RateCurve,
    delayed,
    even_loop,
    horizon_of,
)
from looptime.controlling.oscillation import noise_of
from looptime.controlling.outcome import Case, Outcome, outcomes
from looptime.controlling.own_pace import in_its_loops, own_pace
from looptime.controlling.stability import stability
from looptime.controlling.standing import standing
from looptime.controlling.swings import Swings
from looptime.controlling.target import Path, path_of
from looptime.controlling.value_instants import instants_of, on_change
from looptime.controlling.wheels import Steering, steering
from looptime.errors import LooptimeError, NotEnoughError, UsageError
from looptime.heading.age_distribution import age_parts
from looptime.heading.pattern import Sampling, sample_stretches
from looptime.project import Project
from looptime.run import Run
from looptime.signal_names import kind_by_unit
from looptime.words import listed, number

__all__ = ["control"]

#: Tolerance where none is stated, as a share of the way or of the speed.
USUAL_TOLERANCE = 0.02
#: Share of the variance that a fit leaves of what swings by itself, and so many times its noise,
#: above which it is not used: no plain speed and no position swings so; and what is said instead.
LEFT_OF_SPRINGS, MOST_OF_NOISE = 0.01, 2.0
SPRINGS = {
    "mechanism": "it swings by itself while the output rests, as on a spring: no speed and no "
    "position with one time constant does, so none is fitted; damp it, or try its gains (wheels "
    "off the floor)",
    "loop": "the loop swings, and one time constant leaves more of it than noise: it may be on a "
    "spring or have play, so none is fitted; log it with an output that rests for seconds "
    "between steps, which tells",
}
#: Most controllers that a refusal names.
MOST_NAMED = 6


def control(
    run: Run,
    *,
    project: Project | None = None,
    controllers: Sequence[Controller] | None = None,
    wheels: Sequence[Wheel] | None = None,
    fit: tuple[str, ...] | None = None,
    curve: bool = True,
    seed: int = 0,
    origin_ns: int | None = None,
) -> ControlResult:
    """What a run's timing does to its controllers and steered wheels.

    Parameters
    ----------
    run : Run
        Recorded, or predicted by a plan.
    project : Project, optional
        ``[[controller]]``, ``[[wheel]]``, ``[steering]`` and ``[robot]``.
    controllers : sequence of Controller, optional
        Instead of the project's.
    wheels : sequence of Wheel, optional
        Instead of the project's.
    fit : (str, str), optional
        Signals with the output and the measured value of the one controller.
    curve : bool
        Whether to work out other loop rates too.
    seed : int
        Of the random phases.
    origin_ns : int, optional [ns]
        Start of the whole recording, if `run` is a part of it.

    Raises
    ------
    UsageError
        If nothing is stated, no stated call is in the log, or a fit has not one controller.
    NotEnoughError
        If the log holds too little.

    Examples
    --------
    Even loops of 20 ms, read at their start and used there: proportional control of ``x' = K u``
    is stable below ``K kp T = 2``.

    >>> from looptime.run import LoopColumns, Run
    >>> start = np.arange(1000) * 20_000_000
    >>> run = Run(LoopColumns(np.arange(1000), start, np.full(1000, 20_000_000)))
    >>> lift = Controller("lift", kp=4.0, plant="position", full_speed=10.0)
    >>> found = control(run, controllers=[lift]).controllers[0].model
    >>> round(found.stability.slowest_stable_ms, 9), round(found.margins.gain_margin, 9)
    (50.0, 2.5)
    """
    project = project or Project()
    chosen = tuple(project.controllers if controllers is None else controllers)
    if fit is not None and not chosen:
        chosen = (Controller(),)
    stated_wheels = tuple(project.wheels if wheels is None else wheels)
    if not chosen and not stated_wheels:
        raise UsageError(
            "no controller is stated: add [[controller]] to looptime.toml, or give --read-call, "
            "--write-call, --form and the gains; --fit OUTPUT,MEASURED alone fits a mechanism"
            + _in_the_log(run)
        )
    if fit is not None and len(chosen) != 1:
        raise UsageError("--fit is for one controller: give its options, or state one only")
    found = _all_controlled(run, chosen, fit, curve, seed, origin_ns)
    if chosen and all(one.error for one in found) and not stated_wheels:
        raise UsageError(_none_fits(found, controllers is None))
    wheel_set, notes = _steering(run, stated_wheels, project, chosen)
    if wheel_set is None and all(one.error for one in found):
        raise UsageError(_none_fits(found, controllers is None) if found else notes[0])
    modelled = any(one.model.stability or one.fit for one in found)
    return ControlResult(
        found, wheel_set, len(run) / run.duration_s, run.duration_s, len(run),
        notes=(*notes, *_cut_at_full_scale(found)),
        cautions=CAUTIONS if modelled or wheel_set else (), supposed=run.clock.supposed,
    )  # fmt: skip


def _cut_at_full_scale(found: Sequence[Controlled]) -> list[str]:
    """Which moves rest on an output that is cut at full scale though nobody states a limit."""
    names = [one.stated.name for one in found if one.model.cut and one.stated.output_limit is None]
    return [
        f"{listed(names)}: the move reaches full scale, 1, at which the output is taken to be cut, "
        "since no output_limit is stated: with another limit it overshoots and settles otherwise "
        "(output_limit in [[controller]], or --output-limit)"
    ] if names else []  # fmt: skip


def _none_fits(found: Sequence[Controlled], of_project: bool) -> str:
    """Why none of the controllers can be looked at, and what to do where a project states them."""
    said = found[0].error or ""
    if not of_project:
        return said
    left = len(found) - 1
    others = f", nor do the {left} others fit this log" if left > 1 else ""
    others = ", nor does the other fit this log" if left == 1 else others
    return (
        f"{said}{others}: name the log's own calls under [[controller]] in looptime.toml, or with "
        "--read-call and --write-call"
    )


def _in_the_log(run: Run) -> str:
    """The controllers that the log's signals speak of, and how to look at each."""
    found = logged_controllers(run)[:MOST_NAMED]
    shown = [
        f"{one.name}{'' if one.every_ms is None else f' every {one.every_ms:.3g} ms'} "
        f"(--fit {one.output},{one.measured}{_swings(run, one)})"
        for one in found
    ]
    return f"; the log holds the values of {', '.join(shown)}" if shown else ""


def _swings(run: Run, one: Logged) -> str:
    told, _ = Swings(fit_signals(run, (one.output, one.measured))).told(None)
    if told is None or told.of != "loop":
        return ""
    return f": it swings at {number(told.frequency_hz.value)} Hz by {number(told.amplitude)}"


def _steering(
    run: Run, wheels: tuple[Wheel, ...], project: Project, chosen: tuple[Controller, ...]
) -> tuple[Steering | None, tuple[str, ...]]:
    if not wheels:
        return None, ()
    writes = {w.write_call for w in wheels}
    mine = [c for c in chosen if c.write_call in writes and c.write_call is not None]
    on_device = bool(mine) and all(c.runs_on == "device" for c in mine)
    try:
        return steering(
            run, wheels, project.max_steering_deg_s, project.max_speed_m_s, on_device
        ), ()  # fmt: skip
    except LooptimeError as error:
        return None, (f"steered wheels: {error}",)


def _all_controlled(
    run: Run,
    chosen: tuple[Controller, ...],
    fit: tuple[str, ...] | None,
    curve: bool,
    seed: int,
    origin_ns: int | None,
) -> tuple[Controlled, ...]:
    """Each of them; their moves are played together."""
    paths: dict[Target, Path] = {}
    found = [_controlled(run, one, fit, paths, curve, seed, origin_ns) for one in chosen]
    went = iter(outcomes([case for _, case in found if case is not None]))
    return tuple(one if case is None else _moved(one, case, next(went)) for one, case in found)


def _controlled(
    run: Run, stated: Controller, fit: tuple[str, ...] | None, paths: dict[Target, Path],
    curve: bool, seed: int, origin_ns: int | None,
) -> tuple[Controlled, Case | None]:  # fmt: skip
    asked = None if fit is None else fit_signals(run, fit, stated.wraps, stated.plant)
    whole = run = run if asked is None else asked.run
    if fit is not None and not (stated.read_call or stated.write_call):
        run = at_its_pace(run, fit[1])
    try:
        value = None if fit is None else fit[1]
        calls = stated.read_call, stated.write_call
        base = instants_of(run, *calls, value=value, basis=prepare(run))
        turns = None if fit is None or run is not whole else own_pace(whole, fit[0])
        base = in_its_loops(base, whole, turns)
    except LooptimeError as error:
        return Controlled(stated, error=f"{stated.name}: {error}"), None
    if on_change(run, base):
        return Controlled(stated, error=_written_on_change(stated, len(base), len(run))), None
    fitted = swings = None
    if asked is not None:
        swings = Swings(asked)
        stated, fitted = _fitted(asked, swings, stated, base, origin_ns)
    delay = stated.sensor_delay_ms / 1e3
    at = delayed(base, delay)
    age = age_parts(at)
    steps = np.diff(at.read_s)
    mean = age.mean_ms
    model, case, notes = Model(), None, list(base.notes)
    if run is not whole:
        apart = 1e3 * whole.duration_s / len(whole)
        notes.append(
            f"its values come in {len(run) + 1:,} of {len(whole):,} loops, which are taken "
            f"for its own: each is told to within the {apart:.3g} ms from loop to loop"
        )
    if stated.has_model:
        try:
            model, case = _case(stated, base, at, paths, curve, seed)
        except NotEnoughError as error:
            notes.append(str(error))
    else:
        notes.extend(_no_model(stated, fitted))
    cut = None if asked is None else at_limit(whole, *asked.names, sums=bool(stated.ki))
    swing, no_swing = (None, None) if swings is None else swings.told(fitted)
    notes.extend([] if no_swing is None else [no_swing])
    return Controlled(
        stated, effective_gains(stated, steps), mean, age.latency_ms, mean.scaled(0.36),
        derivative_noise(law_of(stated), stated.resolution, float(np.median(steps))),
        model, fitted, len(at), tuple(notes), cut=cut,
        oscillation=swing, own_pace=turns,
    ), case  # fmt: skip


def _written_on_change(stated: Controller, writes: int, loops: int) -> str:
    return (
        f"{stated.name}: can't tell: its output is written in {writes} of {loops} loops, as where "
        "only changes are written; what it would do in the others is not in the log. Record a run "
        "in which every loop writes it, or name as write_call the call that works it out"
    )


def _no_model(stated: Controller, fitted: Fit | None) -> list[str]:
    if stated.runs_on == "device":
        return [
            "runs on the motor's own controller: the pace changes the age of its set-point only"
        ]
    if fitted is not None:
        return []
    return ["no mechanism is stated (plant, full_speed): stability and responses can't be told"]


def _fitted(
    asked: FitSignals,
    swings: Swings,
    stated: Controller,
    base: Sampling,
    origin_ns: int | None,
) -> tuple[Controller, Fit]:
    """With the fitted mechanism, and with a dead time counted as the sensor's.

    Where a row has one stamp for both signals the dead time has the way from reading to use in it;
    where the value has a stamp of its own, the output's way from the loop's start to its use.
    """
    delay = stated.sensor_delay_ms / 1e3
    run, (output, measured, *_) = asked.run, asked.names
    swing, plant = swings.rested, stated.plant
    if (stands := standing(run, output, measured, origin_ns)) is not None:
        kind = plant or kind_by_unit(measured) or "speed"
        told = _not_told(fit_plant(run, output, measured, kind, delay), stands)
        return stated, replace(told, wraps=asked.wraps)
    try:
        found = fit_plant(run, output, measured, plant, delay)
    except UsageError as error:
        swung = swing is not None or swings.told(None)[0] is not None
        if not swung or plant is not None:
            raise UsageError(f"{error}{asked.text and f'; {asked.text}'}") from error
        found = _not_told(fit_plant(run, output, measured, "speed", delay), str(error))
    if asked.text and (asked.wraps or not found.used):
        both = (asked.text, found.text) if asked.wraps else (found.text, asked.text)
        found = replace(found, text="; ".join(both))
    found = replace(found, wraps=asked.wraps)
    most = 0.0 if swing is None else MOST_OF_NOISE * noise_of(run, measured)
    if swing is not None and found.left > LEFT_OF_SPRINGS and found.left_rms > most:
        return stated, _not_told(found, SPRINGS[swing.of])
    if not found.used or not (stated.kp or stated.ki):
        return stated, found
    dead = 0.0 if found.dead_time_ms is None else found.dead_time_ms.value or 0.0
    before = base.read_s if found.one_stamp else base.start_s if found.own_stamp else base.use_s
    dead = max(dead - 1e3 * float((base.use_s - before).mean()), 0.0)
    return replace(
        stated, plant=found.plant, full_speed=found.full_speed.value,
        time_constant_ms=found.time_constant_ms.value or 0.0,
        sensor_delay_ms=stated.sensor_delay_ms + dead,
    ), found  # fmt: skip


def _not_told(found: Fit, why: str) -> Fit:
    return replace(
        found, full_speed=Figure(), time_constant_ms=Figure(), dead_time_ms=None, used=False,
        text=why,
    )  # fmt: skip


def _case(
    stated: Controller, base: Sampling, at: Sampling, paths: dict[Target, Path], curve: bool,
    seed: int,
) -> tuple[Model, Case | None]:  # fmt: skip
    """What is told without a move, and the move where a target is stated."""
    law, plant = law_of(stated), plant_of(stated)
    loop = even_loop(at)
    made = Model(stability(law, plant, at, loop), margins(law, plant, loop), work=base.work)
    if stated.target is None:
        return made, None
    path = paths.setdefault(stated.target, path_of(stated.target))
    move = Move(
        law, plant, path, stated.sensor_delay_ms / 1e3,
        stated.tolerance or _usual_tolerance(stated),
        horizon_of(law, plant, path, loop), seed,
    )  # fmt: skip
    if move.horizon_s >= at.duration_s:
        raise NotEnoughError(
            f"the log lasts {at.duration_s:.3g} s, a move {move.horizon_s:.3g} s: no response"
        )
    rates = RateCurve(move, sample_stretches(base, SHAPE_LOOPS), loop) if curve else None
    return made, Case(move, at, loop, rates)


def _moved(found: Controlled, case: Case, went: Outcome) -> Controlled:
    """With how its moves went."""
    made = replace(
        found.model, recorded=went.recorded, even=went.even, stall=went.stall, trace=went.trace,
        cut=went.cut,
    )  # fmt: skip
    if case.curve is not None:
        assert made.stability is not None
        judged, states = judged_of(case.move.path), states_of(made.stability, case.move.path, went)
        made = replace(
            made, curve=went.curve, stops_helping_hz=stops_helping(went.curve, judged),
            required=required(found.stated, judged, case, went, states),
        )  # fmt: skip
    return replace(found, model=made)


def _usual_tolerance(stated: Controller) -> float:
    assert stated.target is not None
    return USUAL_TOLERANCE * abs(stated.target.numbers[0])
