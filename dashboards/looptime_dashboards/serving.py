"""Starting the dashboard: port, passphrase, browser."""

from __future__ import annotations

import logging
import os
import socket
import sys
import threading
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

from looptime.errors import UsageError
from looptime.project import Project
from looptime_dashboards.safety import is_loopback

if TYPE_CHECKING:
    from werkzeug.serving import BaseWSGIServer

__all__ = ["PASSPHRASE", "make_server", "serve"]

#: Environment variable that may hold the passphrase of a shared server.
PASSPHRASE = "LOOPTIME_PASSPHRASE"
_LEAST_LENGTH = 8


def serve(
    folder: str | os.PathLike[str] | None = None,
    *,
    host: str = "127.0.0.1",
    port: int = 8060,
    open_browser: bool = True,
    allow_upload: bool = False,
    project: Project | None = None,
) -> None:
    """Serve the dashboard of a folder until it is interrupted.

    Parameters
    ----------
    folder : path-like, optional
        Folder of logs; the working folder by default.
    host : str
        Loopback; any other host shares it, which needs a passphrase from a prompt or from the
        environment variable `PASSPHRASE`.
    port : int
        0 for any free one.
    open_browser : bool
        Whether to open the page.
    allow_upload : bool
        Whether a shared server takes logs that are dropped onto the page.
    project : Project, optional
        The project file's content.

    Raises
    ------
    UsageError
        If the folder is not there, the port is taken, or the passphrase is missing or too short.
    """
    server = make_server(
        folder, host=host, port=port, allow_upload=allow_upload, project=project,
        passphrase=None if is_loopback(host) else _passphrase(),
    )  # fmt: skip
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{server.server_port}/"
    print(f"looptime dashboard at {address} (Ctrl-C ends it)", flush=True)  # noqa: T201
    if not is_loopback(host):
        warning = "looptime: shared: plain HTTP lets others on this network read what is sent"
        print(warning, file=sys.stderr, flush=True)  # noqa: T201
    if open_browser:
        threading.Timer(0.3, webbrowser.open, [address]).start()
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        pass
    finally:
        server.server_close()


def make_server(
    folder: str | os.PathLike[str] | None = None,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    allow_upload: bool = False,
    project: Project | None = None,
    passphrase: str | None = None,
) -> BaseWSGIServer:
    """A server that is ready to run; see `serve`."""
    from werkzeug.serving import make_server as make

    from looptime_dashboards.app import create_app

    where = Path.cwd() if folder is None else Path(folder)
    if not where.is_dir():
        raise UsageError(f"{where}: is not a folder: name the folder that holds the logs")
    if not is_loopback(host) and passphrase is None:
        raise UsageError(f"--host {host} shares the dashboard and needs a passphrase")
    app = create_app(where, project, host=host, passphrase=passphrase, allow_upload=allow_upload)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    _check_port(host, port)
    return make(host, port, app.server, threaded=True)


def _check_port(host: str, port: int) -> None:
    """Say in one line that a port is taken: the server itself would end the program."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if os.name != "nt":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise UsageError(
                f"port {port} of {host} cannot be used ({error.strerror}): choose another with "
                "--port"
            ) from error


def _passphrase() -> str:
    import getpass

    given = os.environ.get(PASSPHRASE)
    if given is None:
        if not sys.stdin.isatty():
            raise UsageError(
                f"sharing needs a passphrase: set {PASSPHRASE}, or start from a terminal"
            )
        given = getpass.getpass("Passphrase for the shared dashboard: ")
    if len(given) < _LEAST_LENGTH:
        raise UsageError(f"the passphrase is too short: use {_LEAST_LENGTH} characters or more")
    return given
