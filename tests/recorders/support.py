"""Runs programs that record, and reads their logs with the csv module alone."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

from tests.conftest import need_tool

__all__ = ["Log", "finish", "nanoseconds", "read", "unix_port"]


def finish(*command: object, timeout: float = 60) -> subprocess.CompletedProcess[str]:
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
        self.remarks = [line[2:].rstrip().split(": ", 1) for line in lines if line[0] == "#"]
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
    start, length = (
        int(whole) * 1000 + int(part)
        for whole, part in (row[key].split(".") for key in ("start_us", "duration_us"))
    )
    return start, start + length
