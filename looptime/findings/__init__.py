"""From results to the few findings that matter, ranked, each with its evidence."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from looptime.analysers.pacing import periods_told
from looptime.analysers.summary import Summary
from looptime.analysers.summary import summarise as _summarise
from looptime.findings.about import (
    DRAFT,
    PROJECT_GUIDE,
    ease,
    period_ms,
    steady_at_ease,
    typical_ms,
    with_options,
)
from looptime.findings.cost_rules import cost_findings
from looptime.findings.finding import CAUTION, SEVERITIES, Evidence, Finding, ranked
from looptime.findings.heading_rules import heading_findings
from looptime.findings.log_rules import no_picture
from looptime.findings.pacing_rules import missed
from looptime.findings.reading_rules import reading_findings
from looptime.findings.referee import allowed
from looptime.findings.run_rules import healthy, rate_alone, run_findings
from looptime.findings.slow_rules import slow_findings
from looptime.findings.steering_rules import steering_findings
from looptime.findings.thread_rules import thread_findings
from looptime.project import Heading, Project
from looptime.run import Run
from looptime.words import supposing

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
    made += heading_findings(summary, heading) + thread_findings(summary)
    made += steering_findings(summary, project)
    made = _events_first(summary, _causes_first(allowed(made)))
    if steady_at_ease(summary):  # nothing is gained by a cost that every wait makes up for
        made = [replace(f, severity="note") if f.code in _STEADY else f for f in made]
    made = _with_missed(summary, _known_first(summary, made))
    if (lost := no_picture(summary)) is not None:
        rest = [replace(f, severity="note") for f in made if f.code != lost.code]
        made = [*allowed([lost]), *rest]
    if not any(f.severity == "look" for f in made):
        made += allowed([healthy(summary)])
    if project is not None and project.path is not None:  # a draft is not written over it
        made = [replace(f, command=PROJECT_GUIDE) if DRAFT in f.command else f for f in made]
    rests_on = summary.run.clock.supposed
    return ranked(
        [
            replace(f, text=supposing(f.text, rests_on), command=with_options(f.command, given))
            for f in made
        ]
    )


#: What says that loops come late, and what says which call makes them so.
_LATE = ("pacing_skips", "pacing_catches_up", "overruns", "headroom")
_WHY_LATE = ("recurring_stall", "slow_culprit", "change_point", "drift", "lone_stall")
#: Of the first, those that say how many loops miss their tick.
_MISSED = ("pacing_skips", "pacing_catches_up")
#: What takes the same in every loop, and so makes no loop longer than another.
_STEADY = (
    "blocking_call", "dear_call", "batch_reads", "many_writes", "repeated_batch", "unattributed",
)  # fmt: skip
#: What makes the tail of the periods.
_TAIL = ("recurring_stall", "slow_culprit", "long_turns", "pauses", "timeout")
#: Growth along the run, and the longest loops of a hundred over the usual ones, from which on they
#: are told before what is the same in every loop.
_GROWTH, _LONG = 0.2, 1.5
#: So is a single loop as long as that.
_UNSTEERED_MS = 250.0

#: Causes that a call is named for and whose figure is time in each loop; what is large of a loop;
#: stalls of so many periods come first in any case; up to which factor stalls are alike.
_KNOWN = (
    "blocking_call", "dear_call", "batch_reads", "many_writes", "repeated_batch", "thread_wait",
    "drift", "change_point",
)  # fmt: skip
_LARGE, _FREEZE, _ALIKE = 0.1, 3.0, 1.5


def _causes_first(made: list[Finding]) -> list[Finding]:
    """Late loops are told after what makes them late, where a call is known to."""
    causes = [f.worth for f in made if f.code in _WHY_LATE and f.evidence.calls]
    if not causes:
        return made
    below = 0.99 * max(causes)
    return [replace(f, worth=min(f.worth, below)) if f.code in _LATE else f for f in made]


def _with_missed(at: Summary, made: list[Finding]) -> list[Finding]:
    """What makes most loops late says how many miss their tick, where that is told after it."""
    late = next((f for f in made if f.code in _MISSED and f.evidence.calls), None)
    if late is None:
        return made
    before = [f for f in made if f.worth > late.worth and f.severity != "note"]
    first = max(before, key=lambda f: f.worth, default=late)
    if first.code not in _WHY_LATE + _TAIL or late.evidence.calls[0] not in first.evidence.calls:
        return made
    return [replace(f, text=f.text + missed(at)) if f is first else f for f in made]


def _events_first(at: Summary, made: list[Finding]) -> list[Finding]:
    """What makes loops unlike each other is told before what is the same in all of them.

    That is growth of a fifth and more along the run, and what makes one loop of a hundred longer by
    half: a figure of the pace that nothing else on the first lines explains. So is a single loop in
    which the robot moves on unsteered for long.
    """
    steady = max((f.worth for f in made if f.code in _STEADY), default=0.0)
    usual = typical_ms(at)
    p50, p99 = at.pace.period_ms.p50.value, at.pace.period_ms.p99.value
    above = 0.0 if p50 is None or p99 is None else p99 - p50
    tail = above >= (_LONG - 1) * (p50 or 0.0)

    def first(f: Finding) -> bool:
        if f.code in ("drift", "change_point"):
            return (f.value or 0.0) >= _GROWTH * usual
        if f.code == "faster_start":
            return -(at.warmup.excess_ms or 0.0) >= _GROWTH * usual
        if f.code == "lone_stall":
            return (f.value or 0.0) >= _UNSTEERED_MS
        often = f.evidence.n_loops >= 0.01 * at.pace.loops
        return tail and often and f.code in _TAIL and (f.value or 0.0) >= 0.5 * above

    return [replace(f, worth=max(f.worth, 1.01 * steady)) if first(f) else f for f in made]


def _known_first(at: Summary, made: list[Finding]) -> list[Finding]:
    """Stalls that no call of the program makes are told after large causes that are known.

    That is what takes more of the loop than they do, and a tenth of it; not in a loop that has
    time left for it. A call whose stalls are as long as those of the others is one of them.
    """
    p = at.recurrence.pauses
    if p is None or p.source == "own" or p.median_ms >= _FREEZE * period_ms(at):
        return made
    least = max(p.ms_per_loop, _LARGE * typical_ms(at))
    known = [f.worth for f in made if f.code in _KNOWN and (f.value or 0.0) >= least
             and f.evidence.calls and f.severity != "note" and ease(at) == 1.0]  # fmt: skip
    if not known:
        return made
    below = 0.99 * float(max(known))

    def of_them(f: Finding) -> bool:
        alike = f.code == "slow_culprit" and (f.value or 0.0) <= _ALIKE * p.median_ms
        return f.code == "pauses" or alike

    return [replace(f, worth=min(f.worth, below)) if of_them(f) else f for f in made]


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
    made = _summarise(run, heading=heading, project=project, **options)
    return made.with_findings(find(made, heading=heading, project=project, given=given))
