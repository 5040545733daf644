"""`looptime watch` on a file that grows, a folder, and what is piped in."""

import io
import json
import os
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from looptime import cli
from looptime.questions.asked import Asked
from looptime.questions.watching import watch


def rows(first: int, last: int) -> str:
    return "".join(f"{20 * k + (15 if k % 50 == 49 else 0)},{k}\n" for k in range(first, last))


def test_a_file_that_grows_is_read_on(tmp_path: Path) -> None:
    """Each look adds the loops that came since; a newer log of the folder is told and taken."""
    log = tmp_path / "a.csv"
    log.write_text("time_ms,heading_deg\n" + rows(0, 200), encoding="utf-8")
    at = watch(Asked(), str(tmp_path))
    assert at.look()[0].loops == 199
    with log.open("a", encoding="utf-8") as file:
        file.write(rows(200, 300))
    assert at.look()[0].loops == 299
    newer = tmp_path / "b.csv"
    newer.write_text("time_ms,heading_deg\n" + rows(0, 100), encoding="utf-8")
    os.utime(newer, ns=(2**61, 2**61))
    found, told = at.look()
    assert "newer log" in told
    assert found.loops == 99


def test_a_newer_file_that_is_no_log_is_passed_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Notes beside the logs are the newest file; the log behind them is followed, and named."""
    log, notes = tmp_path / "a.csv", tmp_path / "notes.txt"
    log.write_text("time_ms,heading_deg\n" + rows(0, 200), encoding="utf-8")
    notes.write_text("The left bench is to be swept before the next run.\n" * 5, encoding="utf-8")
    for path, age_s in ((log, 60), (notes, 20)):
        then = time.time_ns() - age_s * 10**9
        os.utime(path, ns=(then, then))
    empty = tmp_path / "browser.log"
    empty.touch()
    at = watch(Asked(), str(tmp_path))
    assert (at.look()[0].loops, at.path, at.passed) == (199, str(log), str(empty))
    empty.write_text("[0101/120000.1:ERROR:window.cc(88)] no display\n", encoding="utf-8")
    assert (at.look()[0].loops, at.path) == (199, str(log))
    assert cli.run(["watch", str(tmp_path), "--for", "0"]) == 0
    assert f"no loop can be read in {empty}, which is newer" in capsys.readouterr().err
    empty.write_text("time_ms,heading_deg\n" + rows(0, 50), encoding="utf-8")
    assert (at.look()[0].loops, at.path, at.passed) == (49, str(empty), "")
    log.unlink()
    empty.write_text("", encoding="utf-8")
    assert watch(Asked(), str(tmp_path)).path == str(
        notes
    )  # where none can be read, what is not empty


def test_limits_decide_the_exit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is printed last names the limit that is broken; JSON is a document a line."""
    log, project = tmp_path / "a.csv", tmp_path / "looptime.toml"
    log.write_text("time_ms,heading_deg\n" + rows(0, 400), encoding="utf-8")
    for limit, code in ((40, 0), (30, 1)):
        project.write_text(f"[limits]\nperiod_max_ms = {limit}\n", "utf-8")
        asked = ["watch", str(log), "--for", "0", "--limits", "--project", str(project)]
        assert cli.run(asked) == code
        assert ("BROKEN: period_max_ms" in capsys.readouterr().out) == bool(code)
        assert cli.run([*asked, "--json"]) == code
        told = json.loads(capsys.readouterr().out.splitlines()[-1])
        assert told["broken"] == (["period_max_ms"] if code else [])
        assert told["loops"] == 399


def test_what_is_piped_in_is_followed_to_its_end(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The other side closes, and the last line tells of all loops."""
    out, into = os.pipe()
    os.write(into, ("time_ms,heading_deg\n" + rows(0, 150)).encode())
    os.close(into)
    with os.fdopen(out, "rb") as file:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(file))
        assert cli.run(["watch", "-"]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("3.0")


def test_what_cannot_be_watched_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No such file, no limits stated: one line and exit 2."""
    assert cli.run(["watch", str(tmp_path / "none.csv")]) == 2
    assert "there is no such file" in capsys.readouterr().err
    log = tmp_path / "a.csv"
    log.write_text("time_ms\n" + "".join(f"{20 * k}\n" for k in range(9)), encoding="utf-8")
    assert cli.run(["watch", str(log), "--limits", "--for", "0"]) == 2
    assert "[limits]" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_pipe_with_a_name_is_not_waited_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is refused with what to do; one that takes a log's place is told and opens nothing."""
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    assert cli.run(["watch", str(pipe)]) == 2
    assert "watch - <" in capsys.readouterr().err
    log = tmp_path / "a.csv"
    log.write_text("time_ms,heading_deg\n" + rows(0, 200), encoding="utf-8")
    at = watch(Asked(), str(log))
    assert at.look()[0].loops == 199
    pipe.replace(log)
    found, told = at.look()
    assert found.loops == 199
    assert "pipe" in told


def test_a_log_that_stands_still_is_said_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody writes: from the third second on that is said; without a budget none is counted."""
    log = tmp_path / "a.csv"
    log.write_text("time_ms,heading_deg\n" + rows(0, 200), encoding="utf-8")
    clock = SimpleNamespace(now=0.0)
    clock.monotonic = lambda: clock.now
    clock.sleep = lambda s: setattr(clock, "now", clock.now + s)
    monkeypatch.setattr("looptime.cli_watch.time", clock)
    assert cli.run(["watch", str(log), "--for", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.partition("(nothing new for ")[2] for line in lines] == ["", "", "2 s)", "3 s)"]
    assert all("no budget stated" in line for line in lines)
    assert cli.run(["watch", str(log), "--for", "0", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["overruns"] is None
    assert cli.run(["watch", str(log), "--for", "0", "--budget-ms", "30"]) == 0
    assert "4 (2 %) over budget" in capsys.readouterr().out
