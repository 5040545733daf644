"""Before and after: runs held against each other, with a verdict in words."""

from __future__ import annotations

from typing import Any

import numpy as np
from dash import html

from looptime.analysers import part, phases
from looptime.checks.change import Tolerance
from looptime.checks.compare import compare
from looptime.checks.comparison import Comparison
from looptime.checks.recording import Settings
from looptime.run import Run
from looptime.views.figures import Picture
from looptime.views.figures_change import call_shares, shift_figure, two_histograms
from looptime.views.terminal import safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.parts import card, table, toggle
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

__all__ = ["body", "runs_of", "settings_of"]

_MOST_LOGS = 80


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    after = tuple(dict.fromkeys((view.run, *view.after)))
    before = tuple(k for k in view.before if k not in after)
    chooser = _chooser(desk, view, after, before)
    if not before:
        text = "Choose the runs before the change: those at the top of the page come after it."
        return [html.P(text, className="note"), chooser], False
    runs = [runs_of(desk, view, side) for side in (before, after)]
    key = ("compare", before, after, view.phase, view.start, view.end, view.warmup)
    tolerance = Tolerance.of(desk.project.regression)
    at = desk.work.get(
        key, lambda: compare(*runs, settings=settings_of(desk, view), tolerance=tolerance),
        "Comparing",
    )  # fmt: skip
    return [*_compared(desk, at, runs), chooser], False


def settings_of(desk: Desk, view: View) -> Settings:
    """How runs are judged, from the project file and the view."""
    return Settings(
        budget_ms=desk.project.budget_ms, serious_ms=desk.project.serious_ms,
        keep_warmup=view.warmup == "keep", robot=desk.project.robot,
    )  # fmt: skip


def runs_of(desk: Desk, view: View, keys: tuple[str, ...]) -> list[Run]:
    """Runs by key, cut to the view's part; all that must be read are asked for at once.

    Raises
    ------
    Pending
        While one of them is being read.
    """
    found, waits = [], []
    for key in keys:
        try:
            found.append(desk.library.run(key))
        except Pending as pending:
            waits.append(pending)
    if waits:
        raise Pending(f"{waits[0].text} ({len(found)} of {len(keys)} are read)")
    made = []
    for run in found:
        names = phases(run)
        phase = None
        if len(names) > 1:
            phase = view.phase if view.phase in names else names[0]
        made.append(part(run, phase, view.start, view.end))
    return made


def _chooser(desk: Desk, view: View, after: tuple[str, ...], before: tuple[str, ...]) -> Any:
    rows = []
    for one in desk.library.offered()[:_MOST_LOGS]:
        if one.error:
            continue
        is_first = one.key == view.run.split("-")[0]
        cells = (
            html.Span("this run", className="faint") if is_first
            else toggle(one.name, "before", before, one.key, "before"),
            html.Span("this run", className="faint") if is_first
            else toggle(one.name, "after", view.after, one.key, "after"),
        )  # fmt: skip
        rows.append((safe(one.name, 80), *cells))
    made = table(("log", "before the change", "after the change"), rows, "Which runs to compare")
    return html.Section(
        [html.H2("The runs"), html.P("Several runs a side say more than one: what differs from run "
                                     "to run without any change is then seen.", className="faint"),
         made],
        className="card", key="chooser",
    )  # fmt: skip


def _compared(desk: Desk, at: Comparison, runs: list[list[Run]]) -> list[Any]:
    parts: list[Any] = [
        html.Section(
            [html.H2(f"Verdict: {at.verdict}"),
             *(html.P(safe(s, 1000)) for s in at.sentences),
             *(html.P([html.Strong("Mind: "), safe(u.text, 600)]) for u in at.unlike),
             html.P(f"{len(at.before)} before, {len(at.after)} after; the first "
                    f"{at.window_s:.4g} s of each are judged.", className="faint")],
            className="card verdict-card", key="verdict",
        ),
        card(desk, shift_figure(at), "sides"), card(desk, call_shares(at), "sides"),
        card(desk, _histogram(desk, at, runs), "sides"),
    ]  # fmt: skip
    rows = [_row(c) for c in (*at.changes, *at.ranking)]
    heads = ("figure", "before", "after", "change", "low", "high", "%", "verdict")
    parts.append(
        html.Section([html.H2("Figure by figure"),
                      table(heads, rows, "Changes of the loop, then of the calls worth a look")],
                     className="card", key="rows")
    )  # fmt: skip
    return parts


def _row(c: Any) -> tuple[Any, ...]:
    name = f"{c.call} {c.statistic}" if c.call else f"{c.quantity} {c.statistic}"
    return (name, c.before, c.after, c.difference.value, c.difference.low, c.difference.high,
            c.percent.value, c.verdict)  # fmt: skip


def _histogram(desk: Desk, at: Comparison, runs: list[list[Run]]) -> Picture:
    sides = [np.concatenate([r.loop_columns.period_ns for r in side]) / 1e6 for side in runs]
    drawn = two_histograms(sides[0], sides[1], ("before", "after"), desk.project.budget_ms)
    middles = [float(np.median(s)) if len(s) else None for s in sides]
    rows = tuple(
        (name, float(np.quantile(sides[0], q)), float(np.quantile(sides[1], q)))
        for name, q in (("10 %", 0.1), ("50 %", 0.5), ("90 %", 0.9), ("99 %", 0.99))
    )
    title = "Periods before and after"
    if None not in middles:
        title = f"The middle period is {middles[0]:.4g} ms before and {middles[1]:.4g} ms after"
    return Picture("both", title, drawn, title + ".",
                   ("share of the loops below", "before ms", "after ms"), rows,
                   "Periods of all loops of each side, the warm-up included.")  # fmt: skip
