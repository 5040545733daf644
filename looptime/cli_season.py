"""The season: where it lies, how its runs are named, and its commands."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import (
    JSON,
    UNUSABLE,
    CheckFailed,
    Commands,
    Reading,
    cli,
    complain,
    finds_season,
    reads_logs,
    show,
)
from looptime.errors import UsageError

if TYPE_CHECKING:
    from looptime.checks.recording.figures import RunValues
    from looptime.checks.recording.recording import Settings
    from looptime.checks.season.season import Season
    from looptime.checks.sources import LogReader

__all__ = ["QUERY", "SEASON", "log_reader", "season", "season_beside", "settings_of"]


def log_reader(reading: Reading) -> LogReader:
    """What reads the logs of a side or of a season."""
    from looptime.checks.sources import LogReader

    keys = ("project", "unit", "layout", "columns", "loop_call", "phase", "from_s", "to_s", "where")
    given = {key: getattr(reading, key) for key in keys}
    return LogReader(**given, cache=not reading.no_cache)


def settings_of(reading: Reading, **labels: str | None) -> Settings:
    """How runs are judged, with labels that the logs do not say themselves."""
    from looptime.checks.recording.recording import Settings

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
    from looptime.checks.season.season import Season

    folder = _season_folder(given, reading)
    if given is None and not Season.is_season(folder):
        return None
    return Season(folder)


#: Where the season lies.
SEASON = click.option(
    "--season",
    "season_folder",
    metavar="FOLDER",
    help="Season's folder; without it `season` beside the project file, or here.",
)
#: How runs of a season are named, said below the help of a command.
QUERY = (
    "A QUERY names runs by robot=, version=, label= (with * and ?), phase=, since=, until=, "
    "last=N, baseline=yes, one or several: version=1.* last=5. An ENTRY is the beginning of an "
    "entry's name, as `looptime season list` shows it."
)


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
@SEASON
@JSON
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
    from looptime.checks.recording.facts import parse_time
    from looptime.checks.season.adding import add_logs, add_season
    from looptime.checks.season.season import Season
    from looptime.checks.season.workers import Job
    from looptime.checks.sources import find_logs
    from looptime.views.files import json
    from looptime.views.text.season_text import render_added

    if time is not None and parse_time(time) is None:
        raise UsageError(f"--time {time!r}: write it as 2026-03-01 or 2026-03-01T09:30")
    store = Season(_season_folder(season_folder, reading), create=True)
    reader = log_reader(reading)
    settings = settings_of(reading, robot=robot, version=version, label=label, time=time)
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
        from looptime.analysers.estimate import to_json

        print(json.dumps(json.document(added=to_json(results))))
    else:
        for result in results:
            show(*render_added(result))
    for result in results:
        for error in result.errors.values():
            complain(f"not added: {error}")
    if any(result.errors for result in results):
        raise CheckFailed(UNUSABLE)


def _progress(total: int) -> Callable[[int, int], None] | None:
    if total < 4 or not sys.stderr.isatty():
        return None

    def tell(done: int, of: int) -> None:
        end = "\n" if done == of else ""
        print(f"\rlooptime: {done} of {of} logs", end=end, file=sys.stderr, flush=True)

    return tell


@season.command("list", epilog=QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@SEASON
@JSON
@finds_season
def season_list(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """The runs that are stored."""
    from looptime.views.files import json
    from looptime.views.text.season_text import render_season

    store = _open(season_folder, reading)
    found = store.select(" ".join(query)) if query else store.entries()
    if as_json:
        print(
            json.dumps(json.document(entries=[e.to_dict() for e in found], damaged=store.damaged))
        )
    else:
        show(*render_season(found, store.damaged))


def _open(given: str | None, reading: Reading) -> Season:
    from looptime.checks.season.season import Season

    return Season(_season_folder(given, reading))


@season.command("show", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@SEASON
@JSON
@finds_season
def season_show(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """Everything that is stored of some runs."""
    from looptime.analysers.estimate import to_json
    from looptime.views.files import json
    from looptime.views.text.season_text import render_entry, render_totals

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
        from looptime.checks.season.merge import merged

        show(*render_totals(merged([entry.values for entry in entries])))


def _stored(values: RunValues) -> dict[str, Any]:
    """All that is stored of a run, its histograms as a list: their keys are no text."""
    from looptime.analysers.estimate import to_json

    made: dict[str, Any] = to_json(replace(values, histograms={}))
    made["histograms"] = [
        {"quantity": quantity, "name": name, "thread": thread, **to_json(counts)}
        for (quantity, name, thread), counts in sorted(values.histograms.items())
    ]
    return made


@season.command("drop", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@SEASON
@finds_season
def season_drop(reading: Reading, query: tuple[str, ...], season_folder: str | None) -> None:
    """Take runs out of the season."""
    from looptime.views.text.terminal import count

    store = _open(season_folder, reading)
    show(f"{count(store.drop(store.names(list(query))), 'run')} dropped")


@season.command("baseline", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@click.option("--remove", is_flag=True, help="Take the mark away.")
@SEASON
@finds_season
def season_baseline(
    reading: Reading, query: tuple[str, ...], remove: bool, season_folder: str | None
) -> None:
    """Mark the runs that the gate holds new ones against."""
    from looptime.views.text.terminal import count

    store = _open(season_folder, reading)
    names = store.names(list(query))
    store.mark_baseline(names, on=not remove)
    done = "no longer in the baseline" if remove else "marked as baseline"
    show(f"{count(len(names), 'run')} {done}: {', '.join(name[:8] for name in names)}")


@season.command("trends", epilog=QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@SEASON
@JSON
@finds_season
def season_trends(
    reading: Reading, query: tuple[str, ...], season_folder: str | None, as_json: bool
) -> None:
    """How pace and calls moved over the runs and code versions."""
    from looptime.analysers.estimate import to_json
    from looptime.checks.season.trends import season_trends as find
    from looptime.views.files import json
    from looptime.views.text.season_text import render_trends

    made, spread = find(_open(season_folder, reading), " ".join(query) or None)
    if as_json:
        trends = [t.to_dict() for t in made]
        print(json.dumps(json.document(trends=trends, robots=to_json(list(spread)))))
    else:
        show(*render_trends(made, spread))
