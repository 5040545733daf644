"""Pieces that pages are made of: links that choose, figures with their exports, tables."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, TypeGuard
from urllib.parse import parse_qsl, urlencode

from dash import html
from dash.development.base_component import Component

from looptime.guide.glossary import figures_of, find
from looptime.questions.timing import CAUTION
from looptime.views.figures.picture import Picture
from looptime.views.files.html import cell_text
from looptime.views.text.terminal import in_full, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.drawn import drawn
from looptime_dashboards.lean import Part, field
from looptime_dashboards.log_keys import content_of, layouts_in
from looptime_dashboards.view import View, read_view
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.findings import Finding

__all__ = [
    "ELSEWHERE", "address", "asked_of", "busy", "card", "caution", "choice", "choices", "faint",
    "findings", "form_of", "is_long", "is_number", "looking_at", "meanings", "named", "note",
    "onward", "otherwise", "section", "table", "toggle", "ways",
]  # fmt: skip

#: The page and the view that are being answered: links lead on from there.
looking_at: ContextVar[tuple[str, View]] = ContextVar("looking_at", default=("/", View()))
#: What of an address is about one run, so that another run takes none of it along.
ELSEWHERE = {"start": "", "end": "", "loop": "", "phase": "", "change": ""}
#: Commands that have a page of their own.
_PAGE_OF = {"heading": "what it means for heading", "control": "what it means for controllers",
            "slow": "the slow loops"}  # fmt: skip
_MOST_ROWS = 200
_LONG_TEXT = 30
#: Reading options that the project file takes.
_IN_FILE = ("unit", "columns", "loop_call")


def address(page: str = "", /, **sets: str | list[str]) -> str:
    """The address of a page with something else chosen there; what is empty is taken out.

    Parameters
    ----------
    page : str
        Path of the page; else the one that is looked at.
    **sets : str or list of str
        By name what is chosen.

    Examples
    --------
    >>> looking_at.set(("/slow", View(call="gyro.read", start=2.0))) and None
    >>> address(start=""), address("/call", call="mast.read")
    ('/slow?call=gyro.read', '/call?start=2&call=mast.read')
    """
    here, view = looking_at.get()
    pairs = [(n, v) for n, v in parse_qsl(view.search[1:]) if n not in sets]
    for name, given in sets.items():
        pairs += [(name, v) for v in ([given] if isinstance(given, str) else given) if v]
    return f"{page or here}?{urlencode(pairs)}"


def asked_of(data: object) -> tuple[str, View]:
    """Page and view of what the browser says of its address, which links then build on.

    What makes no sense is the first page.
    """
    if not isinstance(data, list) or len(data) != 2 or not all(isinstance(d, str) for d in data):
        return "/", View()
    looking_at.set((data[0], read_view(data[1])))
    return looking_at.get()


def choice(text: str, chosen: bool, key: str = "", **sets: str) -> Part:
    """A link that sets something in the page's address.

    Parameters
    ----------
    text : str
        What it says.
    chosen : bool
        Whether that is what holds now.
    key : str
        Tells it from its neighbours.
    **sets : str
        Names and values; an empty value takes the name out.
    """
    extra: dict[str, Any] = {"data-set": urlencode(sets)}
    if chosen:
        extra["aria-current"] = "true"
    return html.A(safe(text, 60), href=address(**sets), className="choice", key=key or None,
                  **extra)  # fmt: skip


def onward(text: str, page: str, **sets: str) -> Part:
    """A link to another page that sets something in its address."""
    return html.A(safe(text, 60), href=address(page, **sets), className="choice",
                  **named({"data-page": page, "data-set": urlencode(sets)}))  # fmt: skip


def toggle(text: str, name: str, now: Sequence[str], value: str = "", said: str = "") -> Part:
    """A link that adds a value to a list in the page's address, or takes it out.

    Parameters
    ----------
    text : str
        What it is about.
    name : str
        Name of the list.
    now : sequence of str
        What is in it.
    value : str, optional
        What is added; else the text itself.
    said : str, optional
        What the link says; else the text.
    """
    value = value or text
    on = value in now
    left = [v for v in now if v != value] if on else [*now, value]
    leads = address("", **{name: left})
    return html.A(
        [html.Span("on" if on else "off", className="switch"), safe(said or text, 120)],
        href=leads, className="choice toggle", key=f"{name} {value}", role="button",
        **named({"data-set": urlencode([(name, v) for v in left] or [(name, "")]),
                 "aria-pressed": "true" if on else "false",
                 "aria-label": f"{safe(said or name, 40)}: {safe(text, 120)}"}),
    )  # fmt: skip


def named(attributes: dict[str, str]) -> dict[str, Any]:
    """Attributes whose names no argument can have, such as ``aria-label``."""
    return dict(attributes)


def choices(label: str, *links: Part) -> Part:
    """A few links of which one holds, with what they are about."""
    return html.Div(
        [html.Span(label, className="faint"), *links],
        className="choices", role="group", **named({"aria-label": label}),
    )  # fmt: skip


def faint(text: str) -> Part:
    """A paragraph that explains and may be passed over."""
    return html.P(text, className="faint")


def section(key: str, title: Part, *inner: Part, role: str | None = None) -> Part:
    """A framed section under its title."""
    return html.Section([html.H2(title), *inner], className="card", key=key, role=role)


def card(
    desk: Desk, picture: Picture, *above: Part, height: int | None = None, moving: bool = False
) -> Part:
    """A figure with its finding as title, exports, table and how it was computed.

    Parameters
    ----------
    desk : Desk
        Keeps the table for the export.
    picture : Picture
        What to show.
    *above : components
        What chooses what the figure shows.
    height : int, optional [px]
        Height of the figure; else its own.
    moving : bool
        Whether it is renewed each second: then nothing is kept of it, and no table shown.
    """
    figure = picture.figure
    plot = faint("Nothing to draw.")
    if figure["data"]:
        tall = height or figure["layout"]["height"]
        said = named(
            {
                "aria-label": in_full(picture.alt),
                "data-figure": json.dumps(
                    drawn(figure, in_full(picture.title)), allow_nan=False, separators=(",", ":")
                ),
            }
        )
        plot = html.Div(className="plot", role="img", key=picture.key,
                        style={"height": f"{tall / 16:g}rem"}, **said)  # fmt: skip
    exports: list[Part] = []
    if picture.rows and not moving:
        said = named({"aria-label": f"Download {picture.key} as CSV"})
        link = f"/export/{desk.keep(picture)}.csv"
        exports.append(html.A("CSV", href=link, className="button", **said))
    if figure["data"] and not moving:
        said = named({"data-png": picture.key,
                      "aria-label": f"Download {picture.key} as PNG"})  # fmt: skip
        exports.append(html.Button("PNG", className="button", type="button", **said))
    more: list[Part] = []
    if not moving:
        more.append(html.Details([html.Summary("As a table"),
                                  table(picture.heads, picture.rows, picture.title)]))  # fmt: skip
    words = meanings(picture.heads)
    if words is not None:
        more.append(words)
    if picture.how:
        more.append(html.Details([html.Summary("How it was computed"), html.P(picture.how)]))
    return section(
        picture.key, in_full(picture.title), *above, plot, *map(faint, picture.notes),
        html.Div([*exports, *more], className="under"),
    )  # fmt: skip


def meanings(terms: Iterable[str], run: Mapping[str, Any] | None = None) -> Part:
    """What terms mean, to be opened; None where none of them needs a word.

    Parameters
    ----------
    terms : iterable of str
        As they stand on the page.
    run : mapping, optional
        One of the runs of ``summary --json``: its own figures then stand beside each.
    """
    words = {word.name: word for word in map(find, terms) if word is not None}
    if not words:
        return None
    rows = []
    for word in words.values():
        own = [] if run is None else figures_of(word, {}, run)
        here = f" Here: {'; '.join(f'{what} {value}' for what, value in own)}." if own else ""
        rows.append(html.Div([html.Dt(word.name), html.Dd(in_full(word.text + here))]))
    return html.Details([html.Summary("What the words mean"), html.Dl(rows, className="words")])


def table(
    heads: Sequence[str], rows: Iterable[Sequence[object]], caption: str, most: int = _MOST_ROWS
) -> Part:
    """A table that can be scrolled sideways, also from the keyboard."""
    kept = list(rows)
    shown = kept[:most]
    right = [any(is_number(row[k]) for row in shown if k < len(row)) for k in range(len(heads))]
    row_by_row = not any(right)  # on a narrow screen, where each cell then names its column
    head = html.Tr([html.Th(h, scope="col", className="n" if r else "")
                    for h, r in zip(heads, right, strict=True)])  # fmt: skip
    body = [
        html.Tr([html.Td(v if isinstance(v, Component) else cell_text(v),
                         className="n" if r else "long" if is_long(v) else "",
                         **named({"data-head": h} if row_by_row else {}))
                 for h, v, r in zip(heads, row, right, strict=False)])
        for row in shown
    ]  # fmt: skip
    made = html.Div(
        html.Table([html.Caption(in_full(caption)), html.Thead(head), html.Tbody(body)]),
        className="wide", tabIndex=0, role="region", **named({"aria-label": in_full(caption)}),
    )  # fmt: skip
    if len(kept) <= most:
        return made
    return html.Div([made, faint(f"The first {most} of {len(kept):,} rows; the CSV has all.")])


def is_long(value: object) -> bool:
    """Whether a cell is given room, so that it does not become a tall and narrow column."""
    return isinstance(value, str) and len(value) > _LONG_TEXT


def is_number(value: object) -> TypeGuard[int | float]:
    """Whether a cell holds a number, which stands right in a table."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def findings(found: Sequence[Finding], most: int = 5) -> Part:
    """What stands out, what matters most first, each with links to what shows and what mends it."""
    main = [f for f in found if f.severity != "note"][:most]
    notes = [f for f in found if f.severity == "note"]
    items = [
        html.Li([html.Span(f.severity, className=f"word {f.severity}"), " ", in_full(f.text),
                 html.Span(ways(f), className="ways")])
        for f in main
    ]  # fmt: skip
    parts: list[Part] = [html.Ol(items, className="found")]
    if notes:
        lines = [html.Li(in_full(f.text)) for f in notes]
        word = "1 note" if len(notes) == 1 else f"{len(notes)} notes"
        parts.append(html.Details([html.Summary(word), html.Ul(lines)]))
    if any(f.moves for f in main):
        parts.append(caution(CAUTION))
    return section("findings", "What stands out", *parts)


