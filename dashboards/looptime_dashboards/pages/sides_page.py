"""Before and after: runs held against each other, with a verdict in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from dash import html

from looptime.array_types import Float
from looptime.errors import LooptimeError
from looptime.questions.judging import compare
from looptime.questions.timing import part
from looptime.run import Run
from looptime.views.figures.checks_figures import (
    changes_table,
    difference_by_call,
    shift_figure,
    two_histograms,
)
from looptime.views.text.terminal import count, in_full, safe
from looptime.words import listed
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.log_keys import content_of
from looptime_dashboards.pages.pieces import called, past, season, table_card
from looptime_dashboards.parts import busy, card, faint, note, section, table, toggle
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.checks.compare.comparison import Comparison
    from looptime.checks.recording.facts import Facts

__all__ = ["body", "comparison", "judged_ms", "runs_of"]

_MOST_LOGS = 80
_WORDS = {
    "faster": "Faster", "slower": "Slower", "no change seen": "No change seen",
    "can't tell": "Can't tell",
}  # fmt: skip


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    after = tuple(dict.fromkeys((view.run, *view.after)))
    before = tuple(k for k in view.before if k not in after)
    chooser = _chooser(desk, view, after, before)
    if not before:
        text = (
            "Choose one run or several from before the change. The run at the top of the page was "
            "recorded after it; others can be put beside it."
        )
        return [note(text), chooser], False
    try:
        at, runs = comparison(desk, view, before, after)
    except Pending as pending:
        return [busy(pending), chooser], True
    except LooptimeError as error:  # the runs stay to be chosen otherwise
        said = str(error).replace("choose one with --phase", "choose other runs or another phase")
        return [note(said, "error"), chooser], False
    return [*_compared(desk, at, runs), chooser], False


def comparison(
    desk: Desk, view: View, before: tuple[str, ...], after: tuple[str, ...]
) -> tuple[Comparison, list[list[Run]]]:
    """How the runs of two sides compare, and the runs.

    Raises
    ------
    Pending
        While it is being worked out.
    LooptimeError
        If they cannot be compared.
    """
    runs = [runs_of(desk, view, side) for side in (before, after)]
    old = past(desk, season(desk), (*before, *after))
    known = tuple(r.facts.name for r in old)
    key = ("compare", before, after, view.phase, view.start, view.end, view.warmup, known)
    asked = desk.asked(view)
    at = desk.work.get(
        key, lambda: desk.heavily(lambda: compare(asked, *runs, past=old)), "Comparing", 0.5
    )
    return at, runs


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
            found.append(called(desk, key, desk.library.run(key)))
        except Pending as pending:
            waits.append(pending)
    if waits:
        text = f"{waits[0].text} ({len(found)} of {len(keys)} are read)"
        raise Pending(text if len(keys) > 1 else waits[0].text, waits[0].share)
    made = []
    for key, run in zip(keys, found, strict=True):
        names = desk.phases_of(key, run)
        phase = None
        if names:
            phase = view.phase if view.phase in names else names[0]
        made.append(part(run, phase, view.start, view.end))
    return made


def _chooser(desk: Desk, view: View, after: tuple[str, ...], before: tuple[str, ...]) -> Part:
    rows: list[tuple[Part, ...]] = []
    this = content_of(view.run)
    picked = {content_of(k) for k in (*before, *after)}
    logs = sorted((o for o in desk.library.offered() if not o.error),
                  key=lambda o: o.content not in picked)  # fmt: skip
    for one in logs[:_MOST_LOGS]:
        if one.content == this:
            rows.append((one.name, "", html.Span("the run at the top", className="faint")))
            continue
        cells = [toggle(one.name, name, now, one.key, name)
                 for name, now in (("before", before), ("after", view.after))]  # fmt: skip
        rows.append((one.name, *cells))
    listed = {o.content for o in logs[:_MOST_LOGS]} | {this}
    for key in dict.fromkeys((*before, *after)):  # what cannot be read can be switched off
        if content_of(key) in listed:
            continue
        bad = desk.library.get(key)
        name = "(a log that is not here)" if bad is None else f"{bad.name} (cannot be read)"
        cells = [toggle(name, side, now, key, side) if key in now else ""
                 for side, now in (("before", before), ("after", view.after))]  # fmt: skip
        rows.insert(0, (name, *cells))
    made = table(("log", "before", "after"), rows, "Logs on offer", _MOST_LOGS + 40)
    words = (
        "Several runs a side say more than one: only they show what differs from run to run "
        "without any change. Record at least three a side, in turn (before, after, after, before)."
    )
    return section("chooser", "Which runs", faint(words), made)


def _compared(desk: Desk, at: Comparison, runs: list[list[Run]]) -> list[Part]:
    shift = shift_figure(at)
    kinds = {n.name: n.kind for side in runs for run in side for n in run.names}
    sides = [
        np.concatenate([judged_ms(run, facts) for run, facts in zip(side, of, strict=True)])
        for side, of in zip(runs, (at.before, at.after), strict=True)
    ]
    both = two_histograms(
        sides[0], sides[1], ("before", "after"), desk.project.budget_ms,
        "The loops that are judged, as in the table: after the warm-up, as long on each side; in "
        "bins of equal width in the logarithm.",
    )  # fmt: skip
    parts = [_verdict(at), card(desk, both)]
    if shift is not None:
        parts.append(card(desk, shift))
    parts.append(card(desk, difference_by_call(at, kinds)))
    parts.append(
        table_card(desk, "changes", "Figure by figure", *changes_table(at),
                   "Changes of the loop, then of the calls that stand out; with 95 % intervals")
    )  # fmt: skip
    return parts


def judged_ms(run: Run, facts: Facts) -> Float:
    """Periods of the loops of a run that a comparison judged [ms]."""
    first = facts.warmup_loops
    return run.loop_columns.period_ns[first : first + facts.loops] / 1e6


def _verdict(at: Comparison) -> Part:
    lines: list[Part] = [html.P(in_full(s).replace("+-", "\u00b1")) for s in at.sentences]
    if at.history:
        past_runs = count(at.history, "run")
        text = f"What runs differ by without any change is told by {past_runs} of the season."
        lines.append(faint(text))
    if at.unlike:
        unlike = [html.Li(in_full(u.text)) for u in at.unlike]
        lines += [html.P(html.Strong("Unlike between the sides")), html.Ul(unlike)]
    lines.append(faint(f"Before: {_named(at.before)}. After: {_named(at.after)}. The first "
                       f"{at.window_s:.4g} s of each are judged, after the warm-up."))  # fmt: skip
    return section("verdict", _WORDS.get(at.verdict, at.verdict), *lines)


def _named(facts: tuple[Facts, ...]) -> str:
    return listed([f"{safe(f.name, 40)} ({count(f.loops, 'loop')})" for f in facts], 5)
