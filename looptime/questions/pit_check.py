"""The checklist before a round, asked of logs."""

from collections.abc import Sequence
from dataclasses import replace

from looptime.checks.gate.checklist import WORDS, Checklist, checklist
from looptime.errors import UnlikePhasesError
from looptime.findings.about import with_options
from looptime.parsers.log import Log
from looptime.questions.asked import Asked
from looptime.questions.judging import gate
from looptime.questions.timing import summary_of_log

__all__ = ["WORDS", "Checklist", "checklist", "pit"]


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
        As for `looptime.questions.gate`; of logs that lack a phase of the baseline, or hold another
        one, all but the season is judged.
    """
    found = [at for log in logs for at in summary_of_log(asked, log).summaries if at.pace.loops]
    runs = [asked.part(run) for log in logs for run in log.runs]
    lacks = ""
    try:
        judged = gate(asked, runs, query=query)
    except UnlikePhasesError as error:  # the rest of the list is of the phases that are there
        judged, lacks = gate(asked, runs, past=()), error.lacks
    made = checklist(logs, runs, found, judged, lacks)
    held = (("--season", asked.season), ("--baseline", query))
    season = [(name, value) for name, value in held if value is not None]
    phase = [("--phase", asked.phase)] if asked.phase is not None else []
    given = [*phase, *asked.options]
    checks = tuple(
        replace(one, action=with_options(
            one.action, [*given, *season] if one.action.startswith("looptime gate ") else given
        ))
        if one.action.startswith("looptime ") else one
        for one in made.checks
    )  # fmt: skip
    return replace(made, checks=checks)
