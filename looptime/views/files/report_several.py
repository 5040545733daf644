"""Several logs beside each other: a row each, and what changed against the first."""

from __future__ import annotations

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


def several(logs: Sequence[ReportLog], at: Against, sheet: Sheet) -> Markup:
    """What several logs say together.

    Parameters
    ----------
    logs : sequence of ReportLog
        As they were given.
    at : Against
        How they compare.
    sheet : Sheet
        Takes the figures.
    """
    said = dict(at.compared)
    rows = []
    for one in logs:
        lead, compared = one.lead, said.get(one.log.path)
        p = lead.pace.period_ms
        rows.append(
            (one.log.path, lead.phase or "", lead.pace.loops, number(lead.pace.duration_s),
             lead.pace.rate_hz.by_time, p.p50.value, p.p99.value, p.max,
             percent(lead.pace.overruns.share), _verdict(compared))
        )  # fmt: skip
    heads = ("log", "phase", "loops", "s", "loops a second", "p50 ms", "p99 ms", "max ms", "over",
             "against the first")  # fmt: skip
    parts = [element("h2", "The logs together"), short_table(heads, rows)]
    for figure in at.found.figures if at.found is not None else ():
        assert at.found is not None
        text = f"{at.found.judged} {figure.figure}: {number(figure.lowest_ms)} to "
        text += f"{number(figure.highest_ms)} ms"
        if figure.spread_percent is not None:
            text += f", {number(figure.spread_percent, 2)} % sd between recordings"
        if figure.outliers:
            text += "; far off: " + ", ".join(logs[k].log.path for k in figure.outliers)
        parts.append(element("p", text, class_="faint"))
    full = at.compared if len(at.compared) <= 2 else ()
    for place, (path, found) in enumerate(full):
        parts.append(_one(logs, place, path, found, sheet))
    for path, found in at.compared if not full else ():
        parts.append(element("p", element("strong", f"{Path(path).name}: "), _sentence(found)))
    return together(*parts)


def _verdict(found: Comparison | str | None) -> str:
    if found is None:
        return ""
    return "not compared" if isinstance(found, str) else found.verdict


def _sentence(found: Comparison | str) -> str:
    return f"not compared: {found}" if isinstance(found, str) else " ".join(found.sentences[:2])


def _one(
    logs: Sequence[ReportLog], place: int, path: str, found: Comparison | str, sheet: Sheet
) -> Markup:
    """One log held against the first, in full."""
    first, after = logs[0], logs[place + 1]
    names = (Path(first.log.path).name, Path(path).name)
    title = element("h3", f"{names[1]} against {names[0]}")
    if isinstance(found, str):
        return together(title, element("p", _sentence(found)))
    apart = [element("p", u.text, class_="faint") for u in found.unlike]
    before_ms, after_ms = first.lead.basis.judged_ms, after.lead.basis.judged_ms
    both = len(before_ms) and len(after_ms)
    figures = [two_histograms(before_ms, after_ms, ("before", "after"))] if both else []
    heads, rows = changes_table(found)
    return together(
        title, *(element("p", text) for text in found.sentences), *apart,
        short_table(heads[:-1], [row[:-1] for row in rows]),
        sheet.rows(f"a{place}", [*figures, difference_by_call(found)]),
    )  # fmt: skip
