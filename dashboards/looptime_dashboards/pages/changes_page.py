"""Remedies: switch them on and see what they would buy, before anyone writes them."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from dash import html

from looptime.errors import LooptimeError
from looptime.questions.planning import CAUTIONS, parse, remedy_of, suggestions
from looptime.questions.planning import plan as predict
from looptime.views.figures.plan_figures import (
    bus_use,
    call_costs,
    contributions,
    plan_basis,
    predicted_histogram,
    reading_ages,
    sides_table,
    signed,
)
from looptime.views.text.plan_text import plan_sentence
from looptime.views.text.plan_words import gain_ends, gain_of
from looptime.views.text.terminal import in_full, number, safe
from looptime_dashboards.desk import SAMPLE_FROM, Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import counting, remedy_switches
from looptime_dashboards.pages.pieces import scatter, stretches, table_card
from looptime_dashboards.parts import (
    card,
    caution,
    choices,
    faint,
    form_of,
    named,
    note,
    section,
    table,
    toggle,
)
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.planner import Prediction, Suggestions
    from looptime.planner.search.proposals import Proposal

__all__ = ["body", "place", "prediction", "proposals", "remedies"]

_QUICK = 1_500
_CHIEF = 4
_MOST_PROPOSED = 10
_MOST_PLANS = 8
_SEEN = 0.005  # of the mean: what changes it by less is lost in what differs from run to run


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    desk.run(view)  # says that it is being read, before anything else is shown
    wrong = _not_understood(view)
    view = view.but(change=tuple(c for c in view.change if c not in wrong))
    parts: list[Part] = []
    found: Suggestions | None = None
    wait, said = False, ""
    try:
        found = proposals(desk, view)
    except Pending as pending:
        wait, said = True, f"{pending.text} ..."
    except LooptimeError as error:
        said = f"No remedies are proposed: {error}"
    switches = _switches(view, found, said, wrong)
    if not view.change:
        parts.append(_sought(desk, view, found))
        parts.append(switches)
        if found is not None:
            parts += _warnings((*found.gain_ends, *found.warnings))
        return parts, wait
    try:
        at, sampled = prediction(desk, view)
    except Pending as pending:
        return [_beside(switches, note(f"{pending.text} ..."))], True
    except LooptimeError as error:  # the switches stay, to take out what cannot be
        return [_refused(view, str(error)), switches], wait
    told = _verdict(view, at)
    return [_beside(switches, told), *_predicted(desk, view, at, sampled)], wait or sampled


def _beside(switches: Part, told: Part) -> Part:
    """What the remedies do stands beside the switches, so that both are seen at once."""
    return html.Div([switches, html.Div(told, className="stays")], className="beside", key="beside")


def _verdict(view: View, at: Prediction) -> Part:
    """What the remedies that are switched on do, in a sentence and the chief figures."""
    rows = [html.Div([html.Dt(what), html.Dd([html.Span(f"{was} "), html.Strong(f"to {now}")])])
            for what, was, now in sides_table(at)[1][:_CHIEF]]  # fmt: skip
    onward = html.A("what it means for heading", href="/heading" + view.search, className="choice",
                    **named({"data-page": "/heading"}))  # fmt: skip
    return section(
        "told", "What they would do", html.P(html.Strong(in_full(plan_sentence(at)))),
        html.Dl(rows, className="chief"), choices("Next", onward), role="status",
    )  # fmt: skip


def _sought(desk: Desk, view: View, found: Suggestions | None) -> Part:
    """From a finding: its remedy is switched on as soon as it is known, or why there is none."""
    if not view.seek:
        return None
    if found is None:
        return note("The remedy for this finding is being looked for ...")
    at, _ = desk.summary(view)
    named_so = (f for f in at.findings if f.evidence.calls
                and view.seek == f"{f.code}:{f.evidence.calls[0]}")  # fmt: skip
    sought = next(named_so, None)
    best = None if sought is None else remedy_of(sought, found)
    if best is None:
        return note("No remedy that was tried answers this finding: choose one below or write one.")
    goto = urlencode([*(("change", c) for c in best.changes), ("seek", "")])
    return html.Div(**named({"data-goto": goto, "data-when": urlencode({"seek": view.seek})}))


def _refused(view: View, why: str) -> Part:
    """Why these remedies cannot be tried, with a way out."""
    several = len(view.change) > 1
    head = "These remedies cannot be put together" if several else "This remedy cannot be"
    off = [toggle(change, "change", view.change) for change in view.change]
    return section(
        "refused", head, note(why[:1].upper() + why[1:] + ".", "error"),
        html.P("Nothing was worked out. Switch one of them off, or put them in another order:"
               if several else "Nothing was worked out. Switch it off, or write it otherwise:"),
        html.Div(off, className="choices"),
    )  # fmt: skip


def place(desk: Desk, view: View) -> tuple[Hashable, ...]:
    """What a plan is about: the run and the part of it."""
    return (view.run, desk.phase(view), view.start, view.end, view.warmup)


def proposals(desk: Desk, view: View) -> Suggestions:
    """Remedies that are worth trying on what is looked at.

    Raises
    ------
    Pending
        While they are being looked for.
    LooptimeError
        If the run cannot be played again.
    """
    key = ("suggest", *place(desk, view))
    first = desk.summary(view)[0].findings

    def make() -> Suggestions:
        few = stretches(desk, view, SAMPLE_FROM)
        return suggestions(desk.asked(view), few, progress=desk.work.tell(key), findings=first)

    return desk.work.get(key, make, "Looking for remedies", 0.4)


def _not_understood(view: View) -> dict[str, str]:
    """What was written as a remedy and is none, with why."""
    wrong = {}
    for change in view.change:
        try:
            parse(change)
        except LooptimeError as error:
            wrong[change] = str(error)
    return wrong


def _switches(view: View, found: Suggestions | None, said: str, wrong: dict[str, str]) -> Part:
    proposed = {} if found is None else remedies(found)
    on = [(c, proposed.get(c, "")) for c in view.change]  # first, so that they are in sight
    rows = [*on, *((c, why) for c, why in proposed.items() if c not in view.change)]
    given, why = next(iter(wrong.items()), ("", ""))
    form = form_of("Write a remedy", ("change", "Another remedy", "", {}), button="Add",
                   wrong={"change": (given, why)} if wrong else None,
                   kept=[("change", c) for c in view.change])  # fmt: skip
    example = (
        "For example: batch drive.*.read; thread gyro.read rest-ms=5; every range.read loops=4"
    )
    inner: list[Part] = []
    if said:
        inner.append(note(said))
    elif found is not None and not proposed:
        inner.append(note("Nothing is proposed: no remedy tried would be seen in this loop."))
    inner += [remedy_switches(rows, view), form, faint(example)]
    if found is not None and found.proposed:
        inner.append(_plans(view, found))
    if found is not None and found.not_proposed:
        left = [html.Li(f"{safe(p.text, 80)}: {in_full(p.why)}") for p in found.not_proposed]
        inner.append(html.Details([html.Summary("What was looked at and left out"),
                                   html.Ul(left)]))  # fmt: skip
    return section("switches", "Switch remedies on and off", *inner)


def remedies(found: Suggestions) -> dict[str, str]:
    """Each single change once, with what its remedy buys alone and why it is proposed."""
    what = "of work a loop" if found.judged == "work" else "a loop"
    least = _SEEN * found.now_ms["mean"]
    alone = {plan.changes: plan for plan in found.proposed}
    made: dict[str, str] = {}
    for plan in found.proposed:
        if len(plan.changes) == 1:
            buys = _buys(plan, least, what)
            made[plan.changes[0]] = f"{buys}; risk {plan.risk}; {plan.why}"
    for remedy in found.remedies:
        plan_alone = alone.get(remedy.changes)
        buys = "" if plan_alone is None else f"{_buys(plan_alone, least, what)}; "
        for change in remedy.changes:
            others = " and ".join(c for c in remedy.changes if c != change)
            with_others = f"together with {others}: " if others else ""
            made.setdefault(change, f"{with_others}{buys}risk {remedy.risk}; {remedy.why}")
    return dict(list(made.items())[:_MOST_PROPOSED])


def _buys(plan: Proposal, least: float, what: str) -> str:
    """What a plan buys and its range, in the words of the command line."""
    if abs(plan.gain_ms.value or 0.0) < least:
        return "no change of the mean that would be seen"
    return f"{gain_of(plan)} {what} ({gain_ends(plan)})"


def _plans(view: View, found: Suggestions) -> Part:
    """Whole plans, best first, each with a link that switches just these on."""
    rows = [
        (_plan_link(plan.changes, view.change), signed(plan.gain_ms), float(plan.p99_ms),
         float(plan.effort), plan.risk, _older(plan.age_at_first_use_ms))
        for plan in found.proposed[:_MOST_PLANS]
    ]  # fmt: skip
    mean = "work, ms a loop" if found.judged == "work" else "mean, ms a loop"
    heads = ("plan", mean, "p99 then, ms", "effort", "risk", "readings")
    return html.Details(
        [html.Summary("Whole plans, best first"),
         table(heads, rows, "The largest gain first if by much, then by gain over effort and risk; "
               "from a sample of the loops")]
    )  # fmt: skip


def _plan_link(changes: tuple[str, ...], now: tuple[str, ...]) -> Part:
    """A link that switches a plan's changes on, and all others off."""
    extra = {"data-set": urlencode([("change", c) for c in changes])}
    if set(changes) == set(now):
        extra["aria-current"] = "true"
    return html.A(in_full(" + ".join(changes)), href="#", className="choice", **named(extra))


