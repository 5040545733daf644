"""What all commands share: exit codes, the options of those that read logs, output."""

from __future__ import annotations

import contextlib
import functools
import inspect
import math
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TextIO

import click

import looptime
from looptime.cli_steps import is_own_step
from looptime.errors import LooptimeError, UsageError
from looptime.project import Project, find_project
from looptime.questions.asked import Asked
from looptime.questions.doors import logs_in, one_log
from looptime.records import dataclass
from looptime.schema import LAYOUTS
from looptime.units import UNITS
from looptime.words import listed, shell_word

if TYPE_CHECKING:
    from looptime.parsers.log import Log
    from looptime.questions.misfits import Misfit
    from looptime.run import Run
    from looptime.views.text.told import Told

__all__ = [
    "FAILED",
    "FINE",
    "INTERRUPTED",
    "JSON",
    "NOT_ENOUGH",
    "SEASON",
    "UNFORESEEN",
    "UNUSABLE",
    "CheckFailed",
    "Commands",
    "Text",
    "cli",
    "complain",
    "each_log",
    "finds_season",
    "print_json",
    "progress_of",
    "read",
    "reads_logs",
    "remark",
    "say_phases",
    "show",
    "silence",
    "waiting",
    "whole_run",
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
    try:
        print(f"looptime: {safe(message, longest=2000)}", file=stream, flush=True)
    except OSError:  # nobody can be told: the exit code says it
        silence(stream)
    return UNUSABLE


def silence(stream: TextIO) -> None:
    """Drop what is still to be written: Python flushes it at its end, and must not raise again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


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

    from looptime.views.text.terminal import in_full

    text = f"looptime: {in_full(text)}"
    status = Console(stderr=True).status(Text(text))
    later = threading.Timer(2.0, status.start)
    later.daemon = True
    later.start()
    try:
        yield lambda share: status.update(Text(f"{text}, {100 * share:.0f} %"))
    finally:
        later.cancel()
        status.stop()


def read(asked: Asked, path: str) -> Log:
    """Read one log."""
    with waiting(f"reading {path}") as progress:
        return asked.read(path, progress)


def each_log(asked: Asked, word: str) -> Iterator[tuple[str, Log | LooptimeError]]:
    """The logs that a word names, each with its path, or why there is none."""
    try:
        found = logs_in([word])
    except LooptimeError as error:
        yield word, error
        return
    for path in found:
        try:
            yield path, read(asked, path)
        except LooptimeError as error:
            yield path, error


def whole_run(asked: Asked, path: str) -> Run:
    """The one run of a log, uncut."""
    log = read(asked, one_log(path))
    if len(log.runs) > 1:
        remark(f"{log.path}: holds {len(log.runs)} runs; the longest is taken")
    return max(log.runs, key=len)


def say_phases(
    asked: Asked, run: Run, what: str = "all are taken together; --phase NAME takes one"
) -> None:
    """Say what becomes of a run's phases, where it has several and none was asked for."""
    if there := _phases(asked, [run]):
        remark(f"{run.source}: has loops of the phases {there}: {what}")


def _phases(asked: Asked, runs: Sequence[Run]) -> str:
    """The phases of runs and their loops, where there are several and none was asked for."""
    import numpy as np

    counts: dict[str, int] = {}
    for at in (run.loop_columns for run in runs if asked.phase is None):
        for code, name in enumerate(at.phase_names):
            there = 0 if at.phase is None else int(np.count_nonzero(at.phase == code))
            counts[name] = counts.get(name, 0) + there
    named = [f"{name} {n:,}" for name, n in counts.items() if n and name]
    return listed(named, 12) if len(named) > 1 else ""


class _UnitOfTimes(click.Choice):  # type: ignore[type-arg]
    """One of the units; a multiple of one is stated with the name of the column."""

    def convert(self, value: Any, parameter: Any, context: Any) -> Any:
        if str(value)[:1].isdigit():
            names = f"time ({value}),name,duration_us,skip"
            self.fail(f"no multiples: name the columns, such as --columns {names!r}", parameter)
        return super().convert(value, parameter, context)


_PROJECT = click.option(
    "--project",
    "project_file",
    metavar="FILE",
    help="Project file; without it the nearest looptime.toml upward from here.",
)
_READING_OPTIONS = (
    _PROJECT,
    click.option(
        "--unit",
        type=_UnitOfTimes(list(UNITS)),
        help="Unit of times, where no header says; it wins over one.",
    ),
    click.option("--layout", type=click.Choice(LAYOUTS), help="Layout, where a log fits two."),
    click.option("--columns", metavar="NAMES", help='Names for the columns: "time_us,skip,name".'),
    click.option("--loop-call", metavar="NAME", help="Call whose start begins a loop."),
    click.option(
        "--by", metavar="COLUMN", help="Column that tells senders apart; each is read as a log."
    ),
    click.option(
        "--stamped",
        type=click.Choice(["start", "end"]),
        help="Whether a row is written at the start or the end of its loop.",
    ),
    click.option(
        "--rate-hz", type=float, metavar="HZ", help="Loops a second, where no time is logged."
    ),
    click.option(
        "--no-cache",
        "cache",
        flag_value=False,
        default=True,
        type=bool,
        help="Neither use nor write a prepared copy.",
    ),
    click.option(
        "--budget-ms",
        "budget_given_ms",
        type=float,
        metavar="MS",
        help="A longer period is an overrun.",
    ),
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
_TEXT_OPTIONS = (
    click.option("--full", is_flag=True, help="All that was found, as text."),
    click.option("--quiet", is_flag=True, help="The answer alone, as text."),
)


@dataclass(frozen=True)
class Text:
    """How much of an answer is told as text: one screen, all of it, or the answer alone."""

    full: bool = False
    quiet: bool = False

    def __post_init__(self) -> None:
        if self.full and self.quiet:
            raise UsageError("--full and --quiet contradict each other: give one of them")


#: Where the season lies.
SEASON = click.option(
    "--season",
    metavar="FOLDER",
    help="Season's folder; without it `season` beside the project file, or here.",
)


def reads_logs(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that all commands which read a log share, as `asked`.

    One that takes `text` has the options for how much is told, too.
    """
    tells = "text" in inspect.signature(command).parameters

    @functools.wraps(command)
    def with_asked(**given: Any) -> Any:
        if tells:
            given["text"] = Text(given.pop("full"), given.pop("quiet"))
        names = [name for name in given if name in Asked.__dataclass_fields__]
        shared = {name: given.pop(name) for name in names}
        project = _project(given.pop("project_file"))
        _sensible(shared["budget_given_ms"], shared["from_s"], shared["to_s"], shared["rate_hz"])
        asked = Asked(project, **shared)
        try:
            return command(asked=asked, **given)
        finally:
            if isinstance(sys.exception(), None | CheckFailed) and (said := _misfits(asked)[1]):
                remark(said)

    for option in reversed((*_READING_OPTIONS, *(_TEXT_OPTIONS if tells else ()))):
        with_asked = option(with_asked)
    return with_asked


def finds_season(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that reads no log the project and the season, as `asked`, and `text`."""

    @functools.wraps(command)
    def with_asked(**given: Any) -> Any:
        text = Text(given.pop("full"), given.pop("quiet"))
        project = _project(given.pop("project_file"))
        return command(asked=Asked(project, season=given.pop("season")), text=text, **given)

    for option in reversed((SEASON, _PROJECT, *_TEXT_OPTIONS)):
        with_asked = option(with_asked)
    return with_asked


def _sensible(
    budget_ms: float | None, from_s: float | None, to_s: float | None, rate_hz: float | None
) -> None:
    """Refuse numbers that no log could meet."""
    if rate_hz is not None and not 0 < rate_hz < math.inf:
        raise UsageError(f"--rate-hz {rate_hz:g}: give a number of loops a second above 0")
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


def print_json(**parts: Any) -> None:
    """Print a JSON document."""
    from looptime.views.files import json

    print(json.dumps(json.document(**parts)))


def progress_of(unit: str = "") -> Callable[..., None] | None:
    """Tells on a terminal how much is done: a share, or so many of so many; None elsewhere."""
    if not sys.stderr.isatty():
        return None

    def tell(done: float, of: int | None = None) -> None:
        end = "\n" if done >= (1 if of is None else of) else ""
        said = f"{100 * done:.0f} %" if of is None else f"{done} of {of} {unit}"
        print(f"\rlooptime: {said}", end=end, file=sys.stderr, flush=True)

    return tell


def show(*parts: Any) -> None:
    """Print renderables, whatever the terminal can encode."""
    from looptime.views.text import terminal

    terminal.show(parts)


def options_text(asked: Asked, *, phase: bool = False) -> str:
    """The options under which a log is read, as they are typed behind a command."""
    named = (("--phase", asked.phase),) if phase and asked.phase is not None else ()
    return "".join(f" {shell_word(word)}" for words in (*named, *asked.options) for word in words)


def tell(
    asked: Asked, text: Text, told: Told, *whole: Run, needs: str = "",
    taken: str = "all together",
) -> None:  # fmt: skip
    """Print what a command says, the project file among its books.

    Also the phases of runs of which the `whole` is taken, and how: other commands take one alone.
    And what the project file names in vain, first of all where the answer `needs` that section.
    """
    from looptime.views.text.text_parts import labelled

    if there := _phases(asked, whole):
        told = told.with_books(labelled("phases", f"{there} loops, {taken}"))
    if asked.project.path is not None:
        found, said = _misfits(asked, needs)
        shown = str(asked.project.path)
        if found and text.full:
            names = listed([one.text for one in found], 99)
            shown += f" ({len(found)} of its names fit no call of this log: {names})"
        told = told.with_books(labelled("project", shown))
        if needs and needs in said:  # the answer rests on a guess in its place
            told = replace(told, why=(labelled("caution", said), *told.why))
        elif said:
            told = replace(told, why=(*told.why, labelled("note", said)))
    show(*told.without(is_own_step).parts(text.full, text.quiet))


def _misfits(asked: Asked, needs: str = "") -> tuple[tuple[Misfit, ...], str]:
    """Names of the project that fit no call of the logs read so far, and what is said of them.

    A command says it once.
    """
    if asked.project.path is None or not asked.names_read:
        return (), ""
    from looptime.questions.misfits import misfits, misfits_text

    found = misfits(asked.project, asked.names_read)
    asked.names_read.clear()
    return found, misfits_text(found, asked.project, needs)


class Commands(click.Group):
    """A group whose list of commands shows what each is for in full, in the order of the job."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Without a word after it, a group shows its help."""
        if not args:
            click.echo(ctx.get_help())
            ctx.exit()
        return super().parse_args(ctx, args)

    #: The module of each command that is not loaded before it is asked for.
    elsewhere: Mapping[str, str] = MappingProxyType({})

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order in which a team meets them."""
        return sorted({*self.commands, *self.elsewhere}, key=ORDER.index)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command by its name."""
        if cmd_name in self.elsewhere:
            import_module(self.elsewhere[cmd_name])
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """One row a command, its short help uncut."""
        found = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [(name, one.get_short_help_str(200)) for name, one in found if one is not None]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class _WithSummary(Commands):
    """The program itself: a log without a command before it is summarised."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put ``summary`` before a log, or before an option that is not the program's own."""
        first = args[0] if args else ""
        own = {"--version", *ctx.help_option_names}
        option = first.startswith("-") and first.partition("=")[0] not in own
        if option or (first not in self.list_commands(ctx) and _names_a_log(first)):
            args = ["summary", *args]
        return super().parse_args(ctx, args)


def _names_a_log(word: str) -> bool:
    """Whether a word looks like a path rather than a command."""
    return any(c in word for c in "./\\*") or (bool(word) and Path(word).exists())


#: Commands in the order of the job; those of a season by themselves.
ORDER = (
    "tour", "recorder", "summary", "slow", "plan", "heading", "control", "compare", "season",
    "gate", "pit", "watch", "columns", "report", "dashboard", "export", "explain", "guide", "help",
    "add", "list", "show", "baseline", "trends", "drop",
)  # fmt: skip


@click.group(
    cls=_WithSummary,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(looptime.__version__, prog_name="looptime")
def cli() -> None:
    """Where a robot's control loop spends its time, and what to do about it.

    Begin with `looptime tour`, or with `looptime LOG` on a log of your own: that is its summary.
    LOG is a file, a zip or a folder of them, or - for what is piped in.
    """
