"""From results to the few findings that matter, ranked, each with its evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from looptime.analysers.pacing import periods_told
from looptime.analysers.summary import Summary
from looptime.analysers.summary import summarise as _summarise
from looptime.findings.about import with_options
from looptime.findings.cost_rules import cost_findings
from looptime.findings.finding import CAUTION, SEVERITIES, Evidence, Finding, ranked
from looptime.findings.heading_rules import heading_findings
from looptime.findings.reading_rules import reading_findings
from looptime.findings.referee import allowed
from looptime.findings.run_rules import healthy, rate_alone, run_findings
from looptime.findings.slow_rules import slow_findings
from looptime.findings.steering_rules import steering_findings
from looptime.project import Heading, Project
from looptime.run import Run

__all__ = [
    "CAUTION",
    "SEVERITIES",
    "Evidence",
    "Finding",
    "find",
    "summarise",
]


def find(
    summary: Summary,
    *,
    heading: Heading | None = None,
    project: Project | None = None,
    given: Sequence[tuple[str, ...]] = (),
) -> tuple[Finding, ...]:
    """What the figures of a run say, what matters most first.

    Findings are ranked by what acting on them would buy at most; one that arithmetic contradicts
    is left out. Where nothing stands out, that is the finding.

    Parameters
    ----------
    summary : Summary
        From `looptime.analysers.summarise`.
    heading : Heading, optional
        Where the heading is read and used, as the project file says.
    project : Project, optional
        What it states of steered wheels.
    given : sequence of tuple of str
        Options under which the log was read, each with its value if it takes one: the commands
        that look closer take them too.
    """
    if not summary.pace.loops:
        return ()
    if not periods_told(summary.run):
        return ranked(allowed([rate_alone(summary)]))
    heading = heading or Heading()
    made = slow_findings(summary) + cost_findings(summary)
    made += run_findings(summary) + reading_findings(summary, heading.read_call)
    made += heading_findings(summary, heading)
    made += steering_findings(summary, project)
    made = _causes_first(allowed(made))
    if not any(f.severity == "look" for f in made):
        made += allowed([healthy(summary)])
    return ranked([replace(f, command=with_options(f.command, given)) for f in made])


#: What says that loops come late, and what says which call makes them so.
_LATE = ("pacing_skips", "pacing_catches_up", "overruns", "headroom")
_WHY_LATE = ("recurring_stall", "slow_culprit", "change_point", "drift", "lone_stall")


def _causes_first(made: list[Finding]) -> list[Finding]:
    """Late loops are told after what makes them late, where a call is known to."""
    causes = [f.worth for f in made if f.code in _WHY_LATE and f.evidence.calls]
    if not causes:
        return made
    below = 0.99 * max(causes)
    return [replace(f, worth=min(f.worth, below)) if f.code in _LATE else f for f in made]


def summarise(
    run: Run,
    *,
    heading: Heading | None = None,
    project: Project | None = None,
    given: Sequence[tuple[str, ...]] = (),
    **options: Any,
) -> Summary:
    """`looptime.analysers.summarise`, with the findings in it; with what `find` takes.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns
    >>> period = np.random.default_rng(1).normal(20e6, 1e6, 1000).astype(np.int64)
    >>> run = Run(LoopColumns(np.arange(1000), np.cumsum(period) - period, period))
    >>> [f.code for f in summarise(run).findings]
    ['healthy']
    """
    made = _summarise(run, **options)
    return made.with_findings(find(made, heading=heading, project=project, given=given))
