"""What the loop's pace means for heading and position."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from dash import html

from looptime.errors import LooptimeError
from looptime.questions.steering import default_motion, heading, tolerance_of
from looptime.questions.timing import in_phase, part
from looptime.run import Run
from looptime.views.figures.heading_figures import (
    age_bars,
    error_curve,
    heading_table,
    required_sentences,
    sideways_curve,
)
from looptime.views.text.terminal import count, safe
from looptime.words import supposing
from looptime_dashboards.cut import range_of
from looptime_dashboards.desk import SAMPLE_FROM, Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.changes_page import place, prediction
from looptime_dashboards.pages.common import are, sentence
from looptime_dashboards.pages.pieces import called, stretches, table_card
from looptime_dashboards.parts import (
    busy,
    card,
    caution,
    choice,
    choices,
    faint,
    form_of,
    note,
    section,
)
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.heading import HeadingResult, Tolerance

__all__ = ["answer", "body", "settled"]

_FEW = 1_500
_WANTED = {"motion": "no motion: write it as said below", "deg": "no number above 0",
           "mm": "no number above 0"}  # fmt: skip
_ABOVE_0 = {"type": "number", "min": "0.0001", "step": "any"}
_PREDICTED = "with the changes"


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    usual = default_motion(desk.project)
    motion = view.motion or usual
    run = called(desk, view.run, desk.run(view))
    parts: list[Part] = [_chooser(desk, view, usual)]
    wait = False
    others: tuple[tuple[str, HeadingResult], ...] = ()
    if view.change:
        said, others, wait = _with_changes(desk, view, motion)
        parts.append(said)
    try:
        at, full = answer(desk, view, run, motion)
    except Pending as pending:
        return [*parts, busy(pending)], True
    except LooptimeError as error:
        return [*parts, note(str(error), "error")], wait
    parts.append(note(_basis(at, full)))
    return [*parts, *_answer(desk, at, others)], wait or not full


def _basis(at: HeadingResult, full: bool) -> str:
    text = f"From {count(at.loops_used, 'loop')}"
    if at.loops_used < at.loops_in_run // 2:
        text += f", in stretches that stand for all {at.loops_in_run:,}"
    if at.warmup_loops:
        first = at.warmup_loops
        text += f"; the first {first:,} {are(first)} warm-up and left out"
    text = supposing(f"{text}.", at.rests_on)
    return text if full else f"{text} For now: more of them and the curves are on their way."


def _chooser(desk: Desk, view: View, usual: str) -> Part:
    turn = f"{desk.project.max_turn_rate_deg_s or 180:g}"
    known = [
        choice("half a turn", not view.motion or view.motion == usual, motion=""),
        choice("steady turn", view.motion == f"steady:{turn}", motion=f"steady:{turn}"),
        choice("weave", view.motion == "weave:20,1.5", motion="weave:20,1.5"),
        choice("as recorded in the log", view.motion == "recorded", motion="recorded"),
    ]
    at = _tolerance(desk, view)
    form = form_of(
        "Motion and tolerances",
        ("motion", "Motion", view.motion or usual, {}),
        ("deg", "Tolerance, deg", "" if at.deg is None else f"{at.deg:g}", _ABOVE_0),
        ("mm", "Tolerance, mm a metre", "" if at.mm is None else f"{at.mm:g}", _ABOVE_0),
        wrong={
            name: (given, f"{given!r} is {_WANTED[name]}")
            for name, given in view.wrong
            if name in _WANTED
        },
    )  # fmt: skip
    words = (
        "Written as steady:DEG_PER_S, turn:DEG,DEG_PER_S,DEG_PER_S2, weave:DEG,HZ or recorded, "
        "which needs a logged heading or turn rate. The tolerance in degrees is for the heading in "
        "use; the one in millimetres is for how far the robot goes sideways, left and right added, "
        "on each metre driven while turning."
    )
    return section("chooser", "How the robot moves, and what is tolerable",
                   choices("Motion", *known), form, faint(words))  # fmt: skip


def _tolerance(desk: Desk, view: View) -> Tolerance:
    stated = tolerance_of(desk.project)
    return replace(
        stated, deg=stated.deg if view.deg is None else view.deg,
        mm=stated.mm if view.mm is None else view.mm,
    )  # fmt: skip


def settled(desk: Desk, view: View, run: Run) -> tuple[View, int]:
    """The view from the end of the warm-up on, and how many loops that leaves out of it."""
    if view.warmup == "keep":
        return view, 0
    first, _ = range_of(run, view.start, view.end)
    cut = desk.warmup_loops(view)
    if not cut:
        return view, 0
    start = run.loop_columns.start_ns
    phase = desk.phase(view)
    lost = np.arange(len(run)) < first + cut
    lost[:first] = False
    left_out = int((lost & in_phase(run, phase)).sum()) if phase is not None else cut
    return view.but(start=float((start[first + cut] - start[0]) / 1e9)), left_out


def answer(desk: Desk, view: View, run: Run, motion: str) -> tuple[HeadingResult, bool]:
    """The answer with its curves, else for now without."""
    about = (*place(desk, view), motion, view.deg, view.mm)
    phase, asked = desk.phase(view), desk.asked(view).but(keep_warmup=True)

    def make(curve: bool) -> HeadingResult:
        after, left_out = settled(desk, view, run)
        if motion == "recorded":  # what was turned is known from one loop to the next only
            chosen = part(run, phase, after.start, after.end)
        else:
            chosen = stretches(desk, after, SAMPLE_FROM if curve else _FEW)
        made = heading(asked, chosen, motion, tolerance=_tolerance(desk, view), curve=curve)
        return replace(made, loops_in_run=_loops(desk, view, run), warmup_loops=left_out)

    found, quick = desk.work.twice(
        ("heading", *about), lambda: make(True), lambda: make(False), "Working it out"
    )
    return found, not quick


def _loops(desk: Desk, view: View, run: Run) -> int:
    """Loops of the part that is looked at, of its phase alone."""
    phase, (first, last) = desk.phase(view), range_of(run, view.start, view.end)
    return last - first if phase is None else int(in_phase(run, phase)[first:last].sum())


def _with_changes(
    desk: Desk, view: View, motion: str
) -> tuple[Part, tuple[tuple[str, HeadingResult], ...], bool]:
    """The answer for the loop as predicted, to stand beside that of the log."""
    what = "With the changes: " + "; ".join(safe(c, 80) for c in view.change)
    back = choices("Changes", choice("without them", False, change=""))
    try:
        at, sampled = prediction(desk, view)
        asked = desk.asked(view).but(keep_warmup=True)
        key = ("heading-then", *place(desk, view), view.change, motion, sampled)

        def make() -> HeadingResult:
            return heading(asked, at.run, motion, curve=False)

        found = desk.work.get(key, make, "Working it out", 0.3)
    except Pending as pending:
        return html.Div([note(f"{what}. {pending.text} ..."), back]), (), True
    except LooptimeError as error:
        return html.Div([note(f"{what}: {error}", "error"), back]), (), False
    said = (
        f"{what}. They are marked in the figures as predicted, an estimate from "
        f"{count(at.loops, 'loop')}."
    )
    return html.Div([note(said), back]), ((_PREDICTED, found),), sampled


def _answer(
    desk: Desk, at: HeadingResult, others: tuple[tuple[str, HeadingResult], ...]
) -> list[Part]:
    parts: list[Part] = []
    if at.curve:
        needs = [html.P(text) for text in required_sentences(at)]
        if not at.required:
            needs.append(html.P("Set a tolerance above to learn the loop rate that it takes."))
        cautions = [caution(" ".join(at.cautions))] if at.required else []
        parts.append(section("rate", "The loop rate that it takes", *needs, *cautions))
        parts.append(card(desk, error_curve(at, others)))
        parts.append(card(desk, sideways_curve(at, others)))
    parts.append(card(desk, age_bars(at, others)))
    notes = [faint(sentence(n)) for n in at.notes]
    parts.append(
        table_card(desk, "heading_figures", "Everything in figures", *heading_table(at, others),
                   "With 95 % intervals", *notes)
    )  # fmt: skip
    return parts