def ways(at: Finding) -> list[Part]:
    """From a finding to its remedy, its call, its loop and the page that is about it."""
    made = []
    if at.moves and at.evidence.calls:
        seek = f"{at.code}:{at.evidence.calls[0]}"
        made.append(onward("try a remedy", "/changes", seek=seek, change=""))
    if at.evidence.loops:
        loop = str(at.evidence.loops[0])
        made.append(choice(f"loop {loop}", False, loop=loop))
    if at.evidence.calls:
        name = at.evidence.calls[0]
        made.append(onward(f"see {safe(name, 40)}", "/call", call=name))
    words = at.command.split()
    page = next((p for p in _PAGE_OF if p in words[:3]), "")
    if page and not (page == "slow" and at.evidence.loops):
        made.append(onward(_PAGE_OF[page], f"/{page}"))
    return made


def caution(text: str) -> Part:
    """A caution, marked by a word and not by colour alone."""
    return html.P([html.Strong("Caution: "), text], className="caution")


def note(text: str, kind: str = "") -> Part:
    """A line that says how things stand; an error where `kind` says so."""
    return html.P(in_full(text), className=f"note {kind}".strip(),
                  role="alert" if kind == "error" else "status")  # fmt: skip


def busy(pending: Pending) -> Part:
    """What is being done, and how much of it is done where that is known."""
    words: list[Part] = [f"{in_full(pending.text)} ..."]
    if pending.share is None:
        words.insert(0, html.Span(className="busy", **named({"aria-hidden": "true"})))
    else:
        said = named({"aria-label": in_full(pending.text)})
        words.append(html.Progress(value=f"{pending.share:.3f}", max="1", **said))
    return html.Div(words, className="note", role="status")


