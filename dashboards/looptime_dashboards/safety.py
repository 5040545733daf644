"""Who may ask what of the server: hosts, origins, the passphrase, what a page may load."""

import hashlib
import hmac
import ipaddress
import json
import secrets
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from dash.exceptions import DependencyException
from flask import Flask, Request, Response, abort, redirect, request, session
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface
from itsdangerous import BadSignature
from werkzeug.wrappers import Response as AnyResponse

from looptime.views.figures.palette import DARK, LIGHT
from looptime.views.files.html import escape
from looptime.views.files.report_page import variables

__all__ = ["Gate", "is_loopback", "protect", "refuse_malformed"]

#: Wrong tries in a row before the door stays shut for a while.
TRIES = 5
#: How long it stays shut [s].
SHUT_S = 30.0
_SHUT_FOR_ALL = 60
_NOT_PAGES = ("/_", "/export", "/report.html", "/assets", "/alive")


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass
class Gate:
    """Checks the passphrase, in constant time and only so many times."""

    passphrase: str | None  #: None where none is asked for
    _tries: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _salt: bytes = field(default_factory=lambda: secrets.token_bytes(16))

    def shut_for(self, who: str, now: float | None = None) -> float:
        """Seconds for which no try of `who` is looked at; 0 if it may try."""
        with self._lock:
            return self._shut_for(who, time.monotonic() if now is None else now)

    def _shut_for(self, who: str, now: float) -> float:
        mine = [t for t in self._tries.get(who, []) if now - t < SHUT_S]
        every = sum(now - t < SHUT_S for tries in self._tries.values() for t in tries)
        if len(mine) >= TRIES:
            return SHUT_S - (now - mine[-1])
        return SHUT_S / 2 if every >= _SHUT_FOR_ALL else 0.0

    def opens(self, who: str, given: str, now: float | None = None) -> bool:
        """Whether the passphrase is right.

        A try is counted before it is looked at, so that many at once are no more than in a row;
        a right one makes the others forgotten.
        """
        if self.passphrase is None:
            return True
        now = time.monotonic() if now is None else now
        with self._lock:
            if self._shut_for(who, now) > 0:
                return False
            self._tries.setdefault(who, []).append(now)
            for other in [w for w, t in self._tries.items() if now - t[-1] > SHUT_S]:
                del self._tries[other]
        right = hmac.compare_digest(self._digest(given[:1000]), self._digest(self.passphrase))
        if right:
            with self._lock:
                self._tries.pop(who, None)
        return right

    def _digest(self, text: str) -> bytes:
        return hashlib.scrypt(
            text.encode(errors="surrogatepass"), salt=self._salt, n=2**12, r=8, p=1
        )


class Lasting(SecureCookieSessionInterface):
    """A session lasts as long as the server, whose key is new each time: no clock ends it.

    The usual one is refused once the clock is set back to before it began.
    """

    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        """What a request's cookie says, if it was signed here."""
        signing = self.get_signing_serializer(app)
        if signing is None:
            return None
        try:
            cookie = request.cookies.get(self.get_cookie_name(app), "")
            return self.session_class(signing.loads(cookie) if cookie else {})
        except BadSignature:
            return self.session_class()


