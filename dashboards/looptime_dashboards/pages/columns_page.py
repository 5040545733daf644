"""What a log's columns are taken for, why, and how to have them taken otherwise."""

from dash import html

from looptime.errors import LooptimeError
from looptime.schema import LAYOUTS
from looptime.views.text.terminal import in_full, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.log_keys import content_of, log_of
from looptime_dashboards.pages.common import sentence
from looptime_dashboards.parts import ELSEWHERE, choice, choices, note, onward, section, table
from looptime_dashboards.view import View

__all__ = ["body"]


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    parts: list[Part] = [_layouts(view)]
    try:
        found = desk.library.columns(view.run)
    except LooptimeError as error:
        return [note(str(error), "error"), *parts], False
    rows = [
        (one.index + 1, one.name or "-", one.sample, one.taken_as, one.unit or "-", one.sure,
         one.why + (f"; {one.unit}: {one.unit_from}" if one.unit and one.unit_from else ""))
        for one in found.columns
    ]  # fmt: skip
    heads = ("", "column", "sample", "taken as", "unit", "sure", "why")
    lines = [html.P(in_full(sentence(f"Read as {found.layout}: {found.row}")))]
    if found.stamped:
        why = f"rows are stamped at the {found.stamped} of a loop: {found.stamped_why}"
        lines.append(html.P(in_full(sentence(why))))
    lines.append(html.P(in_full(sentence(f"loops are found by {found.loops_from}"))))
    parts.insert(0, section("columns", "What the columns are taken for", *lines,
                            table(heads, rows, "Column by column", 400)))  # fmt: skip
    try:
        stated = found.stated()
    except LooptimeError:  # only where a row is a loop are columns stated one by one
        stated = ""
    if stated:
        shown = [part for line in stated.splitlines() for part in (safe(line, 20_000), html.Br())]
        words = list(dict.fromkeys(word for one in found.columns for word in one.instead))
        parts.append(
            section("stated", "To have them taken otherwise",
                    html.P("Copy this into looptime.toml, change what is wrong there, and start "
                           f"the dashboard again. A column is one of: {', '.join(words)}."),
                    html.Pre(shown, tabIndex=0))
        )  # fmt: skip
    return [*parts, choices("Next", onward("its pace", "/"))], False


def _layouts(view: View) -> Part:
    """The layouts by which the log can be read instead; by itself where none is asked for."""
    content = content_of(view.run)
    _, _, now = log_of(view.run).partition(".")
    links = [choice("as it is understood", not now, run=content, **ELSEWHERE)]
    links += [choice(name, name == now, run=f"{content}.{name}", **ELSEWHERE) for name in LAYOUTS]
    return choices("Read it", *links)
