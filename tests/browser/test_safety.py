"""Who may ask what: hosts, origins, passphrase, keys instead of paths, dropped logs."""

import errno
import io
import os
import time
from pathlib import Path
from typing import Any

import pytest
from looptime_dashboards.app import create_app, desk_of
from looptime_dashboards.library import Library
from looptime_dashboards.safety import SHUT_S, TRIES, Gate
from looptime_dashboards.serving import make_server
from looptime_dashboards.view import View, read_view

from looptime.errors import LogError, UsageError

LOOPBACK = {"Host": "127.0.0.1:8060"}
LOG = "loop,name,start_ms,duration_ms\n" + "".join(
    f"{k},gyro.read,{20 * k + 1},3\n{k},loop,{20 * k},20\n" for k in range(60)
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with one good log, beside a secret that is not in it."""
    inside = tmp_path / "logs"
    inside.mkdir()
    (inside / "good.csv").write_text(LOG, encoding="utf-8")
    os.utime(inside / "good.csv", (time.time() - 60,) * 2)
    (tmp_path / "secret.csv").write_text(LOG + "60,secret.read,1201,2\n", encoding="utf-8")
    return inside


def client(folder: Path, **options: Any) -> Any:
    """A client of a dashboard, without a browser."""
    return create_app(folder, **options).server.test_client()


def ask(site: Any, value: Any) -> Any:
    """The callback that draws a page, asked as the browser asks it."""
    named = [("page", "children"), ("choices", "children"), ("pages", "children"),
             ("page-title", "children"), ("page-title", "data-path"), ("page-title", "data-log"),
             ("drawn", "data"), ("poll", "disabled"), ("poll", "interval"),
             ("knows-grid", "data")]  # fmt: skip
    body = {
        "output": "..{}..".format("...".join(f"{i}.{p}" for i, p in named)),
        "outputs": [{"id": i, "property": p} for i, p in named],
        "inputs": [{"id": "view", "property": "data", "value": value},
                   {"id": "poll", "property": "n_intervals", "value": 0},
                   {"id": "notes-written", "property": "data", "value": None}],
        "state": [{"id": "loop", "property": "data", "value": None},
                  {"id": "drawn", "property": "data", "value": None},
                  {"id": "knows-grid", "property": "data", "value": None}],
        "changedPropIds": ["view.data"],
    }  # fmt: skip
    return site.post("/_dash-update-component", json=body, headers=LOOPBACK)


@pytest.mark.parametrize(
    "asked",
    ["../secret.csv", "/etc/passwd", "..%2Fsecret.csv", "0123456789abcdef", "' OR 1=1", "\0"],
)
def test_a_crafted_key_reaches_no_file(folder: Path, asked: str) -> None:
    """A callback that names a file instead of a key gets no log, and no word of that file."""
    from urllib.parse import urlencode

    answer = ask(client(folder), ["/", "?" + urlencode({"run": asked, "before": asked})])
    text = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert "secret" not in text
    assert "root:" not in text
    assert "Traceback" not in text


@pytest.mark.parametrize("asked", ["../secret.csv", "0123456789abcdef", "\0", "x" * 30_000])
def test_a_report_is_of_a_log_on_offer_only(folder: Path, asked: str) -> None:
    """Any other key is answered in one line that holds no word of a file."""
    from urllib.parse import urlencode

    answer = client(folder).get("/report.html?" + urlencode({"run": asked}))
    text = answer.get_data(as_text=True)
    assert answer.status_code == 404
    assert answer.mimetype == "text/plain"
    assert len(text) < 200
    assert "secret" not in text


@pytest.mark.parametrize("asked", [None, 7, ["/"], ["/", 3], {"a": 1}, ["/" * 9000, "?" * 9000]])
def test_crafted_values_are_no_error(folder: Path, asked: Any) -> None:
    """Values of another shape than the page sends are answered like an empty view."""
    assert ask(client(folder), asked).status_code == 200


def test_motion_of_an_address_is_never_a_file() -> None:
    """A motion may be a file on the command line; an address cannot name one."""
    assert read_view("?motion=/etc/passwd").motion == ""
    assert read_view("?motion=turn:180,180,720").motion == "turn:180,180,720"


def test_a_view_survives_its_address() -> None:
    """What an address says is what it was made from."""
    view = View(
        run="0123456789abcdef-1", phase="op & \"x\"", start=1.5, end=20.25, warmup="keep", loop=-3,
        by="time", group="bus", before=("fedcba9876543210", "00000000000000aa"),
        change=("batch drive.*.read", "every x ms=500"), motion="weave:30,1", deg=0.5, mm=12.0,
    )  # fmt: skip
    assert read_view(view.search) == view


@pytest.mark.parametrize(
    ("host", "code"),
    [("127.0.0.1:8060", 200), ("localhost:8060", 200), ("[::1]:8060", 200),
     ("evil.example:8060", 403), ("127.0.0.1.evil.example", 403), ("192.168.1.5", 403)],
)  # fmt: skip
def test_only_this_machines_names_are_answered(folder: Path, host: str, code: int) -> None:
    """A foreign name that points to this machine is refused."""
    assert client(folder).get("/", headers={"Host": host}).status_code == code


@pytest.mark.parametrize(
    ("headers", "code"),
    [({}, 400), ({"Origin": "http://127.0.0.1:8060"}, 400),
     ({"Origin": "http://evil.example"}, 403), ({"Origin": "null"}, 403),
     ({"Sec-Fetch-Site": "cross-site"}, 403)],
)  # fmt: skip
def test_other_pages_send_nothing(folder: Path, headers: dict[str, str], code: int) -> None:
    """A request that another page makes is refused before it is looked at."""
    assert client(folder).post("/drop", headers={**LOOPBACK, **headers}).status_code == code


def test_every_answer_says_what_a_page_may_load(folder: Path) -> None:
    """No outside host, no inline script but the page's own, no frame."""
    answer = client(folder).get("/", headers=LOOPBACK)
    policy = answer.headers["Content-Security-Policy"]
    parts = dict(p.strip().split(" ", 1) for p in policy.split(";"))
    assert parts["default-src"] == "'self'"
    assert parts["frame-ancestors"] == "'none'"
    assert "unsafe" not in parts["script-src"]
    assert "http" not in policy
    assert "https://" not in answer.get_data(as_text=True)


def test_the_passphrase_opens_and_the_cookie_is_signed(folder: Path) -> None:
    """Nothing is shown without the passphrase; a forged cookie is worth nothing."""
    app = create_app(folder, host="0.0.0.0", passphrase="seedlings in rows")
    site, there = app.server.test_client(), {"Host": "192.168.1.5:8060"}
    assert site.get("/", headers=there).status_code == 302
    for path in ("/_dash-layout", "/export/x.csv", "/alive"):
        assert site.get(path, headers=there).status_code == 401
    assert site.post("/drop", headers=there).status_code == 401
    wrong = site.post("/enter", data={"passphrase": "seedlings"}, headers=there)
    assert wrong.status_code == 401
    right = site.post("/enter", data={"passphrase": "seedlings in rows"}, headers=there)
    assert right.status_code == 302
    cookie = right.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert site.get("/_dash-layout", headers=there).status_code == 200
    other = app.server.test_client()
    other.set_cookie("looptime", "eyJpbiI6dHJ1ZX0.forged.forged", domain="192.168.1.5")
    assert other.get("/_dash-layout", headers=there).status_code == 401
    assert site.get("/", headers={"Host": "evil.example"}).status_code == 403


@pytest.mark.parametrize("hours", [-1, 24 * 365])
def test_a_clock_that_is_set_asks_nobody_for_the_passphrase_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch, hours: int
) -> None:
    """A computer is set right when it finds a network, to whatever side; who is in stays in."""
    app = create_app(folder, passphrase="seedlings", host="0.0.0.0")
    site, there = app.server.test_client(), {"Host": "192.168.1.5:8060"}
    sent = {"data": {"passphrase": "seedlings"}, "headers": there}
    assert site.post("/enter", **sent).headers["Location"] == "/"
    was = time.time
    monkeypatch.setattr(time, "time", lambda: was() + 3600 * hours)
    assert site.get("/", headers=there).status_code == 200
    assert site.post("/enter", **sent).headers["Location"] == "/"


