"""Where each loop's time goes."""

from __future__ import annotations

from typing import Any

from dash import html

from looptime.views.figures.costs_figures import (
    GROUPS,
    call_table,
    cost_bars,
    slow_against_typical,
    waiting_bars,
)
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.common import used
from looptime_dashboards.parts import card, choice, choices, named, table
from looptime_dashboards.view import View

__all__ = ["body"]


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    parts: list[Any] = [used(at, sampled)]
    if not at.costs.calls:
        text = "This log has no calls, only whole loops: it can't tell where their time goes."
        return [*parts, html.P(text)], sampled
    by = choices(
        "Add up by",
        *(choice(g, view.group == g, group="" if g == "call" else g) for g in GROUPS),
    )
    parts.append(card(desk, cost_bars(at, view.group), by))
    for picture in (waiting_bars(at), slow_against_typical(at)):
        if picture is not None:
            parts.append(card(desk, picture))
    heads, rows = call_table(at)
    export = html.A("CSV", className="button", download="calls.csv",
                    href=f"/export/{desk.keep_table('calls', heads, rows)}.csv",
                    **named({"aria-label": "Download all calls as CSV"}))  # fmt: skip
    parts.append(
        html.Section([html.H2("Every call"), table(heads, rows, "Every call of every thread"),
                      html.Div(export, className="under")], className="card", key="calls")
    )  # fmt: skip
    return parts, sampled
