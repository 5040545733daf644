"""What a report is made of: each log with all that was asked about it, and several together."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from looptime.analysers.summary import Summary
from looptime.notes import Notes
from looptime.records import dataclass
from looptime.views.text.summary_text import runs_of

if TYPE_CHECKING:
    from looptime.analysers.together import Together
    from looptime.checks.compare.comparison import Comparison
    from looptime.controlling import ControlResult
    from looptime.heading import HeadingResult
    from looptime.parsers.read import Log
    from looptime.planner import Suggestions

__all__ = ["Against", "ReportLog"]


@dataclass(frozen=True)
class ReportLog:
    """One log of a report."""

    log: Log  #: What was read
    summaries: tuple[Summary, ...]  #: Of its runs, or of the phases of its runs
    #: Remedies for the run that leads, with what each would buy
    plans: Suggestions | None = None
    heading: HeadingResult | None = None  #: What that run's pace costs in heading
    #: Of the controllers and wheels that the project file states
    control: ControlResult | None = None
    #: Why one of these three is missing: its name, and the reason
    not_told: tuple[tuple[str, str], ...] = ()
    notes: Notes = field(default_factory=Notes)  #: What the team wrote down about it
    given: str = ""  #: Options under which the log was read, for the commands that are offered

    @property
    def lead(self) -> Summary:
        """The summary that is shown in full: of the longest run, its first phase."""
        by_run, longest = runs_of(self.log, self.summaries)
        return by_run[longest][0]


@dataclass(frozen=True)
class Against:
    """Several logs of a report, held against the first of them."""

    found: Together | None = None  #: How consistent they are
    #: For each log after the first its path and the comparison, or why there is none
    compared: tuple[tuple[str, Comparison | str], ...] = ()
