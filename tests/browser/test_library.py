"""Logs on offer, and those that are forgotten first; no browser is needed for it."""

import os
import socket
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import BinaryIO

import pytest
from looptime_dashboards import library, log_keys
from looptime_dashboards.library import Library
from looptime_dashboards.pages.logs_page import _row
from looptime_dashboards.work import Work

from looptime.errors import LogError, UsageError
from looptime.project import Project


def log(seed: int, loops: int = 50) -> bytes:
    """A log of bare stamps, each seed another."""
    return (
        "time_us,x\n" + "".join(f"{k * 10_000},{k % 7 + seed}\n" for k in range(loops))
    ).encode()


def made(folder: Path | None = None) -> Library:
    return Library(folder, Project(), Work())


def test_only_the_latest_dropped_logs_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of five logs dropped onto the page the last three stay; the first two are gone."""
    monkeypatch.setattr(library, "_MOST_DROPPED", 3)
    here = made()
    keys = [here.drop(f"{k}.csv", log(k)) for k in range(5)]
    assert {o.key for o in here.offered()} == set(keys[2:])
    assert here.log(keys[4]).path == "4.csv"
    with pytest.raises(UsageError, match="not here"):
        here.log(keys[0])


def test_a_log_larger_than_the_memory_for_logs_is_still_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log in use stays, however large; others make room for it."""
    monkeypatch.setattr(library, "_KEPT_BYTES", 1)
    here = made(tmp_path)
    for k in range(2):
        path = tmp_path / f"{k}.csv"
        path.write_bytes(log(k))
    here.scan(0)
    here.scan(0)
    keys = {o.name: o.key for o in here.offered()}
    assert set(keys) == {"0.csv", "1.csv"}
    for name in ("0.csv", "1.csv"):
        assert here.log(keys[name], 60).path.endswith(name)
        assert list(here._logs) == [keys[name]]


def test_a_dropped_log_that_is_too_large_or_none_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One line that names the file as it was called, not where it was put."""
    with pytest.raises(LogError, match=r"^bad\.csv"):
        made().drop("C:\\logs\\bad.csv", b"no log\n")
    monkeypatch.setattr(library, "DROP_LIMIT", 10)
    with pytest.raises(LogError, match="put it into the folder"):
        made().drop("big.csv", log(1))


def test_a_link_that_leads_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    """Only what lies within the folder is on offer."""
    outside, folder = tmp_path / "outside.csv", tmp_path / "logs"
    outside.write_bytes(log(1))
    folder.mkdir()
    (folder / "in.csv").write_bytes(log(2))
    try:
        (folder / "link.csv").symlink_to(outside)
    except OSError:
        pytest.skip("links cannot be made here")
    here = made(folder)
    here.scan(0)
    here.scan(0)
    assert [o.name for o in here.offered()] == ["in.csv"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_pipes_sockets_and_rings_of_links_are_passed_over_with_a_reason(tmp_path: Path) -> None:
    """None of them is opened; each is on offer with why it is not read; logs are read as ever."""
    (tmp_path / "good.csv").write_bytes(log(1))
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "ring.csv").symlink_to(tmp_path / "ring.csv")
    (tmp_path / "gone.csv").symlink_to(tmp_path / "nowhere")
    (tmp_path / "folder.csv").symlink_to(tmp_path)
    with socket.socket(socket.AF_UNIX) as listening:
        here = os.getcwd()
        os.chdir(tmp_path)  # a socket's path must be short
        listening.bind("socket.csv")
        os.chdir(here)
        library_here = made(tmp_path)
        library_here.scan(0)
        library_here.scan(0)
    offered = {o.name: o for o in library_here.offered()}
    assert set(offered) == {"good.csv", "pipe.csv", "socket.csv", "ring.csv", "gone.csv"}
    assert offered["good.csv"].error == ""
    for name, why in {
        "pipe.csv": "is a pipe, a socket or a device",
        "socket.csv": "is a pipe, a socket or a device",
        "ring.csv": "is a link to no file",
        "gone.csv": "is a link to no file",
    }.items():
        assert offered[name].error == f"{name}: {why}"
        with pytest.raises(UsageError, match=why):
            library_here.log(offered[name].key)
        shown = _row(SimpleNamespace(library=library_here), offered[name])
        assert shown == (name, None, "", f"{name}: {why}")  # no size or date is made up
    assert len(library_here.log(offered["good.csv"].key, 60).runs[0]) > 40


def test_a_file_that_does_not_answer_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is on offer with the reason until it answers; meanwhile no lock is held for it."""
    answers = threading.Event()
    asked = threading.Event()

    def open_slowly(path: Path) -> BinaryIO:
        if path.name == "away.csv":
            asked.set()
            answers.wait()
        return Path(path).open("rb")

    monkeypatch.setattr(log_keys, "open_plain", open_slowly)
    for seed, name in enumerate(("away.csv", "good.csv")):
        (tmp_path / name).write_bytes(log(seed))
    now = (tmp_path / "good.csv").stat().st_mtime  # both are taken for ones still being written
    clock = SimpleNamespace(time=lambda: now, monotonic=time.monotonic)
    monkeypatch.setattr(library, "time", clock)
    here = made(tmp_path)
    here.scan(0)
    assert not asked.is_set()
    monkeypatch.setattr(log_keys, "_PATIENCE_S", 1e9)
    looking = threading.Thread(target=here.scan, args=(0,))
    looking.start()
    asked.wait()
    assert here.scan(0) == here.version, "another look does not wait for the first"
    assert here.offered() == []
    monkeypatch.setattr(log_keys, "_PATIENCE_S", 0.0)
    looking.join()
    offered = {o.name: o for o in here.offered()}
    assert offered["away.csv"].error.endswith("does not answer: its disk or network is away")
    monkeypatch.setattr(log_keys, "_PATIENCE_S", 1e9)
    answers.set()
    here.scan(0)
    assert {o.name: o.error for o in here.offered()} == {"away.csv": "", "good.csv": ""}
