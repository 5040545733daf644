"""Long stretches in whatever call happens to run: held up from outside, or each call's own."""

from __future__ import annotations

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.call_costs import Costs
from looptime.analysers.slow import SlowLoops
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import MAD_SCALE, mad, median
from looptime.stats.beta import binomial_at_least
from looptime.stats.counts import binomial_two_sided
from looptime.stats.outliers import running_median

__all__ = ["Pauses", "pauses"]

_LEAST_PAUSES = 8
#: Share of the usual loop from which on a stall is one.
_LEAST_SHARE = 0.3
#: What stands out of a call's own scatter, and how rare it must be.
_SIGMAS, _RARE = 8.0, 0.05
#: A call shows a pause by its ratio to the call only where it is steadier than its own length.
_STEADY = 1.0
#: Level of each of the two tests, and the fewest values that either looks at.
_LEVEL, _FEWEST = 0.01, 6


@dataclass(frozen=True)
class Pauses:
    """Stalls spread over the calls that run, none of which leads far more than its share."""

    count: int
    #: Their excess.
    median_ms: float
    longest_ms: float
    every_s: float  #: Mean time from one to the next
    ms_per_loop: float  #: What they cost on average [ms]
    loops: tuple[int, ...]  #: Numbers of the loops, slowest first
    #: ``outside``: as long whichever call they meet, so something holds up the whole process;
    #: ``own``: they grow with the call, so each has rare long turns of its own; ``several``: they
    #: differ between calls in another way; empty: can't tell.
    source: str = ""
    calls: tuple[str, ...] = ()  #: Names that lead them, the most frequent first


