"""Runs programs that record, and reads their logs with the csv module alone."""

import csv
import shutil
import subprocess
import sys
from collections import defaultdict
from decimal import Decimal
from pathlib import Path

import looptime
from tests.conftest import need_tool

__all__ = ["Log", "check_run", "finish", "nanoseconds", "read", "unix_port"]


def finish(*command: object, timeout: float = 600) -> subprocess.CompletedProcess[str]:
    """Run a program to its end, whatever that is."""
    words = [str(word) for word in command]
    return subprocess.run(words, check=False, capture_output=True, text=True, timeout=timeout)


def unix_port() -> str:
    """Return the path of a real MicroPython for this machine."""
    beside = str(Path(sys.executable).parent)
    return shutil.which("micropython", path=beside) or need_tool("micropython")


class Log:
    """A log read with the csv module alone: rows as dictionaries, remarks in their order."""

    def __init__(self, text: str) -> None:
        lines = text.splitlines(keepends=True)
        self.remarks = [line[2:].rstrip("\n").split(": ", 1) for line in lines if line[0] == "#"]
        self.meta = dict(self.remarks)
        self.rows = list(csv.DictReader(line for line in lines if line[0] != "#"))
        for row in self.rows:
            assert None not in row
            assert None not in row.values()

    def named(self, name: str) -> list[dict[str, str]]:
        return [row for row in self.rows if row["name"] == name]

    def threads(self) -> dict[str, list[dict[str, str]]]:
        found = defaultdict(list)
        for row in self.rows:
            found[row["thread"]].append(row)
        return dict(found)


def read(path: str | Path) -> Log:
    """Read a whole log; its last line must be complete."""
    text = Path(path).read_text(encoding="utf-8")
    assert text.endswith("\n")
    return Log(text)


def nanoseconds(row: dict[str, str]) -> tuple[int, int]:
    """Start and end of a row [ns], from the exact decimals."""
    start, length = (round(Decimal(row[key]) * 1000) for key in ("start_us", "duration_us"))
    return start, start + length


def check_run(path: str | Path) -> None:
    """Check that looptime makes of a log just what is in it, row by row."""
    log = read(path)
    run = looptime.read(path)
    assert run.layout == "calls"
    assert run.rows_read == len(log.rows) == run.rows_used + len(run.set_aside.line)
    assert run.dropped == int(log.meta["dropped"])
    assert run.meta["row_cost_ns"] == log.meta["row_cost_ns"]

    loops = {int(row["loop"]): nanoseconds(row) for row in log.named("loop")}
    columns = run.loop_columns
    known = zip(columns.loop, columns.start_ns, columns.period_ns, strict=True)
    assert {n: (start, start + period) for n, start, period in known} == loops

    thread = run.thread_names[run.loop_thread]
    expected = [
        (int(row["loop"]), row["name"], *nanoseconds(row))
        for row in log.rows
        if row["thread"] == thread and int(row["loop"]) in loops
        if row["name"] != "loop" and not row["mark"]
    ]
    calls = run.call_columns
    found = [
        (
            int(columns.loop[calls.loop[n]]),
            run.names[calls.name[n]].name,
            start,
            start + calls.duration_ns[n],
        )
        for n, start in enumerate(calls.start_ns)
        if calls.thread[n] == run.loop_thread
    ]
    assert sorted(found) == sorted(expected)
