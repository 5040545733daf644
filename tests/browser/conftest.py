"""The server and the browser of the browser tests."""

import contextlib
import hashlib
import os
import shutil
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pytest
from looptime_dashboards.work import Pending

from looptime import Project
from looptime.samples import folder as samples
from tests.browser.guard import Guard
from tests.conftest import need_tool

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
LOGS = ("single_reads", "gyro_thread_own_bus")
#: In place of the browser's half a minute [ms]: what waits in vain is ended by `guarded`.
NEVER_MS = 600_000
#: For so long nobody wants the processor while a test waits in vain [s].
HUNG_S = 60.0
#: Nothing is on its way, and every figure near the window is drawn as large as its place is.
SETTLED = """() => {
  const zoom = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  return !document.querySelector(".busy") && [...document.querySelectorAll(".plot")].every((p) =>
    p.near === false || p.drawn ===
      [p.clientWidth / zoom, p.clientHeight / zoom, zoom, p.dataset.figure].join());
}"""
T = TypeVar("T")


@pytest.fixture(autouse=True)
def guarded() -> Iterator[None]:
    """Ends a test that waits for what never comes, and no other, however slow the machine is."""
    with Guard(HUNG_S):
        yield


def waited(ask: Callable[[], T]) -> T:
    """What is asked for, however long it takes."""
    while True:
        try:
            return ask()
        except Pending:
            time.sleep(0.02)


def settle(page: Any) -> None:
    """Wait until a page is as it stays, over some frames."""
    for _ in range(3):
        page.wait_for_function(SETTLED)
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")


def key_of(path: Path) -> str:
    """The key by which the browser knows a log, worked out apart from the server."""
    return hashlib.blake2b(path.read_bytes(), digest_size=8).hexdigest()


@dataclass
class Site:
    """A running server.

    Parameters
    ----------
    base : str
        Its address.
    folder : Path
        Its logs.
    keys : dict of str to str
        Key of each log by name.
    """

    base: str
    folder: Path
    keys: dict[str, str] = field(default_factory=dict)


@contextlib.contextmanager
def running(folder: Path, **options: Any) -> Iterator[str]:
    """Serve a folder in a thread; gives the address."""
    from looptime_dashboards.serving import make_server

    server = make_server(folder, **options)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join(5)
        server.server_close()


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A server with two sample logs, a log with hostile names and a bad log."""
    folder = tmp_path_factory.mktemp("logs")
    for name in LOGS:
        shutil.copy(samples() / f"{name}.csv.gz", folder)
    (folder / "hostile.csv").write_text(hostile_log(), encoding="utf-8")
    (folder / "bad.csv").write_text("nothing,to\nsee,here\n", encoding="utf-8")
    for path in folder.iterdir():
        os.utime(path, (time.time() - 60, time.time() - 60))
    keys = {path.name.split(".")[0]: key_of(path) for path in folder.iterdir()}
    project = Project.load(samples() / "looptime.toml")
    with running(folder, project=project) as base:
        yield Site(base, folder, keys)


HOSTILE = (
    "<script>document.title='taken'</script>",
    "'\"><img src=x onerror=document.title='taken'>",
    "long." + "x" * 10_000,
    "right\u202eto\u2066left\u200f",
    "=HYPERLINK(1)",
    "{{7*7}} </script><b>bold</b>",
)


def hostile_log(loops: int = 150) -> str:
    """A log whose call names try to be markup, formulas and worse."""
    rows, at = ["# robot: <img src=x onerror=alert(1)>", "loop,thread,name,start_us,duration_us"], 0
    for loop in range(loops):
        period = 45_000 if loop % 30 == 29 else 20_000 + loop % 7
        for k, name in enumerate(HOSTILE):
            quoted = '"' + name.replace('"', '""') + '"'
            longer = 20_000 if loop % 30 == 29 and k == 0 else 0
            start = at + 100 + 2000 * k + (20_000 if loop % 30 == 29 and k else 0)
            rows.append(f"{loop},main,{quoted},{start},{1500 + longer}")
        rows.append(f"{loop},main,loop,{at},{period}")
        at += period
    return "\n".join(rows) + "\n"


def pick_run(page: Any, name: str) -> None:
    """Look for a run in the list at the top, and open it."""
    page.click("#run-select")
    page.fill(".dash-dropdown-search", name)
    page.click(f".dash-dropdown-option:has-text('{name}')")


@pytest.fixture(scope="session")
def browsers() -> Iterator[Callable[[], Any]]:
    """Gives the browser of the machine, another where the last one was ended."""
    path = need_tool("chromium")
    from playwright.sync_api import Error, sync_playwright

    with sync_playwright() as p:
        held: list[Any] = []

        def browser() -> Any:
            try:
                held[-1].new_context().close()
            except (IndexError, Error):
                held.append(p.chromium.launch(executable_path=path, args=FLAGS, timeout=NEVER_MS))
            return held[-1]

        yield browser
        if held:
            held[-1].close()


@pytest.fixture
def chromium(browsers: Callable[[], Any]) -> Any:
    """The browser of the machine."""
    return browsers()


def patient(browser: Any, **options: Any) -> Any:
    """A context of the browser whose waits end by no clock."""
    context = browser.new_context(viewport={"width": 1280, "height": 720}, **options)
    context.set_default_timeout(NEVER_MS)
    return context


@dataclass
class Watched:
    """A page and what it complained of or asked for elsewhere."""

    page: Any
    base: str
    complaints: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def open(self, path: str, ready: str = "#page .card, #page .note.error") -> Any:
        """Open a path of the server and wait for its page."""
        self.page.goto(self.base + path)
        self.page.wait_for_selector(ready)
        return self.page

    def check(self) -> None:
        """No error on the console and no request to anywhere else."""
        assert self.complaints == []
        assert self.elsewhere == []


@pytest.fixture
def watch(chromium: Any, site: Site) -> Iterator[Callable[..., Watched]]:
    """Makes watched pages, and checks each of them at the end."""
    made: list[tuple[Any, Watched]] = []

    def make(base: str = "", checked: bool = True, **options: Any) -> Watched:
        context = patient(chromium, **options)
        watched = Watched(context.new_page(), base or site.base)
        watched.page.on("console", lambda m: watched.complaints.append(m.text)
                        if m.type == "error" else None)  # fmt: skip
        watched.page.on("pageerror", lambda e: watched.complaints.append(str(e)))
        watched.page.on("request", lambda r: None
                        if r.url.startswith((watched.base, "data:", "blob:"))
                        else watched.elsewhere.append(r.url))  # fmt: skip
        made.append((context, watched if checked else Watched(None, "")))
        return watched

    yield make
    for context, watched in made:
        context.close()
        watched.check()


def start_process(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """A server in a process of its own, so that it can be killed; waits until it answers."""
    code = (
        "import sys; from looptime_dashboards import serve; "
        "serve(sys.argv[1], port=int(sys.argv[2]), open_browser=False)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(folder), str(port)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    while process.poll() is None:
        with contextlib.suppress(OSError):
            urllib.request.urlopen(f"http://127.0.0.1:{port}/alive").close()
            return process
        time.sleep(0.1)
    raise RuntimeError("the server ended before it answered")
