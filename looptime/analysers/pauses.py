"""Pauses that hit whatever call happens to run, as when the whole process is held up."""

from __future__ import annotations

from looptime.analysers.basis import Basis
from looptime.analysers.call_costs import Costs
from looptime.analysers.slow import SlowLoops
from looptime.records import dataclass
from looptime.stats.beta import binomial_at_least

__all__ = ["Pauses", "pauses"]

_LEAST_PAUSES = 8


@dataclass(frozen=True)
class Pauses:
    """Stalls that hit whatever call happens to run, as when the whole process is held up."""

    count: int
    #: Their excess.
    median_ms: float
    longest_ms: float
    every_s: float  #: Mean time from one to the next
    ms_per_loop: float  #: What they cost on average [ms]
    loops: tuple[int, ...]  #: Numbers of the loops, slowest first


def pauses(basis: Basis, costs: Costs, slow: SlowLoops, explained: set[str]) -> Pauses | None:
    """Large events whose leaders are spread over the calls as the time is."""
    typical = slow.typical_ms or 0.0
    large = [
        e
        for e in slow.events
        if e.excess_ms >= 0.3 * typical and e.cause in ("one call", "outside all calls")
    ]
    shares = {c.name: c.share or 0.0 for c in costs.rows}
    left = [e for e in large if e.culprit not in explained]
    # a name that leads far more often than its share is a culprit of its own
    for name in {e.culprit for e in left}:
        count, n = sum(e.culprit == name for e in left), len(left)
        share = min(max(shares.get(name, 0.0), 1e-9), 1.0 - 1e-9)
        if binomial_at_least(count, n, share) < 0.001 / max(len(shares), 1):
            left = [e for e in left if e.culprit != name]
    leaders = {e.culprit for e in left}
    if len(left) < _LEAST_PAUSES or len(leaders) < 2:
        return None
    excess = sorted(e.excess_ms for e in left)
    at = basis.run.loop_columns.loop
    return Pauses(
        len(left),
        excess[(len(excess) - 1) // 2],
        excess[-1],
        basis.run.duration_s / len(left),
        sum(excess) / len(basis.run),
        tuple(int(at[e.index]) for e in sorted(left, key=lambda e: -e.excess_ms)[:20]),
    )
