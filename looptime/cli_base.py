"""What all commands share: exit codes, the options of those that read logs, output."""

from __future__ import annotations

import contextlib
import functools
import math
import sys
import threading
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

__all__ = [
    "FAILED", "FINE", "INTERRUPTED", "JSON", "NOT_ENOUGH", "UNFORESEEN", "UNUSABLE", "CheckFailed",
    "Commands", "Reading", "cli", "complain", "finds_season", "paths", "reads_logs", "remark",
    "say_project", "show", "waiting",
]  # fmt: skip

FINE, FAILED, UNUSABLE, NOT_ENOUGH, UNFORESEEN, INTERRUPTED = 0, 1, 2, 3, 4, 130
#: Option of every command that reports figures.
JSON = click.option("--json", "as_json", is_flag=True, help="Figures as JSON.")


class CheckFailed(Exception):  # noqa: N818 - an outcome, not an error
    """Carries an exit code that is a verdict."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


def complain(message: str) -> int:
    """Say in one line on stderr what is wrong; returns the exit code for it."""
    from looptime.views.text.terminal import safe

    stream = sys.stderr
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    print(f"looptime: {safe(message, longest=2000)}", file=stream)
    return UNUSABLE


def remark(message: str) -> None:
    """Say on stderr what a reader of the figures should know; it is no complaint."""
    complain(message)


@contextlib.contextmanager
def waiting(text: str) -> Iterator[Callable[[float], None] | None]:
    """Say on a terminal what is being done, once it has taken two seconds.

    Gives what is to be told the share that is done, 0 to 1; None where nobody looks.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.text import Text

    from looptime.views.text.terminal import safe

    text = f"looptime: {safe(text, 200)}"
    status = Console(stderr=True).status(Text(text))
    later = threading.Timer(2.0, status.start)
    later.daemon = True
    later.start()
    try:
        yield lambda share: status.update(Text(f"{text}, {100 * share:.0f} %"))
    finally:
        later.cancel()
        status.stop()


@dataclass(frozen=True)
class Reading:
    """How the logs of one command are read: the options that all of them share."""

    project: Project
    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    no_cache: bool = False
    budget_ms: float | None = None
    keep_warmup: bool = False
    phase: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    where: tuple[str, ...] = ()
    project_file: str | None = None

    def log(self, path: str) -> Log:
        """Read one log."""
        with waiting(f"reading {path}") as progress:
            return self._log(path, progress)

    def _log(self, path: str, progress: Callable[[float], None] | None = None) -> Log:
        return looptime.read_log(
            path,
            project=self.project,
            unit=self.unit,
            layout=self.layout,
            columns=self.columns,
            loop_call=self.loop_call,
            cache=not self.no_cache,
            progress=progress,
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
            "origin_ns": int(run.loop_columns.start_ns[0]),
            "read_instant": self.project.heading.read_instant or "start",
            "heading": self.project.heading,
            "given": self.given,
        }
        if self.phase is not None:
            return (summarise(chosen, phase=self.phase, **given),)
        return summarise_phases(chosen, **given)

    def priced(self, summaries: tuple[Summary, ...]) -> tuple[Summary, ...]:
        """Summaries whose findings carry what the planner predicts, where it has a remedy."""
        from looptime.findings.priced import with_predictions
        from looptime.planner import suggest

        made = []
        for found in summaries:
            try:
                plans = suggest(
                    found.run,
                    buses=self.project.buses,
                    effort=self.project.effort or None,
                    heading_call=self.project.heading.read_call,
                    keep_warmup=True,
                )
            except LooptimeError:  # too little, or too odd, to be played again
                made.append(found)
                continue
            made.append(found.with_findings(with_predictions(found.findings, plans)))
        return tuple(made)

    def run(self, path: str) -> Run:
        """The one run of a log, cut to the part that was asked for."""
        run = self.part(self.whole_run(path))
        self.say_phases(run, "all are taken together; --phase NAME takes one")
        return run

    def settled(self, path: str) -> tuple[Run, int]:
        """The part of a run without its warm-up, unless that is kept, and the loops left out.

        Warm-up is looked for before a phase is picked, as for a summary.
        """
        import numpy as np

        from looptime.analysers import part
        from looptime.analysers.basis import prepare
        from looptime.analysers.warmup import warmup

        run = self.part(self.whole_run(path), with_phase=False)
        self.say_phases(run, "all are taken together; --phase NAME takes one")
        chosen = part(run, self.phase)
        cut = 0 if self.keep_warmup else warmup(prepare(run)).loops
        if not cut:
            return chosen, 0
        settled = part(run.select(np.arange(len(run)) >= cut), self.phase)
        return settled, len(chosen) - len(settled)

    def whole_run(self, path: str) -> Run:
        """The one run of a log, uncut."""
        log = self.log(path)
        if len(log.runs) > 1:
            remark(f"{path}: holds {len(log.runs)} runs; the longest is taken")
        return max(log.runs, key=len)

    def say_phases(self, run: Run, what: str) -> None:
        """Say what becomes of a run's phases, where it has several and none was asked for."""
        at = run.loop_columns
        if self.phase is not None or at.phase is None:
            return
        counts = {n: int((at.phase == k).sum()) for k, n in enumerate(at.phase_names) if n}
        there = [f"{name} {n:,}" for name, n in counts.items() if n]
        if len(there) > 1:
            remark(f"{run.source}: has loops of the phases {', '.join(there)}: {what}")

    @property
    def given(self) -> tuple[tuple[str, ...], ...]:
        """The options as they were given, for a command that reads the same; not the phase.

        The project file is left out where it would be found without being named.
        """
        named = self.project_file
        found = None if named is None else find_project()
        if named is not None and found is not None and found.resolve() == Path(named).resolve():
            named = None
        values = (
            ("--project", None if named is None else Path(named).as_posix()),
            ("--unit", self.unit), ("--layout", self.layout), ("--columns", self.columns),
            ("--loop-call", self.loop_call),
            ("--budget-ms", _as_given(self.budget_ms)), ("--from", _as_given(self.from_s)),
            ("--to", _as_given(self.to_s)), *(("--where", where) for where in self.where),
        )  # fmt: skip
        made: list[tuple[str, ...]] = [(name, value) for name, value in values if value is not None]
        return (*made, ("--keep-warmup",)) if self.keep_warmup else tuple(made)

    @property
    def budget(self) -> float | None:
        """The budget [ms]: the option, else the project's."""
        return self.project.budget_ms if self.budget_ms is None else self.budget_ms


