"""The commands that model what was not recorded: plan and heading."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import JSON, Reading, cli, reads_logs, say_project, show
from looptime.errors import UsageError

if TYPE_CHECKING:
    from looptime.heading import Setup, Tolerance
    from looptime.run import Run

__all__ = ["heading", "plan"]


@cli.command()
@click.argument("log")
@click.option("--motion", metavar="MOTION", help="How the robot moves; see above.")
@click.option(
    "--pattern",
    default="as recorded",
    show_default=True,
    metavar="PATTERN",
    help="Which loops: as recorded; or, with --rate-hz: even, log shape (keeps the log's stalls), "
    "scaled.",
)
@click.option("--rate-hz", type=float, metavar="HZ", help="Loop rate of such a pattern.")
@click.option("--read-call", metavar="NAME", help="Call that reads the heading.")
@click.option("--pickup-call", metavar="NAME", help="Call that picks up a thread's reading.")
@click.option("--use-call", metavar="NAME", help="Call that puts the heading to use.")
@click.option(
    "--read-instant",
    type=click.Choice(["start", "end"]),
    help="When within the read the heading is taken.",
)
@click.option(
    "--integration",
    default="hold-first",
    show_default=True,
    metavar="RULE",
    help="How code integrates a turn rate: hold-first, hold-last, trapezoid.",
)
@click.option(
    "--step",
    default="measured",
    show_default=True,
    metavar="STEP",
    help="Time step it integrates with: measured, loop or fixed:MS.",
)
@click.option(
    "--path-heading",
    default="start",
    show_default=True,
    metavar="WHICH",
    help="Heading of a step in dead reckoning: start, mid or arc.",
)
@click.option(
    "--lead",
    default="none",
    show_default=True,
    metavar="LEAD",
    help="By how much code looks ahead: none, fixed:MS or measured.",
)
@click.option("--sensor-delay-ms", type=float, metavar="MS", help="Delay within the sensor.")
@click.option(
    "--update-ms",
    type=float,
    default=0.0,
    metavar="MS",
    help="How often the sensor has a new value.",
)
@click.option(
    "--resolution-deg", type=float, default=0.0, metavar="DEG", help="Smallest step of the sensor."
)
@click.option(
    "--noise-deg-s",
    type=float,
    default=0.0,
    metavar="DEG_S",
    help="Noise of a turn-rate reading (sd).",
)
@click.option(
    "--density",
    type=float,
    default=0.0,
    metavar="DEG_RT_S",
    help="Noise density of the turn rate, deg/s over the root of Hz.",
)
@click.option(
    "--bias-deg-s", type=float, default=0.0, metavar="DEG_S", help="Constant bias of the turn rate."
)
@click.option("--speed-m-s", type=float, metavar="M_S", help="Speed over the floor.")
@click.option(
    "--crossover-hz",
    type=float,
    default=2.0,
    show_default=True,
    metavar="HZ",
    help="Crossover of the heading controller.",
)
@click.option("--tolerance-deg", type=float, metavar="DEG", help="Stale heading that will do.")
@click.option(
    "--tolerance-mm", type=float, metavar="MM", help="Drift for each metre driven that will do."
)
@click.option(
    "--judged",
    default="p95",
    show_default=True,
    metavar="FIGURE",
    help="Figure held against --tolerance-deg: mean, rms, p95 or max.",
)
@click.option(
    "--seed", type=int, default=0, show_default=True, metavar="N", help="Of the random numbers."
)
@JSON
@reads_logs
def heading(reading: Reading, log: str, as_json: bool, **given: Any) -> None:
    """What the loop's pace costs in degrees and millimetres.

    MOTION is steady:DEG_PER_S, turn:DEG,DEG_PER_S,DEG_PER_S2, weave:DEG,HZ, recorded (from the
    heading or the turn rate in the log), or a CSV file with a turn rate over time. Without it,
    half a turn at the robot's greatest turn rate ([robot] in looptime.toml) is assumed.
    """
    from looptime.heading import default_motion, parse_motion, study
    from looptime.views.files import json
    from looptime.views.text.heading_text import render_heading

    run, warmup_loops = reading.settled(log)
    motion = given["motion"] or default_motion(reading.project)
    found = study(
        run,
        motion=motion if motion == "recorded" else parse_motion(motion),
        setup=_setup(reading, given),
        pattern=given["pattern"].replace("_", " "),
        rate_hz=given["rate_hz"],
        tolerance=_tolerance(reading, given),
    )
    found = replace(
        found, loops_in_run=found.loops_in_run + warmup_loops, warmup_loops=warmup_loops
    )
    if as_json:
        print(json.dumps(json.document(log=log, **found.to_dict())))
        return
    say_project(reading)
    show(*render_heading(found, log, motion_given=given["motion"] is not None))


def _setup(reading: Reading, given: dict[str, Any]) -> Setup:
    from looptime.heading import Sensor, parse_lead, parse_step, setup_from_project

    stated = setup_from_project(reading.project)
    keys = ("read_call", "pickup_call", "use_call", "read_instant")
    labels = replace(stated.labels, **{k: given[k] for k in keys if given[k] is not None})
    delay = given["sensor_delay_ms"]
    return replace(
        stated,
        labels=labels,
        integration=given["integration"],
        step=parse_step(given["step"]),
        path_heading=given["path_heading"],
        lead=parse_lead(given["lead"]),
        sensor=Sensor(
            delay_ms=stated.sensor.delay_ms if delay is None else delay,
            update_ms=given["update_ms"],
            resolution_deg=given["resolution_deg"],
            noise_deg_s=given["noise_deg_s"],
            density_deg_rt_s=given["density"],
            bias_deg_s=given["bias_deg_s"],
            seed=given["seed"],
        ),
        speed_m_s=stated.speed_m_s if given["speed_m_s"] is None else given["speed_m_s"],
        crossover_hz=given["crossover_hz"],
        seed=given["seed"],
    )


def _tolerance(reading: Reading, given: dict[str, Any]) -> Tolerance:
    from looptime.heading import tolerance_from_project

    stated = tolerance_from_project(reading.project)
    deg, mm = given["tolerance_deg"], given["tolerance_mm"]
    if deg is not None or mm is not None:  # what is asked for replaces what the project states
        stated = replace(stated, deg=deg, mm=mm)
    return replace(stated, judged=given["judged"])


@cli.command()
@click.argument("log")
@click.option(
    "--change", "given", multiple=True, metavar="CHANGE", help="A remedy; may be given again."
)
@click.option("--changes", "plan_file", metavar="FILE.toml", help="A file of changes.")
@click.option("--actual", metavar="AFTER", help="A log after the change: how the plan came true.")
@click.option(
    "--recurs",
    multiple=True,
    metavar="CALL=loop|time",
    help="Whether a call recurs by loops or by the clock.",
)
@click.option(
    "--run-sd",
    type=float,
    metavar="PERCENT",
    help="Scatter between runs (sd); else the season's, or 1 %.",
)
@click.option("--target-hz", type=float, metavar="HZ", help="Loop rate to reach.")
@click.option("--target-p99-ms", type=float, metavar="MS", help="p99 to reach.")
@JSON
@reads_logs
def plan(
    reading: Reading,
    log: str,
    given: tuple[str, ...],
    plan_file: str | None,
    actual: str | None,
    recurs: tuple[str, ...],
    run_sd: float | None,
    target_hz: float | None,
    target_p99_ms: float | None,
    as_json: bool,
) -> None:
    """What remedies would buy, before anyone writes them; without changes, suggestions.

    A change is one of: "batch encoder.*", "thread gyro.read rest-ms=5", "move encoder.* bus=port",
    "every range.read loops=4", "every telemetry.send ms=500", "on-change motor.* share=0.7",
    "later gyro.read before=motor.*", "drop X", "cap X ms=5", "scale X by=0.5", "pace hz=50".
    """
    from looptime.planner import load_changes, parse_all, predict, score, suggest
    from looptime.views.files import json
    from looptime.views.text.plan_text import render_plan, render_score, render_suggestions

    run = reading.run(log)
    kept = load_changes(plan_file) if plan_file is not None else None
    changes = [*(kept.changes if kept is not None else ()), *parse_all(given)]
    classes = {**(kept.recurs if kept is not None else {}), **_recurs(recurs)}
    _known_calls(run, classes)
    sd, sd_from = _run_sd(run_sd, run, reading)
    _belongs_together(bool(changes), actual, target_hz, target_p99_ms)
    shared: dict[str, Any] = {
        "buses": reading.project.buses, "recurs": classes, "keep_warmup": reading.keep_warmup,
    }  # fmt: skip
    if not changes:
        found = suggest(
            run, effort=reading.project.effort, target_hz=target_hz, target_p99_ms=target_p99_ms,
            heading_call=reading.project.heading.read_call, progress=_progress(), **shared,
        )  # fmt: skip
        if as_json:
            print(json.dumps(json.document(log=log, **found.to_dict())))
        else:
            say_project(reading)
            show(*render_suggestions(found))
        return
    told = predict(
        run, changes, budget_ms=reading.budget, run_sd=sd, progress=_progress(),
        read_instant=reading.project.heading.read_instant or "start", **shared,
    )  # fmt: skip
    told = replace(told, run_sd_from=sd_from)
    came = None
    if actual is not None:
        came = score(told, reading.run(actual), keep_warmup=reading.keep_warmup)
    if as_json:
        extra = {} if came is None else {"actual": came.to_dict()}
        print(json.dumps(json.document(log=log, **told.to_dict(), **extra)))
        return
    say_project(reading)
    show(*render_plan(told))
    if came is not None:
        show(*render_score(came))


def _belongs_together(
    changes: bool, actual: str | None, target_hz: float | None, target_p99_ms: float | None
) -> None:
    """Refuse options that would be passed over in silence."""
    if actual is not None and not changes:
        raise UsageError("--actual needs a plan to hold against it: give --change or --changes")
    if changes and (target_hz is not None or target_p99_ms is not None):
        raise UsageError("a target is for the search of suggestions: leave out the changes")


def _run_sd(percent: float | None, run: Run, reading: Reading) -> tuple[float | None, str]:
    """Relative run-to-run sd and where it is from: as given, else the season's, else assumed."""
    if percent is not None:
        if not 0 <= percent < 100:  # also where it is no number
            raise UsageError(f"--run-sd takes a number of percent from 0 to 100, not {percent}")
        return percent / 100, "given"
    from looptime.cli_season import season_beside

    store = season_beside(None, reading)
    if store is None:
        return None, "assumed"
    from looptime.checks.gate.gate import choose_baseline
    from looptime.checks.recording.scatter import season_scatter

    past = choose_baseline(store, [run], None, reading.project.robot)
    return season_scatter(past, run, reading.project.robot)


def _known_calls(run: Run, classes: dict[str, str]) -> None:
    names = [call.name for call in run.names]
    for name in classes:
        if name not in names:
            near = difflib.get_close_matches(name, names, 1, 0.0)
            hint = f"; the nearest is {near[0]!r}" if near else ""
            raise UsageError(f"recurs: no call is named {name!r}{hint}")


def _recurs(words: tuple[str, ...]) -> dict[str, str]:
    made = {}
    for word in words:
        name, equals, by = word.rpartition("=")
        if not equals or by not in ("loop", "time"):
            raise UsageError(f"--recurs {word!r}: write CALL=loop or CALL=time")
        made[name] = by
    return made


def _progress() -> Callable[[float], None] | None:
    if not sys.stderr.isatty():
        return None

    def tell(done: float) -> None:
        end = "\n" if done >= 1 else ""
        print(f"\rlooptime: {100 * done:.0f} %", end=end, file=sys.stderr, flush=True)

    return tell