def _older(ages: dict[str, tuple[float, float]]) -> str:
    made = [f"{safe(name, 30)} {number(was)} to {number(now)} ms old at first use"
            for name, (was, now) in list(ages.items())[:3]]  # fmt: skip
    return "; ".join(made)


def prediction(desk: Desk, view: View) -> tuple[Prediction, bool]:
    """The prediction for the remedies of a view, and whether it is from a sample for now.

    Raises
    ------
    Pending
        While not even a sample is there.
    LooptimeError
        If a remedy makes no sense, or not for this run.
    """
    changes = tuple(str(parse(c)) for c in view.change)
    key, sd = _plan_key(desk, view), scatter(desk, view)

    def make(loops: int, tell: Callable[[float], None] | None = None) -> Prediction:
        few = stretches(desk, view, loops)
        return predict(desk.asked(view), few, changes, run_sd=sd, progress=tell)

    if len(desk.run(view)) <= _QUICK:
        return desk.plans.get(key, lambda: make(SAMPLE_FROM), "Predicting", 1.0, True), False
    tell = desk.plans.tell(key)
    return desk.plans.twice(
        key, lambda: make(SAMPLE_FROM, tell), lambda: make(_QUICK), "Predicting"
    )


def _plan_key(desk: Desk, view: View) -> tuple[Hashable, ...]:
    return ("predict", *place(desk, view), tuple(str(parse(c)) for c in view.change))


