"""The next step that a command names is another one: never what has just been run."""

import shlex
from pathlib import PurePath

import click

__all__ = ["is_own_step"]

#: Options that only say how much is shown, or in which form.
_SHOWN = ("full", "quiet", "top", "all_rows", "as_json", "no_cache", "progress")


def is_own_step(line: str) -> bool:
    """Whether a command line is the one that is running, but for how much of it is shown.

    Parameters
    ----------
    line : str
        As it is printed to be pasted: it begins with the name of the program.
    """
    running = click.get_current_context(silent=True)
    if running is None or running.parent is None:
        return False
    words = shlex.split(line)[1:]
    names = [one.info_name for one in _down_to(running)]
    if words[: len(names)] != names:
        return False
    try:
        at = running.command.make_context(
            names[-1], words[len(names) :], parent=running.parent, resilient_parsing=True
        )
    except click.ClickException:  # what does not parse is not what runs
        return False
    return _asked(at) == _asked(running)


def _down_to(running: click.Context) -> list[click.Context]:
    """The contexts from below the program down to the command that runs."""
    below: list[click.Context] = []
    at: click.Context | None = running
    while at is not None and at.parent is not None:
        below.insert(0, at)
        at = at.parent
    return below


def _asked(context: click.Context) -> dict[str, object]:
    """What a command is asked, its paths spelled alike."""
    return {name: _alike(value) for name, value in context.params.items() if name not in _SHOWN}


def _alike(value: object) -> object:
    if isinstance(value, tuple):
        return tuple(map(_alike, value))
    return PurePath(value).as_posix() if isinstance(value, str) else value
