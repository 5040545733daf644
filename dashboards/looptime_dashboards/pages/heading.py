"""What the loop's pace means for heading and position."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import html

from looptime.analysers import part
from looptime.heading import (
    HeadingResult,
    default_motion,
    parse_motion,
    setup_from_project,
    study,
    tolerance_from_project,
)
from looptime.planner.sample import sample
from looptime.run import Run
from looptime.views.figures_heading import age_parts, heading_curve
from looptime.views.terminal import number, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.changes import prediction
from looptime_dashboards.parts import card, caution, choice, choices, note, number_form, table
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

__all__ = ["body"]

_MOTIONS = (
    ("a half turn", ""), ("a steady turn", "steady:90"), ("a weave", "weave:30,1"),
)  # fmt: skip
_SAMPLE = 1_500


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    usual = default_motion(desk.project)
    parts: list[Any] = [_chooser(desk, view, usual)]
    run, wait = _run(desk, view)
    if view.change:
        parts.append(
            html.Div([note("For the loop as predicted with: " + "; ".join(view.change)),
                      choice("as recorded instead", False, change="")], className="choices")
        )  # fmt: skip
    at, full = _study(desk, view, run, view.motion or usual, wait)
    if not full:
        parts.append(note("From a sample for now: the curves are on their way."))
    parts += _answer(desk, at)
    return parts, wait or not full


def _run(desk: Desk, view: View) -> tuple[Run, bool]:
    if view.change:
        at, sampled = prediction(desk, view)
        return at.run, sampled
    return part(desk.run(view), desk.phase(view), view.start, view.end), False


def _chooser(desk: Desk, view: View, usual: str) -> Any:
    known = [choice(words, view.motion == m, motion=m) for words, m in _MOTIONS]
    known.append(choice("as recorded", view.motion == "recorded", motion="recorded"))
    stated = tolerance_from_project(desk.project)
    deg = view.deg if view.deg is not None else stated.deg
    mm = view.mm if view.mm is not None else stated.mm
    form = number_form(
        "Motion and tolerances",
        ("motion", "Motion", view.motion or usual),
        ("deg", "Tolerance, deg", "" if deg is None else f"{deg:g}"),
        ("mm", "Tolerance, mm a metre", "" if mm is None else f"{mm:g}"),
    )
    words = (
        "steady:DEG_PER_S, turn:DEG,DEG_PER_S,DEG_PER_S2, weave:DEG,HZ or recorded (needs a logged "
        "heading or turn rate)"
    )
    return html.Section(
        [html.H2("How the robot moves"), choices("Motion", *known), form,
         html.P(words, className="faint")],
        className="card", key="chooser",
    )  # fmt: skip


def _study(
    desk: Desk, view: View, run: Run, motion: str, sampled: bool
) -> tuple[HeadingResult, bool]:
    project = desk.project
    stated = tolerance_from_project(project)
    tolerance = replace(
        stated, deg=stated.deg if view.deg is None else view.deg,
        mm=stated.mm if view.mm is None else view.mm,
    )  # fmt: skip
    place = (view.run, desk.phase(view), view.start, view.end, view.change, motion, sampled,
             view.deg, view.mm)  # fmt: skip

    def make(curve: bool, few: Run) -> HeadingResult:
        how = setup_from_project(project)
        names = {n.name for n in few.names}
        labels = {k: v if v in names else None
                  for k in ("read_call", "pickup_call", "use_call")
                  for v in [getattr(how.labels, k)]}  # fmt: skip
        how = replace(how, labels=replace(how.labels, **labels))  # type: ignore[arg-type]
        return study(few, motion=motion if motion == "recorded" else parse_motion(motion),
                     setup=how, tolerance=tolerance if curve else None, curve=curve)  # fmt: skip

    try:
        return desk.work.get(("heading", *place), lambda: make(True, run), "Working it out"), True
    except Pending:
        quick = ("heading-quick", *place)
        few = run if motion == "recorded" else sample(run, _SAMPLE)
        return desk.work.get(quick, lambda: make(False, few), "Working it out", 1.0), False


def _answer(desk: Desk, at: HeadingResult) -> list[Any]:
    parts: list[Any] = []
    if at.curve:
        parts.append(
            html.Div([card(desk, heading_curve(at, "deg"), "heading"),
                      card(desk, heading_curve(at, "mm"), "heading")], className="pair")
        )  # fmt: skip
    parts.append(card(desk, age_parts(at), "heading"))
    rows = []
    for key, required in at.required.items():
        for pattern, rate in required.by_pattern.items():
            unit = "deg" if key.endswith("deg") else "mm a metre"
            rows.append((f"{required.tolerance:g} {unit}", required.judged, pattern, rate.value,
                         required.missed_by or "met by this log"))  # fmt: skip
    inner: list[Any] = [html.H2("The rate it takes")]
    if rows:
        heads = ("tolerance", "judged by", "loops", "loops a second", "missed by")
        inner.append(table(heads, rows, "Required loop rate by how even the loops are"))
    elif at.curve:
        inner.append(html.P("Set a tolerance above to learn the loop rate that it takes."))
    if at.stops_helping_hz is not None:
        inner.append(html.P(f"From {number(at.stops_helping_hz)} loops a second on, going faster "
                            "gains less than a tenth while the stalls stay."))  # fmt: skip
    whole = at.integrated
    end = whole.end.rms.times(57.29577951308232)
    inner.append(html.P(
        f"A heading integrated from a turn-rate gyro ({whole.method}, step {whole.step}) is off by "
        f"{number(end.value)} deg (root mean square) after {number(whole.over_s)} s."
    ))  # fmt: skip
    inner += [html.P(safe(n, 400), className="faint") for n in at.notes]
    parts.append(html.Section(inner, className="card", key="rate"))
    parts.append(caution(" ".join(at.cautions)))
    return parts