def test_too_many_tries_shut_the_door() -> None:
    """After some wrong tries even the right one waits, for that address only."""
    gate = Gate("seedlings in rows")
    for k in range(TRIES):
        assert not gate.opens("10.0.0.9", "guess", now=float(k))
    assert not gate.opens("10.0.0.9", "seedlings in rows", now=5.0)
    assert gate.opens("10.0.0.7", "seedlings in rows", now=5.0)
    assert gate.opens("10.0.0.9", "seedlings in rows", now=5.0 + SHUT_S)


def test_sharing_needs_a_passphrase(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without one nothing is served; one that is too short is refused."""
    from looptime_dashboards import serving

    with pytest.raises(UsageError, match="needs a passphrase"):
        make_server(folder, host="0.0.0.0")
    monkeypatch.setenv(serving.PASSPHRASE, "short")
    with pytest.raises(UsageError, match="too short"):
        serving.serve(folder, host="0.0.0.0", open_browser=False)


def test_a_shared_server_takes_no_logs_unless_allowed(folder: Path) -> None:
    """A dropped log is refused when the server is shared, and read where that was asked for."""
    there = {"Host": "192.168.1.5"}
    for allow, code in ((False, 403), (True, 303)):
        site = create_app(folder, host="192.168.1.5", passphrase="seedlings in rows",
                          allow_upload=allow).server.test_client()  # fmt: skip
        site.post("/enter", data={"passphrase": "seedlings in rows"}, headers=there)
        files = {"log": (io.BytesIO(LOG.encode()), "more.csv")}
        assert site.post("/drop", data=files, headers=there).status_code == code


def test_a_dropped_log_is_parsed_and_leaves_nothing_behind(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is offered by its own name, without a file of it being kept; a bad one says why."""
    kept = tmp_path / "temporary"
    kept.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(kept))
    desk = desk_of(create_app(folder))
    key = desk.library.drop("../../etc/more.csv", LOG.encode())
    assert desk.library.get(key).name == "more.csv"  # type: ignore[union-attr]
    assert len(desk.library.run(key)) == 60
    assert list(kept.iterdir()) == []
    with pytest.raises(LogError, match="worse") as told:
        desk.library.drop("worse.csv", b"a,b\n1,x\n")
    assert str(kept) not in str(told.value)
    key = desk.library.take("worse.csv", b"a,b\n1,x\n")
    assert desk.library.get(key).error.startswith("worse.csv")  # type: ignore[union-attr]
    with pytest.raises(LogError, match="worse"):
        desk.library.run(key)
    assert list(kept.iterdir()) == []


