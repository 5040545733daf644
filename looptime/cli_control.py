"""The command about controllers and steered wheels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import (
    JSON,
    Text,
    cli,
    print_json,
    reads_logs,
    say_phases,
    tell,
    whole_run,
)
from looptime.controllers import CHOICES, Controller

if TYPE_CHECKING:
    from looptime.questions.asked import Asked

__all__ = ["control"]

_HELP = {
    "name": "The project's controller of this name, or a new one's name.",
    "read_call": "Call that reads the measured value.",
    "write_call": "Call that puts the output to use.",
    "form": "What the code does with time: ignores it, assumes a step, measures it.",
    "kp": "Gain of the error.",
    "ki": "Gain of the summed error.",
    "kd": "Gain of its change.",
    "derivative_of": "What the derivative is taken of.",
    "sensor_delay_ms": "Dead time within the sensor.",
    "step_ms": "Step that the code assumes.",
    "derivative_filter_ms": "Time constant of its first-order filter.",
    "output_limit": "The output is cut at it (full scale is 1).",
    "integral_limit": "The sum that ki multiplies is cut at it.",
    "runs_on": "On the robot, or on the motor's own controller.",
    "wraps": "360 for an angle in degrees.",
    "feed_forward": "Output for each unit a second of wanted speed.",
    "plant": "What is measured of the mechanism.",
    "full_speed": "Its speed at full output.",
    "time_constant_ms": "Time constant of its speed.",
    "load": "Output that only just holds it.",
    "resolution": "Smallest step of the measured value.",
    "unit": "Unit of the measured value.",
    "target": "step:SIZE, ramp:SPEED[,S], trapezoid:WAY,SPEED,ACCELERATION or sine:AMPLITUDE,HZ.",
    "tolerance": "Error within which it has settled.",
}


#: `--unit` is that of the log's times, as for every command.
_SPELLED = {"unit": "--value-unit"}


def _states_a_controller(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command an option for every key of ``[[controller]]``."""
    for field in reversed(fields(Controller)):
        kind: Any = click.Choice(CHOICES[field.name]) if field.name in CHOICES else str
        number = "float" in str(field.type)
        spelling = _SPELLED.get(field.name, "--" + field.name.replace("_", "-"))
        command = click.option(
            spelling, f"c_{field.name}", type=float if number else kind,
            help=_HELP[field.name], metavar=None if field.name in CHOICES else _taken(field.name),
        )(command)  # fmt: skip
    return command


def _taken(name: str) -> str:
    """What an option takes, as its help says it."""
    if name in ("target", "unit"):
        return name.upper()
    words = {"ms": "MS", "call": "NAME", "name": "NAME"}
    return words.get(name.rpartition("_")[2], "NUMBER")


@cli.command()
@click.argument("log")
@_states_a_controller
@click.option(
    "--fit",
    metavar="OUTPUT,MEASURED",
    help="Fit the mechanism to these two signals; alone, that is all it tells. The signal of what "
    "the second is to follow may stand behind them.",
)
@click.option(
    "--change",
    "changes",
    multiple=True,
    metavar="CHANGE",
    help="Look at the run that a plan predicts with this remedy; may be given again.",
)
@JSON
@reads_logs
def control(
    asked: Asked,
    text: Text,
    log: str,
    fit: str | None,
    changes: tuple[str, ...],
    as_json: bool,
    **given: Any,
) -> None:
    """What the loop's pace does to its controllers and steered wheels.

    Controllers and wheels are those of [[controller]] and [[wheel]] in looptime.toml; the options
    state one controller instead, or with --name change one of the project's.
    """
    from looptime.questions.steering import control as ask
    from looptime.views.text.control_text import render_control

    run = whole_run(asked, log)
    say_phases(asked, run)
    code = {key[2:]: value for key, value in given.items() if value is not None}
    found = ask(asked, run, code, fit=fit, changes=changes)
    if as_json:
        print_json(log=log, **found.to_dict())
        return
    tell(asked, text, render_control(found, log, full=text.full), run)
