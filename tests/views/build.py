"""What tests of text and of files share: settings, and a name that would like to be markup."""

from typing import Any

from looptime.checks.recording.recording import Settings

SETTINGS = Settings(budget_ms=11.0)
NASTY = 'x\x1b[31m|<b>&"\u202e\x00'


def points_in(figure: dict[str, Any]) -> int:
    """How many points the browser is sent for a figure: the longest column of every trace."""
    total = 0
    for trace in figure["data"]:
        total += max((len(v) for v in trace.values() if isinstance(v, list | tuple)), default=0)
    return total
