"""Where each loop's time goes."""

from urllib.parse import urlencode

from dash import html

from looptime.schema import UNATTRIBUTED
from looptime.views.figures.cost_rows import alike
from looptime.views.figures.costs_figures import (
    GROUPS,
    call_table,
    cost_bars,
    slow_against_typical,
    waiting_bars,
)
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import grid
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import used
from looptime_dashboards.pages.pieces import csv_link
from looptime_dashboards.parts import card, choice, choices, faint, section, toggle
from looptime_dashboards.view import View

__all__ = ["body"]

_MOST_GROUPS = 12


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    parts: list[Part] = [used(at, sampled)]
    if not at.costs.calls:
        text = "This log has no calls, only whole loops: it can't tell where their time goes."
        return [*parts, html.P(text)], sampled
    by = choices(
        "Add up by",
        *(choice(g, view.group == g, group="" if g == "call" else g) for g in GROUPS),
    )
    groups = [r for r in alike(at.costs.rows) if r.members] if view.group == "call" else []
    like = [toggle(r.words, "open", view.open, r.name) for r in groups[:_MOST_GROUPS]]
    opens = [choices("Like calls one by one", *like)] if like else []
    parts.append(card(desk, cost_bars(at, view.group, view.open), by, *opens))
    for picture in (waiting_bars(at), slow_against_typical(at, view.open)):
        if picture is not None:
            parts.append(card(desk, picture))
    heads, rows = call_table(at)
    export = csv_link(desk.keep_table("calls", heads, rows), "calls", "all calls")
    words = "Every call of every thread; choose a row to see all that is known of a call."
    parts.append(
        section("calls", "Every call", faint(words),
                grid("costs", heads, rows, lambda row: _chosen(row[0])),
                html.Div(export, className="under"))
    )  # fmt: skip
    return parts, sampled


def _chosen(name: str) -> str:
    return "" if name == UNATTRIBUTED else "/call?" + urlencode({"call": name})
