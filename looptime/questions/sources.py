"""What stands on a side of a check: logs, folders of logs, or the entries that a query names."""

from collections.abc import Sequence
from pathlib import Path

from looptime.checks.compare.sides import Item
from looptime.checks.season.query import is_query
from looptime.checks.season.season import Season
from looptime.checks.season.workers import Reader
from looptime.errors import LogError, UsageError
from looptime.questions.doors import logs_in

__all__ = ["load_side"]


def load_side(words: Sequence[str], reader: Reader, season: Season | None = None) -> list[Item]:
    """The runs that some words name: logs, folders and zips of them, or queries of a season.

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
        If a log cannot be read, or an entry of a season that is named whole.
    """
    items: list[Item] = []
    for word in words:
        if is_query(word) and not Path(word).exists():
            if season is None:
                raise UsageError(f"query {word!r}: there is no season here: name one with --season")
            items += [season.load(entry.name).values for entry in season.select(word)]
        elif Path(word).is_dir() and Season.is_season(word):
            other = Season(word)
            items += [other.load(entry.name).values for entry in other.entries()]
            for why in other.damaged.values():
                raise LogError(why)
        else:
            items += [run for path in logs_in([word]) for run in reader(path)]
    return items
