"""The checklist before a round, asked of logs."""

from __future__ import annotations

from collections.abc import Sequence

from looptime.checks.gate.checklist import Checklist, checklist
from looptime.parsers.log import Log
from looptime.questions.asked import Asked
from looptime.questions.judging import gate
from looptime.questions.timing import summary_of_log

__all__ = ["Checklist", "pit"]


def pit(asked: Asked, logs: Sequence[Log], *, query: str | None = None) -> Checklist:
    """Go through the checklist for the logs of one robot.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    logs : sequence of Log
        As read.
    query : str, optional
        As for `looptime.questions.gate`.

    Raises
    ------
    UsageError, LogError
        As for `looptime.questions.gate`.
    """
    found = [at for log in logs for at in summary_of_log(asked, log).summaries if at.pace.loops]
    runs = [asked.part(run) for log in logs for run in log.runs]
    return checklist(logs, runs, found, gate(asked, runs, query=query))
