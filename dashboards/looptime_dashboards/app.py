"""The dashboard as a Dash app."""

import json
import os
from pathlib import Path

from dash import Dash
from flask import Response, g, redirect, request, send_file
from werkzeug.wrappers import Response as AnyResponse

from looptime.errors import LooptimeError
from looptime.project import Project
from looptime.views.figures.drawing import VERSION, library_file
from looptime.views.figures.palette import DARK, LIGHT
from looptime.views.files.report_page import variables
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import scripts_of_grid
from looptime_dashboards.handing import report_file
from looptime_dashboards.library import DROP_LIMIT
from looptime_dashboards.notebook import register_notes
from looptime_dashboards.safety import Gate, is_loopback, protect, refuse_malformed
from looptime_dashboards.shell import frame, register
from looptime_dashboards.view import read_view
from looptime_dashboards.work import Pending

__all__ = ["create_app", "desk_of"]

_INDEX = """<!DOCTYPE html>
<html lang="en"><head>{%metas%}<title>{%title%}</title>{%favicon%}
<style>COLOURS</style>{%css%}<script id="plotly" async src="PLOTLY"></script></head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body></html>"""

#: Where the drawing library is served; its version lets a browser keep it.
_PLOTLY_AT = f"/_plotly.js?v={VERSION}"
_YEAR_S = 365 * 86_400


def create_app(
    folder: str | os.PathLike[str] | None = None,
    project: Project | None = None,
    *,
    host: str = "127.0.0.1",
    passphrase: str | None = None,
    allow_upload: bool = False,
) -> Dash:
    """Make the dashboard of a folder of logs.

    Parameters
    ----------
    folder : path-like, optional
        Folder of logs, which is watched; without one, logs can be dropped onto the page.
    project : Project, optional
        Labels, budget, limits and reading options.
    host : str
        Host that it will listen on; other than loopback it is shared.
    passphrase : str, optional
        Asked for before anything is shown.
    allow_upload : bool
        Whether logs may be dropped onto the page of a shared server.

    Returns
    -------
    dash.Dash
        Its `server` is the Flask app; its desk is `desk_of(app)`.
    """
    desk = Desk(folder, Project() if project is None else project)
    shared = not is_loopback(host)
    can_drop = allow_upload or not shared
    app = Dash(
        __name__, assets_folder=str(Path(__file__).parent / "assets"), title="looptime",
        update_title="", serve_locally=True, suppress_callback_exceptions=True,
        enable_mcp=False,
        index_string=_INDEX.replace("COLOURS", _colours()).replace("PLOTLY", _PLOTLY_AT),
        meta_tags=[{"name": "viewport", "content": "width=device-width,initial-scale=1"}],
    )  # fmt: skip
    app.layout = frame(can_drop, shared)
    register(app, desk)
    register_notes(app, desk, can_drop)
    app.server.config["LOOPTIME_DESK"] = desk
    app.server.config["MAX_CONTENT_LENGTH"] = DROP_LIMIT + 1_000_000 if can_drop else 1_000_000
    _routes(app, desk, can_drop)
    _send_grid_when_asked(app)
    protect(app.server, Gate(passphrase), host, list(app.csp_hashes()))
    refuse_malformed(app.server, app.callback_map)
    return app


def desk_of(app: Dash) -> Desk:
    """The desk behind a dashboard."""
    desk: Desk = app.server.config["LOOPTIME_DESK"]
    return desk


def _colours() -> str:
    light, dark = variables(LIGHT), variables(DARK)
    return (
        f":root{{color-scheme:light;{light}}}"
        f"@media(prefers-color-scheme:dark){{:root{{color-scheme:dark;{dark}}}}}"
        f":root[data-theme=light]{{color-scheme:light;{light}}}"
        f":root[data-theme=dark]{{color-scheme:dark;{dark}}}"
        f"@media print{{:root,:root[data-theme]{{color-scheme:light;{light}}}}}"
    )


def _send_grid_when_asked(app: Dash) -> None:
    """The first answer with a grid tells the browser to load what draws it, a third of all."""
    dist = json.dumps(scripts_of_grid(app)).encode()

    @app.server.after_request
    def head(answer: Response) -> Response:
        if g.get("sends_grid") and answer.status_code == 200:
            answer.set_data(b'{"dist":' + dist + b"," + answer.get_data().lstrip()[1:])
        return answer


def _routes(app: Dash, desk: Desk, can_drop: bool) -> None:
    server = app.server

    @server.route("/alive")
    def alive() -> Response:
        return Response("yes", mimetype="text/plain")

    @server.route("/_plotly.js")
    def plotly() -> Response:
        answer = send_file(library_file(), "text/javascript", max_age=_YEAR_S)
        answer.headers["Content-Encoding"] = "gzip"
        return answer

    @server.route("/export/<token>.csv")
    def export(token: str) -> Response:
        found = desk.export(token)
        if found is None:
            return Response("This table is no longer kept: load the page again.", 404,
                            mimetype="text/plain")  # fmt: skip
        name, text = found
        return Response(
            "\ufeff" + text, mimetype="text/csv",
            headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
        )  # fmt: skip

    @server.route("/report.html")
    def report() -> Response:
        try:
            name, text = report_file(
                desk, read_view(request.query_string.decode("ascii", "replace"))
            )
        except (LooptimeError, Pending) as error:
            return Response(str(error), 404, mimetype="text/plain")
        return Response(
            text, mimetype="text/html",
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )  # fmt: skip

    @server.route("/drop", methods=["POST"])
    def drop() -> AnyResponse:
        try:
            given = request.files.get("log") if can_drop else None
            if given is None:
                why = "No log came." if can_drop else "This server is shared and takes no logs."
                return Response(why, 400 if can_drop else 403, mimetype="text/plain")
            key = desk.library.take(given.filename or "", given.stream.read(DROP_LIMIT + 1))
        except LooptimeError as error:
            return Response(str(error), 413, mimetype="text/plain")
        except OSError as error:  # what comes is put on the disk while it is read
            why = f"The log was not taken: {error.strerror or error}. Make room on the disk for"
            return Response(f"{why} temporary files, or put the log into the folder.", 507,
                            mimetype="text/plain")  # fmt: skip
        return redirect(f"/?run={key}", 303)
