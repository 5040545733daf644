"""One call: how long it takes, when, what it made slow, and what a remedy would buy."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from dash import html

from looptime.errors import LooptimeError
from looptime.questions.planning import parse
from looptime.views.figures.call_figures import call_by_phase, call_histogram, call_over_run
from looptime.views.figures.note_marks import with_notes
from looptime.views.text.terminal import count, number, safe
from looptime.words import percent
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.changes_page import proposals, remedies
from looptime_dashboards.pages.common import chief_figures, remedy_switches, used
from looptime_dashboards.pages.pieces import table_card
from looptime_dashboards.parts import card, choice, choices, faint, named, note, section
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.analysers.call_costs import CallCost
    from looptime.analysers.summary import Summary

__all__ = ["body"]

_MOST_LINKS, _MOST_SLOW = 40, 12


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    mine = [c for c in at.costs.calls if c.name == view.call]
    parts: list[Part] = [used(at, sampled)]
    if not mine:
        return [*parts, *_chooser(at, view)], sampled
    wait = sampled
    for call in mine:  # the same name on several threads is several calls
        parts += [_figures(at, call), card(desk, call_histogram(at, call)),
                  card(desk, with_notes(call_over_run(at, call), desk.notes(view)[0], at.run,
                                        at.basis.origin_ns))]  # fmt: skip
        if desk.phases(view):
            heads, rows = call_by_phase(desk.run(view), call)
            parts.append(table_card(desk, "call_phases", "Phase by phase", heads, rows,
                                    "All loops of the run, the warm-up included"))  # fmt: skip
    parts.append(_slow_loops(at, view))
    told, more = _remedies(desk, view)
    return [*parts, told], wait or more


def _chooser(at: Summary, view: View) -> list[Part]:
    said = f"There is no call '{safe(view.call, 60)}' in what is looked at." if view.call else ""
    links = [choice(c.name, False, call=c.name) for c in at.costs.calls[:_MOST_LINKS]]
    left = len(at.costs.calls) - len(links)
    more = f"The {count(left, 'call')} that cost less stand on Where time goes." if left else ""
    chooser = section("chooser", "Which call", choices("Choose a call", *links), faint(more))
    return [note(said, "error"), chooser] if said else [chooser]


def _figures(at: Summary, call: CallCost) -> Part:
    where = ", ".join(filter(None, (
        f"thread {safe(call.thread, 30)}" if call.thread else "", call.kind,
        f"{safe(call.bus, 30)} bus" if call.bus else "", safe(call.device or "", 30))))  # fmt: skip
    cells = [
        ("self time a loop", f"{number(call.self_ms_per_loop)} ms",
         "" if call.share is None else f"{percent(call.share)} of the {at.basis.judged}"),
        ("calls a loop", number(call.calls_per_loop), count(call.count, "call")),
        ("half of the calls, up to", f"{number(call.p50_ms)} ms", ""),
        ("99 % of the calls, up to", f"{number(call.p99_ms)} ms", ""),
        ("longest", f"{number(call.max_ms)} ms", ""),
    ]  # fmt: skip
    if call.slow_excess_ms is not None:
        cells.append(("more in slow loops", f"{number(call.slow_excess_ms)} ms", ""))
    waits = at.contention.wait_ms.get(call.name) if call.on_loop_thread else None
    if waits:
        cells.append(("waiting for a lock or bus", f"{number(waits)} ms a loop",
                      f"service {number(max(call.self_ms_per_loop - waits, 0.0))}"))  # fmt: skip
    return html.Section([html.H2(safe(call.name, 120)), faint(where), chief_figures(cells)],
                        key=f"call {call.thread}")  # fmt: skip


def _slow_loops(at: Summary, view: View) -> Part:
    number_of = at.run.loop_columns.loop
    mine = [e for e in at.slow.events if e.culprit == view.call]
    head = "Slow loops that it made"
    if not mine:
        text = "It is what stretched most in none of the slow loops."
        return section("slow", head, html.P(text))
    links = [
        choice(f"loop {number_of[e.index]}: {number(e.worst_ms)} ms",
               False, loop=str(number_of[e.index]))
        for e in sorted(mine, key=lambda e: -e.worst_ms)[:_MOST_SLOW]
    ]  # fmt: skip
    slowest = "The slowest" if at.basis.judged == "period" else "The slowest, by their work"
    text = f"It stretched most in {len(mine):,} of {count(len(at.slow.events), 'slow event')}."
    return section("slow", head, html.P(text), choices(slowest, *links))


def _remedies(desk: Desk, view: View) -> tuple[Part, bool]:
    """Remedies that touch the call, with what each buys, and the way to Changes."""
    head = "Remedies"
    try:
        found = remedies(proposals(desk, view))
    except Pending as pending:
        return section("plan", head, note(f"{pending.text} ...")), True
    except LooptimeError as error:
        return section("plan", head, note(f"No remedies are proposed: {error}")), False
    mine = {c: why for c, why in found.items() if _touches(c, view.call)}
    does = "try them on Changes" if mine else "write one on Changes"
    onward = html.A(does, href="/changes" + view.search, className="choice",
                    **named({"data-page": "/changes"}))  # fmt: skip
    said = remedy_switches(mine.items(), view) if mine else html.P("None is proposed for it.")
    return section("plan", head, said, choices("Next", onward)), False


def _touches(change: str, call: str) -> bool:
    """Whether a change names a call, by itself or by a pattern."""
    return any(call == p or fnmatchcase(call, p) for p in parse(change).patterns)
