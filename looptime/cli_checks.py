"""The commands that judge change: compare and gate."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from looptime.cli_base import (
    JSON,
    NOT_ENOUGH,
    SEASON,
    UNUSABLE,
    CheckFailed,
    Text,
    cli,
    complain,
    options_text,
    print_json,
    read,
    reads_logs,
    tell,
)
from looptime.cli_season import QUERY
from looptime.files import write_whole
from looptime.questions.doors import logs_in

if TYPE_CHECKING:
    from looptime.questions.asked import Asked

__all__ = ["compare", "gate"]


#: How `pit` takes the phases of a log.
_TAKEN = "each judged by itself, all together against limits and season (--phase NAME: one alone)"


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
        if len(args) > 1 and "--against" not in args and not {"--help", "-h"} & {*args}:
            raise click.UsageError(
                "which logs are held against which? looptime compare BEFORE... --against AFTER...",
                ctx,
            )
        return super().parse_args(ctx, spread)


@cli.command(cls=_TwoSides, epilog=QUERY)
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
@SEASON
@JSON
@reads_logs
def compare(
    asked: Asked,
    text: Text,
    before: tuple[str, ...],
    after: tuple[str, ...],
    history: str | None,
    as_json: bool,
) -> None:
    """Whether the loop got slower or faster, and whether one may say so.

    Three recordings before and three after, in the order ABBA or at random, can tell a change of
    the code from the scatter between runs; one a side can only say that two recordings differ.
    Exit 0: a verdict; 3: can't tell.
    """
    from looptime.questions.judging import compare as ask

    found = ask(asked, before, after, history=history)
    if as_json:
        print_json(**found.to_dict())
    else:
        from looptime.views.text.checks_text import render_comparison

        tell(asked, text, render_comparison(found, options_text(asked)))
    if found.verdict == "can't tell":
        raise CheckFailed(NOT_ENOUGH)


@cli.command(epilog=QUERY)
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@click.option(
    "--baseline", metavar="QUERY", help="Season's runs to hold against; else those marked."
)
@click.option("--unsure", type=click.Choice(["pass", "fail"]), help="What can't tell counts as.")
@click.option("--junit", metavar="FILE", help="Write the verdicts as JUnit XML.")
@click.option("--markdown", metavar="FILE", help="Write the table as Markdown.")
@click.option("--all", "all_rows", is_flag=True, help="Show every row.")
@SEASON
@JSON
@reads_logs
def gate(
    asked: Asked,
    text: Text,
    logs: tuple[str, ...],
    baseline: str | None,
    unsure: str | None,
    junit: str | None,
    markdown: str | None,
    all_rows: bool,
    as_json: bool,
) -> None:
    """Check new runs against limits and against the season's baseline.

    Limits stand in looptime.toml under [limits]. Exit 0: pass; 1: fail; 3: can't tell.
    """
    from looptime.questions.judging import gate as ask
    from looptime.views.files.junit import junit_xml
    from looptime.views.files.markdown import gate_markdown
    from looptime.views.text.checks_text import render_gate

    unread: dict[str, str] = {}
    found = ask(asked, logs, query=baseline, unsure=unsure, unread=unread)
    for why in unread.values():
        complain(why)
    _write(junit, lambda: junit_xml(found))
    _write(markdown, lambda: gate_markdown(found))
    if as_json:
        bad = [{"path": path, "error": why} for path, why in unread.items()]
        print_json(**found.to_dict(), **({"logs": bad} if bad else {}))
    else:
        tell(asked, text, render_gate(found, all_rows))
    if found.exit_code or unread:
        raise CheckFailed(UNUSABLE if unread else found.exit_code)


@cli.command(epilog=QUERY)
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@click.option(
    "--baseline", metavar="QUERY", help="Season's runs to hold against; else those marked."
)
@SEASON
@JSON
@reads_logs
def pit(
    asked: Asked, text: Text, logs: tuple[str, ...], baseline: str | None, as_json: bool
) -> None:
    """The checklist before a round, on one screen, with one next action.

    Is the log sound, pace, limits, gate, calls, timeouts, stale sensors, version and battery.
    Exit: 0 ready as far as judged; 1 not ready; 3 the gate can't tell.
    """
    from looptime.questions.pit_check import pit as ask
    from looptime.views.text.pit_text import render_pit

    given = [read(asked, log) for log in logs_in(logs)]
    found = ask(asked, given, query=baseline)
    if as_json:
        print_json(**found.to_dict())
    else:
        runs = [run for log in given for run in log.runs]
        tell(asked, text, render_pit(found), *runs, taken=_TAKEN)
    if found.exit_code:
        raise CheckFailed(found.exit_code)


def _write(path: str | None, made: Callable[[], str]) -> None:
    if path is not None:
        write_whole(path, made())
