"""Slow loops: a table to sort and filter, from which a loop is chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from looptime.views.figures.slow_figures import event_table
from looptime.views.text.slow_text import comes_back
from looptime.views.text.terminal import count, safe
from looptime.words import percent
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import grid
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import used
from looptime_dashboards.pages.pieces import csv_link, table_card
from looptime_dashboards.parts import choice, faint, section
from looptime_dashboards.view import View

if TYPE_CHECKING:
    from looptime.analysers.summary import Summary

__all__ = ["body"]


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    slow = at.slow
    parts: list[Part] = [used(at, sampled)]
    if slow.threshold_ms is None or not slow.count:
        above = "" if slow.threshold_ms is None else f" {slow.limit(at.basis.judged)}"
        return [*parts, html.P(f"No loop stands out{above}.")], sampled
    heads, rows = desk.picture(at, "events", lambda: event_table(at, 500))
    title = (
        f"{count(slow.count, 'loop')} ({percent(slow.share)}) "
        f"{'stands' if slow.count == 1 else 'stand'} out "
        f"{slow.limit(at.basis.judged)}, in {count(len(slow.events), 'event')}; "
        f"{'it holds' if slow.count == 1 else 'they hold'} {percent(slow.time_share)} of the time"
    )
    first = [choice(f"loop {row[0]}", False, loop=str(row[0])) for row in rows[:5]]
    token = desk.picture(at, "export", lambda: _export(desk, at))
    parts.append(
        section(
            "slow", title,
            faint("Choose a row to see its calls beside a typical loop. Columns sort by their "
                  "heads and filter by the fields below them."),
            html.Div([html.Span("The slowest:", className="faint"), *first], className="choices"),
            grid("slow", heads, rows, lambda row: f"?loop={row[0]}",
                 chosen=next((k for k, row in enumerate(rows) if row[0] == view.loop), None)),
            html.Div(csv_link(token, "slow_loops", "the slow loops"), className="under"),
            _why(slow.by_culprit),
        )
    )  # fmt: skip
    if at.recurrence.most:
        back = comes_back(at.recurrence.most)
        said = "ms: the median of what one takes" + (f"; {back.legend}" if back.legend else "")
        parts.append(table_card(desk, "comes-back", back.title, back.heads, back.rows, said))
    return parts, sampled


def _why(culprits: dict[str, int]) -> Part:
    shown = [f"{safe(name, 40)} in {n:,}" for name, n in list(culprits.items())[:6]]
    return faint("What stretched most, by events: " + ", ".join(shown) + ".")


def _export(desk: Desk, at: Summary) -> str:
    return desk.keep_table("slow_loops", *event_table(at, 20_000))
