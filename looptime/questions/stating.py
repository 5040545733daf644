"""What was understood of a log's columns, and stating it once and for all."""

from dataclasses import replace
from pathlib import Path

from looptime.errors import UsageError
from looptime.files import write_whole
from looptime.parsers.columns_taken import ColumnsTaken, ColumnTaken, columns_taken
from looptime.project import FILE_NAME
from looptime.questions.asked import Asked
from looptime.questions.doors import at_hand
from looptime.stated_columns import matching

__all__ = ["ColumnTaken", "ColumnsTaken", "columns", "state_columns"]


def columns(asked: Asked, path: str) -> ColumnsTaken:
    """What the columns of a log are taken for, and why.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    path : str
        The log.

    Raises
    ------
    LogError
        If the log cannot be read as it stands.
    """
    with at_hand(path) as place:
        found = columns_taken(place, project=asked.project, cache=asked.cache, **asked.reading)
    return replace(found, path=path)


def state_columns(asked: Asked, found: ColumnsTaken) -> Path:
    """Add what was understood to the project file, the nearest one or a new one here.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UsageError
        If the file states this header already, or the rows of the log are no loops.
    """
    path = asked.project.path or Path(FILE_NAME)
    names = [one.name for one in found.columns]
    header = names if any(names) else None
    if matching(asked.project.columns, header, len(names), found.path) is not None:
        raise UsageError(f"{path}: states the columns of this header already; change them there")
    text = found.stated()
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    gap = "" if not before else "\n" if before.endswith("\n") else "\n\n"
    write_whole(path, before + gap + text)
    return path