def _predicted(desk: Desk, view: View, at: Prediction, sampled: bool) -> list[Part]:
    columns = stretches(desk, view, _QUICK if sampled else SAMPLE_FROM).loop_columns
    recorded, loops = columns.period_ns[at.warmup_loops :], columns.loop[at.warmup_loops :]
    basis = plan_basis(at)
    if desk.is_long(view, SAMPLE_FROM):
        basis += f" These loops are stretches that stand for all {len(desk.run(view)):,}."
    if sampled:
        share = desk.plans.share(_plan_key(desk, view))
        done = "" if share is None else f" ({100 * share:.0f} % done)"
        basis += f" For now: an answer from more loops is on its way{done}."
    parts: list[Part] = [
        html.P(basis, className="note", role="status", id="plan-basis"),
        card(desk, predicted_histogram(recorded / 1e6, at, view.by, loops), counting(view)),
        table_card(desk, "sides", "The loop before and after", *sides_table(at),
                   "Figures of the loop, with 90 % intervals"),
        card(desk, contributions(at)),
    ]  # fmt: skip
    ages, buses = reading_ages(at), bus_use(at)
    parts += [card(desk, picture) for picture in (ages, buses) if picture is not None]
    parts.append(
        table_card(desk, "plan_calls", "Calls before and after", *call_costs(at),
                   "What each call costs, those that change most first")
    )  # fmt: skip
    parts += _rest(at) + _warnings(at.warnings)
    parts.append(caution(" ".join(CAUTIONS)))
    return parts


def _rest(at: Prediction) -> list[Part]:
    """For a read on a thread that shares a bus with the loop: the rest from which it pays."""
    made: list[Part] = []
    for advice in at.rest:
        if advice.rest_ms is None:
            text = "With no rest that was tried does this thread pay on this bus."
        else:
            text = f"It pays from a rest of {number(advice.rest_ms)} ms, whoever gets the bus."
        rows = [tuple(t[k] for k in ("rest_ms", "period_ms", "age_at_first_use_p95_ms"))
                for t in advice.trials]  # fmt: skip
        heads = ("rest, ms", "mean period, ms", "age at first use p95, ms")
        made.append(
            section(f"rest {advice.text}",
                    f"How long the thread should rest: {safe(advice.text, 80)}", html.P(text),
                    table(heads, rows, "Loop and reading by the thread's rest"))
        )  # fmt: skip
    return made


def _warnings(warnings: tuple[str, ...]) -> list[Part]:
    if not warnings:
        return []
    lines = [html.Li(in_full(w)) for w in warnings]
    return [section("mind", "Mind", html.Ul(lines))]
