"""The frame around the pages, and the few callbacks that fill it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.dependencies import ClientsideFunction

from looptime.errors import LogError, LooptimeError
from looptime.views.figures.slow_figures import loop_beside_typical
from looptime.views.text.terminal import number, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import lean
from looptime_dashboards.library import content_of, without_hint
from looptime_dashboards.pages import PAGES
from looptime_dashboards.parts import (
    ELSEWHERE,
    busy,
    card,
    choice,
    choices,
    named,
    note,
    onward,
    otherwise,
)
from looptime_dashboards.view import View, read_view
from looptime_dashboards.work import Pending

__all__ = ["frame", "register"]

_LOG = logging.getLogger("looptime_dashboards")
#: How soon a page that waits for better figures asks again [ms].
_POLL_MS = 600


def frame(can_drop: bool, shared: bool) -> Any:
    """The layout that stays while pages change."""
    links = [
        html.A(page.title, href=page.path, **named({"data-page": page.path})) for page in PAGES
        if page.linked
    ]  # fmt: skip
    drop = (
        html.Label(["Open a log", html.Span(id="pick-file")], className="button", id="pick",
                   htmlFor="file")
        if can_drop else None
    )  # fmt: skip
    warning = (
        note("Shared: whoever is on this network can read what is sent, since it is plain HTTP.")
        if shared else None
    )  # fmt: skip
    return html.Div(
        [
            dcc.Location(id="url", refresh=False),
            dcc.Store(id="view"),
            dcc.Store(id="loop"),
            dcc.Store(id="loop-asked"),
            dcc.Store(id="seen"),
            dcc.Store(id="grid-choice"),
            dcc.Interval(id="poll", interval=_POLL_MS, disabled=True),
            dcc.Interval(id="watch", interval=2500),
            html.A("Skip to the page", href="#main", className="skip", id="skip"),
            html.Header(
                [
                    html.Div([html.A("looptime", href="/", className="brand",
                                     **named({"data-page": "/"})),
                              html.Div(id="picker", className="picker"), drop,
                              html.Button("Copy link", id="copy", type="button",
                                          className="button"),
                              html.Button("Dark or light", id="theme", type="button",
                                          className="button")], className="row"),
                    html.Nav(links, id="pages", **named({"aria-label": "Pages"})),
                    html.Div(id="choices", className="row"),
                ],
                className="top",
            ),
            html.Div(id="said", role="status", **named({"aria-live": "polite"})),
            html.Div(id="news", role="status", **named({"aria-live": "polite"})),
            warning,
            html.Main([html.H1(id="page-title"), html.Div(id="page"), html.Div(id="loop-panel")],
                      id="main", tabIndex=-1),
        ]
    )  # fmt: skip


@dataclass(frozen=True)
class _Made:
    parts: list[Any]
    wait: bool


def _guarded(make: Callable[[], tuple[list[Any], bool]], run: str = "") -> _Made:
    """A page or a panel; what goes wrong is said in one sentence, as on the command line."""
    try:
        parts, wait = make()
    except Pending as pending:
        return _Made([busy(pending)], True)
    except LooptimeError as error:
        offered = otherwise(run, str(error))
        said = without_hint(str(error)) if offered else str(error)
        if isinstance(error, LogError) and run:
            offered.append(onward("what its columns are taken for", "/columns"))
        return _Made([note(said, "error"), *offered], False)
    except Exception as error:
        _LOG.exception("a page failed")
        return _Made([note(f"Unforeseen error ({type(error).__name__}); the server's window has "
                           "the trace.", "error")], False)  # fmt: skip
    return _Made(parts, wait)


def register(app: Dash, desk: Desk) -> None:
    """Tie the frame to the desk."""
    _register_browser(app)

    @app.callback(
        Output("page", "children"), Output("choices", "children"), Output("page-title", "children"),
        Output("poll", "disabled"), Output("poll", "interval"),
        Input("view", "data"), Input("poll", "n_intervals"),
    )  # fmt: skip
    def show_page(data: Any, _: Any) -> Any:
        path, view = _asked(data)
        page = next((p for p in PAGES if p.path == path), None)
        if page is None:
            said = note("There is no such page: choose one above.", "error")
            return [said], [], "Not here", True, _POLL_MS
        if not view.run and page.needs_run:  # the picker writes the newest into the address
            text = "Opening the newest log ..." if desk.library.newest() else (
                "Choose a log at the top, or drop one onto the page.")  # fmt: skip
            made = _Made([html.P(text)], False)
        else:
            made = _guarded(lambda: page.body(desk, view), view.run)
        bar = (
            _guarded(lambda: (_choices(desk, view), False)) if page.needs_run else _Made([], False)
        )
        shown = [] if bar.wait or any(_is_note(p) for p in bar.parts) else bar.parts
        each = 0 if view.hold else page.each_ms
        return (lean(made.parts), lean(shown), page.title, not (made.wait or each),
                each or _POLL_MS)  # fmt: skip

    @app.callback(Output("loop-panel", "children"), Input("loop-asked", "data"),
                  prevent_initial_call=True)  # fmt: skip
    def show_loop(asked: Any) -> Any:
        if not isinstance(asked, list) or len(asked) != 3:
            return []
        loop = asked[0]
        path, view = _asked(asked[1])
        page = next((p for p in PAGES if p.path == path), None)
        if not isinstance(loop, int) or page is None or not page.has_loop:
            return []
        view = view.but(loop=loop)
        return lean(_guarded(lambda: (_loop_panel(desk, view), False)).parts)

    @app.callback(Output("picker", "children"), Output("news", "children"), Output("seen", "data"),
                  Input("watch", "n_intervals"), Input("view", "data"),
                  State("seen", "data"))  # fmt: skip
    def show_runs(_: Any, data: Any, seen: Any) -> Any:
        version = desk.library.scan()
        _, view = _asked(data)
        newest = desk.library.newest()
        known = seen[3] if isinstance(seen, list) and len(seen) == 4 else newest
        if content_of(view.run) == content_of(newest):
            known = newest
        now = [version, view.run, desk.library.runs_in(view.run), known]
        if seen == now and ctx.triggered_id != "view":
            return no_update, no_update, no_update
        return lean([_picker(desk, view)]), lean(_news(desk, view, str(known))), now


def _register_browser(app: Dash) -> None:
    """What the browser does by itself, in assets/looptime.js."""
    app.clientside_callback(
        ClientsideFunction("looptime", "split"),
        Output("view", "data"), Output("loop", "data"),
        Input("url", "pathname"), Input("url", "search"), State("view", "data"),
        State("loop", "data"),
    )  # fmt: skip
    app.clientside_callback(
        ClientsideFunction("looptime", "askLoop"),
        Output("loop-asked", "data"),
        Input("loop", "data"), Input("view", "data"), Input("page", "children"),
        State("loop-asked", "data"), prevent_initial_call=True,
    )  # fmt: skip
    app.clientside_callback(
        ClientsideFunction("looptime", "row"),
        Output("grid-choice", "data"),
        Input({"type": "grid", "page": ALL}, "selectedRows"),
        prevent_initial_call=True,
    )  # fmt: skip


def _asked(data: Any) -> tuple[str, View]:
    if not isinstance(data, list) or len(data) != 2 or not all(isinstance(d, str) for d in data):
        return "/", View()
    return data[0], read_view(data[1])


def _is_note(part: Any) -> bool:
    return "note" in (getattr(part, "className", "") or "")


def _news(desk: Desk, view: View, known: str) -> list[Any]:
    """That a log was written since the page was opened: it is offered, not opened unasked."""
    newest = desk.library.newest()
    one = desk.library.get(newest)
    if one is None or not view.run or content_of(newest) == content_of(known):
        return []
    before = desk.library.grown(view.run)
    what = "This log has grown: " if before == one else "New log: "
    links = [choice(f"open {one.name}", False, run=newest, **ELSEWHERE),
             html.Button("not now", type="button", className="button",
                         **named({"data-hide": "news"}))]  # fmt: skip
    return [html.P([what, *links], className="news", key=newest)]


def _picker(desk: Desk, view: View) -> Any:
    chosen = view.run or desk.library.newest()
    options = []
    for one in desk.library.offered():
        words = safe(one.name, 70) + (f", read as {one.layout}" if one.layout else "")
        words += " (cannot be read)" if one.error else ""
        runs = desk.library.runs_in(one.key)
        if runs > 1:
            options += [
                html.Option(f"{words}, run {k + 1} of {runs}", value=f"{one.key}-{k}",
                            selected=chosen == f"{one.key}-{k}") for k in range(runs)
            ]  # fmt: skip
        else:
            options.append(html.Option(words, value=one.key,
                                       selected=content_of(chosen) == one.content))  # fmt: skip
    if view.run and desk.library.get(view.run) is None:
        now = desk.library.grown(view.run)
        words = "(a log that is not here)" if now is None else f"{safe(now.name, 70)}, as it was"
        options.insert(0, html.Option(words, value=view.run, selected=True))
    if not options:
        being = "A log is being written: see Live" if desk.library.being_written() else ""
        return html.Span(being or "No logs yet", className="faint")
    said = named({"data-param": "run", "data-clears": ",".join(ELSEWHERE)})
    if not view.run:
        said.update({"data-goto": f"run={chosen}", "data-when": "run="})
    return html.Label(
        [
            html.Span("Run", className="faint"),
            html.Select(options, id="run-select", key=f"{chosen}-{len(options)}", **said),
        ]
    )


def _choices(desk: Desk, view: View) -> list[Any]:
    """Phase, warm-up and range, and the report on them."""
    parts = []
    found = desk.phases(view)
    if found:
        now = desk.phase(view)
        parts.append(choices("Phase", *(choice(p, p == now, phase=p, loop="") for p in found)))
    keep = view.warmup == "keep"
    parts.append(
        choices("Warm-up", choice("left out", not keep, warmup=""),
                choice("kept", keep, warmup="keep"))
    )  # fmt: skip
    if view.start is not None or view.end is not None:
        ends = [number(v, 5) if v is not None else w
                for v, w in ((view.start, "the start"), (view.end, "the end"))]  # fmt: skip
        parts.append(choices(f"Range: {ends[0]} to {ends[1]} s",
                             choice("whole run", False, start="", end="")))  # fmt: skip
    about = {"run": view.run, "phase": view.phase, "start": view.start, "end": view.end,
             "warmup": view.warmup}  # fmt: skip
    said = urlencode({name: value for name, value in about.items() if value not in ("", None)})
    parts.append(html.A("Report to print or send", href=f"/report.html?{said}",
                        className="button", download=""))  # fmt: skip
    return parts


def _loop_panel(desk: Desk, view: View) -> list[Any]:
    at, _ = desk.summary(view)
    assert view.loop is not None
    numbers = at.run.loop_columns.loop
    if not (numbers == view.loop).any():
        at, _ = desk.summary(view.but(warmup="keep"))  # it may be one of the warm-up
        numbers = at.run.loop_columns.loop
    made = loop_beside_typical(at, view.loop)
    near = [(word, view.loop + step) for word, step in (("one earlier", -1), ("one later", 1))]
    links = [choice(word, False, loop=str(n)) for word, n in near if (numbers == n).any()]
    close = choices("Loop", *links, choice("close", False, loop=""))
    return [card(desk, made, close)]
