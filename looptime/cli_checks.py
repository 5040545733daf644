"""The commands that judge change: compare, gate, season."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import (
    NOT_ENOUGH,
    UNUSABLE,
    CheckFailed,
    Commands,
    Reading,
    cli,
    complain,
    finds_season,
    reads_logs,
    say_project,
    show,
)
from looptime.errors import UsageError

if TYPE_CHECKING:
    from looptime.checks.recording import Settings
    from looptime.checks.season import Season
    from looptime.checks.sources import LogReader
    from looptime.checks.values import RunValues

__all__ = ["compare", "gate", "season", "season_beside"]


class _TwoSides(click.Command):
    """A command in which ``--against`` takes all the words up to the next option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Give every word of the second side an ``--against`` of its own."""
        spread: list[str] = []
        second = False
        for word in args:
            if word.startswith("-"):
                second = word == "--against"
                spread += [] if second else [word]
            else:
                spread += ["--against", word] if second else [word]
        return super().parse_args(ctx, spread)


def _reader(reading: Reading) -> LogReader:
    from looptime.checks.sources import LogReader

    keys = ("project", "unit", "layout", "columns", "loop_call", "phase", "from_s", "to_s", "where")
    given = {key: getattr(reading, key) for key in keys}
    return LogReader(**given, cache=not reading.no_cache)


def _settings(reading: Reading, **labels: Any) -> Settings:
    from looptime.checks.recording import Settings

    return Settings(
        budget_ms=reading.budget,
        serious_ms=reading.project.serious_ms,
        keep_warmup=reading.keep_warmup,
        **labels,
    )


def _season_folder(given: str | None, reading: Reading) -> Path:
    """The season's folder: as given, else beside the project file, else here."""
    if given is not None:
        return Path(given)
    beside = reading.project.path
    return (beside.parent if beside is not None else Path()) / "season"


def season_beside(given: str | None, reading: Reading) -> Season | None:
    """The season where there is one."""
    from looptime.checks.season import Season

    folder = _season_folder(given, reading)
    if given is None and not Season.is_season(folder):
        return None
    return Season(folder)


