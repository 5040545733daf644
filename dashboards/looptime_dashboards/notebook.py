"""Notes on the run that is looked at: listed below the page, added and taken out there."""

import hashlib
from pathlib import Path

from dash import Dash, Input, Output, State, ctx, dcc, html

from looptime.errors import LooptimeError
from looptime.notes import LONGEST_NOTE, NOTES_FILE, Note, add_note, drop_note
from looptime.views.text.terminal import safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part, lean
from looptime_dashboards.pages import PAGES
from looptime_dashboards.parts import asked_of, choice, faint, named
from looptime_dashboards.view import View

__all__ = ["notebook", "register_notes"]

#: What a note can be about, the narrowest last.
_ABOUTS = ("run", "range", "loop")
_READ_ONLY = "This server is shared: notes can be read here, not written."
_ELSEWHERE = (
    "Notes are kept beside logs: put this one into the folder that is watched to write one."
)


def notebook() -> Part:
    """The part of the frame that holds the notes."""
    adds = [html.Button(id=f"note-on-{about}", type="button", className="button", hidden=True)
            for about in _ABOUTS]  # fmt: skip
    return html.Section(
        [
            html.H2("Notes"),
            html.P(id="note-trouble", className="note"),
            html.Div(id="note-list"),
            html.Button(id="note-drop", type="button", className="button", hidden=True),
            html.Div(
                [
                    html.Label(["What to remember",
                                dcc.Input(id="note-text", type="text", maxLength=LONGEST_NOTE,
                                          autoComplete="off")], htmlFor="note-text"),
                    html.Span("Keep it as a note on", className="faint"), *adds,
                ],
                id="note-form",
            ),
            html.P(id="note-said", role="status", **named({"aria-live": "polite"})),
        ],
        id="notes", className="card screen", hidden=True, **named({"aria-label": "Notes"}),
    )  # fmt: skip


def register_notes(app: Dash, desk: Desk, can_write: bool) -> None:
    """Tie the notes to the desk."""

    @app.callback(
        Output("notes", "hidden"), Output("note-list", "children"), Output("note-drop", "children"),
        Output("note-drop", "hidden"), Output("note-form", "hidden"),
        Output("note-trouble", "children"),
        *(Output(f"note-on-{about}", name) for about in _ABOUTS for name in ("children", "hidden")),
        Input("view", "data"), Input("loop", "data"), Input("notes-written", "data"),
    )  # fmt: skip
    def show_notes(data: object, loop: object, _: object) -> tuple[object, ...]:
        path, view = asked_of(data)
        page = next((p for p in PAGES if p.path == path), None)
        about = [part for made in _abouts(view, loop) for part in (made, not made)]
        if page is None or not page.has_loop or not view.run:
            return True, [], "", True, True, "", *about
        found, troubles = desk.notes(view)
        here = desk.library.folder_of(view.run) is not None
        may = here and can_write
        chosen = next((n for n in found if may and _token(n) == view.note), None)
        said = [*troubles] if here else [_ELSEWHERE]
        said += [] if can_write else [_READ_ONLY]
        drop = "" if chosen is None else f"Take out: {chosen.about}, {safe(chosen.text, 60)}"
        return (False, lean([_listed(found, view, may)]), drop, not drop, not may,
                " ".join(said), *about)  # fmt: skip

    @app.callback(
        Output("note-said", "children"), Output("note-text", "value"),
        Output("notes-written", "data"),
        Input("note-text", "n_submit"), Input("note-drop", "n_clicks"),
        *(Input(f"note-on-{about}", "n_clicks") for about in _ABOUTS),
        State("note-text", "value"), State("view", "data"), State("loop", "data"),
        State("notes-written", "data"), prevent_initial_call=True,
    )  # fmt: skip
    def write_notes(*given: object) -> tuple[object, ...]:
        text, data, loop, written = given[-4:]
        _, view = asked_of(data)
        count = written + 1 if isinstance(written, int) else 1
        try:
            if not can_write:
                return _READ_ONLY, text, written
            if ctx.triggered_id == "note-drop":
                return _taken_out(desk, view), text, count
            about = str(ctx.triggered_id).removeprefix("note-on-")
            add_note(*_new(desk, view, text if isinstance(text, str) else "", about, loop))
        except LooptimeError as error:
            return str(error), text, written
        return f"Kept in {NOTES_FILE} beside the log.", "", count


def _listed(found: tuple[Note, ...], view: View, may_drop: bool) -> Part:
    rows = []
    for one in found:
        chosen = _token(one) == view.note
        link = choice("keep it" if chosen else "take out ...", False, key=_token(one),
                      note="" if chosen else _token(one))  # fmt: skip
        about: Part = one.about
        if one.loop is not None:
            about = choice(one.about, one.loop == view.loop, loop=str(one.loop))
        rows.append(html.Li([about, f": {safe(one.text, LONGEST_NOTE)} ",
                             link if may_drop else None]))  # fmt: skip
    return html.Ul(rows) if rows else faint("None yet.")


def _new(desk: Desk, view: View, text: str, about: str, loop: object) -> tuple[Path, Note]:
    """What is to be written where; by the enter key, on the narrowest that is chosen."""
    folder, name, run = desk.place_of_notes(view)
    if about not in _ABOUTS:
        about = [a for a, words in zip(_ABOUTS, _abouts(view, loop), strict=True) if words][-1]
    if about == "loop" and isinstance(loop, int):
        return folder, Note(name, text, run, loop=loop)
    if about == "range":
        return folder, Note(name, text, run, from_s=view.start, to_s=view.end)
    return folder, Note(name, text, run)


def _taken_out(desk: Desk, view: View) -> str:
    folder, _, _ = desk.place_of_notes(view)
    wanted = [n for n in desk.notes(view)[0] if _token(n) == view.note]
    for one in wanted:
        drop_note(folder, one)
    return "Taken out." if wanted else "That note is gone already."


def _token(note: Note) -> str:
    """A short name of a note for the address."""
    told = repr((note.loop, note.from_s, note.to_s, note.written, note.text))
    return hashlib.blake2b(told.encode("utf-8", "replace"), digest_size=6).hexdigest()


def _abouts(view: View, loop: object) -> tuple[str, str, str]:
    """What a note can be about: the words of each, empty where it is not chosen."""
    part = Note("", "", from_s=view.start, to_s=view.end)
    ranged = view.start is not None or view.end is not None
    return ("the run", f"the range {part.about}" if ranged else "",
            f"loop {loop}" if isinstance(loop, int) else "")  # fmt: skip
