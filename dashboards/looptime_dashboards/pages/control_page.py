"""What the loop's pace does to the controllers and steered wheels that the project file states."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from dash import html

from looptime.questions.steering import control
from looptime.views.figures.control_figures import control_pictures, edge_table, gain_table
from looptime.views.text.control_answer import control_sentence
from looptime.views.text.terminal import count, in_full, safe
from looptime_dashboards.desk import SAMPLE_FROM, Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.changes_page import place
from looptime_dashboards.pages.common import sentence
from looptime_dashboards.pages.heading_page import settled
from looptime_dashboards.pages.pieces import called, stretches, table_card
from looptime_dashboards.parts import card, caution, choice, choices, faint, note, section
from looptime_dashboards.view import View

if TYPE_CHECKING:
    from looptime.controlling import ControlResult

__all__ = ["answer", "body"]


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    if not desk.project.controllers and not desk.project.wheels:
        text = (
            "The project file states no controllers and no steered wheels: write them under "
            "[[controller]] and [[wheel]] in looptime.toml, then start the dashboard again."
        )
        return [note(text)], False
    at = answer(desk, view)
    parts: list[Part] = []
    if view.change:
        what = "; ".join(safe(c, 80) for c in view.change)
        back = choices("Changes", choice("without them", False, change=""))
        said = note(f"For the predicted loop, with the changes: {what}.")
        parts.append(html.Div([said, back]))
    unseen = [f"Not looked at: {one.error}" for one in at.controllers if one.error]
    told = [sentence(each) for each in (*unseen, *at.notes)]
    left = f"; {at.warmup_loops:,} before them are warm-up" if at.warmup_loops else ""
    parts.append(
        section("answer", in_full(control_sentence(at)),
                faint(f"From {count(at.loops, 'loop')}{left}."),
                *(faint(in_full(each)) for each in told),
                *(caution(in_full(word)) for word in at.cautions))
    )  # fmt: skip
    tables = (
        ("edge", "How far from the edge", edge_table(at),
         "Even loops at the usual pace; uneven: these loops, by the mean square"),
        ("gains", "Gains as they act", gain_table(at),
         "As factors of what is meant: a fixed step against the step that the code assumes, per "
         "loop against the typical step"),
    )  # fmt: skip
    parts += [
        table_card(desk, key, title, heads, rows, caption)
        for key, title, (heads, rows), caption in tables if rows
    ]  # fmt: skip
    return [*parts, *(card(desk, picture) for picture in control_pictures(at))], False


def answer(desk: Desk, view: View) -> ControlResult:
    """The answer for what is looked at, with the remedies that are switched on.

    Raises
    ------
    Pending
        While it is being worked out.
    LooptimeError
        If there is too little to go by.
    """
    run = called(desk, view.run, desk.run(view))
    asked = desk.asked(view).but(keep_warmup=True)

    def make() -> ControlResult:
        after, left_out = settled(desk, view, run)
        few = stretches(desk, after, SAMPLE_FROM)
        return replace(control(asked, few, changes=view.change), warmup_loops=left_out)

    key = ("control", *place(desk, view), view.change)
    return desk.work.get(key, make, "Working it out", 0.5)
