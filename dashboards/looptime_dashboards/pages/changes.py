"""Remedies: switch them on and see what they would buy, before anyone writes them."""

from __future__ import annotations

from typing import Any

from dash import html

from looptime.analysers import part
from looptime.errors import LooptimeError
from looptime.planner import CAUTIONS, Prediction, Suggestions, parse, predict, suggest
from looptime.planner.sample import sample
from looptime.run import Run
from looptime.views.figures_change import predicted_periods
from looptime.views.terminal import figure, number, safe
from looptime_dashboards.desk import SAMPLE_FROM, Desk
from looptime_dashboards.parts import card, caution, choices, named, number_form, table, toggle
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

__all__ = ["body", "prediction"]

_SAMPLE = 2_000
_MOST_PROPOSED = 12


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    parts: list[Any] = []
    wait = False
    said = ""
    proposed: dict[str, str] = {}
    try:
        found = _suggestions(desk, view)
        proposed = _remedies(found)
    except Pending as pending:
        wait, said = True, f"{pending.text} ..."
    except LooptimeError as error:
        said = f"No remedies are proposed: {error}"
    parts.append(_switches(view, proposed, said))
    if not view.change:
        parts.append(html.P("Switch a remedy on to see what it would buy.", className="note"))
        return parts, wait
    at, sampled = prediction(desk, view)
    return [*parts, *_predicted(desk, view, at, sampled)], wait or sampled


def _part(desk: Desk, view: View) -> Run:
    return part(desk.run(view), desk.phase(view), view.start, view.end)


def _place(desk: Desk, view: View) -> tuple[Any, ...]:
    return (view.run, desk.phase(view), view.start, view.end, view.warmup)


def _suggestions(desk: Desk, view: View) -> Suggestions:
    key = ("suggest", *_place(desk, view))
    project = desk.project

    def make() -> Suggestions:
        run = sample(_part(desk, view), SAMPLE_FROM)
        return suggest(run, buses=project.buses, effort=project.effort,
                       heading_call=_heading_call(project.heading.read_call, run),
                       keep_warmup=view.warmup == "keep", progress=desk.work.tell(key))  # fmt: skip

    return desk.work.get(key, make, "Looking for remedies")


def _heading_call(name: str | None, run: Run) -> str | None:
    return name if any(n.name == name for n in run.names) else None


def _remedies(found: Suggestions) -> dict[str, str]:
    """Each single remedy once, with why it is proposed."""
    made: dict[str, str] = {}
    for proposal in found.proposed:
        if len(proposal.changes) == 1:
            gain = proposal.gain_ms.value or 0.0
            buys = f"{number(abs(gain))} ms {'less' if gain < 0 else 'more'} a loop"
            made[proposal.changes[0]] = f"{buys}; risk {proposal.risk}; {proposal.why}"
    for proposal in found.proposed:
        for change in proposal.changes:
            made.setdefault(change, f"with others; risk {proposal.risk}; {proposal.why}")
    return dict(list(made.items())[:_MOST_PROPOSED])


def _switches(view: View, proposed: dict[str, str], said: str) -> Any:
    rows = [*proposed.items(), *((c, "written by hand") for c in view.change if c not in proposed)]
    lines = [
        html.Li([toggle(change, "change", view.change), html.Span(" " + safe(why, 400),
                                                                  className="faint")])
        for change, why in rows
    ]  # fmt: skip
    form = number_form("Write a remedy", ("add-change", "Another one", ""), button="Add")
    example = "such as: batch drive.*.read; thread gyro.read rest-ms=5; every range.read loops=4"
    return html.Section(
        [html.H2("Remedies"), html.P(safe(said, 400), className="faint", role="status"),
         html.Ul(lines, className="switches"), form, html.P(example, className="faint")],
        className="card", key="switches",
    )  # fmt: skip


def prediction(desk: Desk, view: View) -> tuple[Prediction, bool]:
    """The prediction for the remedies of a view, and whether it is from a sample for now."""
    changes = tuple(str(parse(c)) for c in view.change)
    place = (*_place(desk, view), changes)
    project = desk.project
    options: dict[str, Any] = {
        "buses": project.buses, "budget_ms": project.budget_ms,
        "keep_warmup": view.warmup == "keep",
        "read_instant": project.heading.read_instant or "start",
    }  # fmt: skip
    run = desk.run(view)
    key = ("predict", *place)
    full = len(run) <= SAMPLE_FROM

    def make() -> Prediction:
        return predict(_part(desk, view), changes, progress=desk.work.tell(key),
                       sample_loops=None if full else SAMPLE_FROM, **options)  # fmt: skip

    try:
        return desk.work.get(key, make, "Predicting"), False
    except Pending:
        quick = ("predict-quick", *place)
        return desk.work.get(
            quick, lambda: predict(sample(_part(desk, view), _SAMPLE), changes, **options),
            "Predicting", 1.5,
        ), True  # fmt: skip


def _predicted(desk: Desk, view: View, at: Prediction, sampled: bool) -> list[Any]:
    change = at.change_ms
    what = "loop" if at.judged == "period" else "loop's work"
    words = {"faster": f"The {what} gets faster", "slower": f"The {what} gets slower"}
    verdict = words.get(at.verdict, f"Can't tell whether the {what} gets faster")
    verdict += f": the mean changes by {figure(change.value, change.low, change.high)} ms."
    if sampled:
        verdict += " From a sample for now: all loops are on their way."
    before = _part(desk, view).loop_columns.period_ns / 1e6
    to_heading = choices(
        "Next",
        html.A("What it means for heading", href="/heading" + view.search, className="choice",
               **named({"data-page": "/heading"})),
    )  # fmt: skip
    parts: list[Any] = [
        html.P(verdict, className="verdict", role="status"),
        card(desk, predicted_periods(at, before, desk.project.budget_ms), "changes", to_heading),
    ]
    rows = [
        (safe(c.text, 120), c.in_order_ms.value, c.in_order_ms.low, c.in_order_ms.high,
         c.alone_ms.value) for c in at.changes
    ]  # fmt: skip
    heads = ("change", "in this order, ms", "low", "high", "alone, ms")
    ages = _ages(at)
    inner: list[Any] = [html.H2("What each change does"), table(heads, rows, "Change of the mean")]
    if ages:
        inner.append(table(("call", "mean now, ms", "mean then, ms", "95 % now, ms",
                            "95 % then, ms"), ages, "Age of the reading at its use"))  # fmt: skip
    parts.append(html.Section(inner, className="card", key="each"))
    warnings = [html.Li(safe(w, 600)) for w in at.warnings]
    if warnings:
        parts.append(html.Section([html.H2("Mind"), html.Ul(warnings)], className="card",
                                  key="mind"))  # fmt: skip
    parts.append(caution(" ".join(CAUTIONS)))
    return parts


def _ages(at: Prediction) -> list[tuple[Any, ...]]:
    was, now = at.baseline.reading_age_ms, at.predicted.reading_age_ms
    rows = []
    for name in now:
        a, b = was.get(name, {}), now[name]
        rows.append((name, *(side[k].value if k in side else None
                             for k in ("mean", "p95") for side in (a, b))))  # fmt: skip
    return rows
