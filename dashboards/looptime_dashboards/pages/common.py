"""What several pages say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from dash import html

from looptime.views.text.terminal import count, in_full, number, safe
from looptime_dashboards.lean import Part
from looptime_dashboards.parts import choice, choices, named, toggle
from looptime_dashboards.view import View

if TYPE_CHECKING:
    from looptime.analysers.summary import Summary
    from looptime.checks.season.odd import Odd
    from looptime.parsers.log import Log

__all__ = ["are", "chief_figures", "counting", "damage", "remedy_switches", "rows_aside",
           "sentence", "unlike_neighbours", "used"]  # fmt: skip

#: Reasons that mean no damage: a recording begins and ends within a loop.
_AT_THE_ENDS = ("before first loop", "unfinished last loop")


def are(number: int) -> str:
    """The verb that goes with so many."""
    return "is" if number == 1 else "are"


def sentence(text: str) -> str:
    """With a capital, unless it begins with the name of a file or a call, and a full stop.

    Examples
    --------
    >>> sentence("the runs differ"), sentence("run_03.csv is unlike the others in a, b ...")
    ('The runs differ.', 'run_03.csv is unlike the others in a, b ...')
    """
    text = in_full(text)
    first = text.split(" ", maxsplit=1)[0]
    if not set("._-") & set(first):
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def chief_figures(cells: Iterable[tuple[str, str, str]]) -> Part:
    """Figures in a row: what each is, its value, and what more is to be said of it."""
    return html.Dl(
        [html.Div([html.Dt(what), html.Dd([value, html.Small(more) if more else None])])
         for what, value, more in cells], className="figures",
    )  # fmt: skip


def counting(view: View) -> Part:
    """What a histogram counts."""
    return choices("Count", choice("each loop once", view.by == "loops", by=""),
                   choice("by the time it takes", view.by == "time", by="time"))  # fmt: skip


def remedy_switches(rows: Iterable[tuple[str, str]], view: View) -> Part:
    """A switch for each remedy, with why it is proposed."""
    lines = [
        html.Li([toggle(change, "change", view.change),
                 html.Span(" " + in_full(why), className="faint")])
        for change, why in rows
    ]  # fmt: skip
    return html.Ul(lines, className="switches")


def unlike_neighbours(odd: Sequence[Odd]) -> list[str]:
    """A line for each of the oddest runs."""
    return [
        f"Unlike its neighbours: {safe(o.run, 60)}, {'+' if o.percent > 0 else '-'}"
        f"{number(abs(o.percent))} % at most, in {safe(', '.join(o.figures[:4]), 120)}."
        for o in odd[:5]
    ]


def damage(log: Log) -> Part:
    """What of a log could not be used, and what its clock did; None where all is well."""
    lost = {why: n for why, n in log.rows_by_reason.items() if n and why not in _AT_THE_ENDS}
    lines = [rows_aside(log)] if lost else []
    lines += [sentence(note) for note in dict.fromkeys(n for r in log.runs for n in r.clock.told())]
    if not lines:
        return None
    return html.Section([html.P(line) for line in lines], className="card damage", key="damage",
                        role="note", **named({"aria-label": "Damage"}))  # fmt: skip


def rows_aside(log: Log) -> str:
    """How many rows of a log were set aside and why, in a sentence; empty where none was."""
    reasons = {why: n for why, n in log.rows_by_reason.items() if n}
    if not reasons:
        return ""
    told = ", ".join(f"{n:,} {why}" for why, n in reasons.items())
    total = sum(reasons.values())
    return f"{total:,} of {count(log.rows_read, 'row')} {are(total)} set aside: {told}."


def used(at: Summary, sampled: bool) -> Part:
    """How many loops the figures rest on, and what was left out."""
    text = f"{count(at.pace.loops, 'loop')} in {number(at.pace.duration_s)} s"
    if at.phase:
        text += f" of phase {safe(at.phase, 40)}"
    left_out = at.loops - at.pace.loops
    if left_out:
        text += f"; the first {left_out:,} ({number(at.duration_s - at.pace.duration_s, 2)} s) "
        text += f"{are(left_out)} {at.warmup.what} and left out"
    elif at.warmup.loops and at.warmup.kept:
        first = at.warmup.loops
        text += f"; the first {first:,} {are(first)} {at.warmup.what} and "
        text += f"{'stays' if first == 1 else 'stay'} in the figures"
    if at.basis.judged == "work":
        text += ". The loop is paced: costs are judged on its work, without the wait"
    elif at.pacing.fixed_rate:
        text += ". The loop is paced, but its wait is not logged: headroom can't be told"
    text = " ".join([f"{text}.", *map(sentence, at.run.clock.limits)])
    if sampled:
        text += " A sample for now: the figures of all loops are on their way."
    return html.P(text, className="note", role="status", id="used")
