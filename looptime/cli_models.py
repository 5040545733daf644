"""The commands that model what was not recorded: plan and heading."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from looptime.cli_base import Reading, cli, reads_logs, say_project, show

__all__ = ["heading"]

_JSON = click.option("--json", "as_json", is_flag=True, help="Figures as JSON.")


@cli.command()
@click.argument("log")
@click.option("--motion", metavar="MOTION", help="How the robot moves; see below.")
@click.option("--pattern", default="as recorded", show_default=True, help="Sampling pattern.")
@click.option("--rate-hz", type=float, metavar="HZ", help="Loop rate of the pattern.")
@click.option("--read-call", metavar="NAME", help="Call that reads the heading.")
@click.option("--pickup-call", metavar="NAME", help="Call that picks up a thread's reading.")
@click.option("--use-call", metavar="NAME", help="Call that puts the heading to use.")
@click.option("--read-instant", type=click.Choice(["start", "end"]), help="When it is latched.")
@click.option("--integration", default="hold-first", show_default=True, help="Integration rule.")
@click.option("--step", default="measured", show_default=True, help="measured, loop or fixed:MS.")
@click.option("--path-heading", default="start", show_default=True, help="start, mid or arc.")
@click.option("--lead", default="none", show_default=True, help="none, fixed:MS or measured.")
@click.option("--sensor-delay-ms", type=float, metavar="MS", help="Delay of the sensor.")
@click.option("--update-ms", type=float, default=0.0, metavar="MS", help="Sensor's update period.")
@click.option("--resolution-deg", type=float, default=0.0, metavar="DEG", help="Sensor's step.")
@click.option("--noise-deg-s", type=float, default=0.0, metavar="DEG_S", help="Noise a reading.")
@click.option("--density", type=float, default=0.0, metavar="DEG_RT_S", help="Noise density.")
@click.option("--bias-deg-s", type=float, default=0.0, metavar="DEG_S", help="Constant bias.")
@click.option("--speed-m-s", type=float, metavar="M_S", help="Speed over the floor.")
@click.option("--crossover-hz", type=float, default=2.0, show_default=True, help="Controller.")
@click.option("--tolerance-deg", type=float, metavar="DEG", help="Tolerable stale heading.")
@click.option("--tolerance-mm", type=float, metavar="MM", help="Tolerable drift a metre.")
@click.option("--judged", default="p95", show_default=True, help="mean, rms, p95 or max.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of the random phases.")
@_JSON
@reads_logs
def heading(reading: Reading, log: str, as_json: bool, **given: Any) -> None:
    """What the loop's pace costs in degrees and millimetres.

    MOTION is steady:DEG_PER_S, turn:DEG,DEG_PER_S,DEG_PER_S2, weave:DEG,HZ, recorded, or a CSV
    file with a turn rate over time.
    """
    from looptime.heading import default_motion, parse_motion, study
    from looptime.views import json
    from looptime.views.heading_text import render_heading

    run = reading.run(log)
    motion = given["motion"] or default_motion(reading.project)
    found = study(
        run,
        motion=motion if motion == "recorded" else parse_motion(motion),
        setup=_setup(reading, given),
        pattern=given["pattern"].replace("_", " "),
        rate_hz=given["rate_hz"],
        tolerance=_tolerance(reading, given),
    )
    if as_json:
        print(json.dumps(json.document(log=log, **found.to_dict())))
        return
    say_project(reading)
    show(*render_heading(found, log))


def _setup(reading: Reading, given: dict[str, Any]) -> Any:
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
        speed_m_s=given["speed_m_s"] or stated.speed_m_s,
        crossover_hz=given["crossover_hz"],
        seed=given["seed"],
    )


def _tolerance(reading: Reading, given: dict[str, Any]) -> Any:
    from looptime.heading import tolerance_from_project

    stated = tolerance_from_project(reading.project)
    deg, mm = given["tolerance_deg"], given["tolerance_mm"]
    if deg is not None or mm is not None:  # what is asked for replaces what the project states
        stated = replace(stated, deg=deg, mm=mm)
    return replace(stated, judged=given["judged"])
