"""What stands on a side of a check: logs, folders of logs, or the entries that a query names."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from looptime.analysers.part import part
from looptime.checks.compare.sides import Item
from looptime.checks.season.query import is_query
from looptime.checks.season.season import Season
from looptime.checks.season.workers import Reader
from looptime.errors import UsageError
from looptime.project import Project
from looptime.run import Run

__all__ = ["LogReader", "find_logs", "load_side"]

_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".gz", ".zst"}


@dataclass(frozen=True)
class LogReader:
    """Reads a log and takes the part that is asked for; can be sent to another process.

    Parameters
    ----------
    project : Project or None
        Labels and reading options of ``looptime.toml``.
    unit, layout, columns, loop_call : str or None
        As in `looptime.parsers.read.read_log`.
    phase, from_s, to_s
        As in `looptime.analysers.part.part`.
    where : tuple of str
        Conditions that must all hold, each as in `looptime.analysers.part.part`.
    cache : bool
        Whether a large log's prepared copy may be used and written.
    """

    project: Project | None = None
    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    phase: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    where: tuple[str, ...] = ()
    cache: bool = True

    def __call__(self, path: str) -> list[Run]:
        """The runs of a log.

        Raises
        ------
        LogError
            If the log cannot be read as it stands.
        UsageError
            If a run has no such part.
        """
        from looptime.parsers.read import read_log

        log = read_log(
            path, project=self.project, unit=self.unit, layout=self.layout,
            columns=self.columns, loop_call=self.loop_call, cache=self.cache,
        )  # fmt: skip
        return [self._part(run) for run in log.runs]

    def _part(self, run: Run) -> Run:
        chosen = part(run, self.phase, self.from_s, self.to_s)
        for condition in self.where:
            chosen = part(chosen, where=condition)
        return chosen

    @property
    def part(self) -> str:
        """The part in words, for example ``phase=transport``; empty for the whole log."""
        where = ",".join(self.where) or None
        asked = {"phase": self.phase, "from": self.from_s, "to": self.to_s, "where": where}
        return " ".join(f"{key}={value}" for key, value in asked.items() if value is not None)


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
        From a path to its runs, for example a `LogReader`.
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
