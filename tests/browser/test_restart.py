"""The server killed and started again under an open page; logs that arrive meanwhile."""

import contextlib
import os
import random
import shutil
import socket
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from looptime.samples import folder as samples
from tests.browser.conftest import Watched, start_process

pytestmark = pytest.mark.browser


def free_port() -> int:
    """A port that nobody listens on, of those that the system gives to no one by itself."""
    for port in random.Random(os.getpid()).sample(range(20_000, 32_000), 1000):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise RuntimeError("no free port")


def test_a_page_outlives_its_server(watch: Callable[..., Watched], tmp_path: Path) -> None:
    """The page says that the server is gone, and goes on with the same view when it is back."""
    source = samples() / "season_runs" / "run_01.csv.gz"
    shutil.copy(source, tmp_path / "first.csv.gz")
    os.utime(tmp_path / "first.csv.gz", (time.time() - 60,) * 2)
    port = free_port()
    process = start_process(tmp_path, port)
    try:
        shown = watch(f"http://127.0.0.1:{port}", checked=False).open("/", "#page .main-svg")
        shown.click("nav a:has-text('Where time goes')")
        shown.wait_for_selector("#page .main-svg")
        (value,) = parse_qs(urlsplit(shown.url).query)["run"]
        shown.goto(f"http://127.0.0.1:{port}/costs?run={value}&group=kind")
        shown.wait_for_selector("#page .main-svg")
        title = shown.locator("#page h2").first.inner_text()
        process.kill()
        process.wait()
        shown.wait_for_selector("body.gone")
        shutil.copy(samples() / "season_runs" / "run_02.csv.gz", tmp_path / "second.csv.gz")
        process = start_process(tmp_path, port)
        shown.wait_for_selector("body:not(.gone) #page .main-svg")
        assert shown.locator("#page h2").first.inner_text() == title
        shown.click("#run-select")
        shown.wait_for_selector(".dash-dropdown-option:has-text('second.csv.gz')")
    finally:
        process.kill()
        process.wait()
