"""The commands that model what was not recorded: plan and heading."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import (
    JSON,
    Text,
    cli,
    options_text,
    print_json,
    progress_of,
    reads_logs,
    say_phases,
    show,
    tell,
    whole_run,
)
from looptime.errors import UsageError

if TYPE_CHECKING:
    from looptime.questions.asked import Asked

__all__ = ["heading", "plan"]


@cli.command()
@click.argument("log")
@click.option("--motion", metavar="MOTION", help="How the robot moves; see above.")
@click.option(
    "--pattern",
    default="as recorded",
    show_default=True,
    metavar="PATTERN",
    help="Which loops: as recorded; or, with --pattern-hz: even, log shape (keeps the log's "
    "stalls), scaled.",
)
@click.option("--pattern-hz", type=float, metavar="HZ", help="Loop rate of such a pattern.")
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
@click.option(
    "--sensor-delay-ms", "delay_ms", type=float, metavar="MS", help="Delay within the sensor."
)
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
    "density_deg_rt_s",
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
    "--tolerance-mm",
    type=float,
    metavar="MM",
    help="Way sideways for each metre driven, left and right added, that will do.",
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
def heading(asked: Asked, text: Text, log: str, as_json: bool, **given: Any) -> None:
    """What the loop's pace costs in degrees and millimetres.

    MOTION is steady:DEG_PER_S, turn:DEG,DEG_PER_S,DEG_PER_S2, weave:DEG,HZ, recorded (from the
    heading or the turn rate in the log), or a CSV file with a turn rate over time. Without it,
    half a turn at the robot's greatest turn rate ([robot] in looptime.toml) is assumed.
    """
    from looptime.questions.steering import heading as ask
    from looptime.questions.steering import tolerance_of
    from looptime.views.text.heading_text import render_heading

    run = whole_run(asked, log)
    say_phases(asked, run)
    motion, pattern, rate_hz = (given.pop(key) for key in ("motion", "pattern", "pattern_hz"))
    tolerance = tolerance_of(
        asked.project, *(given.pop(key) for key in ("tolerance_deg", "tolerance_mm", "judged"))
    )
    found = ask(asked, run, motion, given=given, pattern=pattern.replace("_", " "),
                rate_hz=rate_hz, tolerance=tolerance)  # fmt: skip
    if as_json:
        print_json(log=log, **found.to_dict())
        return
    context = click.get_current_context()
    stated = {
        name for name in context.params
        if context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE
    }  # fmt: skip
    told = render_heading(found, log, motion is not None, stated)
    tell(asked, text, told, run, needs="[heading]")


@cli.command()
@click.argument("log")
@click.option(
    "--change", "given", multiple=True, metavar="CHANGE", help="A remedy; may be given again."
)
@click.option(
    "--changes", "plan_file", metavar="FILE.toml", help="A file that holds changes, as shown above."
)
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
    asked: Asked,
    text: Text,
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
    "later gyro.read before=motor.*", "drop X", "cap X ms=5", "scale X by=0.5", "pace hz=50"; of a
    thread that is in the log "rest gyro.read ms=20", "unthread gyro.read".

    share= of on-change is the share of the writes that is left out, not that which is still made.

    A FILE.toml for --changes holds such changes as a list, in the order in which they are made,
    and, only where the log misleads, whether calls come by the clock or by loops:

    \b
      changes = ["batch encoder.*", "every telemetry.send ms=500"]
      [recurs]
      "telemetry.send" = "time"
    """  # noqa: D301 - a mark that click keeps lines by
    from looptime.questions.planning import plan as ask
    from looptime.questions.planning import score, suggestions
    from looptime.views.text.plan_text import render_plan
    from looptime.views.text.score_text import render_score, score_sentence
    from looptime.views.text.suggestions_text import render_suggestions

    run = whole_run(asked, log)
    say_phases(asked, run)
    classes, sd = _recurs(recurs), _run_sd(run_sd)
    _belongs_together(bool(given or plan_file), actual, target_hz, target_p99_ms)
    if not given and plan_file is None:
        found = suggestions(
            asked, run, recurs=classes, target_hz=target_hz, target_p99_ms=target_p99_ms,
            run_sd=sd, progress=progress_of(),
        )  # fmt: skip
        if as_json:
            print_json(log=log, **found.to_dict())
        else:
            there = asked.project.path is not None
            tell(
                asked, text, render_suggestions(found, options_text(asked, phase=True), there), run
            )
        return
    told = ask(
        asked, run, given, plan_file=plan_file, recurs=classes, run_sd=sd, progress=progress_of()
    )
    came = None
    if actual is not None:
        after = whole_run(asked, actual)
        say_phases(asked, after)
        came = score(asked, told, after)
    if as_json:
        extra = {} if came is None else {"actual": came.to_dict()}
        print_json(log=log, **told.to_dict(), **extra)
        return
    said = render_plan(told)
    if came is not None:
        said = replace(said, answer=f'{score_sentence(came)} The plan had said: "{said.answer}"')
    tell(asked, text, said, run)
    if came is not None and not text.quiet:
        show(*render_score(came))


def _belongs_together(
    changes: bool, actual: str | None, target_hz: float | None, target_p99_ms: float | None
) -> None:
    """Refuse options that would be passed over in silence."""
    if actual is not None and not changes:
        raise UsageError("--actual needs a plan to hold against it: give --change or --changes")
    if changes and (target_hz is not None or target_p99_ms is not None):
        raise UsageError("a target is for the search of suggestions: leave out the changes")


def _run_sd(percent: float | None) -> tuple[float | None, str] | None:
    """Relative run-to-run sd and where it is from; None where it is not given."""
    if percent is None:
        return None
    if not 0 <= percent < 100:  # also where it is no number
        raise UsageError(f"--run-sd takes a number of percent from 0 to 100, not {percent}")
    return percent / 100, "given"


def _recurs(words: tuple[str, ...]) -> dict[str, str]:
    made = {}
    for word in words:
        name, equals, by = word.rpartition("=")
        if not equals or by not in ("loop", "time"):
            raise UsageError(f"--recurs {word!r}: write CALL=loop or CALL=time")
        made[name] = by
    return made
