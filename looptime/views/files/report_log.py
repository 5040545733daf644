"""What a report is made of: each log with all that was asked about it, and several together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from looptime.analysers.summary import Summary
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
    """One log of a report.

    Parameters
    ----------
    log : looptime.Log
        What was read.
    summaries : tuple of Summary
        Of its runs, or of the phases of its runs.
    plans : Suggestions or None
        Remedies for the run that leads, with what each would buy.
    heading : HeadingResult or None
        What that run's pace costs in heading.
    control : ControlResult or None
        Of the controllers and wheels that the project file states.
    not_told : tuple of (str, str)
        Why one of these three is missing: its name, and the reason.
    """

    log: Log
    summaries: tuple[Summary, ...]
    plans: Suggestions | None = None
    heading: HeadingResult | None = None
    control: ControlResult | None = None
    not_told: tuple[tuple[str, str], ...] = ()

    @property
    def lead(self) -> Summary:
        """The summary that is shown in full: of the longest run, its first phase."""
        by_run, longest = runs_of(self.log, self.summaries)
        return by_run[longest][0]


@dataclass(frozen=True)
class Against:
    """Several logs of a report, held against the first of them.

    Parameters
    ----------
    found : Together or None
        How consistent they are.
    compared : tuple of (str, Comparison or str)
        For each log after the first its path and the comparison, or why there is none.
    """

    found: Together | None = None
    compared: tuple[tuple[str, Comparison | str], ...] = ()