def protect(server: Flask, gate: Gate, host: str, csp_hashes: list[str]) -> None:
    """Put the checks before every request and the headers on every answer.

    Parameters
    ----------
    server : Flask
        The server of the dashboard.
    gate : Gate
        The passphrase, where one is asked for.
    host : str
        Host that the server listens on.
    csp_hashes : list of str
        Hashes of the scripts that stand in the page itself.
    """
    server.secret_key = secrets.token_bytes(32)
    server.session_interface = Lasting()
    server.config.update(
        SESSION_COOKIE_NAME="looptime", SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
    )  # fmt: skip
    policy = (
        "default-src 'self'; script-src 'self' " + " ".join(csp_hashes) + "; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )

    @server.before_request
    def check() -> AnyResponse | None:
        if not _known_host(request.host, host):
            abort(403, "this server does not go by that name")
        if not _own_origin():
            abort(403, "asked from another page")
        if gate.passphrase is None or session.get("in") is True:
            return None
        if request.path == "/enter":
            return None
        if request.method == "GET" and not request.path.startswith(_NOT_PAGES):
            return redirect("/enter")
        return Response("Enter the passphrase first.", 401, mimetype="text/plain")

    @server.after_request
    def head(answer: Response) -> Response:
        answer.headers["Content-Security-Policy"] = policy
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["Referrer-Policy"] = "same-origin"
        answer.headers["X-Frame-Options"] = "DENY"
        answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        return answer

    @server.route("/enter", methods=["GET", "POST"])
    def enter() -> AnyResponse | tuple[str, int]:
        who = request.remote_addr or "?"
        if gate.passphrase is None:
            return redirect("/")
        said = ""
        if request.method == "POST":
            if gate.opens(who, request.form.get("passphrase", "")):
                session.clear()
                session["in"] = True
                return redirect("/")
            said = "That is not the passphrase."
        shut = gate.shut_for(who)
        if shut > 0:
            said = f"Too many tries: wait {shut:.0f} seconds."
        return _door(said), 429 if shut > 0 else (401 if said else 200)


def refuse_malformed(server: Flask, callbacks: Mapping[str, Mapping[str, Any]]) -> None:
    """Answer requests that no page of ours sends as what they are, and not as faults of ours.

    Parameters
    ----------
    server : Flask
        The server of the dashboard.
    callbacks : mapping
        By output what each callback takes; it may be filled later.
    """

    @server.before_request
    def check_update() -> Response | None:
        if request.path != "/_dash-update-component" or request.method != "POST":
            return None
        body = _sent()
        if not isinstance(body, dict) or not isinstance(body.get("output"), str):
            return _malformed()
        known = callbacks.get(body["output"])
        if known is None:
            return Response("There is no such component.", 404, mimetype="text/plain")
        return None if _as_a_page_asks(body, known) else _malformed()

    @server.errorhandler(DependencyException)
    def no_such_file(_: DependencyException) -> Response:
        return Response("There is no such file.", 404, mimetype="text/plain")


def _malformed() -> Response:
    return Response("This is no request of a page.", 400, mimetype="text/plain")


def _sent() -> object:
    """What was sent as JSON; None where it is none, too deep, or holds halves of letters."""
    try:
        body = request.get_json(silent=True)
        json.dumps(body, ensure_ascii=False).encode()
    except (RecursionError, UnicodeEncodeError):
        return None
    return body


def _as_a_page_asks(body: Mapping[str, Any], known: Mapping[str, Any]) -> bool:
    """Whether a request takes and gives what the callback does, and asks the server at all."""
    if "callback" not in known:
        return False  # the browser answers it by itself
    outputs, changed = body.get("outputs"), body.get("changedPropIds", [])
    made = known["output"] if isinstance(known["output"], list) else [known["output"]]
    return (
        isinstance(outputs, list) == isinstance(known["output"], list)
        and _ids(outputs if isinstance(outputs, list) else [outputs])
        == [(one.component_id, one.component_property) for one in made]
        and _ids(body.get("inputs")) == _ids(known["inputs"])
        and _ids(body.get("state", [])) == _ids(known["state"])
        and isinstance(changed, list)
        and all(isinstance(one, str) for one in changed)
    )


def _ids(given: object) -> list[tuple[str, str]] | None:
    """Components and properties that are named; None where they are not named as they should."""
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        return None
    named = [(one.get("id"), one.get("property")) for one in given]
    return named if all(isinstance(word, str) for pair in named for word in pair) else None


def _known_host(asked: str, host: str) -> bool:
    """Whether a request was meant for this server: a foreign name may point here, too."""
    try:
        name = (urlsplit(f"//{asked}").hostname or "").lower()
    except ValueError:
        return False
    if is_loopback(name):
        return True
    if is_loopback(host):
        return False
    if name == host.lower():
        return True
    try:
        ipaddress.ip_address(name)  # an address cannot be pointed elsewhere
    except ValueError:
        return False
    return True


def _own_origin() -> bool:
    origin = request.headers.get("Origin")
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        # a link from elsewhere may lead here, but nothing else may be asked from there
        return request.method == "GET" and request.headers.get("Sec-Fetch-Mode") == "navigate"
    if origin is None:
        return True
    return origin == f"{request.scheme}://{request.host}"


def _door(said: str) -> str:
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>looptime</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1"><style>'
        f":root{{{variables(LIGHT)}}}@media(prefers-color-scheme:dark){{:root{{{variables(DARK)}}}}}"
        "body{background:var(--ground);color:var(--ink);font:16px/1.5 system-ui,sans-serif;"
        "max-width:24rem;margin:15vh auto;padding:0 16px}input,button{font:inherit;padding:6px "
        "10px;margin:6px 0}</style></head><body><main><h1>looptime</h1>"
        '<form method="post" action="/enter"><label>Passphrase<br><input type="password" '
        'name="passphrase" autofocus required autocomplete="current-password"></label> '
        f'<button>Enter</button></form><p role="alert">{escape(said)}</p>'
        "<p>The connection is plain HTTP: others on this network can read what is sent.</p>"
        "</main></body></html>"
    )