def test_a_log_dropped_while_the_disk_is_full(
    folder: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is one line that says what to do, and nothing in the server's log; the others stay."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    site = client(folder)
    sent = {"headers": LOOPBACK, "content_type": "multipart/form-data"}
    monkeypatch.setattr(Path, "write_bytes", full)
    answer = site.post("/drop", data={"log": (io.BytesIO(LOG.encode()), "new.csv")}, **sent)
    assert answer.status_code == 507
    assert answer.text.startswith("The log was not taken: No space left on device. Make room")
    assert not caplog.records
    monkeypatch.undo()
    answer = site.post("/drop", data={"log": (io.BytesIO(LOG.encode()), "new.csv")}, **sent)
    assert answer.status_code == 303


def test_logs_dropped_after_the_clock_went_back_are_the_newest(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of many dropped logs the oldest go, whatever the clock says."""
    library, was = desk_of(create_app(folder)).library, time.time
    for k in range(16):
        if k == 8:
            monkeypatch.setattr(time, "time", lambda: was() - 3600)
        last = library.drop(f"{k}.csv", LOG.replace("1,3", f"1,{3 + k}").encode())
        assert last in [one.key for one in library.offered()]


def test_links_out_of_the_folder_are_not_followed(folder: Path) -> None:
    """A link to a log elsewhere is not offered."""
    try:
        (folder / "link.csv").symlink_to(folder.parent / "secret.csv")
    except OSError:
        pytest.skip("this system makes no links here")
    desk = desk_of(create_app(folder))
    time.sleep(0)
    desk.library.scan(0)
    assert [o.name for o in desk.library.offered()] == ["good.csv"]


def test_new_logs_are_offered_once_they_are_whole(folder: Path) -> None:
    """A log that still grows waits; its key comes from its content alone."""
    desk = desk_of(create_app(folder))
    library: Library = desk.library
    version = library.version
    (folder / "new.csv").write_text(LOG[:200], encoding="utf-8")
    library.scan(0)
    (folder / "new.csv").write_text(LOG.replace("gyro", "mast"), encoding="utf-8")
    library.scan(0)
    assert "new.csv" not in [o.name for o in library.offered()]
    library.scan(0)
    assert "new.csv" in [o.name for o in library.offered()]
    assert library.version > version
    again = desk_of(create_app(folder)).library
    again.scan(0)
    assert {o.key for o in again.offered()} >= {o.key for o in library.offered()} - {"x"}