_SEASON = click.option(
    "--season",
    "season_folder",
    metavar="FOLDER",
    help="Season's folder; without it `season` beside the project file, or here.",
)
_QUERY = (
    "A QUERY names runs by robot=, version=, label= (with * and ?), phase=, since=, until=, "
    "last=N, baseline=yes, one or several: version=1.* last=5. An ENTRY is the beginning of an "
    "entry's name, as `looptime season list` shows it."
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Figures as JSON.")


@cli.command(cls=_TwoSides, epilog=_QUERY)
@click.argument("before", nargs=-1, required=True, metavar="BEFORE...")
@click.option(
    "--against",
    "after",
    multiple=True,
    required=True,
    metavar="AFTER...",
    help="Logs recorded after.",
)
@click.option(
    "--history",
    metavar="QUERY",
    help="Season's runs that tell the usual scatter; else the baseline.",
)
@_SEASON
@_JSON
@reads_logs
def compare(
    reading: Reading,
    before: tuple[str, ...],
    after: tuple[str, ...],
    history: str | None,
    season_folder: str | None,
    as_json: bool,
) -> None:
    """Whether the loop got slower or faster, and whether one may say so.

    Three recordings before and three after, in the order ABBA or at random, can tell a change of
    the code from the scatter between runs; one a side can only say that two recordings differ.
    Exit 0: a verdict; 3: can't tell.
    """
    from looptime.checks.change import Tolerance
    from looptime.checks.compare import compare as judge
    from looptime.checks.gate import choose_baseline
    from looptime.checks.sources import load_side
    from looptime.views import json

    store = season_beside(season_folder, reading)
    reader = _reader(reading)
    sides = [load_side(words, reader, store) for words in (before, after)]
    if history is not None and store is None:
        raise UsageError("--history needs a season: name one with --season")
    past = []
    if store is not None:
        past = choose_baseline(store, [*sides[0], *sides[1]], history, reading.project.robot)
    found = judge(
        sides[0],
        sides[1],
        settings=_settings(reading),
        history=past,
        tolerance=Tolerance.of(reading.project.regression),
    )
    if as_json:
        print(json.dumps(json.document(**found.to_dict())))
    else:
        from looptime.views.checks_text import render_comparison

        say_project(reading)
        show(*render_comparison(found))
    if found.verdict == "can't tell":
        raise CheckFailed(NOT_ENOUGH)


@cli.command(epilog=_QUERY)
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@click.option(
    "--baseline", metavar="QUERY", help="Season's runs to hold against; else those marked."
)
@click.option("--unsure", type=click.Choice(["pass", "fail"]), help="What can't tell counts as.")
@click.option("--junit", metavar="FILE", help="Write the verdicts as JUnit XML.")
@click.option("--markdown", metavar="FILE", help="Write the table as Markdown.")
@click.option("--all", "all_rows", is_flag=True, help="Show every row.")
@_SEASON
@_JSON
@reads_logs
def gate(
    reading: Reading,
    logs: tuple[str, ...],
    baseline: str | None,
    unsure: str | None,
    junit: str | None,
    markdown: str | None,
    all_rows: bool,
    season_folder: str | None,
    as_json: bool,
) -> None:
    """Check new runs against limits and against the season's baseline.

    Limits stand in looptime.toml under [limits]. Exit 0: pass; 1: fail; 3: can't tell.
    """
    from looptime.checks.change import Tolerance
    from looptime.checks.gate import choose_baseline
    from looptime.checks.gate import gate as judge
    from looptime.checks.sources import load_side
    from looptime.views import json
    from looptime.views.checks_text import render_gate
    from looptime.views.junit import junit_xml
    from looptime.views.markdown import gate_markdown

    store = season_beside(season_folder, reading)
    new = load_side(logs, _reader(reading), store)
    if baseline is not None and store is None:
        raise UsageError("--baseline needs a season: name one with --season")
    old = [] if store is None else choose_baseline(store, new, baseline, reading.project.robot)
    found = judge(
        new,
        old,
        limits=reading.project.limits,
        tolerance=Tolerance.of(reading.project.regression),
        settings=_settings(reading, robot=reading.project.robot),
        unsure=unsure,
    )
    _write(junit, lambda: junit_xml(found))
    _write(markdown, lambda: gate_markdown(found))
    if as_json:
        print(json.dumps(json.document(**found.to_dict())))
    else:
        say_project(reading)
        show(*render_gate(found, all_rows))
    if found.exit_code:
        raise CheckFailed(found.exit_code)


def _write(path: str | None, made: Any) -> None:
    if path is None:
        return
    try:
        Path(path).write_text(made(), encoding="utf-8", newline="\n")
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error


@cli.group(cls=Commands)
def season() -> None:
    """A season's runs: add, list, show, drop, baseline, trends."""


@season.command("add")
@click.argument("logs", nargs=-1, required=True, metavar="LOG|FOLDER|SEASON...")
@click.option("--robot", help="Robot, where the log does not say.")
@click.option("--version", help="Code version, instead of the log's.")
@click.option("--label", help="A word for these runs, instead of the log's.")
@click.option("--time", help="When they were recorded (ISO 8601), instead of the log's.")
@click.option("--replace", is_flag=True, help="Measure again what is already there.")
@click.option("--processes", type=click.IntRange(1), metavar="N", help="Processes to use.")
@click.option("--scheduler", metavar="tcp://HOST:PORT", help="A Dask scheduler to use.")
@_SEASON
@_JSON
@reads_logs
def season_add(
    reading: Reading,
    logs: tuple[str, ...],
    robot: str | None,
    version: str | None,
    label: str | None,
    time: str | None,
    replace: bool,
    processes: int | None,
    scheduler: str | None,
    season_folder: str | None,
    as_json: bool,
) -> None:
    """Add runs, whole folders of them, or another season.

    What is stored is a summary of a few kilobytes a run; the logs may be deleted afterwards. A log
    that is there already is not added again. With --phase, the runs of that phase are added: do
    so where the gate is to judge one phase.
    """
    from looptime.checks.adding import add_logs, add_season
    from looptime.checks.facts import parse_time
    from looptime.checks.season import Season
    from looptime.checks.sources import find_logs
    from looptime.checks.workers import Job
    from looptime.views import json
    from looptime.views.checks_text import render_added

    if time is not None and parse_time(time) is None:
        raise UsageError(f"--time {time!r}: write it as 2026-03-01 or 2026-03-01T09:30")
    store = Season(_season_folder(season_folder, reading), create=True)
    reader = _reader(reading)
    settings = _settings(reading, robot=robot, version=version, label=label, time=time)
    jobs, others = [], []
    for word in logs:
        if Path(word).is_dir() and Season.is_season(word):
            others.append(Season(word))
        else:
            found = find_logs(word) if Path(word).is_dir() else [word]
            jobs += [Job(path, reader, settings, reader.part) for path in found]
    results = [add_season(store, other, replace) for other in others]
    if jobs:
        results.append(
            add_logs(
                store, jobs, processes=processes, scheduler=scheduler, replace=replace,
                progress=_progress(len(jobs)),
            )
        )  # fmt: skip
    if as_json:
        print(json.dumps(json.document(added=[result.to_dict() for result in results])))
    else:
        for result in results:
            show(*render_added(result))
    for result in results:
        for error in result.errors.values():
            complain(f"not added: {error}")
    if any(result.errors for result in results):
        raise CheckFailed(UNUSABLE)


def _progress(total: int) -> Any:
    if total < 4 or not sys.stderr.isatty():
        return None

    def tell(done: int, of: int) -> None:
        end = "\n" if done == of else ""
        print(f"\rlooptime: {done} of {of} logs", end=end, file=sys.stderr, flush=True)

    return tell


@season.command("list", epilog=_QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@_SEASON
@_JSON
@finds_season
def season_list(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """The runs that are stored."""
    from looptime.views import json
    from looptime.views.checks_text import render_season

    store = _open(season_folder, reading)
    found = store.select(" ".join(query)) if query else store.entries()
    if as_json:
        print(
            json.dumps(json.document(entries=[e.to_dict() for e in found], damaged=store.damaged))
        )
    else:
        show(*render_season(found, store.damaged))


def _open(given: str | None, reading: Reading) -> Season:
    from looptime.checks.season import Season

    return Season(_season_folder(given, reading))


@season.command("show", epilog=_QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@_SEASON
@_JSON
@finds_season
def season_show(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """Everything that is stored of some runs."""
    from looptime.analysers.figure import to_json
    from looptime.views import json
    from looptime.views.checks_text import render_entry, render_totals

    store = _open(season_folder, reading)
    entries = [store.load(name) for name in store.names(list(query))]
    if as_json:
        shown = [{"entry": e.name, "facts": to_json(e.facts), "values": _stored(e.values)}
                 for e in entries]  # fmt: skip
        print(json.dumps(json.document(entries=shown)))
        return
    for entry in entries:
        show(*render_entry(entry))
    if len(entries) > 1:
        from looptime.checks.merge import merged

        show(*render_totals(merged([entry.values for entry in entries])))


def _stored(values: RunValues) -> dict[str, Any]:
    """All that is stored of a run, its histograms as a list: their keys are no text."""
    from looptime.analysers.figure import to_json

    made: dict[str, Any] = to_json(replace(values, histograms={}))
    made["histograms"] = [
        {"quantity": quantity, "name": name, "thread": thread, **to_json(counts)}
        for (quantity, name, thread), counts in sorted(values.histograms.items())
    ]
    return made


@season.command("drop", epilog=_QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@_SEASON
@finds_season
def season_drop(reading: Reading, query: tuple[str, ...], season_folder: str | None) -> None:
    """Take runs out of the season."""
    from looptime.views.terminal import count

    store = _open(season_folder, reading)
    show(f"{count(store.drop(store.names(list(query))), 'run')} dropped")


@season.command("baseline", epilog=_QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@click.option("--remove", is_flag=True, help="Take the mark away.")
@_SEASON
@finds_season
def season_baseline(
    reading: Reading, query: tuple[str, ...], remove: bool, season_folder: str | None
) -> None:
    """Mark the runs that the gate holds new ones against."""
    from looptime.views.terminal import count

    store = _open(season_folder, reading)
    names = store.names(list(query))
    store.mark_baseline(names, on=not remove)
    done = "no longer in the baseline" if remove else "marked as baseline"
    show(f"{count(len(names), 'run')} {done}: {', '.join(name[:8] for name in names)}")


@season.command("trends", epilog=_QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@_SEASON
@_JSON
@finds_season
def season_trends(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """How pace and calls moved over the runs and code versions."""
    from looptime.analysers.figure import to_json
    from looptime.checks.trends import season_trends as find
    from looptime.views import json
    from looptime.views.checks_text import render_trends

    made, spread = find(_open(season_folder, reading), " ".join(query) or None)
    if as_json:
        trends = [t.to_dict() for t in made]
        print(json.dumps(json.document(trends=trends, robots=to_json(list(spread)))))
    else:
        show(*render_trends(made, spread))
