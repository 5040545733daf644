"""The frame around the pages, and the few callbacks that fill it."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.dependencies import ClientsideFunction
from flask import g

from looptime.errors import LogError, LooptimeError
from looptime.questions.misfits import misfits, misfits_text
from looptime.views.figures.slow_figures import loop_beside_typical
from looptime.views.text.terminal import in_full, number, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import has_grid
from looptime_dashboards.lean import Part, file_field, lean
from looptime_dashboards.log_keys import content_of, layouts_in, without_hint
from looptime_dashboards.notebook import notebook
from looptime_dashboards.pages import PAGES, Page
from looptime_dashboards.parts import (
    ELSEWHERE,
    address,
    asked_of,
    busy,
    card,
    choice,
    choices,
    faint,
    form_of,
    named,
    note,
    onward,
    otherwise,
)
from looptime_dashboards.presenting import one_by_one
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

__all__ = ["frame", "register"]

_LOG = logging.getLogger("looptime_dashboards")
#: Of so many newest files one is looked for that can be read.
_TRIED = 10
#: How soon a page that waits for better figures asks again [ms].
_POLL_MS = 600
_NOWHERE = Page(
    "", "Not here", lambda *_: ([note("There is no such page: choose one above.", "error")], False),
    needs_run=False,
)  # fmt: skip
#: A log is sent as browsers send files: the answer leads to its page.
_DROP = html.Form(
    html.Label(["Open a log", file_field()], className="button"),
    action="/drop", method="post", encType="multipart/form-data",
)  # fmt: skip


def frame(can_drop: bool, shared: bool) -> Part:
    """The layout that stays while pages change."""
    drop = html.Div(lean([_DROP]), id="pick") if can_drop else None
    picker = dcc.Dropdown(id="run-select", options=[], clearable=False, searchable=True,
                          placeholder="No logs yet", optionHeight="auto")  # fmt: skip
    warning = (
        note("Shared: whoever is on this network can read what is sent, since it is plain HTTP.")
        if shared else None
    )  # fmt: skip
    return html.Div(
        [
            dcc.Location(id="url", refresh=False),
            dcc.Store(id="view"),
            dcc.Store(id="loop"),
            dcc.Store(id="drawn"),
            dcc.Store(id="seen"),
            dcc.Store(id="notes-written"),
            dcc.Store(id="grid-choice"),
            dcc.Store(id="knows-grid"),
            dcc.Interval(id="poll", interval=_POLL_MS, disabled=True),
            dcc.Interval(id="watch", interval=2500),
            html.A("Skip to the page", href="#main", className="skip", id="skip"),
            html.Header(
                [
                    html.Div([html.A("looptime", href="/", className="brand",
                                     **named({"data-page": "/"})),
                              html.Div([html.Label("Run", htmlFor="run-select",
                                                   className="faint"), picker],
                                       className="picker"), drop,
                              dcc.Clipboard(["Copy link"], id="copy", className="button",
                                            copied_children=["Copied"]),
                              html.A("Present", href="?present=yes", id="present",
                                     className="button", **named({"data-set": "present=yes"})),
                              html.Button("Dark or light", id="theme", type="button",
                                          className="button")], className="row"),
                    html.Nav(id="pages", **named({"aria-label": "Pages"})),
                    html.Div(id="choices", className="row"),
                ],
                className="top",
            ),
            html.Div(id="said", role="status", **named({"aria-live": "polite"})),
            html.Div(id="news", role="status", **named({"aria-live": "polite"})),
            warning,
            html.Main([html.H1(id="page-title", tabIndex=-1), html.Div(id="page"),
                       html.Div(id="loop-panel"), notebook()], id="main", tabIndex=-1),
        ]
    )  # fmt: skip


@dataclass(frozen=True)
class _Made:
    parts: list[Part]
    wait: bool


def _guarded(make: Callable[[], tuple[list[Part], bool]], run: str = "") -> _Made:
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


def _misfits(desk: Desk, view: View, needs: str) -> list[Part]:
    """What the project file names and no call of the run fits, as the commands say it."""
    try:
        names = [call.name for call in desk.run(view).names]
    except (LooptimeError, Pending):
        return []
    said = misfits_text(misfits(desk.project, names), desk.project, needs)
    return [faint(in_full(said))] if said else []


def register(app: Dash, desk: Desk) -> None:
    """Tie the frame to the desk."""
    _register_browser(app)
    _register_page(app, desk)
    _register_runs(app, desk)


def _once_at_a_time(interval: str) -> list[tuple[Output, int, int]]:
    """Stops an interval while its answer is on the way: a new question would make it void.

    Where answers took longer than the interval, a page would else never be shown.
    """
    return [(Output(interval, "max_intervals"), 0, -1)]


def _register_page(app: Dash, desk: Desk) -> None:
    """The page that the address asks for, and the loop chosen on it."""

    @app.callback(
        Output("page", "children"), Output("choices", "children"), Output("pages", "children"),
        Output("page-title", "children"), Output("page-title", "data-path"),
        Output("page-title", "data-log"), Output("drawn", "data"), Output("poll", "disabled"),
        Output("poll", "interval"), Output("knows-grid", "data"),
        Input("view", "data"), Input("poll", "n_intervals"), Input("notes-written", "data"),
        State("loop", "data"), State("drawn", "data"), State("knows-grid", "data"),
        running=_once_at_a_time("poll"),
    )  # fmt: skip
    def show_page(
        data: object,
        _: object,
        __: object,
        loop: object,
        drawn: object,
        knows_grid: object,
    ) -> tuple[object, ...]:
        path, view = asked_of(data)
        view = view.but(loop=loop if isinstance(loop, int) else None)
        page = next((p for p in PAGES if p.path == path), _NOWHERE)
        if not view.run and page.needs_run:
            text = "Opening the newest log ..." if desk.library.newest() else (
                "Choose a log at the top, or drop one onto the page.")  # fmt: skip
            made = _Made([html.P(text)], False)
        else:
            made = _guarded(lambda: page.body(desk, view), view.run)
            if page.needs_run and not view.present and not made.wait:
                needs = "[heading]" if path == "/heading" else ""
                made = _Made([*_misfits(desk, view, needs), *made.parts], False)
        bar = _Made([], False)
        if page.needs_run and view.run:
            bar = _guarded(lambda: (_choices(desk, view, page.has_loop), False))
        shown = [] if bar.wait or any(_is_note(p) for p in bar.parts) else bar.parts
        each = 0 if view.hold else page.each_ms
        one = desk.library.get(view.run)
        name = safe(one.name, 70) if one else None
        g.sends_grid = has_grid() and not knows_grid
        again = no_update if loop is None else drawn + 1 if isinstance(drawn, int) else 1
        parts = one_by_one(made.parts) if view.present else made.parts
        return (lean(parts), lean(shown), lean(_links(path)), page.title, path, name, again,
                not (made.wait or each), each or _POLL_MS, knows_grid or has_grid())  # fmt: skip

    @app.callback(Output("loop-panel", "children"), Input("loop", "data"), Input("drawn", "data"),
                  State("view", "data"), prevent_initial_call=True)  # fmt: skip
    def show_loop(loop: object, _: object, data: object) -> list[Part]:
        path, view = asked_of(data)
        page = next((p for p in PAGES if p.path == path), _NOWHERE)
        if not isinstance(loop, int) or not page.has_loop or not view.run:
            return []
        view = view.but(loop=loop)
        return lean(_guarded(lambda: (_loop_panel(desk, view), False)).parts)


def _register_runs(app: Dash, desk: Desk) -> None:
    """The logs that can be chosen at the top, and what has come in."""

    @app.callback(Output("run-select", "options"), Output("run-select", "value"),
                  Output("run-select", "placeholder"), Output("news", "children"),
                  Output("seen", "data"),
                  Input("watch", "n_intervals"), Input("view", "data"),
                  State("seen", "data"), running=_once_at_a_time("watch"))  # fmt: skip
    def show_runs(_: object, data: object, seen: object) -> tuple[object, ...]:
        version = desk.library.scan()
        _, view = asked_of(data)
        newest = desk.library.newest()
        known = seen[3] if isinstance(seen, list) and len(seen) == 5 else newest
        if content_of(view.run) == content_of(newest):
            known = newest
        now = [version, view.run, desk.library.runs_in(view.run), known]
        if isinstance(seen, list) and seen[:4] == now:
            return (no_update,) * 5
        options = _runs(desk, view)
        chosen = _chosen(desk, view, options)
        being = (
            "A log is being written: see Live" if desk.library.being_written() else "No logs yet"
        )
        return options, chosen, being, lean(_news(desk, view, str(known))), [*now, chosen]

    @app.callback(Output("url", "search"), Input("run-select", "value"), State("view", "data"),
                  State("seen", "data"), prevent_initial_call=True)  # fmt: skip
    def open_run(value: object, data: object, seen: object) -> object:
        if not isinstance(value, str) or (isinstance(seen, list) and value == seen[-1]):
            return no_update
        path, _ = asked_of(data)
        return address(run=value, **ELSEWHERE).removeprefix(path)


def _register_browser(app: Dash) -> None:
    """What the browser does by itself, in assets/looptime.js."""
    app.clientside_callback(
        ClientsideFunction("looptime", "split"),
        Output("view", "data"), Output("loop", "data"),
        Input("url", "pathname"), Input("url", "search"), State("view", "data"),
        State("loop", "data"),
    )  # fmt: skip
    app.clientside_callback("(href) => href", Output("copy", "content"), Input("url", "href"))
    app.clientside_callback(
        ClientsideFunction("looptime", "row"),
        Output("grid-choice", "data"),
        Input({"type": "grid", "page": ALL}, "selectedRows"),
        prevent_initial_call=True,
    )  # fmt: skip


def _is_note(part: Part) -> bool:
    return "note" in (getattr(part, "className", "") or "")


def _news(desk: Desk, view: View, known: str) -> list[Part]:
    """That a log was written since the page was opened: it is offered, not opened unasked."""
    if not view.run and (first := first_log(desk)):  # it is shown, and the address says so
        return [html.Div(**named({"data-goto": f"run={first}", "data-when": "run="}))]
    newest = desk.library.newest()
    one = desk.library.get(newest)
    if one is None or content_of(newest) == content_of(known):
        return []
    before = desk.library.grown(view.run)
    what = "This log has grown: " if before == one else "New log: "
    links = [choice(f"open {one.name}", False, run=newest, **ELSEWHERE),
             html.Button("not now", className="button")]  # fmt: skip
    form = html.Form([what, *links], method="dialog")  # which closes it by itself
    return [html.Dialog(form, open=True, className="news", key=newest)]


def first_log(desk: Desk, patience_s: float = 2.0) -> str:
    """Key of the newest file that can be read, takes long, or asks how it is to be read.

    Folders of logs hold tables and texts of other kinds, too. Empty where there is no log.
    """
    newest = [o.key for o in desk.library.offered() if o.dropped or o.changed]
    for key in newest[:_TRIED]:
        try:
            desk.library.log(key, patience_s)
        except Pending:
            return key
        except LooptimeError as error:
            if not layouts_in(str(error)) and "--unit" not in str(error):
                continue
        return key
    return desk.library.newest()


def _links(path: str) -> list[Part]:
    """The pages, each with the choices that hold."""
    return [
        html.A(page.title, href=address(page.path), **named({"data-page": page.path, **(
            {"aria-current": "page"} if page.path == path else {})})) for page in PAGES
        if page.linked
    ]  # fmt: skip


def _runs(desk: Desk, view: View) -> list[dict[str, str]]:
    """The runs on offer, one by one where a log holds several."""
    options = []
    for one in desk.library.offered():
        words = safe(one.name, 70) + (f", read as {one.layout}" if one.layout else "")
        words += " (cannot be read)" if one.error else ""
        runs = desk.library.runs_in(one.key)
        if runs > 1:
            options += [{"label": f"{words}, run {k + 1} of {runs}", "value": f"{one.key}-{k}"}
                        for k in range(runs)]  # fmt: skip
        else:
            options.append({"label": words, "value": one.key})
    if view.run and desk.library.get(view.run) is None:
        now = desk.library.grown(view.run)
        words = "(a log that is not here)" if now is None else f"{safe(now.name, 70)}, as it was"
        options.insert(0, {"label": words, "value": view.run})
    return options


def _chosen(desk: Desk, view: View, options: list[dict[str, str]]) -> str | None:
    """Which of the runs on offer a view shows: of a log with several, the longest."""
    values = [one["value"] for one in options]
    if view.run in values:
        return view.run
    mine = [value for value in values if content_of(value) == content_of(view.run)]
    log = desk.library.at_hand(view.run) if len(mine) > 1 else None
    if log is not None and len(log.runs) == len(mine):
        return mine[max(range(len(mine)), key=lambda k: len(log.runs[k]))]
    return mine[0] if mine else None


def _choices(desk: Desk, view: View, has_loop: bool) -> list[Part]:
    """Phase, warm-up, range and loop, and the report on them."""
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
    return [*parts, _to_look_at(desk, view, has_loop)]


def _to_look_at(desk: Desk, view: View, has_loop: bool) -> Part:
    """A range and a loop by their numbers, for those who do not point."""
    start = desk.run(view).loop_columns.start_ns
    length = float(start[-1] - start[0]) / 1e9 if len(start) else 0.0
    wrong = [pair for pair in view.wrong if pair[0] == "end"]
    whole = {"type": "number", "min": "0", "max": f"{length:.3f}", "step": "any"}
    part = form_of(
        "Range", ("start", "From, s", "" if view.start is None else f"{view.start:g}", whole),
        ("end", "to, s", "" if view.end is None else f"{view.end:g}", whole), button="Look",
        wrong={n: (given, f"{given!r} is not after the start") for n, given in wrong},
        kept=[("loop", "")],
    )  # fmt: skip
    one = form_of("One loop", ("loop", "Loop", "", {"type": "number", "step": "1",
                                                    "required": ""}), button="Show")  # fmt: skip
    inner = [html.Summary("Range or loop by number"), part, one if has_loop else None]
    return html.Details(inner, key="look", open=bool(wrong))


def _loop_panel(desk: Desk, view: View) -> list[Part]:
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
    noted = [html.P(f"Note: {safe(n.text, 400)}") for n in desk.notes(view)[0]
             if n.loop == view.loop]  # fmt: skip
    return [card(desk, made, close, *noted)]
