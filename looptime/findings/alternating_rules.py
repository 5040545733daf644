"""Findings about calls of which each loop makes one."""

from looptime.analysers.recurs import Recurrence
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    ease,
    evidence,
    judged_mean_ms,
    ms,
    stalls_worth,
    typical_ms,
)
from looptime.findings.finding import Finding
from looptime.words import named

__all__ = ["alternating_findings"]

#: Share of the usual loop that the longest of them takes at least; calls of one set that are named.
_LEAST_HEIGHT, _NAMED = 0.1, 4
#: Share of it from which on loops differ for them; share of the loops that is all of them.
_DIFFER, _ALL = 0.03, 0.97


def alternating_findings(at: Summary) -> list[Finding]:
    """Calls that alternate, all of a set together: none of them stalls the loop."""
    sets: dict[frozenset[str], list[Recurrence]] = {}
    for r in at.recurrence.found:
        if r.alternates_with:
            sets.setdefault(frozenset((*r.names, *r.alternates_with)), []).append(r)
    least = _LEAST_HEIGHT * typical_ms(at)
    return [_finding(at, one) for one in sets.values() if max(r.height_ms for r in one) >= least]


def _finding(at: Summary, several: list[Recurrence]) -> Finding:
    several = sorted(several, key=lambda r: -r.height_ms)
    shortest = several[-1].height_ms
    apart = several[0].height_ms - shortest
    loops = max(at.pace.loops, 1)
    cost = sum(r.height_ms * r.count for r in several) / loops
    more = sum((r.height_ms - shortest) * r.count for r in several) / loops
    who = [f"{' with '.join(r.names)} ({ms(r.height_ms)}{' more' if r.long_turns else ''})"
           for r in several]  # fmt: skip
    each = ", one of them in each loop" if sum(r.count for r in several) > _ALL * loops else ""
    what = "the work of loops differs" if at.basis.judged == "work" else "loops differ"
    differ = apart >= _DIFFER * typical_ms(at)
    text = (
        f"{named(who, _NAMED)} alternate{each}: {ms(cost)} a loop together"
        f"{f', and {what} by {ms(apart)} for it' if differ else ''}."
    )
    return Finding(
        "alternating_calls", "look" if differ else "note", text, cost, "ms/loop",
        evidence=evidence(at, several[0].loops, [name for r in several for name in r.names][:10],
                          sum(r.count for r in several)),
        command=command(at, "slow", "--top 20"),
        worth=stalls_worth(at, apart, more) * ease(at), moves=True,
        rests_on={"part_ms": cost, "whole_ms": judged_mean_ms(at)},
    )  # fmt: skip
