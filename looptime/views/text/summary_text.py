"""The summary of a log as text: in ten seconds, how the loop does and what to do first."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from functools import partial
from pathlib import PurePath
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.freshness import Freshness
from looptime.analysers.pacing import periods_told
from looptime.analysers.summary import Summary
from looptime.analysers.together import Together
from looptime.findings.about import how_often, with_options
from looptime.findings.finding import CAUTION, CAUTION_LINE, Finding
from looptime.parsers.log import HELD_BY
from looptime.views.text.answer_limits import doubts, missing, set_aside
from looptime.views.text.costs_text import (
    CALLS,
    render_buses,
    render_calls,
    render_contention,
    render_groups,
    render_other_threads,
    rows_of_calls,
)
from looptime.views.text.pace_text import pace_sentence, render_pace
from looptime.views.text.strips import histogram_lines, strip_lines
from looptime.views.text.terminal import (
    caution,
    command_line,
    count,
    heading_line,
    in_full,
    number,
    plain,
    safe,
    table,
)
from looptime.views.text.text_parts import (
    hanging,
    indented,
    labelled,
    most_time_first,
    name_cell,
    percent,
    tick_text,
    told_apart,
    used_line,
)
from looptime.views.text.told import OneOf, Told, why
from looptime.words import named, shell_word

if TYPE_CHECKING:
    from looptime.parsers.read import Log
    from looptime.run import Run

__all__ = ["render_findings", "render_run", "render_summary", "render_together", "runs_of"]

#: Rows of calls that a summary shows at least, and phases up to which all are.
_FEWEST_CALLS, _FEW_PHASES = 4, 4
#: Rules of what comes back that are shown.
_MOST_RULES = 6

_NOTES = 4
_FIRST = 5
#: Runs in the table.
_RUNS = 12


def render_summary(log: Log, summaries: Sequence[Summary], phases_left: int = 0) -> Told:
    """The summary of one log: its pace in a sentence, what to do first, where the time goes.

    Parameters
    ----------
    log : looptime.Log
        What was read.
    summaries : sequence of Summary
        Of its runs, or of the phases of its runs; that of the longest run leads.
    phases_left : int
        Phases that are not summarised.
    """
    by_run, lead = runs_of(log, summaries)
    mine = by_run[lead]
    told = render_run(mine[0], doubts(log, by_run, lead, phases_left))
    tables, more = list(told.tables), list(told.more)
    if len(mine) > 1:
        phases = partial(_phases, mine, phases_left)
        few = len(mine) <= _FEW_PHASES
        tables.insert(1, OneOf((phases,)) if few else tuple(phases()))
    if len(by_run) > 1:
        tables.insert(0, tuple(_runs(log, by_run, lead)))
        for place, others in by_run.items():
            if place != lead:
                group = log.runs[place].meta.get("group")
                whose = "" if group is None else f": {safe(group, 40)}"
                more.append(heading_line(f"Run {place + 1} of {len(log.runs)}{whose}"))
                more += render_run(others[0]).parts(full=True)
    books = (*_books(log), used_line(mine[0]))
    worse = _elsewhere(log, by_run, lead)
    fine = any(f.severity == "fine" for f in mine[0].findings)
    # a phase in which something is wrong is not told of as fine for the sake of another
    first = worse if worse and fine and len(by_run) == 1 else worse + told.why
    return Told(
        set_aside(log) + missing(log, mine[0]) + told.answer,
        first,
        tuple(tables),
        tuple(more),
        books,
    )


def _elsewhere(log: Log, by_run: dict[int, list[Summary]], lead: int) -> tuple[RenderableType, ...]:
    if len(by_run) == len(by_run[lead]) == 1:
        return ()
    from looptime.views.text.elsewhere_text import elsewhere  # few logs have several runs

    return elsewhere(log, by_run, lead)


def runs_of(log: Log, summaries: Sequence[Summary]) -> tuple[dict[int, list[Summary]], int]:
    """Summaries by place of their run in the log, and the place of the one that leads."""
    by_run: dict[int, list[Summary]] = {}
    alike: dict[int, list[int]] = {}
    for k, run in enumerate(log.runs):
        alike.setdefault(id(run.set_aside), []).append(k)
    for at in summaries:
        places = alike.get(id(at.run.set_aside), [])
        place = next((k for k in places if _same_run(log.runs[k], at.run)), 0)
        by_run.setdefault(place, []).append(at)
    return by_run, max(by_run, key=lambda place: by_run[place][0].pace.duration_s)


def _runs(log: Log, by_run: dict[int, list[Summary]], lead: int) -> list[RenderableType]:
    """All runs of a log, a line each; of many the longest."""
    order = sorted(by_run, key=lambda place: -by_run[place][0].pace.duration_s)[:_RUNS]
    grouped = any("group" in log.runs[place].meta for place in by_run)
    rows = []
    for place in sorted(order):
        at = by_run[place][0].pace
        p = at.period_ms
        figures = [p.p50.value, p.p99.value, p.max] if at.loops else [None] * 3
        rows.append(
            [str(place + 1) + ("*" if place == lead else ""),
             *([log.runs[place].meta.get("group", "")] if grouped else []),
             f"{at.loops:,}", number(at.duration_s), number(at.rate_hz.by_time),
             *(number(v) for v in figures)]
        )  # fmt: skip
    left = len(log.runs) - len(rows)
    group = ["group"] if grouped else []
    heads = ["run", *group, "loops", "s", "loops/s", "p50 ms", "p99 ms", "max ms"]
    note = "*: told above and below" + (
        f"; {left:,} shorter runs: --full, --json{_of_very_many(log, by_run)}" if left else ""
    )
    title = f"{len(log.runs):,} runs" + (" by group" if grouped else "")
    return [heading_line(title), indented(table(heads, rows)), indented(Text(note))]


def _of_very_many(log: Log, by_run: dict[int, list[Summary]]) -> str:
    out = len(log.runs) - len(by_run)
    return f" (the shortest {out:,} are in none)" if out else ""


def _same_run(whole: Run, part: Run) -> bool:
    """Whether a part was picked out of a run: its first loop lies within it."""
    a, b = whole.loop_columns.start_ns, part.loop_columns.start_ns
    same = whole.rows_read == part.rows_read and whole.set_aside is part.set_aside
    return same and bool(len(a) and len(b) and a[0] <= b[0] <= a[-1])


def _books(log: Log) -> list[RenderableType]:
    """What was read: rows used and set aside, how the loops were found, the clock."""
    run = log.runs[0]
    aside = log.rows_read - log.rows_used
    rows = f"{log.rows_read:,} read = {log.rows_used:,} used + {aside:,} set aside"
    reasons = log.rows_by_reason
    if reasons:
        rows += " (" + ", ".join(f"{n:,} {why}" for why, n in reasons.items()) + ")"
    clock = f"{run.clock.unit} ({run.clock.unit_from}), tick {tick_text(run.clock.tick_ns)}"
    for word, there in (("wrap", run.clock.wraps), ("jump", run.clock.jumps)):
        if there:
            clock += f", {len(there)} {word}{'s' if len(there) > 1 else ''}"
    robot = run.meta.get("robot", "")
    found = f"loops found by {run.loop_from}" if run.loop_from else f"{run.layout} log"
    lines = [
        labelled("log", safe(log.path, 60) + (f"  ({safe(robot, 20)})" if robot else "")),
        labelled("rows", rows),
        labelled("clock", f"{clock}; {found}"),
    ]
    return lines + [labelled("", in_full(note)) for note in run.clock.told()]


def _phases(summaries: Sequence[Summary], left: int) -> list[RenderableType]:
    rows = []
    for at in summaries:
        p, over = at.pace.period_ms, at.pace.overruns
        rows.append(
            [
                at.phase or "(none)",
                f"{at.pace.loops:,}",
                number(at.pace.duration_s),
                number(at.pace.rate_hz.by_time),
                number(p.p50.value),
                number(p.p99.value),
                number(p.max),
                percent(over.share),
            ]
        )
    heads = ["phase", "loops", "s", "loops/s", "p50 ms", "p99 ms", "max ms", "over"]
    shown = summaries[0].phase or "(none)"
    others = "--phase NAME shows another one in full."
    if left:
        others += f" {left:,} phases of fewer loops are left out."
    return [
        heading_line("By phase"),
        indented(table(heads, rows)),
        indented(Text(f"In full below: {safe(shown)}. {others}")),
    ]


def render_run(at: Summary, limits: Sequence[str] = ()) -> Told:
    """One run, or one phase of it; `limits` are those of the answer and are said with it."""
    if not at.pace.loops:
        return Told("There is no loop to say anything about.", books=(used_line(at),))
    limited = f" ({'; '.join(limits)})" if limits else ""
    if not periods_told(at.run):
        alone = (tuple(render_pace(at)), tuple(render_calls(at)))
        return Told(f"{pace_sentence(at)}{limited}.", tables=tuple(t for t in alone if t))
    main = [f for f in at.findings if f.severity != "note"]
    answer = pace_sentence(at) + limited + "."
    first = main[0] if main else None
    lead = () if first is None else why(f"{first.severity}: {first.text}", first.command)
    if any(f.moves for f in main[:1]):
        lead = (*lead, indented(Text(CAUTION_LINE)))
    calls = _calls(at)
    tables = (
        tuple(_pictures(at)), _further(main), calls,
        tuple(render_contention(at)), tuple(_slow(at)), tuple(_within(at)),
    )  # fmt: skip
    more = [
        *render_findings(at.findings), *render_pace(at), *render_calls(at, grouped_up=False),
        *render_groups(at), *render_other_threads(at), *render_buses(at), *_fresh(at),
    ]  # fmt: skip
    return Told(answer, lead, tuple(t for t in tables if t), tuple(more))


def _calls(at: Summary) -> OneOf | tuple[RenderableType, ...]:
    """The calls, as many rows of them as there is room for, but the dearest in any case."""
    if not at.costs.calls:
        return ()
    rows = min(rows_of_calls(at), CALLS)
    few = range(rows, min(rows, _FEWEST_CALLS) - 1, -1)
    return OneOf(tuple(partial(render_calls, at, most=most) for most in few))


def _pictures(at: Summary) -> list[RenderableType]:
    """The periods as a histogram and the run as a strip, in letters."""
    encoding = sys.stdout.encoding
    x = at.basis.judged_ms
    start = (at.run.loop_columns.start_ns - at.basis.origin_ns) / 1e9
    what = "work" if at.basis.judged == "work" else "periods"
    parts: list[RenderableType] = []
    for label, lines in (
        (what, histogram_lines(x, encoding)), ("the run", strip_lines(start, x, encoding)),
    ):  # fmt: skip
        for lead, text in zip((label, ""), lines, strict=True):
            parts.append(Text(f"  {lead:<8}{text}", no_wrap=True))
    return parts


def _further(main: Sequence[Finding]) -> OneOf | tuple[RenderableType, ...]:
    """The findings after the first, a line or two each, for which room is kept."""
    if len(main) < 2:
        return ()
    parts: list[RenderableType] = [heading_line("What else stands out")]
    parts += [hanging(f"  {k}. {f.severity:<5}", f.text) for k, f in enumerate(main[1:3], 2)]
    return OneOf((lambda: parts,))


def render_findings(findings: Sequence[Finding]) -> list[RenderableType]:
    """What to do first: findings in order of what acting on them would buy."""
    parts: list[RenderableType] = [heading_line("What stands out, what matters most first")]
    main = [f for f in findings if f.severity != "note"]
    notes = [f for f in findings if f.severity == "note"][:_NOTES]
    for place, f in enumerate(main[:_FIRST], 1):
        parts.append(hanging(f"  {place}. {f.severity:<5}", f.text))
        if f.command:
            parts.append(command_line(f"{'':10}> {f.command}"))
    if len(main) > _FIRST:
        parts.append(indented(Text(f"{len(main) - _FIRST} more in --json.")))
    parts += [hanging("     note ", f.text) for f in notes]
    if any(f.moves for f in main[:_FIRST]):
        parts.append(indented(caution(CAUTION)))
    return parts


def _slow(at: Summary) -> list[RenderableType]:
    slow = at.slow
    if slow.threshold_ms is None:
        return []
    parts: list[RenderableType] = [heading_line("Slow loops")]
    if not slow.count:
        return [*parts, indented(Text(f"None: no loop stands out {slow.limit(at.basis.judged)}."))]
    text = (
        f"{count(slow.count, 'loop')} ({percent(slow.share)}, {percent(slow.time_share)} of the "
        f"time) {slow.limit(at.basis.judged)}, as {count(len(slow.events), 'event')}."
    )
    parts.append(indented(Text(text)))
    leaders = list(slow.by_culprit.items())[:4]
    if at.costs.calls and leaders:
        led = ", ".join(f"{safe(name, 30)} {n:,}" for name, n in leaders)
        led += most_time_first(leaders)
        parts.append(indented(Text(f"What stretched most in them: {led}")))
    for r in at.recurrence.most[:_MOST_RULES]:
        who = safe(r.call) if r.call else "no single call"
        if r.together:
            who = f"{len(r.together)} calls together"
        text = f"{who}: {number(r.height_ms)} ms {how_often(r)} ({count(r.count, 'time')})"
        if r.alternates_with:
            text += f", in the others {safe(named(r.alternates_with))}"
        parts.append(indented(Text(f"Comes back: {text}")))
    for r in at.recurrence.threads:
        after = f"after {safe(r.follows)} " if r.follows else ""
        text = f"{safe(r.call or '')} {after}{how_often(r)} ({count(r.count, 'time')})"
        parts.append(indented(Text(f"Thread {safe(r.thread)}: {text}")))
    return parts


def _within(at: Summary) -> list[RenderableType]:
    """Whether the run changes along its way."""
    changes = at.changes
    if changes.drift is None and not changes.change_points:
        return []
    what = "the time in calls " if changes.better and changes.of[-1] == "calls" else ""
    if changes.better == "drift" and changes.drift is not None:
        d = changes.drift.change_ms
        text = f"{what}drifts by {number(d.value)} ms ({number(d.low)} to {number(d.high)})"
    elif changes.better == "steps":
        steps = ", ".join(
            f"{number(p.step_ms)} ms at {number(p.time_s)} s" for p in changes.change_points[:5]
        )
        text = f"{what}changes its level: {steps}"
    else:
        text = f"no drift and no change of level seen{_looked_at(at)}."
    return [heading_line("Along the run"), indented(Text(text[0].upper() + text[1:]))]


def _looked_at(at: Summary) -> str:
    """What "none seen" is true of, where it is not the work itself."""
    if at.basis.work_known:
        return ""
    if at.changes.of[-1] == "calls":
        return " in the period or in the time of its calls"
    return " in the period; of the work it can't be told"


def _fresh(at: Summary) -> list[RenderableType]:
    ages = [f for f in at.freshness if f.has_age][:8]
    held = [f for f in at.freshness if not f.has_age][:4]
    if not ages and not held:
        return []
    rows = [
        [name_cell(f.name, 30), safe(f.source),
         *(number(age.p50 if age else None)
           for age in (f.age_at_pickup_ms, f.age_at_first_use_ms, f.age_at_last_use_ms)),
         *(number(getattr(f.age_at_first_use_ms, name, None)) for name in ("p90", "max")),
         number(f.fresh_hz), str(f.longest_hold_loops)]
        for f in ages
    ]  # fmt: skip
    rows += [
        [name_cell(f.name, 30), "signal", *[""] * 5, number(f.fresh_hz), str(f.longest_hold_loops)]
        for f in held
    ]
    heads = ["reading", "how", "picked up", "first use", "last use", "first p90", "max ms", "new/s",
             "held"]  # fmt: skip
    used = _used_at(ages)
    note = (
        f"ms old when picked up, at first use ({used}) and at last use, p50 of each; held: most "
        "loops in a row with the same one"
    )
    return [
        heading_line("Freshness of readings"),
        indented(table(heads, rows, left=(0, 1))),
        indented(Text(in_full(note))),
    ]


def _used_at(ages: Sequence[Freshness]) -> str:
    """What counts as first use, of the most readings and of those that differ."""
    said = [f.used_at for f in ages]
    if len(set(said)) < 2:
        return said[0] if said else "each logged row"
    usual = max(said, key=lambda one: (said.count(one), -said.index(one)))
    others = [f"{f.used_at} for {f.name}" for f in ages if f.used_at != usual]
    return f"{usual}, but {named(others)}"


def _spread_over(paths: Sequence[str], summaries: Sequence[Summary]) -> str:
    """How far apart the logs are, and which two are the furthest."""
    usual = [at.pace.period_ms.p50.value or 0.0 for at in summaries]
    low, high = (paths[usual.index(find(usual))] for find in (min, max))
    said = f"{len(paths)} logs together: a loop takes {number(min(usual))} ms"
    if number(min(usual)) == number(max(usual)):
        return f"{said} as a rule in each of them."
    return f"{said} as a rule in {low} to {number(max(usual))} ms in {high}."


def render_held(
    paths: Sequence[str], known_by: str | None, options: Sequence[tuple[str, ...]]
) -> list[RenderableType]:
    """Logs that look like threads of one program, with the command that reads them so."""
    names = named([PurePath(path).name for path in paths])
    said = {
        "clock": "they ran at the same time on one clock, each with calls of its own: read as "
        "threads of one run",
        "waits": "they run at the same time on one clock, each with calls of its own, and calls of "
        "one wait for those of another: read as threads of one run",
        None: "their clocks overlap, each with calls of its own, but a clock may begin anew with "
        "each recording: can't tell whether they are threads of one run; if so, this holds them "
        "together",
    }[known_by]
    log = HELD_BY.join(PurePath(path).as_posix() for path in paths)
    line = f"looptime summary {shell_word(log)}"
    return [plain(f"{names}: {said}.", 400), command_line(f"  > {with_options(line, options)}")]


def render_together(
    paths: Sequence[str], summaries: Sequence[Summary], found: Together
) -> list[RenderableType]:
    """Several logs: a row each, and how consistent they are."""
    rows = []
    for name, at in zip(told_apart(paths, 30), summaries, strict=True):
        p, over = at.pace.period_ms, at.pace.overruns
        top = at.findings[0].code.replace("_", " ") if at.findings else ""
        rows.append(
            [name, number(at.pace.duration_s), number(at.pace.rate_hz.by_time),
             number(p.p50.value), number(p.p99.value), percent(over.share), top]
        )  # fmt: skip
    heads = ["log", "s", "loops/s", "p50 ms", "p99 ms", "over", "stands out"]
    parts: list[RenderableType] = [
        plain(_spread_over(paths, summaries), 400),
        indented(table(heads, rows, left=(0, 6))),
    ]
    for at_figure in found.figures:
        text = f"{number(at_figure.lowest_ms)} to {number(at_figure.highest_ms)} ms"
        if at_figure.spread_percent is not None:
            text += f", {number(at_figure.spread_percent, 2)} % sd between recordings"
        if at_figure.outliers:
            text += "; far off: " + ", ".join(safe(paths[k], 30) for k in at_figure.outliers)
        parts.append(labelled(at_figure.figure, f"{found.judged} {text}"))
    return parts
