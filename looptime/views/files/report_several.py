"""Several logs beside each other: a row each, and what changed against the first."""

from collections.abc import Sequence
from pathlib import Path

from looptime.checks.compare.comparison import Comparison
from looptime.views.figures.checks_figures import changes_table, difference_by_call, two_histograms
from looptime.views.files.html import Markup, element, together
from looptime.views.files.report_log import Against, ReportLog
from looptime.views.files.report_sheet import Sheet, short_table
from looptime.views.text.terminal import number
from looptime.words import percent

__all__ = ["several"]

# verdicts that are said in words, those that could be told before others, and logs that are held
# against the first one in full
_FIRST, _FULL = 4, 2


def several(logs: Sequence[ReportLog], at: Against, sheet: Sheet) -> Markup:
    """What several logs say together."""
    said = dict(at.compared)
    folders = len({Path(one.log.path).parent for one in logs})
    rows = []
    for one in logs:
        lead, compared = one.lead, said.get(one.log.path)
        p = lead.pace.period_ms
        rows.append(
            (one.log.path if folders > 1 else Path(one.log.path).name, lead.phase or "",
             lead.pace.loops, number(lead.pace.duration_s), lead.pace.rate_hz.by_time,
             p.p50.value, p.p99.value, p.max, percent(lead.pace.overruns.share), _verdict(compared))
        )  # fmt: skip
    heads = ("log", "phase", "loops", "s", "loops a second", "p50 ms", "p99 ms", "max ms", "over",
             "against the first")  # fmt: skip
    told = sorted(at.compared, key=lambda one: _verdict(one[1]) not in ("faster", "slower"))
    answers = [_answer(path, found) for path, found in told[:_FIRST]]
    parts = [element("section", *answers, class_="answer")]
    parts += [element("h2", "The logs together"), short_table(heads, rows), _consistent(logs, at)]
    for place, (_, found) in enumerate(at.compared if len(at.compared) <= _FULL else ()):
        if not isinstance(found, str):
            parts.append(_one(logs[0], logs[place + 1], place, found, sheet))
    return together(*parts)


def _answer(path: str, found: Comparison | str) -> Markup:
    """The verdict on a log in words, as `compare` says it first."""
    said = f"not compared: {found}" if isinstance(found, str) else " ".join(found.sentences[:2])
    return element("p", element("strong", f"{Path(path).name} against the first: "), said)


def _consistent(logs: Sequence[ReportLog], at: Against) -> Markup:
    """How far the logs scatter, and which of them are far off."""
    said = []
    for figure in at.found.figures if at.found is not None else ():
        text = f"{figure.figure} {number(figure.lowest_ms)} to {number(figure.highest_ms)} ms"
        if figure.spread_percent is not None:
            text += f", {number(figure.spread_percent, 2)} % sd between recordings"
        if figure.outliers:
            text += "; far off: " + ", ".join(logs[k].log.path for k in figure.outliers)
        said.append(text)
    judged = at.found.judged if at.found is not None else ""
    return element("p", f"{judged}: {'; '.join(said)}.", class_="faint") if said else Markup()


def _verdict(found: Comparison | str | None) -> str:
    if found is None:
        return ""
    return "not compared" if isinstance(found, str) else found.verdict


def _one(first: ReportLog, after: ReportLog, place: int, found: Comparison, sheet: Sheet) -> Markup:
    """One log held against the first, in full."""
    before_ms, after_ms = first.lead.basis.period_ms, after.lead.basis.period_ms
    both = len(before_ms) and len(after_ms)
    figures = [two_histograms(before_ms, after_ms, ("before", "after"))] if both else []
    kinds = {name.name: name.kind for one in (first, after) for name in one.lead.run.names}
    heads, rows = changes_table(found)
    apart = [unlike.text for unlike in found.unlike if unlike.what != "pace"]
    more = " ".join((*found.sentences[2:], *(f"Unlike: {text}." for text in apart)))
    return together(
        element("h3", f"{Path(after.log.path).name} against {Path(first.log.path).name}"),
        element("p", more) if more else "",
        sheet.rows(f"a{place}", [*figures, difference_by_call(found, kinds)]),
        short_table(heads[:-1], [row[:-1] for row in rows]),
    )
