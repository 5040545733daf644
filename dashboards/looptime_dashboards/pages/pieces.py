"""What the pages about plans and checks have in common."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from dash import html

from looptime.questions.asked import Asked
from looptime.questions.judging import baseline, season_of
from looptime.questions.planning import scatter as season_scatter
from looptime.questions.planning import spread_sample
from looptime.run import Run
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.parts import meanings, named, section, table
from looptime_dashboards.view import View

if TYPE_CHECKING:
    from looptime.checks.recording.figures import RunValues
    from looptime.checks.season.season import Season

__all__ = ["called", "csv_link", "past", "scatter", "season", "stretches", "table_card"]


def called(desk: Desk, key: str, run: Run) -> Run:
    """A run under the name that the page gives it, so that no message tells where it lies."""
    offered = desk.library.get(key)
    return run if offered is None else replace(run, source=offered.name)


def stretches(desk: Desk, view: View, loops: int) -> Run:
    """About so many loops of the part that is looked at, set one after the other.

    Raises
    ------
    Pending
        While the log is being read.
    """
    key = ("stretches", view.run, desk.phase(view), view.start, view.end, loops)

    def make() -> Run:
        return spread_sample(called(desk, view.run, desk.few(view, 4 * loops)), loops)

    # those who work a plan out hold a thread of the pool: they make it themselves
    found: Run | None = desk.plans.peek(key)
    if found is None:
        found = make()
        desk.plans.put(key, found)
    return found


def season(desk: Desk) -> Season | None:
    """The season beside the project file or in the folder, where there is one."""
    folder = desk.library.folder
    places: tuple[Path, ...] = () if folder is None else (folder / "season", folder)
    return season_of(Asked(desk.project), *places)


def past(desk: Desk, store: Season | None, keys: tuple[str, ...]) -> tuple[RunValues, ...]:
    """The season's baseline for some runs, without these; none where there is no season."""
    if store is None:
        return ()
    marked = tuple(e.name for e in store.entries() if e.baseline)

    def make() -> tuple[RunValues, ...]:
        runs = [desk.library.run(key) for key in keys]
        return tuple(baseline(Asked(desk.project), store, runs))

    return desk.work.get(("past", keys, marked), make, "Looking at the season", 5.0, True)


def scatter(desk: Desk, view: View) -> tuple[float | None, str]:
    """Relative scatter from run to run, and where it is from: the season, else assumed."""
    store = season(desk)
    if store is None:
        return None, "assumed"
    run = desk.run(view)  # while it is being read there is nothing to look up
    return season_scatter(desk.asked(view), run, past(desk, store, (view.run,)))


def csv_link(token: str, key: str, what: str) -> Part:
    """A link that downloads a table which the desk keeps."""
    return html.A("CSV", className="button", download=f"{key}.csv", href=f"/export/{token}.csv",
                  **named({"aria-label": f"Download {what} as CSV"}))  # fmt: skip


def table_card(
    desk: Desk, key: str, title: str, heads: Sequence[str], rows: Iterable[Sequence[object]],
    caption: str, *more: Part,
) -> Part:  # fmt: skip
    """A table with its title, its export and what else is to be said."""
    kept = tuple(tuple(row) for row in rows)
    export = csv_link(desk.keep_table(key, tuple(heads), kept), key, title)
    under = html.Div([export, meanings(heads)], className="under")
    return section(key, title, table(heads, kept, caption), *more, under)
