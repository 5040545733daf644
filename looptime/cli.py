"""The command line: every command is a few lines over the Python API."""

from __future__ import annotations

import functools
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import looptime
from looptime.errors import LooptimeError, UsageError
from looptime.project import Project, find_project
from looptime.schema import LAYOUTS
from looptime.units import UNITS

if TYPE_CHECKING:
    from looptime.analysers import Summary
    from looptime.parsers.read import Log
    from looptime.run import Run

__all__ = ["cli", "run"]

FINE, FAILED, UNUSABLE, NOT_ENOUGH, UNFORESEEN, INTERRUPTED = 0, 1, 2, 3, 4, 130


class CheckFailed(Exception):  # noqa: N818 - an outcome, not an error
    """Carries an exit code that is a verdict."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


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
        return _complain(str(error))
    except click.exceptions.Abort:
        _complain("interrupted")
        return INTERRUPTED
    except KeyboardInterrupt:
        _complain("interrupted")
        return INTERRUPTED
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        hint = f" (see {where.command_path} --help)" if where is not None else ""
        return _complain(error.format_message().replace("\n", " ") + hint)
    except BrokenPipeError:
        _silence_stdout()
        return FINE
    except Exception:
        return _unforeseen()
    return FINE


def _complain(message: str) -> int:
    from looptime.views.terminal import safe

    stream = sys.stderr
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    print(f"looptime: {safe(message, longest=2000)}", file=stream)
    return UNUSABLE


def _silence_stdout() -> None:
    """The reader has gone; what Python flushes at its end must not raise again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _unforeseen() -> int:
    with tempfile.NamedTemporaryFile(
        "w", prefix="looptime-trace-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(traceback.format_exc())
    error = sys.exc_info()[1]
    _complain(f"unforeseen error ({type(error).__name__}); the trace is in {file.name}")
    return UNFORESEEN


@dataclass(frozen=True)
class Reading:
    """How the logs of one command are read: the options that all of them share."""

    project: Project
    unit: str | None
    layout: str | None
    columns: str | None
    loop_call: str | None
    no_cache: bool
    budget_ms: float | None
    keep_warmup: bool
    phase: str | None
    from_s: float | None
    to_s: float | None
    where: tuple[str, ...]

    def log(self, path: str) -> Log:
        """Read one log."""
        return looptime.read_log(
            path,
            project=self.project,
            unit=self.unit,
            layout=self.layout,
            columns=self.columns,
            loop_call=self.loop_call,
        )

    def part(self, run: Run, with_phase: bool = True) -> Run:
        """The part of a run that was asked for."""
        from looptime.analysers import part

        chosen = part(run, self.phase if with_phase else None, self.from_s, self.to_s)
        for where in self.where:
            chosen = part(chosen, where=where)
        return chosen

    def summaries(self, run: Run) -> tuple[Summary, ...]:
        """Summaries of a run: by phase where the log has phases and none was asked for."""
        from looptime.findings import summarise, summarise_phases

        chosen = self.part(run, with_phase=False)
        given: dict[str, Any] = {
            "budget_ms": self.budget,
            "serious_ms": self.project.serious_ms,
            "keep_warmup": self.keep_warmup,
        }
        if self.phase is not None:
            return (summarise(chosen, phase=self.phase, **given),)
        return summarise_phases(chosen, **given)

    def run(self, path: str) -> Run:
        """The one run of a log, cut to the part that was asked for."""
        log = self.log(path)
        if len(log.runs) > 1:
            print(
                f"looptime: {path}: holds {len(log.runs)} runs; the longest is taken",
                file=sys.stderr,
            )
        return self.part(max(log.runs, key=len))

    @property
    def budget(self) -> float | None:
        """The budget [ms]: the option, else the project's."""
        return self.project.budget_ms if self.budget_ms is None else self.budget_ms


_READING_OPTIONS = (
    click.option("--project", "project_file", metavar="FILE", help="Project file to use."),
    click.option("--unit", type=click.Choice(list(UNITS)), help="Unit of the log's times."),
    click.option("--layout", type=click.Choice(LAYOUTS), help="Layout of the log."),
    click.option("--columns", metavar="NAMES", help='Names for the columns: "time_us,skip,name".'),
    click.option("--loop-call", metavar="NAME", help="Call whose start begins a loop."),
    click.option("--no-cache", is_flag=True, help="Neither use nor write a prepared copy."),
    click.option("--budget-ms", type=float, metavar="MS", help="A longer period is an overrun."),
    click.option("--keep-warmup", is_flag=True, help="Judge the warm-up too."),
    click.option("--phase", metavar="NAME", help="Only loops in this phase."),
    click.option("--from", "from_s", type=float, metavar="S", help="Only from this second on."),
    click.option("--to", "to_s", type=float, metavar="S", help="Only up to this second."),
    click.option("--where", multiple=True, metavar="COLUMN=VALUE", help="Only such loops."),
)


def reads_logs(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that all commands which read a log share, as `reading`."""

    @functools.wraps(command)
    def with_reading(**given: Any) -> Any:
        names = [f for f in Reading.__dataclass_fields__ if f != "project"]
        shared = {name: given.pop(name) for name in names}
        project = _project(given.pop("project_file"))
        if shared["budget_ms"] is not None and not shared["budget_ms"] > 0:
            raise UsageError(f"--budget-ms {shared['budget_ms']:g}: give a number above 0")
        return command(reading=Reading(project=project, **shared), **given)

    for option in reversed(_READING_OPTIONS):
        with_reading = option(with_reading)
    return with_reading


def _project(path: str | None) -> Project:
    found = path if path is not None else find_project()
    return Project() if found is None else Project.load(found)


def _paths(patterns: Sequence[str]) -> Iterator[str]:
    """The logs that are meant: shells on some systems leave ``*`` to the program."""
    for pattern in patterns:
        if any(c in pattern for c in "*?[") and not Path(pattern).exists():
            import glob

            found = sorted(glob.glob(pattern))
            yield from found or [pattern]
        else:
            yield pattern


def _worst(codes: set[int]) -> int:
    """The most serious exit code: 2, then 1, then 3, then 0."""
    return next((code for code in (UNUSABLE, FAILED, NOT_ENOUGH) if code in codes), FINE)


def _show(*parts: Any) -> None:
    from looptime.views.terminal import show

    show(parts)


def _say_project(reading: Reading) -> None:
    from looptime.views.terminal import plain

    if reading.project.path is not None:
        _show(plain(f"project {reading.project.path}", longest=300))


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(looptime.__version__, prog_name="looptime")
def cli() -> None:
    """Where a robot's control loop spends its time, and what to do about it."""


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
    for path in _paths(logs):
        try:
            log = reading.log(path)
            runs = [found for run in log.runs for found in reading.summaries(run)]
        except LooptimeError as error:
            codes.add(_complain(str(error)))
            entries.append({"path": path, "error": str(error)})
            continue
        entries.append({**json.log_head(log), "runs": [found.to_dict() for found in runs]})
        parts.append((log, runs))
    if as_json:
        print(json.dumps(json.document(logs=entries)))
    elif parts:
        _say_project(reading)
        from looptime.views.summary_text import render_summary

        for log, runs in parts:
            _show(*render_summary(log, runs))
    if _worst(codes):
        raise CheckFailed(_worst(codes))


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
    _say_project(reading)
    _show(*(render_loop(detail) if detail is not None else render_slow(found, top, video)))
    if fires is not None:
        _show(*render_delay(fires, found))


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
        _show(
            heading_line(f"{number} of {len(STEPS)}: {step.title}"),
            step.why,
            f"$ looptime {shown}\n",
        )
        sys.stdout.flush()
        code = run(words)
        if code in (UNUSABLE, UNFORESEEN, INTERRUPTED):
            raise CheckFailed(code)
    _show(f"\nThe tour took {time.monotonic() - began:.0f} s.")
