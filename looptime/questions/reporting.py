"""What a report says of logs: everything that the other questions answer, each asked once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from looptime.analysers.summary import Summary
from looptime.analysers.together import together
from looptime.errors import LooptimeError
from looptime.notes import Notes, read_notes
from looptime.parsers.log import Log
from looptime.project import Heading
from looptime.questions.asked import Asked
from looptime.questions.timing import priced, summary_of_log
from looptime.views.files.report_log import Against, ReportLog
from looptime.views.text.summary_text import runs_of

if TYPE_CHECKING:  # each loaded where it is asked: a log without controllers needs none of theirs
    from looptime.checks.compare.comparison import Comparison
    from looptime.controlling import ControlResult
    from looptime.heading import HeadingResult
    from looptime.planner import Suggestions

__all__ = ["against_first", "report_on"]

#: Logs that are held against the first one.
_MOST_COMPARED = 8


def report_on(asked: Asked, log: Log, given: str = "") -> ReportLog:
    """All that is asked about a log; of several runs or phases, about the one that leads.

    Parameters
    ----------
    asked : Asked
        With what the questions are asked.
    log : looptime.Log
        As read.
    given : str
        Options under which it was read, for the commands that are offered.

    Raises
    ------
    UsageError
        If a run has no such part.
    """
    found = list(summary_of_log(asked, log).summaries)
    by_run, longest = runs_of(log, found)
    lead = by_run[longest][0]
    not_told: list[tuple[str, str]] = []
    if not lead.pace.loops:
        return ReportLog(log, tuple(found), notes=_notes(log))

    def told(name: str, ask: Callable[[Asked, Summary], Any]) -> Any:
        try:
            return ask(asked.whole.but(keep_warmup=True), lead)
        except LooptimeError as error:  # too little, or too odd, for this one
            not_told.append((name, str(error)))
            return None

    plans = told("remedies", _plans)
    if plans is not None:
        found = [priced(one, plans) if one is lead else one for one in found]
    return ReportLog(
        log, tuple(found), plans, told("heading", _heading), told("controllers", _control),
        tuple(not_told), _notes(log), given=given,
    )  # fmt: skip


def _notes(log: Log) -> Notes:
    """The notes about a log, of all its runs in order."""
    place = Path(log.path)
    found = read_notes(place.parent)
    return Notes(
        tuple(n for k in range(len(log.runs)) for n in found.of(place.name, k + 1)), found.troubles
    )


def _plans(asked: Asked, lead: Summary) -> Suggestions:
    from looptime.questions.planning import suggestions

    return suggestions(asked, lead.run, findings=lead.findings)


def _heading(asked: Asked, lead: Summary) -> HeadingResult | None:
    """Asked where the team says something of the heading, or a call's name does."""
    from looptime.heading.instants import heading_read_guess
    from looptime.questions.steering import heading, tolerance_of

    project = asked.project
    if project.heading == Heading() and heading_read_guess(lead.run) is None:
        return None
    limit = tolerance_of(project)
    return heading(asked, lead.run, curve=limit.deg is not None or limit.mm is not None)


def _control(asked: Asked, lead: Summary) -> ControlResult | None:
    if not asked.project.controllers and not asked.project.wheels:
        return None
    from looptime.questions.steering import control

    return control(asked, lead.run, curve=False)


def against_first(asked: Asked, logs: Sequence[ReportLog]) -> Against | None:
    """Several logs held against the first of them; None for fewer than two.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    logs : sequence of ReportLog
        As `report_on` gives them.
    """
    if len(logs) < 2:
        return None
    from looptime.questions.judging import compare

    runs = [asked.part(max(one.log.runs, key=len)) for one in logs]
    compared: list[tuple[str, Comparison | str]] = []
    for one, run in list(zip(logs, runs, strict=True))[1 : 1 + _MOST_COMPARED]:
        try:
            compared.append((one.log.path, compare(asked, runs[:1], [run])))
        except LooptimeError as error:
            compared.append((one.log.path, str(error)))
    return Against(together([one.lead for one in logs]), tuple(compared))