def otherwise(run: str, message: str) -> list[Part]:
    """Where a log was refused for want of an option: the choice, or where to write it."""
    layouts = layouts_in(message)
    if layouts and run:
        content = content_of(run)
        links = [choice(name, False, run=f"{content}.{name}", **ELSEWHERE) for name in layouts]
        return [choices("Read it as", *links)]
    wanted = [name for name in _IN_FILE if f"--{name.replace('_', '-')}" in message]
    if not wanted:
        return []
    lines = " and ".join(f'{name} = "..."' for name in wanted)
    text = (
        f"Here such an option is taken from the project file: write {lines} under [log] in "
        "looptime.toml, then start the dashboard again."
    )
    return [faint(text)]


def form_of(
    label: str, *inputs: tuple[str, str, str] | tuple[str, str, str, dict[str, str]],
    button: str = "Apply",
    wrong: Mapping[str, tuple[str, str]] | None = None, kept: Iterable[tuple[str, str]] = (),
) -> Part:  # fmt: skip
    """A small form whose values go into the page's address when it is sent.

    Parameters
    ----------
    label : str
        What it is about.
    *inputs : tuple of (name, label, value, what the browser checks it by)
        Fields.
    button : str
        Text of the button.
    wrong : dict of str to (str, str), optional
        By field: what was given and makes no sense there, and what is said of it.
    kept : iterable of (name, value)
        What is sent along.
    """
    made: list[Part] = [field(name, value, type="hidden") for name, value in kept]
    for name, text, value, *checked in inputs:
        given, said = (wrong or {}).get(name, (value, ""))
        error = html.Span(in_full(said), className="error", role="alert") if said else None
        # what is no number stays to be seen, in a field for text
        put = field(name, given, **({} if said or not checked else checked[0]))
        made.append(html.Label([html.Span(text, className="faint"), put, error], className="field"))
    sends = html.Button(button, className="button", type="submit")
    return html.Form([*made, sends], className="choices",
                     **named({"data-fields": "yes", "aria-label": label}))  # fmt: skip
