"""The command line: every command is a few lines over the Python API."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from looptime import cli_checks, cli_models
from looptime.cli_base import (
    FINE,
    INTERRUPTED,
    UNFORESEEN,
    UNUSABLE,
    CheckFailed,
    Reading,
    cli,
    complain,
    paths,
    reads_logs,
    say_project,
    show,
    worst,
)
from looptime.errors import LooptimeError, UsageError

__all__ = ["cli", "cli_checks", "cli_models", "run"]


def run(args: Sequence[str]) -> int:
    """Run the command line.

    Parameters
    ----------
    args : sequence of str
        Arguments after the program's name.

    Returns
    -------
    int
        0 fine; 1 a check failed; 2 unusable input or wrong use; 3 not enough evidence to say;
        4 an unforeseen error, 130 interrupted.
    """
    try:
        cli.main(args=list(args), prog_name="looptime", standalone_mode=False)
    except CheckFailed as verdict:
        return verdict.code
    except LooptimeError as error:
        return complain(str(error))
    except click.exceptions.Abort:
        complain("interrupted")
        return INTERRUPTED
    except KeyboardInterrupt:
        complain("interrupted")
        return INTERRUPTED
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        hint = f" (see {where.command_path} --help)" if where is not None else ""
        return complain(error.format_message().replace("\n", " ") + hint)
    except BrokenPipeError:
        _silence_stdout()
        return FINE
    except Exception:
        return _unforeseen()
    return FINE


def _silence_stdout() -> None:
    """The reader has gone; what Python flushes at its end must not raise again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _unforeseen() -> int:
    with tempfile.NamedTemporaryFile(
        "w", prefix="looptime-trace-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(traceback.format_exc())
    error = sys.exc_info()[1]
    complain(f"unforeseen error ({type(error).__name__}); the trace is in {file.name}")
    return UNFORESEEN


@cli.command()
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@click.option("--json", "as_json", is_flag=True, help="Figures as JSON.")
@click.option("--set-aside", "set_aside", metavar="FILE", help="Write the rows not used to FILE.")
@click.option("--draft-project", metavar="FILE", help="Write a looptime.toml to correct by hand.")
@reads_logs
def summary(
    reading: Reading,
    logs: tuple[str, ...],
    as_json: bool,
    set_aside: str | None,
    draft_project: str | None,
) -> None:
    """How fast and even the loop is, and where its time goes."""
    from looptime.views import json

    codes, parts = {FINE}, []
    entries: list[dict[str, Any]] = []
    for path in paths(logs):
        try:
            log = reading.log(path)
            runs = [found for run in log.runs for found in reading.summaries(run)]
        except LooptimeError as error:
            codes.add(complain(str(error)))
            entries.append({"path": path, "error": str(error)})
            continue
        entries.append({**json.log_head(log), "runs": [found.to_dict() for found in runs]})
        parts.append((log, runs))
    if as_json:
        print(json.dumps(json.document(logs=entries)))
    elif parts:
        say_project(reading)
        from looptime.views.summary_text import render_summary

        for log, runs in parts:
            show(*render_summary(log, runs))
    if worst(codes):
        raise CheckFailed(worst(codes))


@cli.command()
@click.argument("log")
@click.option("--top", default=20, show_default=True, type=click.IntRange(1), help="Loops to show.")
@click.option("--loop", "loop_number", type=int, metavar="N", help="Show loop N beside a typical.")
@click.option("--delay-ms", type=float, metavar="MS", help="When a delay checked in loops fires.")
@click.option("--video-fps", type=float, metavar="F", help="Frames a second of a video.")
@click.option("--sync", metavar="LOOP=FRAME", help="The frame in which a loop starts.")
@click.option("--json", "as_json", is_flag=True, help="Figures as JSON.")
@reads_logs
def slow(
    reading: Reading,
    log: str,
    top: int,
    loop_number: int | None,
    delay_ms: float | None,
    video_fps: float | None,
    sync: str | None,
    as_json: bool,
) -> None:
    """Which loops were slow, and what stretched in them."""
    from looptime.analysers import delay
    from looptime.analysers.loop_detail import loop_detail, parse_sync
    from looptime.views import json
    from looptime.views.slow_text import render_delay, render_loop, render_slow

    if (video_fps is None) != (sync is None):
        raise UsageError("--video-fps and --sync LOOP=FRAME belong together: give both")
    run = reading.run(log)
    found = reading.summaries(run)[0]
    video = None if sync is None or video_fps is None else parse_sync(sync, video_fps, run)
    detail = None if loop_number is None else loop_detail(found.basis, loop_number)
    fires = None if delay_ms is None else delay(found.run, delay_ms)
    if as_json:
        print(json.dumps(json.slow(found, top, video, detail, fires)))
        return
    say_project(reading)
    show(*(render_loop(detail) if detail is not None else render_slow(found, top, video)))
    if fires is not None:
        show(*render_delay(fires, found))


@cli.command()
@click.argument("language", required=False)
@click.option("--list", "listed", is_flag=True, help="The languages there are.")
@click.option("--out", metavar="FOLDER", help="Write the source file into FOLDER.")
def recorder(language: str | None, listed: bool, out: str | None) -> None:
    """Print the recorder that a team puts into its robot code."""
    from looptime import recorders

    sources = recorders.sources()
    if listed or language is None:
        for name, path in sources.items():
            print(f"{name:<14}{path.name}")
        if listed:
            return
        raise UsageError(f"name a language: {', '.join(sources)}")
    if language not in sources:
        raise UsageError(f"no recorder for {language!r}: there is one for {', '.join(sources)}")
    text = recorders.read_source(language)
    if out is None:
        print(text, end="")
        return
    target = Path(out) / sources[language].name
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageError(f"{target}: is there already; nothing was written") from error
    except OSError as error:
        raise UsageError(f"{target}: cannot be written: {error.strerror}") from error
    print(target)


@cli.command()
def tour() -> None:
    """Walk through the whole job on the sample logs, in under a minute."""
    import time

    from looptime.samples import folder
    from looptime.views.terminal import heading_line
    from looptime.views.tour_text import STEPS

    samples, began = folder(), time.monotonic()
    for number, step in enumerate(STEPS, 1):
        words = [str(samples / w[1:]) if w.startswith("@") else w for w in step.command]
        if any(w.startswith("@") for w in step.command):
            words += ["--project", str(samples / "looptime.toml")]
        shown = " ".join(f'"{w}"' if " " in w else w for w in words)
        show(
            heading_line(f"{number} of {len(STEPS)}: {step.title}"),
            step.why,
            f"$ looptime {shown}\n",
        )
        sys.stdout.flush()
        code = run(words)
        if code in (UNUSABLE, UNFORESEEN, INTERRUPTED):
            raise CheckFailed(code)
    show(f"\nThe tour took {time.monotonic() - began:.0f} s.")
