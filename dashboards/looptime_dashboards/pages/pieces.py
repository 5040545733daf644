"""What the pages about plans and checks have in common."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from dash import html

from looptime.planner.sample import sample
from looptime.run import Run
from looptime_dashboards.desk import Desk
from looptime_dashboards.parts import named, table
from looptime_dashboards.view import View

__all__ = ["called", "stretches", "table_card"]


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
        return sample(called(desk, view.run, desk.few(view, 4 * loops)), loops)

    # those who work a plan out hold a thread of the pool: they make it themselves
    found: Run | None = desk.plans.peek(key)
    if found is None:
        found = make()
        desk.plans.put(key, found)
    return found


def table_card(
    desk: Desk, key: str, title: str, heads: Sequence[str], rows: Iterable[Sequence[Any]],
    caption: str, *more: Any,
) -> Any:  # fmt: skip
    """A table with its title, its export and what else is to be said."""
    kept = tuple(tuple(row) for row in rows)
    link = f"/export/{desk.keep_table(key, tuple(heads), kept)}.csv"
    export = html.A("CSV", className="button", download=f"{key}.csv", href=link,
                    **named({"aria-label": f"Download {title} as CSV"}))  # fmt: skip
    return html.Section(
        [html.H2(title), table(heads, kept, caption), *more, html.Div(export, className="under")],
        className="card", key=key,
    )  # fmt: skip
