"""The season: where it lies, how its runs are named, and its commands."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from looptime.cli_base import (
    JSON,
    SEASON,
    UNUSABLE,
    CheckFailed,
    Commands,
    Text,
    cli,
    complain,
    finds_season,
    print_json,
    progress_of,
    reads_logs,
    tell,
)

if TYPE_CHECKING:
    from looptime.checks.season.season import Season
    from looptime.questions.asked import Asked

__all__ = ["QUERY", "season"]

#: How runs of a season are named, said below the help of a command.
QUERY = (
    "A QUERY names runs by robot=, version=, label= (with * and ?), phase=, since=, until=, "
    "last=N, baseline=yes, one or several: version=1.* last=5. An ENTRY is the beginning of an "
    "entry's name, as `looptime season list` shows it, or the name of its log."
)


def _season(asked: Asked) -> Season:
    from looptime.questions.judging import season as opened

    return opened(asked)


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
    asked: Asked,
    text: Text,
    logs: tuple[str, ...],
    robot: str | None,
    version: str | None,
    label: str | None,
    time: str | None,
    replace: bool,
    processes: int | None,
    scheduler: str | None,
    as_json: bool,
) -> None:
    """Add runs, whole folders of them, or another season.

    What is stored is a summary of a few kilobytes a run; the logs may be deleted afterwards. A log
    that is there already is not added again. With --phase, the runs of that phase are added: do
    so where the gate is to judge one phase.
    """
    from looptime.questions.judging import add_to_season
    from looptime.views.text.season_text import render_added

    labels = {"robot": robot, "version": version, "label": label, "time": time}
    results = add_to_season(
        asked, logs, labels=labels, progress=_progress, replace=replace, processes=processes,
        scheduler=scheduler,
    )  # fmt: skip
    if as_json:
        print_json(added=results)
    else:
        for result in results:
            tell(asked, text, render_added(result))
    for result in results:
        for error in result.errors.values():
            complain(f"not added: {error}")
    if any(result.errors for result in results):
        raise CheckFailed(UNUSABLE)


def _progress(total: int) -> Callable[[int, int], None] | None:
    return None if total < 4 else progress_of("logs")


@season.command("list", epilog=QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@JSON
@finds_season
def season_list(asked: Asked, text: Text, query: tuple[str, ...], as_json: bool) -> None:
    """The runs that are stored."""
    from looptime.views.text.season_text import render_season

    store = _season(asked)
    found = store.select(" ".join(query)) if query else store.entries()
    if as_json:
        print_json(entries=[e.to_dict() for e in found], damaged=store.damaged)
    else:
        tell(asked, text, render_season(found, store.damaged, asked.season))


@season.command("show", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@JSON
@finds_season
def season_show(asked: Asked, text: Text, query: tuple[str, ...], as_json: bool) -> None:
    """Everything that is stored of some runs."""
    from looptime.questions.judging import stored, totals
    from looptime.views.text.season_text import render_entry, render_totals

    store = _season(asked)
    entries = [store.load(name) for name in store.names(list(query))]
    if as_json:
        print_json(entries=[stored(entry) for entry in entries])
        return
    if len(entries) > 1:
        tell(asked, text, render_totals(totals(entries)))
    for entry in entries:
        tell(asked, text, render_entry(entry))


@season.command("drop", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@finds_season
def season_drop(asked: Asked, text: Text, query: tuple[str, ...]) -> None:
    """Take runs out of the season."""
    from looptime.views.text.terminal import count
    from looptime.views.text.told import Told

    store = _season(asked)
    tell(asked, text, Told(f"{count(store.drop(store.names(list(query))), 'run')} dropped"))


@season.command("baseline", epilog=QUERY)
@click.argument("query", nargs=-1, required=True, metavar="ENTRY|QUERY")
@click.option("--remove", is_flag=True, help="Take the mark away.")
@finds_season
def season_baseline(asked: Asked, text: Text, query: tuple[str, ...], remove: bool) -> None:
    """Mark the runs that the gate holds new ones against."""
    from looptime.questions.judging import baseline_lacks
    from looptime.views.text.terminal import count
    from looptime.views.text.told import Told

    store = _season(asked)
    names = store.names(list(query))
    store.mark_baseline(names, on=not remove)
    done = "no longer in the baseline" if remove else "marked as baseline"
    which = ", ".join(name[:8] for name in names)
    tell(asked, text, Told(f"{count(len(names), 'run')} {done}: {which}{baseline_lacks(store)}"))


@season.command("trends", epilog=QUERY)
@click.argument("query", nargs=-1, metavar="[QUERY]")
@JSON
@finds_season
def season_trends(asked: Asked, text: Text, query: tuple[str, ...], as_json: bool) -> None:
    """How pace and calls moved over the runs and code versions."""
    from looptime.questions.judging import left_out, trends
    from looptime.views.text.season_text import render_trends

    store = _season(asked)
    made, spread = trends(store, " ".join(query))
    if as_json:
        print_json(trends=made, robots=spread, damaged=store.damaged)
    else:
        tell(asked, text, render_trends(made, spread, left_out(store)))
