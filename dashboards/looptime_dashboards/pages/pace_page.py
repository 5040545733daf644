"""How fast and how even the loop is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from looptime.views.figures.note_marks import with_notes
from looptime.views.figures.pace_figures import period_histogram, rate_over_run, recurrences
from looptime.views.text.pace_text import one_length
from looptime.views.text.terminal import count, number
from looptime.words import percent
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import chief_figures, counting, damage, used
from looptime_dashboards.parts import card, findings, meanings
from looptime_dashboards.view import View

if TYPE_CHECKING:
    from looptime.analysers.pace import Distribution
    from looptime.analysers.summary import Summary

__all__ = ["body"]

#: What the figures and findings of the page are about.
_WORDS = ("loop rate", "period", "p50", "p99", "overrun", "headroom", "slow loop", "stall",
          "typical loops", "warm-up")  # fmt: skip


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    parts: list[Part] = [used(at, sampled)]
    hurt = damage(desk.library.log(view.run))
    if hurt is not None:
        parts.append(hurt)
    if not at.pace.loops:
        return [*parts, html.P("There is no loop to show.")], sampled
    parts.append(_figures(at))
    parts.append(meanings(_WORDS, desk.picture(at, "words", at.to_dict)))
    parts.append(findings(at.findings))
    histogram = desk.picture(at, f"periods {view.by}", lambda: period_histogram(at, view.by))
    whole = desk.run(view) if view.start is None and view.end is None and not sampled else None
    drawn = desk.picture(at, f"rate {whole is None}", lambda: rate_over_run(at, whole))
    drawn = with_notes(drawn, desk.notes(view)[0], whole or at.run, at.basis.origin_ns)
    parts.append(card(desk, drawn,
                      html.P("Click a loop to see its calls; drag sideways to look at a part.",
                             className="faint screen")))  # fmt: skip
    parts.append(card(desk, histogram, counting(view)))
    again = desk.picture(at, "recurrence", lambda: recurrences(at))
    if again is not None:
        parts.append(card(desk, again))
    return parts, sampled


def _figures(at: Summary) -> Part:
    pace, over = at.pace, at.pace.overruns
    cells = [("loops a second", number(pace.rate_hz.by_time), ""),
             *([one_length(at)] if pace.one_length else _lengths(pace.period_ms))]  # fmt: skip
    if over.budget_ms is not None:
        cells.append((f"over {number(over.budget_ms)} ms", percent(over.share),
                      count(over.count or 0, "loop")))  # fmt: skip
    if pace.headroom_ms is not None:
        cells.append(("headroom as a rule", f"{number(pace.headroom_ms['p50'].value)} ms", ""))
    return chief_figures(cells)


def _lengths(at: Distribution) -> list[tuple[str, str, str]]:
    p99 = at.p99
    return [
        ("half of the loops, up to", f"{number(at.p50.value)} ms", ""),
        ("99 % of the loops, up to", f"{number(p99.value)} ms",
         "" if p99.low is None else f"95 % interval {number(p99.low)} to {number(p99.high)}"),
        ("longest", f"{number(at.max)} ms", ""),
    ]  # fmt: skip
