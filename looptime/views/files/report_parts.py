"""The parts of a report, in the order in which they are read: the answer first, the books last."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from looptime.analysers.pace import Distribution
from looptime.analysers.summary import Summary
from looptime.findings.finding import CAUTION_LINE, Finding
from looptime.parsers.log import Log
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.costs_figures import (
    cost_bars,
    slow_against_typical,
    waiting_bars,
)
from looptime.views.figures.pace_figures import period_histogram, rate_over_run, recurrences
from looptime.views.figures.slow_figures import event_table, loop_beside_typical
from looptime.views.files.html import Markup, element, table, together
from looptime.views.files.report_log import ReportLog
from looptime.views.files.report_sheet import PAPER_FEW, Sheet, short_table
from looptime.views.text.pace_text import work_named
from looptime.views.text.plan_words import (
    gain_of,
    gain_range,
    plan_command,
    share_of_loop,
    what_to_do,
)
from looptime.views.text.summary_text import render_summary
from looptime.views.text.terminal import number
from looptime.words import brief, count, percent

__all__ = ["findings_list", "log_parts"]

# findings, notes, remedies, slow loops and other phases that are shown
_FINDINGS, _NOTES, _PLANS, _EVENTS, _OTHERS = 6, 4, 5, 40, 3
_LEAST_SHARE = 0.0005


def log_parts(one: ReportLog, place: str, sheet: Sheet, short: bool = False) -> Markup:
    """Everything about one log.

    Parameters
    ----------
    one : ReportLog
        The log.
    place : str
        Where it stands in the report; begins the ids of its figures.
    sheet : Sheet
        Takes its figures.
    short : bool
        Whether to leave out all but the answer, the remedies, the notes and the pace.
    """
    at = one.lead
    parts = [_answer(one, at), _stands_out(at), _remedies(one), _notes(one)]
    if len(one.summaries) > 1:
        parts.append(_summaries(one))
    if at.pace.loops:
        parts.append(_pace(at, place, sheet))
    if short:
        return together(*parts)
    if at.pace.loops:
        parts.append(_costs(at, place, sheet))
    parts += [_heading(one, place, sheet), _control(one, place, sheet), _books(one.log, at)]
    return together(*parts)


def _answer(one: ReportLog, at: Summary) -> Markup:
    """What is slow, what to do and what that buys, as `summary` and `plan` say it first."""
    lines = [element("p", render_summary(one.log, one.summaries).answer, class_="lead")]
    main = [f for f in at.findings if f.severity != "note"][:1]
    lines += [_said("What stands out", f.text, f.command) for f in main]
    plans = one.plans
    if plans is not None and plans.unanswered:
        lines.append(element("p", plans.unanswered))
    if plans is not None and plans.proposed:
        best = plans.proposed[0]
        share = share_of_loop(best, plans)
        buys = f"{gain_of(best)} a loop" + (f", {share}" if share else "")
        buys += f" (predicted; a future recording should show {gain_range(best)} ms, "
        check = f" First {best.check}." if best.check else ""
        lines += [
            _said(
                "What to do first",
                f"{what_to_do(best)}.{check}",
                plan_command(best, plans, one.given),
            ),
            _said("What it would buy", f"{buys}{best.gain_ms.level_text})."),
        ]
    elif plans is not None:
        nothing = "Look closer as said above: no remedy tried would be seen in this loop."
        lines.append(_said("What to do first", nothing if main else "Nothing is proposed."))
    if any(f.moves for f in main) or (plans is not None and plans.proposed):
        lines.append(element("p", CAUTION_LINE[0].upper() + CAUTION_LINE[1:] + "."))
    return element("section", *lines, class_="answer")


def _said(lead: str, text: str, command: str = "") -> Markup:
    code = (" ", element("code", command)) if command else ()
    return element("p", element("strong", f"{lead}: "), text, *code)


def _stands_out(at: Summary) -> Markup:
    """The findings after the first."""
    main = [f for f in at.findings if f.severity != "note"][1:]
    shown = [*main[:_FINDINGS], *[f for f in at.findings if f.severity == "note"][:_NOTES]]
    if not shown:
        return Markup()
    left = len(at.findings) - 1 - len(shown)
    more = element("p", f"{left} more in summary --json.", class_="faint") if left > 0 else ""
    return together(element("h2", "What else stands out"), findings_list(shown), more)


def findings_list(findings: Sequence[Finding]) -> Markup:
    """Findings as a list, what matters most first; notes after them."""
    made = []
    for f in findings:
        word = element("span", f.severity, class_=f"word {f.severity}")
        command = (" ", element("code", f.command)) if f.command else ()
        made.append(element("li", word, " ", f.text, *command))
    return element("ul", *made, class_="found")


def _remedies(one: ReportLog) -> Markup:
    """What was tried on the recording, and what each would buy."""
    plans, why_not = one.plans, dict(one.not_told).get("remedies")
    if plans is None and why_not is None:
        return Markup()
    title = element("h2", "Remedies, and what they would buy")
    if plans is None:
        return together(title, element("p", f"Can't tell: {why_not}"))
    if not plans.proposed:
        text = "Nothing is proposed: no remedy tried would be seen in this loop."
        return together(title, element("p", text))
    rows = [
        (what_to_do(p), brief(p.gain_ms.value), gain_range(p), share_of_loop(p, plans).split()[0],
         number(p.p99_ms), number(p.effort, 2), p.risk, p.check)
        for p in plans.proposed[:_PLANS]
    ]  # fmt: skip
    work = plans.judged == "work"
    heads = ("remedy", f"{'work' if work else 'loop'} changes by, ms", "range", "% of it",
             "p99 then, ms", "effort", "risk", "first")  # fmt: skip
    now = plans.now_work_ms if work and plans.now_work_ms else plans.now_ms["mean"]
    said = (
        f"Played again over {plans.loops:,} of {plans.loops_in_log:,} loops, whose mean is "
        f"{number(now)} ms; ranges are {plans.proposed[0].gain_ms.level_text}, for a future "
        "recording. Effort is 1 for a few lines of code and more for more."
    )
    left = len(plans.proposed) - len(rows)
    said += f" {left} more with looptime plan --full." if left > 0 else ""
    return together(title, table(heads, rows, class_="words"), element("p", said, class_="faint"))


def _notes(one: ReportLog) -> Markup:
    """What the team wrote down about the log."""
    many = len(one.log.runs) > 1
    rows = [
        (f"run {n.run}" if many else "", n.about, n.text, n.written.replace("T", " "))
        for n in one.notes.notes
    ]
    if not rows and not one.notes.troubles:
        return Markup()
    return together(
        element("h2", "Notes"),
        short_table(("run", "about", "note", "written"), rows) if rows else "",
        *(element("p", text, class_="faint") for text in one.notes.troubles),
    )


def _summaries(one: ReportLog) -> Markup:
    """Runs and phases, a row each; of the largest others their first findings."""
    rows = [
        (at.phase or "(all)", at.pace.loops, number(at.pace.duration_s),
         at.pace.rate_hz.by_time, at.pace.period_ms.p50.value, at.pace.period_ms.p99.value,
         at.pace.period_ms.max, percent(at.pace.overruns.share))
        for at in one.summaries
    ]  # fmt: skip
    many = len(one.log.runs) > 1
    word = f"{len(one.log.runs)} runs" if many else "By phase"
    heads = ("phase", "loops", "s", "loops a second", "p50 ms", "p99 ms", "max ms", "over")
    parts = [element("h2", word), short_table(heads, rows, "The rest of the report is about "
             + _which(one.lead, many) + ".")]  # fmt: skip
    others = [at for at in one.summaries if at is not one.lead and at.pace.loops]
    for at in sorted(others, key=lambda at: -at.pace.duration_s)[:_OTHERS]:
        found = [f for f in at.findings if f.severity != "note"][:2]
        if found and at.phase:
            parts += [element("h3", f"In phase {at.phase}"), findings_list(found)]
    return together(*parts)


def _which(at: Summary, many: bool) -> str:
    phase = f"phase {at.phase}" if at.phase else ""
    return f"{phase} of the longest run" if phase and many else phase or "the longest run"


def _pace(at: Summary, place: str, sheet: Sheet) -> Markup:
    heads = ("ms", "mean", "p50", "p90", "p95", "p99", "p99.9", "max", "sd")
    figures = [period_histogram(at), rate_over_run(at)]
    paced = at.pacing
    said = f"{paced.mode}: {paced.mode_from}."
    return together(
        element("h2", "Pace" + (f" in phase {at.phase}" if at.phase else "")),
        element("p", said[0].upper() + said[1:], class_="faint"),
        table(heads, _pace_rows(at), "Periods with 95 % intervals", class_="whole"),
        sheet.rows(place, figures),
    )


def _pace_rows(at: Summary) -> list[tuple[Any, ...]]:
    rows = _distribution("period", at.pace.period_ms)[: 1 if at.pace.one_length else None]
    if at.pace.work_ms is not None and (named := work_named(at)):
        rows += _distribution(named, at.pace.work_ms)
    by_time = at.pace.period_by_time_ms
    rows.append(("by time", "", by_time["p50"], by_time["p90"], "", by_time["p99"], "", "", ""))
    over = at.pace.overruns
    if over.budget_ms is not None:
        rows.append((f"over {number(over.budget_ms)} ms", f"{over.count:,}", percent(over.share),
                     *[""] * 6))  # fmt: skip
    return rows


def _distribution(word: str, at: Distribution) -> list[tuple[Any, ...]]:
    figures = (at.mean, at.p50, at.p90, at.p95, at.p99, at.p999)
    spans = [
        "" if f.low is None or f.high is None else f"{number(f.low)} to {number(f.high)}"
        for f in figures
    ]
    return [(word, *(f.value for f in figures), at.max, at.sd), ("  95 %", *spans, "", "")]


def _costs(at: Summary, place: str, sheet: Sheet) -> Markup:
    """Where the time goes, and what is different in slow loops."""
    known = "Where the time goes, and what makes loops slow"
    parts = [element("h2", known if at.costs.calls else "Slow loops")]
    if at.costs.calls:
        figures = [cost_bars(at), slow_against_typical(at), cost_bars(at, "kind")]
        parts.append(sheet.rows(place, [*figures, recurrences(at), waiting_bars(at)]))
        if at.slow.events:
            loop = int(at.run.loop_columns.loop[at.slow.events[0].index])
            parts.append(sheet.figure(place, loop_beside_typical(at, loop)))
        parts.append(_calls(at))
    if at.slow.events:
        heads, rows = event_table(at, _EVENTS)
        caption = f"Slow loops, the worst first, of {count(len(at.slow.events), 'event')}"
        parts.append(short_table(heads, rows, caption, PAPER_FEW))
    return together(*parts) if parts[1:] else Markup()


def _calls(at: Summary) -> Markup:
    others = [c for c in at.costs.calls if not c.on_loop_thread]
    threads = len({c.thread for c in at.costs.calls}) > 1
    rows = [
        (c.name, c.thread if threads else "", "" if c.name == UNATTRIBUTED else c.kind,
         c.subsystem or "", c.bus or "", number(c.calls_per_loop), brief(c.self_ms_per_loop),
         _share(c.share), brief(c.p50_ms), brief(c.p99_ms), brief(c.max_ms),
         brief(c.slow_excess_ms), _share(c.variance_share))
        for c in [*at.costs.rows, *others]
    ]  # fmt: skip
    heads = ("call", "thread", "kind", "subsystem", "bus", "a loop", "ms a loop", "share",
             "p50 ms", "p99 ms", "max ms", "more in slow, ms", "of variance")  # fmt: skip
    return short_table(heads, rows, "Every call")


def _share(share: float | None) -> str:
    """A share in percent; what is too small to matter as 0."""
    return "0 %" if share is not None and abs(share) < _LEAST_SHARE else percent(share)


def _heading(one: ReportLog, place: str, sheet: Sheet) -> Markup:
    at, why_not = one.heading, dict(one.not_told).get("heading")
    if at is None:
        return _missing("Heading", why_not)
    from looptime.views.figures.heading_figures import (
        age_bars,
        error_curve,
        required_sentences,
        sideways_curve,
    )
    from looptime.views.text.heading_text import heading_sentence, motion_words

    figures = [error_curve(at), sideways_curve(at)] if at.curve else [age_bars(at)]
    return together(
        element("h2", "Heading"),
        element("p", heading_sentence(at)),
        element("p", f"The motion is {motion_words(at.motion, False)}.", class_="faint"),
        *(element("p", text) for text in required_sentences(at)),
        sheet.rows(place, figures),
        *(element("p", text, class_="faint") for text in at.notes),
    )


def _control(one: ReportLog, place: str, sheet: Sheet) -> Markup:
    """Gains as they act, the controller whose move fares worst, and the steered wheels."""
    at, why_not = one.control, dict(one.not_told).get("controllers")
    if at is None:
        return _missing("Controllers and steered wheels", why_not)
    from looptime.views.figures.control_figures import gain_table, response_curves, wheel_bars
    from looptime.views.text.control_answer import control_sentence

    heads, rows = gain_table(at)
    caption = "Gains as they act, as factors of those at the typical step"
    moves = [m for m in map(response_curves, at.controllers) if m is not None]
    wheels = None if at.steering is None else wheel_bars(at.steering)
    return together(
        element("h2", "Controllers and steered wheels"),
        element("p", control_sentence(at)),
        short_table(heads, rows, caption) if rows else "",
        sheet.rows(place, [*moves[:1], *moves[-1:], wheels]),
        *(element("p", text, class_="faint") for text in at.notes),
    )


def _missing(title: str, why_not: str | None) -> Markup:
    if why_not is None:
        return Markup()
    return together(element("h2", title), element("p", f"Can't tell: {why_not}"))


def _books(log: Log, at: Summary) -> Markup:
    """What was read, and what the figures rest on."""
    run, aside = at.run, log.rows_read - log.rows_used
    head = f"{log.rows_read:,} rows read = {log.rows_used:,} used + {aside:,} set aside"
    if log.rows_by_reason:
        head += " (" + ", ".join(f"{n:,} {why}" for why, n in log.rows_by_reason.items()) + ")"
    left_out = at.loops - at.pace.loops
    used = f"{at.pace.loops:,} loops in {number(at.pace.duration_s)} s"
    used += f"; the first {left_out:,} are {at.warmup.what} and left out" if left_out else ""
    clock = f"clock in {run.clock.unit} ({run.clock.unit_from}), tick {run.clock.tick_ns:,} ns"
    found = f"loops found by {run.loop_from}" if run.loop_from else f"{run.layout} log"
    facts = [head, used, f"{clock}; {found}", *run.clock.limits, *run.clock.told()]
    if log.path != Path(log.path).name:  # logs of several folders may have one name
        facts.insert(0, log.path)
    if run.meta:
        facts.append("; ".join(f"{key}: {value}" for key, value in list(run.meta.items())[:12]))
    return together(
        element("h2", "What this rests on"),
        element("div", *(element("p", fact) for fact in facts), class_="small"),
    )
