"""A shared dashboard asked from another network, and a clock of the machine that steps."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.safety import SHUT_S, TRIES, Gate

from looptime import Project

#: Runs in a network of its own: serves on a second address and asks from a third.
PROGRAM = """
import http.client, subprocess, sys, threading
from looptime_dashboards.serving import make_server

for words in ("link set lo up", "addr add 10.77.0.1/24 dev lo", "addr add 10.77.0.2/24 dev lo"):
    subprocess.run(["ip", *words.split()], check=True)
shared = make_server(sys.argv[1], host="10.77.0.1", passphrase="seedlings in rows")
alone = make_server(sys.argv[1])
for server in (shared, alone):
    threading.Thread(target=server.serve_forever, daemon=True).start()
form = {"Content-Type": "application/x-www-form-urlencoded"}
for server, way, path, body in (
    (shared, "GET", "/", None), (shared, "GET", "/_dash-layout", None),
    (shared, "POST", "/enter", "passphrase=wrong+words"),
    (shared, "POST", "/enter", "passphrase=seedlings+in+rows"), (alone, "GET", "/", None),
):
    site = http.client.HTTPConnection(
        "10.77.0.1", server.server_port, timeout=60, source_address=("10.77.0.2", 0)
    )
    try:
        site.request(way, path, body, form if body else {})
        print(site.getresponse().status)
    except OSError as error:
        print(type(error).__name__)
"""


def may_make_networks() -> bool:
    """Whether this machine lets the test make a network of its own."""
    if not all(shutil.which(tool) for tool in ("ip", "unshare")):
        return False
    words = ["unshare", "-n", "ip", "addr", "add", "10.77.0.1/24", "dev", "lo"]
    return subprocess.run(words, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not may_make_networks(), reason="needs network namespaces (root, ip, unshare)")
def test_a_second_address_sees_a_shared_dashboard_only(tmp_path: Path) -> None:
    """The door, nothing behind it, refused, let in; one that is not shared takes no connection."""
    words = ["unshare", "-n", sys.executable, "-c", PROGRAM, str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert done.stdout.split() == ["302", "401", "401", "302", "ConnectionRefusedError"], (
        done.stdout + done.stderr[-2000:]
    )


def test_a_clock_that_steps_opens_no_door(monkeypatch: pytest.MonkeyPatch) -> None:
    """The wait after wrong tries is kept by a clock that nobody sets."""
    gate = Gate("open sesame")
    wall = time.time()
    for step in (0.0, -86_400.0, 10 * SHUT_S, 86_400.0, 0.0)[:TRIES]:
        monkeypatch.setattr(time, "time", lambda step=step: wall + step)
        assert not gate.opens("10.0.0.9", "guess")
    monkeypatch.setattr(time, "time", lambda: wall + 10 * SHUT_S)
    assert not gate.opens("10.0.0.9", "open sesame")


@pytest.mark.parametrize("step_s", [-86_400.0, 86_400.0])
def test_a_clock_that_steps_hides_no_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step_s: float
) -> None:
    """A log written before the clock was set is still offered, once, after it."""
    path = tmp_path / "a.csv"
    path.write_text("loop,name,start_ms,duration_ms\n0,x,0,1\n1,x,20,1\n", encoding="utf-8")
    os.utime(path, (time.time() - 60,) * 2)
    desk, wall = Desk(tmp_path, Project()), time.time
    assert [one.name for one in desk.library.offered()] == ["a.csv"]
    monkeypatch.setattr(time, "time", lambda: wall() + step_s)
    assert [one.name for one in desk.library.offered()] == ["a.csv"]
    assert [one.name for one in Desk(tmp_path, Project()).library.offered()] == ["a.csv"]
