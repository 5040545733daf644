"""The report: one file for the team's logbook, to be read, printed and sent without a network."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from looptime.analysers.pace import Distribution
from looptime.analysers.summary import Summary
from looptime.files import write_whole
from looptime.findings.finding import CAUTION, Finding
from looptime.records import dataclass
from looptime.views.figures.control_figures import control_pictures, gain_table
from looptime.views.figures.costs_figures import (
    call_table,
    cost_bars,
    slow_against_typical,
    waiting_bars,
)
from looptime.views.figures.drawing import library_text
from looptime.views.figures.pace_figures import period_histogram, rate_over_run, recurrences
from looptime.views.figures.picture import Picture
from looptime.views.figures.slow_figures import event_table, loop_beside_typical
from looptime.views.files.html import (
    csv_text,
    data_json,
    element,
    escape,
    picture_table,
    table,
    together,
)
from looptime.views.files.report_page import script, style
from looptime.views.text.control_text import control_sentence
from looptime.views.text.terminal import number
from looptime.words import percent

if TYPE_CHECKING:
    from looptime.controlling import ControlResult
    from looptime.parsers.read import Log

__all__ = ["ReportLog", "pictures_of", "render_report", "write_report"]


@dataclass(frozen=True)
class ReportLog:
    """One log of a report."""

    log: Log  #: What was read
    summaries: tuple[Summary, ...]  #: Of its runs, or of the phases of its runs
    #: Of the controllers and wheels that the project file states.
    control: ControlResult | None = None


def write_report(
    logs: Sequence[ReportLog], out: str | os.PathLike[str], *, title: str = "", version: str = "",
    errors: Sequence[str] = (), project: str = "",
) -> Path:  # fmt: skip
    """Write the report of some logs to one file.

    Parameters
    ----------
    logs : sequence of ReportLog
        The logs with their summaries (`looptime.questions.summary`).
    out : path-like
        The HTML file; it is replaced if it is there.
    title : str, optional
        Heading of the report; else the robot and the logs' names.
    version : str, optional
        Version of the program, for the last line.
    errors : sequence of str
        One line for each log that could not be read.
    project : str
        The project file that was used.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    target = Path(out)
    text = render_report(logs, title=title, version=version, errors=errors, project=project)
    write_whole(target, text, folders=True)
    return target


def render_report(
    logs: Sequence[ReportLog], *, title: str = "", version: str = "",
    errors: Sequence[str] = (), project: str = "",
) -> str:  # fmt: skip
    """The report as HTML text; see `write_report`."""
    figures: dict[str, dict[str, object]] = {}
    body = "".join(element("p", f"Not read: {e}", class_="caution") for e in errors)
    hows: dict[str, str] = {}
    for place, one in enumerate(logs):
        body += _log(one, f"l{place}", figures, hows)
    body += _cautions() + _computed(hows)
    name = title or _title(logs)
    made = datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M")
    foot = f"Made {made} by looptime {version}".rstrip()
    foot += f", project file {project}" if project else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:\">"
        f"<title>{escape(name)}</title><style>{style()}</style></head><body>"
        f"<header><h1>{escape(name)}</h1>{element('p', foot, class_='faint')}</header>"
        f"<main>{body}</main>"
        f'<script type="application/json" id="figures">{data_json(figures)}</script>'
        f"<script>{library_text()}</script><script>{script()}</script></body></html>\n"
    )


def _title(logs: Sequence[ReportLog]) -> str:
    robots = {run.meta.get("robot", "") for one in logs for run in one.log.runs} - {""}
    names = [Path(one.log.path).name for one in logs]
    which = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    lead = f"Loop timing of {sorted(robots)[0]}" if len(robots) == 1 else "Loop timing"
    return f"{lead}: {which}" if names else lead


def pictures_of(at: Summary, with_slowest: bool = True) -> Iterator[Picture]:
    """The figures of one summary, in the order of the report."""
    yield period_histogram(at)
    yield rate_over_run(at)
    for optional in (recurrences(at),):
        if optional is not None:
            yield optional
    if at.costs.calls:
        yield cost_bars(at)
        yield cost_bars(at, "kind")
        for optional in (waiting_bars(at), slow_against_typical(at)):
            if optional is not None:
                yield optional
    if with_slowest and at.slow.events and at.costs.calls:
        number_of = at.run.loop_columns.loop
        yield loop_beside_typical(at, int(number_of[at.slow.events[0].index]))


def _log(one: ReportLog, place: str, figures: dict[str, dict[str, object]],
         hows: dict[str, str]) -> str:  # fmt: skip
    log = one.log
    aside = log.rows_read - log.rows_used
    run = log.runs[0]
    head = f"{log.rows_read:,} rows read = {log.rows_used:,} used + {aside:,} set aside"
    reasons = log.rows_by_reason
    if reasons:
        head += " (" + ", ".join(f"{n:,} {why}" for why, n in reasons.items()) + ")"
    facts = [head, f"Clock in {run.clock.unit} ({run.clock.unit_from}), tick {run.clock.tick_ns:,} "
             "ns", *run.clock.told()]  # fmt: skip
    if log.path != Path(log.path).name:  # logs of several folders may have one name
        facts.insert(0, log.path)
    if run.meta:
        facts.append("; ".join(f"{key}: {value}" for key, value in list(run.meta.items())[:12]))
    text: str = element("h2", Path(log.path).name, id=f"{place}")
    text += "".join(element("p", fact, class_="faint") for fact in facts)
    if len(one.summaries) > 1:
        text += _phases(one.summaries)
    for k, at in enumerate(one.summaries):
        text += _summary(at, f"{place}s{k}", figures, hows, full=k == 0)
    if one.control is not None:
        text += _control(one.control, f"{place}c", figures, hows)
    return text


