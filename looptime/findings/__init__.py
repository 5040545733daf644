"""From results to the few findings that matter, ranked, each with its evidence."""

from __future__ import annotations

from typing import Any

from looptime.analysers.summary import Summary
from looptime.analysers.summary import summarise as _summarise
from looptime.analysers.summary import summarise_phases as _summarise_phases
from looptime.findings.cost_rules import cost_findings
from looptime.findings.finding import CAUTION, SEVERITIES, Evidence, Finding, ranked
from looptime.findings.heading_rules import heading_findings
from looptime.findings.run_rules import healthy, run_findings
from looptime.findings.slow_rules import slow_findings
from looptime.run import Run

__all__ = [
    "CAUTION",
    "SEVERITIES",
    "Evidence",
    "Finding",
    "find",
    "summarise",
    "summarise_phases",
]


def find(summary: Summary) -> tuple[Finding, ...]:
    """What the figures of a run say, what matters most first.

    Findings are ranked by what acting on them would buy at most. Where nothing stands out, that
    is the finding.

    Parameters
    ----------
    summary : Summary
        From `looptime.analysers.summarise`.

    Returns
    -------
    tuple of Finding
    """
    if not summary.pace.loops:
        return ()
    made = slow_findings(summary) + cost_findings(summary) + run_findings(summary)
    made += heading_findings(summary)
    if not any(f.severity == "look" for f in made):
        made.append(healthy(summary))
    return ranked(made)


def summarise(run: Run, **options: Any) -> Summary:
    """`looptime.analysers.summarise`, with the findings in it.

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
    return made.with_findings(find(made))


def summarise_phases(run: Run, **options: Any) -> tuple[Summary, ...]:
    """`looptime.analysers.summarise_phases`, with the findings in each."""
    return tuple(s.with_findings(find(s)) for s in _summarise_phases(run, **options))
