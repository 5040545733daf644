"""What stands on a side of a check: logs, folders of logs, or the entries that a query names."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from looptime.checks.compare.sides import Item
from looptime.checks.season.query import is_query
from looptime.checks.season.season import Season
from looptime.checks.season.workers import Reader
from looptime.errors import UsageError

__all__ = ["find_logs", "load_side"]

_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".gz", ".zst"}


def find_logs(folder: str | Path) -> list[str]:
    """The logs in a folder and below it, in name order; hidden ones and seasons left out.

    Raises
    ------
    UsageError
        If there are none.
    """
    root = Path(folder)
    found = []
    for here, folders, files in os.walk(root):
        folders[:] = sorted(
            f for f in folders if not f.startswith(".") and not Season.is_season(Path(here, f))
        )
        for name in sorted(files):
            if not name.startswith(".") and Path(name).suffix.lower() in _SUFFIXES:
                found.append(str(Path(here, name)))
    if not found:
        raise UsageError(f"{root}: holds no logs ({', '.join(sorted(_SUFFIXES))})")
    return found


def load_side(words: Sequence[str], reader: Reader, season: Season | None = None) -> list[Item]:
    """The runs that some words name: paths of logs, folders of them, or queries of a season.

    Parameters
    ----------
    words : sequence of str
        Paths and queries, in any mix.
    reader : callable
        From a path to its runs, for example `Asked.parts`.
    season : Season, optional
        Where queries are looked up.

    Raises
    ------
    UsageError
        If a query is given without a season, or names nothing, or a folder holds no logs.
    LogError
        If a log cannot be read.
    """
    items: list[Item] = []
    for word in words:
        if is_query(word) and not Path(word).exists():
            if season is None:
                raise UsageError(f"query {word!r}: there is no season here: name one with --season")
            items += [season.load(entry.name).values for entry in season.select(word)]
        elif Path(word).is_dir():
            if Season.is_season(word):
                other = Season(word)
                items += [other.load(entry.name).values for entry in other.entries()]
            else:
                items += [run for path in find_logs(word) for run in reader(path)]
        else:
            items += reader(word)
    return items
