"""What a person at a terminal is told while a long log is read."""

import io
import sys
import threading
from types import SimpleNamespace

from looptime.cli_base import waiting


class Terminal(io.StringIO):
    """A stream that a person looks at."""

    def isatty(self):
        """It is one."""
        return True


def test_the_share_done_is_shown_after_two_seconds(monkeypatch):
    """Nothing at first; then what is being done, and how much of it."""
    screen, timers = Terminal(), []

    def timer(seconds, then):
        timers.append(SimpleNamespace(start=lambda: None, cancel=lambda: None, ring=then))
        assert seconds == 2
        return timers[0]

    monkeypatch.setattr(threading, "Timer", timer)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", screen)
    with waiting("reading log.csv") as told:
        told(0.1)
        assert screen.getvalue() == ""
        timers[0].ring()
        told(0.42)
    assert "looptime: reading log.csv, 42 %" in screen.getvalue()


def test_nobody_is_told_where_nobody_looks(capsys):
    """In a pipe there is nothing to be told, and nothing is written."""
    with waiting("reading log.csv") as told:
        assert told is None
    assert capsys.readouterr().err == ""