def _control(at: ControlResult, place: str, figures: dict[str, dict[str, object]],
             hows: dict[str, str]) -> str:  # fmt: skip
    text: str = element("h2", "Controllers and steered wheels")
    text += element("p", control_sentence(at))
    heads, rows = gain_table(at)
    if rows:
        text += table(heads, rows, "Gains as they act, as factors of those at the typical step")
    for k, picture in enumerate(control_pictures(at)):
        text += _figure(picture, f"{place}-{k}-{picture.key}", figures, hows)
    return text + "".join(element("p", word, class_="caution") for word in at.cautions)


def _phases(summaries: Sequence[Summary]) -> str:
    rows = [
        (at.phase or "(none)", at.pace.loops, at.pace.duration_s, at.pace.rate_hz.by_time,
         at.pace.period_ms.p50.value, at.pace.period_ms.p99.value, at.pace.period_ms.max)
        for at in summaries
    ]  # fmt: skip
    heads = ("phase", "loops", "s", "loops a second", "p50 ms", "p99 ms", "max ms")
    return table(heads, rows, "By phase of the log; the first is shown in full")


def _summary(at: Summary, place: str, figures: dict[str, dict[str, object]],
             hows: dict[str, str], full: bool) -> str:  # fmt: skip
    name = "What stands out" + (f" in phase {at.phase}" if at.phase else "")
    left_out = at.loops - at.pace.loops
    used = f"{at.pace.loops:,} loops in {number(at.pace.duration_s)} s"
    used += f"; the first {left_out:,} are warm-up and left out" if left_out else ""
    text: str = (
        element("h2", name) + element("p", used, class_="faint") + findings_list(at.findings)
    )
    if not at.pace.loops:
        return text
    text += table(("ms", "mean", "p50", "p90", "p95", "p99", "p99.9", "max", "sd"),
                  _pace_rows(at), "Pace, with 95 % intervals")  # fmt: skip
    for picture in pictures_of(at) if full else (period_histogram(at),):
        text += _figure(picture, f"{place}-{picture.key}", figures, hows)
    if full:
        heads, rows = call_table(at)
        text += table(heads, rows, "Every call")
        heads, rows = event_table(at, 40)
        text += table(heads, rows, f"Slow loops: the worst {len(rows)} events") if rows else ""
    return text


def findings_list(findings: Sequence[Finding]) -> str:
    """Findings as an ordered list, what matters most first; notes after them."""
    made = []
    for f in findings:
        word = element("span", f.severity, class_=f"word {f.severity}")
        command = (" ", element("code", f.command)) if f.command else ()
        made.append(element("li", word, " ", f.text, *command))
    return element("ol", *made, class_="found") if made else ""


def _pace_rows(at: Summary) -> list[tuple[object, ...]]:
    rows = [*_distribution("period", at.pace.period_ms)]
    if at.basis.judged == "work" and at.pace.work_ms is not None:
        rows += _distribution("work", at.pace.work_ms)
    by_time = at.pace.period_by_time_ms
    rows.append(("by time", "", by_time["p50"], by_time["p90"], "", by_time["p99"], "", "", ""))
    over = at.pace.overruns
    if over.budget_ms is not None:
        rows.append((f"over {number(over.budget_ms)} ms", f"{over.count:,}", percent(over.share),
                     *[""] * 6))  # fmt: skip
    return rows


def _distribution(word: str, at: Distribution) -> list[tuple[object, ...]]:
    figures = (at.mean, at.p50, at.p90, at.p95, at.p99, at.p999)
    spans = [
        "" if f.low is None or f.high is None else f"{number(f.low)} to {number(f.high)}"
        for f in figures
    ]
    return [(word, *(f.value for f in figures), at.max, at.sd), ("  95 %", *spans, "", "")]


def _figure(picture: Picture, place: str, figures: dict[str, dict[str, object]],
            hows: dict[str, str]) -> str:  # fmt: skip
    hows.setdefault(picture.key, f"{picture.how}")
    figures[place] = {
        **picture.figure, "title": picture.title, "csv": csv_text(picture.heads, picture.rows),
    }  # fmt: skip
    return element(
        "figure",
        element("h3", picture.title),
        element("div", class_="plot", id=place, role="img", aria_label=picture.alt),
        element("button", "CSV", type="button", data_csv=place),
        element("button", "PNG", type="button", data_png=place),
        element("details", element("summary", "As a table"), picture_table(picture)),
    )


def _cautions() -> str:
    return element("h2", "Cautions") + element("p", CAUTION[0].upper() + CAUTION[1:],
                                               class_="caution")  # fmt: skip


_NAMES = {
    "periods": "Histogram of periods", "rate": "Periods along the run",
    "recurrence": "Stalls that come back", "costs-call": "Time by call",
    "costs-kind": "Time by kind of call",
    "move": "A move of a controller", "rates": "A controller at other loop rates",
    "wheels": "Steered wheels",
    "excess": "Slow loops against typical ones", "loop": "One loop beside a typical one",
}  # fmt: skip


def _computed(hows: dict[str, str]) -> str:
    intervals = (
        "Quantiles are elements that occur: number ceil(p n) of the sorted values. Intervals are "
        "95 %, by leaving out batches of consecutive loops in turn, so that loops that depend on "
        "each other do not make them too narrow."
    )
    items = [("Quantiles and intervals", intervals)]
    items += [(_NAMES.get(k, k), how) for k, how in hows.items() if how]
    made = (element("p", element("strong", f"{name}."), " ", how) for name, how in items)
    return together(element("h2", "How each figure was computed"), *made)
