"""Any number of runs beside each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from looptime.checks.recording.recording import content_hash, record
from looptime.checks.season.many_runs import Beside, Placed, beside
from looptime.questions.asked import Asked
from looptime.questions.judging import settings_of

if TYPE_CHECKING:
    from looptime.checks.season.season import Season
    from looptime.run import Run

__all__ = ["Beside", "Placed", "measured", "of_season", "side_by_side"]


def measured(asked: Asked, run: Run) -> Placed:
    """A run that is cut already, known by its content as in a season."""
    from looptime.checks.recording.figures import measure

    return Placed(content_hash(run), measure(record(run, settings_of(asked)).series()))


def of_season(
    store: Season, query: str = "", progress: Callable[[float], None] = lambda share: None
) -> list[Placed]:
    """The runs of a season, or those that a query names.

    Raises
    ------
    UsageError
        If the query makes no sense, or names nothing.
    """
    listed = store.select(query) if query else store.entries()
    made = []
    for k, entry in enumerate(listed):
        made.append(Placed(entry.name, store.load(entry.name).values, entry.baseline))
        progress((k + 1) / len(listed))
    return made


def side_by_side(runs: Iterable[Placed]) -> list[Beside]:
    """Runs beside each other, those of each robot by themselves; a run that comes twice, once."""
    by_robot: dict[str | None, dict[str, Placed]] = {}
    for run in runs:
        by_robot.setdefault(run.values.facts.robot, {}).setdefault(run.key, run)
    return [beside(list(mine.values())) for mine in by_robot.values()]
