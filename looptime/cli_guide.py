"""The commands that explain: reference pages, and single words with a log's own figures."""

from __future__ import annotations

import click

from looptime.cli_base import Text, cli, read, reads_logs, show
from looptime.errors import UsageError
from looptime.questions.asked import Asked

__all__ = ["explain", "guide"]


@cli.command()
@click.argument("topic", required=False, metavar="[TOPIC]")
def guide(topic: str | None) -> None:
    """Print a reference page; without a topic, list them.

    What does not fit into one screen stands there: layouts, the project file, JSON keys, exit
    codes, limits, safety.
    """
    from looptime import guide as pages
    from looptime.recorders import guide as recorders

    if topic == "recorders":
        print(recorders(), end="")
        return
    if topic is not None:
        try:
            print(pages.page(topic), end="")
        except ValueError as error:
            raise UsageError(str(error)) from error
        return
    for name, title in {**pages.topics(), "recorders": "Timing into the robot code"}.items():
        print(f"{name:<14}{title}")


@cli.command()
@click.argument("word")
@click.argument("log", required=False)
@reads_logs
def explain(asked: Asked, text: Text, word: str, log: str | None) -> None:
    """Explain a word that looptime prints, with a log's figures where one is named."""
    from looptime.guide.glossary import explain as look_up
    from looptime.guide.glossary import figures_of
    from looptime.views.text.terminal import plain

    found, near = look_up(word)
    if found is None:
        hint = f": did you mean {' or '.join(near)}?" if near else "; try a word of a table's head"
        raise UsageError(f"{word!r} is no word that looptime prints{hint}")
    show(plain(f"{found.name}: {found.text}", 500))
    if log is None:
        return
    from looptime.questions.timing import summary_of_log

    entry = summary_of_log(asked, read(asked, log)).to_dict()
    told = figures_of(found, entry, entry["runs"][0] if entry["runs"] else {})
    for what, value in told:
        show(plain(f"  {what}: {value}"))
    if not told and not text.quiet:
        show(plain("  This log has no figure of its own for it."))
