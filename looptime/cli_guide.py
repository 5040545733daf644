"""The commands that explain or hand out: reference pages, words, help, recorders."""

import textwrap
from pathlib import Path

import click

from looptime.cli_base import Commands, Text, cli, read, reads_logs, show
from looptime.errors import UsageError, near, nearest
from looptime.files import write_whole
from looptime.questions.asked import Asked

__all__ = ["explain", "guide", "help_", "recorder"]


@cli.command()
@click.argument("topic", required=False, metavar="[TOPIC]")
def guide(topic: str | None) -> None:
    """Print a reference page; without a topic, list them.

    What does not fit into one screen stands there: layouts, the project file, JSON keys, exit
    codes, limits, safety.
    """
    from looptime import guide as pages
    from looptime.recorders import guide as recorders

    there = {**pages.topics(), "recorders": "Timing into the robot code"}
    if topic is None:
        for name, title in there.items():
            print(f"{name:<14}{title}")
    elif topic not in there:
        meant = near(topic, there)
        hint = "" if meant is None else f"the nearest is {meant!r}; "
        raise UsageError(f"there is no guide {topic!r}; {hint}there are {', '.join(there)}")
    else:
        print(recorders() if topic == "recorders" else pages.page(topic), end="")


@cli.command()
@click.argument("words", nargs=-1, metavar="[WORD...] [LOG]")
@reads_logs
def explain(asked: Asked, text: Text, words: tuple[str, ...]) -> None:
    """Explain a word that looptime prints, with a log's figures where one is named behind it.

    What is printed as several words may be typed so: explain reading age LOG. Without a word, list
    them.
    """
    from looptime.guide.glossary import WORDS, figures_of, find, why_none
    from looptime.views.text.terminal import plain
    from looptime.views.text.text_parts import hanging

    if not words:
        names = sorted({each.name for each in WORDS.values()}, key=str.lower)
        print("\n".join(textwrap.wrap(", ".join(names), 100, break_on_hyphens=False)))
        return
    word, log = _word_and_log(words)
    found = find(word)
    if found is None:
        meant = near(word, WORDS)
        hint = "" if meant is None else f"the nearest is {meant!r}; "
        raise UsageError(
            f"{word!r} is no word that looptime prints; {hint}looptime explain lists them"
        )
    show(plain(f"{found.name}: {found.text}", 500))
    if log is None:
        return
    from looptime.questions.timing import summary_of_log

    entry = summary_of_log(asked, read(asked, log)).to_dict()
    run = entry["runs"][0] if entry["runs"] else {}
    told = figures_of(found, entry, run)
    for what, value in told:
        show(plain(f"  {what}: {value}"))
    if not told and not text.quiet:
        show(hanging("  ", f"No figure of this log: {why_none(found, run)}."))


def _word_and_log(words: tuple[str, ...]) -> tuple[str, str | None]:
    """What is to be explained, and the log: the last word where the others are one, or the first.

    A word of several that nobody knows is taken whole, unless a file is named behind it, or what
    can be nothing but one.
    """
    from looptime.guide.glossary import find

    whole, first, last = " ".join(words), words[:1], words[-1:]
    if find(whole) is not None or len(words) == 1:
        return whole, None
    for phrase, log in ((words[:-1], last), (words[1:], first)):
        named = " ".join(phrase)
        known = find(named) is not None and log == last and any(c in log[0] for c in "./\\")
        if Path(log[0]).exists() or known:
            return named, log[0]
    return whole, None


@cli.command("help")
@click.argument("words", nargs=-1, metavar="[COMMAND]")
@click.pass_context
def help_(ctx: click.Context, words: tuple[str, ...]) -> None:
    """Say what a command does and takes."""
    assert ctx.parent is not None
    at, command = ctx.parent, ctx.parent.command
    for word in words:
        found = command.get_command(at, word) if isinstance(command, click.Group) else None
        if found is None:
            within = f"{at.command_path} " if at.parent is not None else ""
            there = command.list_commands(at) if isinstance(command, Commands) else []
            hint = f"; {nearest(word, there)}" if there else ""
            raise UsageError(f"help: there is no command {within}{word}{hint}")
        command, at = found, click.Context(found, at, found.name)
    click.echo(command.get_help(at))


@cli.command()
@click.argument("language", required=False, metavar="LANGUAGE")
@click.option("--list", "listed", is_flag=True, help="The languages there are.")
@click.option("--guide", is_flag=True, help="Print the guide (Markdown).")
@click.option("--out", metavar="FOLDER", help="Write the source file into FOLDER.")
def recorder(language: str | None, listed: bool, guide: bool, out: str | None) -> None:
    """Print the recorder that a team puts into its robot code.

    LANGUAGE is java, cpp, python or micropython. --guide prints what to mark, how to get the log
    off the robot, and a whole example for each.
    """
    from looptime import recorders

    sources = recorders.sources()
    if listed:
        for name, path in sources.items():
            print(f"{name:<14}{path.name}")
        return
    if guide:
        print(recorders.guide(), end="")
        return
    if language is None:
        raise UsageError(f"name a language: {', '.join(sources)}")
    if language not in sources:
        raise UsageError(
            f"no recorder for {language!r}: there is one for {', '.join(sources)}; a small board "
            "that is programmed in C or C++ takes cpp, by 'C++ on a bare microcontroller' in "
            "looptime recorder --guide; in another language write rows as in looptime guide layouts"
        )
    text = recorders.read_source(language)
    if out is None:
        print(text, end="")
        return
    target = Path(out) / sources[language].name
    if target.parent.exists() and not target.parent.is_dir():
        raise UsageError(f"--out {out}: is a file: name a folder")
    from looptime.views.text.terminal import safe

    write_whole(target, text, new=True, folders=True)
    print(safe(str(target), longest=2000))