def pauses(basis: Basis, costs: Costs, slow: SlowLoops, explained: set[str]) -> Pauses | None:
    """Large events whose leaders are spread over the calls as the time is.

    What holds up the whole process strikes calls in proportion to the time they take, the time
    between them included, and takes as long whichever call it meets. A call's own long turns grow
    with its length, or are as long as that call's. Either is claimed only where a test speaks
    against the other.
    """
    least = _LEAST_SHARE * (slow.typical_ms or 0.0)
    large = [
        e
        for e in slow.events
        if e.excess_ms >= least and e.cause in ("one call", "outside all calls")
    ]
    shares = {c.name: c.share or 0.0 for c in costs.rows}
    left = [e for e in large if e.culprit not in explained]
    few = 0.001 / max(len(shares), 1)
    # a name that leads far more often than its share is a culprit of its own
    for name in {e.culprit for e in left}:
        count, n = sum(e.culprit == name for e in left), len(left)
        if binomial_at_least(count, n, _inside(shares.get(name, 0.0))) < few:
            left = [e for e in left if e.culprit != name]
    count_of = {name: sum(e.culprit == name for e in left) for name in {e.culprit for e in left}}
    if len(left) < _LEAST_PAUSES or len(count_of) < 2:
        return None
    others = explained | ({e.culprit for e in large} - set(count_of))
    excess = sorted(e.excess_ms for e in left)
    at = basis.run.loop_columns.loop
    return Pauses(
        len(left),
        excess[(len(excess) - 1) // 2],
        excess[-1],
        basis.run.duration_s / len(left),
        sum(excess) / len(basis.run),
        tuple(int(at[e.index]) for e in sorted(left, key=lambda e: -e.excess_ms)[:20]),
        _source(basis, others, least),
        tuple(sorted(count_of, key=lambda name: (-count_of[name], name))),
    )


@dataclass(frozen=True)
class _Turns:
    """The turns of one call, or the time between calls, against their usual length."""

    is_call: bool
    over_ms: Float  #: How much longer than usual, shape (n,)
    usual_ms: Float  #: Median of the turns around, shape (n,)
    total_ms: float
    #: From where on a turn stands out of the scatter, in time and as a ratio to the usual length.
    limit_ms: float
    limit_ratio: float


def _source(basis: Basis, others: set[str], most_ms: float) -> str:
    """The source that `Pauses` has, from all turns that stand out, also those of short calls."""
    turns = _all_turns(basis, others)
    by_time = [t for t in turns if t.limit_ms <= most_ms]
    by_ratio = [t for t in turns if t.limit_ratio <= _STEADY]
    ms = _standing_out(by_time, [t.over_ms for t in by_time], [t.limit_ms for t in by_time])
    ratio = _standing_out(
        by_ratio, [t.over_ms / t.usual_ms for t in by_ratio], [t.limit_ratio for t in by_ratio]
    )
    p_ms, p_ratio = _p_alike(*ms), _p_alike(*ratio)
    if p_ms is None:
        return ""
    if p_ms < _LEVEL:
        if p_ratio is not None and p_ratio >= _LEVEL:
            return "own"
        long = ms[0] >= most_ms
        p_long = _p_alike(ms[0][long], ms[1][long], ms[2][long])
        return "several" if p_long is not None and p_long < _LEVEL else ""
    by_share, odds = _hits(by_time, ms[1])
    if not by_share:
        return "own" if p_ratio is not None and p_ratio >= _LEVEL else ""
    return "outside" if p_ratio is not None and p_ratio < _LEVEL and odds > 0 else ""


def _all_turns(basis: Basis, others: set[str]) -> list[_Turns]:
    tick_ms = basis.run.clock.tick_ns / 1e6
    codes = np.flatnonzero(basis.counted)
    own = [basis.table.series(c) for c in codes.tolist() if basis.run.names[c].name not in others]
    is_call = [True] * len(own)
    if UNATTRIBUTED not in others and basis.work_known:  # a wait within it would hide pauses
        own.append(basis.unattributed_ns.astype(np.float64))
        is_call.append(False)
    made = [_turns(x / 1e6, call, tick_ms) for x, call in zip(own, is_call, strict=True)]
    return [t for t in made if t is not None]


def _turns(ms: Float, is_call: bool, tick_ms: float) -> _Turns | None:
    """None where a call is not made in most loops, or stands out too often to be rare."""
    middle = median(ms)
    if middle <= 0:
        return None
    usual = np.maximum(running_median(ms), max(tick_ms / 2, 1e-6))
    over = ms - usual
    limit = max(_SIGMAS * MAD_SCALE * mad(over), 2 * tick_ms)
    if float((over > limit).mean()) > _RARE:
        return None
    ratio = max(_SIGMAS * MAD_SCALE * mad(over / usual), 2 * tick_ms / middle)
    return _Turns(is_call, over, usual, float(ms.sum()), limit, ratio)


def _standing_out(
    turns: list[_Turns], values: list[Float], limits: list[float]
) -> tuple[Float, Int, Float]:
    """What stands out of all of them: its value, whose it is, and its usual length [ms].

    A loop in which two stand out is one that stretched as a whole.
    """
    above = [np.flatnonzero(v > max(limits)) for v in values]
    if not above:
        return np.empty(0), np.empty(0, np.int64), np.empty(0)
    loop = np.concatenate(above)
    alone = np.bincount(loop, minlength=1)[loop] == 1
    value = np.concatenate([v[at] for v, at in zip(values, above, strict=True)])
    usual = np.concatenate([t.usual_ms[at] for t, at in zip(turns, above, strict=True)])
    whose = np.repeat(np.arange(len(above)), [len(at) for at in above])
    return value[alone], whose[alone], usual[alone]


def _p_alike(value: Float, whose: Int, usual: Float) -> float | None:
    """None where too few stand out, or all in one call."""
    if len(value) < _FEWEST or not (whose != whose[0]).any():
        return None
    from looptime.stats.k_sample import k_sample  # most runs have no use for it

    return k_sample(value, whose, usual)


def _hits(turns: list[_Turns], whose: Int) -> tuple[bool, float]:
    """Whether hits go with the time taken, and the log of the odds against as many in each call."""
    count = np.bincount(whose, minlength=len(turns))
    total = np.array([t.total_ms for t in turns])
    share = total / total.sum()
    by_share = all(
        binomial_two_sided(n, len(whose), s) >= _LEVEL / len(turns)
        for n, s in zip(count.tolist(), share.tolist(), strict=True)
    )
    calls = np.array([t.is_call for t in turns])
    of_calls = np.log(total[calls] / total[calls].mean())
    return by_share, float((count[calls] * of_calls).sum())


def _inside(share: float) -> float:
    return min(max(share, 1e-9), 1.0 - 1e-9)