_PROJECT = click.option(
    "--project",
    "project_file",
    metavar="FILE",
    help="Project file; without it the nearest looptime.toml upward from here.",
)
_READING_OPTIONS = (
    _PROJECT,
    click.option(
        "--unit", type=click.Choice(list(UNITS)), help="Unit of times, where no header says."
    ),
    click.option("--layout", type=click.Choice(LAYOUTS), help="Layout, where a log fits two."),
    click.option("--columns", metavar="NAMES", help='Names for the columns: "time_us,skip,name".'),
    click.option("--loop-call", metavar="NAME", help="Call whose start begins a loop."),
    click.option("--no-cache", is_flag=True, help="Neither use nor write a prepared copy."),
    click.option("--budget-ms", type=float, metavar="MS", help="A longer period is an overrun."),
    click.option("--keep-warmup", is_flag=True, help="Leave the warm-up in the figures."),
    click.option("--phase", metavar="NAME", help="Only loops in this phase."),
    click.option("--from", "from_s", type=float, metavar="S", help="Only from this second on."),
    click.option("--to", "to_s", type=float, metavar="S", help="Only up to this second."),
    click.option(
        "--where",
        multiple=True,
        metavar="COLUMN=VALUE",
        help="Only loops in which a signal has this value; != leaves them out.",
    ),
)


def reads_logs(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that all commands which read a log share, as `reading`."""

    @functools.wraps(command)
    def with_reading(**given: Any) -> Any:
        names = [f for f in Reading.__dataclass_fields__ if f != "project"]
        shared = {name: given.pop(name) for name in names}
        project = _project(shared["project_file"])
        _sensible(shared["budget_ms"], shared["from_s"], shared["to_s"])
        return command(reading=Reading(project=project, **shared), **given)

    for option in reversed(_READING_OPTIONS):
        with_reading = option(with_reading)
    return with_reading


def finds_season(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that reads no log the project as `reading`: nothing else of it matters."""

    @functools.wraps(command)
    def with_reading(**given: Any) -> Any:
        project = _project(given.pop("project_file"))
        return command(reading=Reading(project), **given)

    return _PROJECT(with_reading)


def _as_given(number: float | None) -> str | None:
    """A number as it was probably typed."""
    return None if number is None else repr(number).removesuffix(".0")


def _sensible(budget_ms: float | None, from_s: float | None, to_s: float | None) -> None:
    """Refuse numbers that no log could meet."""
    if budget_ms is not None and not 0 < budget_ms < math.inf:
        raise UsageError(f"--budget-ms {budget_ms:g}: give a number of ms above 0")
    for option, value in (("--from", from_s), ("--to", to_s)):
        if value is not None and not math.isfinite(value):
            raise UsageError(f"{option} {value:g}: give a number of seconds")
    if to_s is not None and to_s <= 0:
        raise UsageError(f"--to {to_s:g}: give a number of seconds above 0")
    if from_s is not None and to_s is not None and from_s >= to_s:
        raise UsageError(f"--from {from_s:g} --to {to_s:g}: the part ends before it begins")


def _project(path: str | None) -> Project:
    found = path if path is not None else find_project()
    return Project() if found is None else Project.load(found)


def paths(patterns: Sequence[str]) -> Iterator[str]:
    """The logs that are meant: shells on some systems leave ``*`` to the program."""
    for pattern in patterns:
        if any(c in pattern for c in "*?[") and not Path(pattern).exists():
            import glob

            found = sorted(glob.glob(pattern))
            yield from found or [pattern]
        else:
            yield pattern


def show(*parts: Any) -> None:
    """Print renderables, whatever the terminal can encode."""
    from looptime.views.text import terminal

    terminal.show(parts)


def say_project(reading: Reading) -> None:
    """Say which project file is in use."""
    from looptime.views.text.terminal import plain

    if reading.project.path is not None:
        show(plain(f"project {reading.project.path}", longest=300))


class Commands(click.Group):
    """A group whose list of commands shows what each is for in full, in the order of the job."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Without a word after it, a group shows its help."""
        if not args:
            click.echo(ctx.get_help())
            ctx.exit()
        return super().parse_args(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order in which a team meets them."""
        return sorted(self.commands, key=lambda name: (ORDER.index(name), name))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """One row a command, its short help uncut."""
        rows = [(name, self.commands[name].get_short_help_str(200)) for name in
                self.list_commands(ctx)]  # fmt: skip
        with formatter.section("Commands"):
            formatter.write_dl(rows)


#: Commands in the order of the job; those of a season by themselves.
ORDER = (
    "tour", "recorder", "summary", "slow", "plan", "heading", "compare", "season", "gate",
    "report", "dashboard", "export", "add", "list", "show", "baseline", "trends", "drop",
)  # fmt: skip


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(looptime.__version__, prog_name="looptime")
def cli() -> None:
    """Where a robot's control loop spends its time, and what to do about it.

    Begin with `looptime tour`, or with `looptime summary LOG` on a log of your own.
    """
