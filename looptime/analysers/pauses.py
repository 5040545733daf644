"""Long stretches in whatever call happens to run: held up from outside, or each call's own."""

from collections import Counter
from typing import NamedTuple

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.call_costs import Costs
from looptime.analysers.slow import SlowLoops, slow_events
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import MAD_SCALE, mad, median
from looptime.stats.beta import binomial_at_least
from looptime.stats.counts import binomial_two_sided
from looptime.stats.outliers import running_median

__all__ = ["Pauses", "pauses"]

_LEAST_PAUSES = 8
#: Two kinds of stalls lie so far apart; so many long ones show that there are two.
_APART, _FEW_LONG = 2.0, 3
#: Names that pauses at even intervals fall on, the most that one holds of them, and how rarely
#: chance may space them so.
_SEVERAL, _MOST_IN_ONE, _BY_CHANCE = 3, 0.6, 0.001
#: Hits on other names than the one with most, without which nothing speaks against its own turns.
_ELSEWHERE = 4
#: Share of the intervals that lie within a half of the usual one.
_MOST_GAPS = 0.7
#: What pauses of a paced loop may meet beside its calls.
_WAIT = "(pacing wait)"
#: Share of the usual loop from which on a stall is one.
_LEAST_SHARE = 0.3
#: What stands out of a call's own scatter, and how rare it must be.
_SIGMAS, _RARE = 8.0, 0.05
#: A call shows a pause by its ratio to the call only where it is steadier than its own length.
_STEADY = 1.0
#: Level of each of the two tests, and the fewest values that either looks at.
_LEVEL, _FEWEST = 0.01, 6
#: Loops by which scatter is told.
_MANY = 500_000
#: Log of the odds from which on hits that go with time are told from as many in each call.
_ODDS = 1.0
#: Log of the odds from which on lengths are of one kind; within which range calls would have theirs
#: [log], how close pauses of one kind may be at most; steps that fill a range evenly.
_CLOSE, _OWN_RANGE, _LEAST_WIDE, _GOLDEN = 4.0, 1.4, 0.05, 0.618


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
    in_wait: int = 0  #: Those that meet the pacing wait, which shows what of them comes after it


class _Hit(NamedTuple):
    """A long turn: place of its loop, what it has beyond the usual, and whose it is."""

    loop: int
    excess_ms: float
    name: str


@dataclass(frozen=True)
class _Turns:
    """The turns of one call, or of the time between calls, that stand out of the scatter."""

    name: str
    loop: Int  #: Places of their loops, shape (k,)
    over_ms: Float  #: How much longer than usual, shape (k,)
    usual_ms: Float  #: Median of the turns around, shape (k,)
    total_ms: float  #: Of all turns
    #: From where on a turn stands out of the scatter, in time and as a ratio to the usual length.
    limit_ms: float
    limit_ratio: float


def pauses(basis: Basis, costs: Costs, slow: SlowLoops, explained: set[str]) -> Pauses | None:
    """Large events whose leaders are spread over the calls as the time is.

    What holds up the whole process strikes calls in proportion to the time they take, the time
    between them and the pacing wait included, and takes as long whichever call it meets; it may
    come at even intervals, which long turns of several calls never do together. A call's own long
    turns grow with its length, or are as long as that call's. Either is claimed only where a test
    speaks against the other.
    """
    if (found := _with_waits(basis, costs, slow, explained)) is not None:
        return found
    least, large = _large(slow)
    hits = [h for h in large if h.name not in explained]
    if len(hits) < _FEWEST or len({h.name for h in hits}) < 2:
        return None  # spares the turns of every call in every loop
    return _spread(basis, _all_turns(basis, explained), hits, _taken(basis, costs), least)


def _large(slow: SlowLoops) -> tuple[float, list[_Hit]]:
    """From where on a stall is one [ms], and all that one name leads."""
    least = _LEAST_SHARE * (slow.typical_ms or 0.0)
    return least, [
        _Hit(e.index, e.own_ms, e.culprit)
        for e in slow.events
        if e.own_ms >= least and e.cause in ("one call", "outside all calls")
    ]


def _taken(basis: Basis, costs: Costs) -> dict[str, float]:
    """What each name takes [ms a loop]; what no call covers may be a wait, which hides pauses."""
    shown = [c for c in costs.rows if basis.work_known or c is not costs.unattributed]
    return {c.name: c.self_ms_per_loop for c in shown if c.share is not None}


def _with_waits(basis: Basis, costs: Costs, slow: SlowLoops, explained: set[str]) -> Pauses | None:
    """Where late wakings show that calls and waits are held up alike; None where they do not."""
    if basis.pacing.mode in ("free-running", "can't tell"):
        return None
    from looptime.analysers.late_wakes import late_wakes  # many loops wait for nothing

    woke = late_wakes(basis)
    if woke is None or (not basis.work_known and UNATTRIBUTED in explained):
        return None
    if not basis.work_known:  # even periods hide what calls do within them
        slow = slow_events(basis.in_calls or basis)
    least, large = _large(slow)
    hits = [h for h in large if h.name not in explained]
    waits = _late_wakings(*woke, least, hits) if hits else None
    if waits is None:
        return None
    late = zip(waits.loop.tolist(), waits.over_ms.tolist(), strict=True)
    every = [*hits, *(_Hit(loop, over, _WAIT) for loop, over in late)]
    taken = {name: ms for name, ms in _taken(basis, costs).items() if name not in explained}
    taken[_WAIT] = waits.total_ms / len(basis.run)
    found = _spread(basis, [*_all_turns(basis, explained), waits], every, taken, least)
    if found is None or found.source != "outside" or not found.in_wait:
        return None
    met = _inside(taken[_WAIT] / sum(taken.values()))
    return found if binomial_two_sided(found.in_wait, found.count, met) >= _LEVEL else None


def _late_wakings(over: Float, wait: Float, least_ms: float, hits: list[_Hit]) -> _Turns | None:
    """Waits that end late; None where none does, or too many, or those that missed whole ticks."""
    limit = max(least_ms, _SIGMAS * MAD_SCALE * mad(over))
    late = np.flatnonzero(over > limit)
    if not 0 < len(late) <= _RARE * len(over):
        return None
    # what falls into a longer wait may be over before it is
    longest = median(np.array([h.excess_ms for h in hits]))
    total = float(np.minimum(wait, max(longest - limit, 0.0)).sum())
    usual = np.maximum(wait[late], 1e-6)
    return _Turns(_WAIT, late, over[late], usual, total, limit, np.inf)


def _spread(
    basis: Basis, turns: list[_Turns], hits: list[_Hit], taken: dict[str, float], least: float
) -> Pauses | None:
    """What is said of hits that fall on several names, of which none leads far too often."""
    floor, mixed = _floor([h.excess_ms for h in hits], turns, least)
    left = _without_leaders([h for h in hits if h.excess_ms >= floor], taken)
    names = Counter(h.name for h in left)
    if len(left) < _FEWEST or len(names) < 2:
        return None
    hits = [h for h in hits if h.excess_ms >= floor]
    leaders = {h.name for h in hits} - set(names)
    turns = [t for t in turns if t.name not in leaders]
    even = _evenly(basis, left, names)
    source = _source(turns, least, floor, even)
    others = {name: ms for name, ms in taken.items() if ms > 0 and name not in leaders}
    if not source and len(leaders) <= 1 and _waits_tell(left, turns, others):
        source = "outside"
    if (mixed and source == "own") or (
        source == "outside" and not even and _as_long(hits, leaders)
    ):
        source = ""  # it holds of the short ones, which are the most; or of those left alone
    if source == "outside" and not even and len(left) - max(names.values()) < _ELSEWHERE:
        source = ""  # long turns of the call that holds nearly all of the time, and chance, do so
    if len(left) < _LEAST_PAUSES and source != "outside":
        return None
    excess = sorted(h.excess_ms for h in left)
    at = basis.run.loop_columns.loop
    return Pauses(
        len(left),
        excess[(len(excess) - 1) // 2],
        excess[-1],
        basis.run.duration_s / len(left),
        sum(excess) / len(basis.run),
        tuple(int(at[h.loop]) for h in sorted(left, key=lambda h: -h.excess_ms)[:20]),
        source,
        tuple(sorted(names, key=lambda name: (-names[name], name))),
        names[_WAIT],
    )


def _waits_tell(hits: list[_Hit], turns: list[_Turns], taken: dict[str, float]) -> bool:
    """Whether waits end late as pauses have it that strike calls as well: no call makes them so.

    They are as many as the time has it, and all as long, more closely than lengths would be that
    each name has of its own. What falls into a wait shows without what was left to wait then.
    """
    waits = next((t for t in turns if t.name == _WAIT), None)
    names = Counter(h.name for h in hits)
    some = _FEW_LONG <= names[_WAIT] <= len(hits) - _FEW_LONG
    if waits is None or len(names) < _SEVERAL or not some:
        return False
    ms = np.array([h.excess_ms for h in hits])
    of, whose = np.unique([h.name for h in hits], return_inverse=True)
    woke = of[whose] == _WAIT
    left = min(median(waits.usual_ms), median(ms[~woke]))
    ms[woke] += left * (_GOLDEN * np.arange(woke.sum()) % 1)
    alike = _p_alike(ms, whose, np.ones(len(ms)))
    if alike is None or alike < _LEVEL:
        return False
    by_time, odds = _by_time(
        np.array([names[name] for name in taken]), np.array([*taken.values()]),
        np.array([name != UNATTRIBUTED for name in taken]),
    )  # fmt: skip
    return by_time and odds > _ODDS and _close(ms, whose, woke) > _CLOSE


def _close(ms: Float, whose: Int, woke: Bool) -> float:
    """Log of the odds for one length against lengths that each name has of its own."""
    log, count = np.log(ms), np.bincount(whose)
    wide = [max(float(log[woke == at].std()), _LEAST_WIDE) for at in (False, True)]
    of = np.array([wide[int(woke[whose == k][0])] for k in range(len(count))])
    odds = np.log(_OWN_RANGE / (of * np.sqrt(2 * np.pi / count)))
    return float(odds.sum() - odds[count.argmax()])  # the others against that with most


def _without_leaders(hits: list[_Hit], taken: dict[str, float]) -> list[_Hit]:
    """Without names that lead far more often than their share: each is a culprit of its own."""
    whole = sum(taken.values()) or 1.0
    few = 0.001 / max(len(taken), 1)
    left = Counter(h.name for h in hits)
    while left:
        odds = {
            name: binomial_at_least(n, left.total(), _inside(taken.get(name, 0.0) / whole))
            for name, n in left.items()
        }
        first = min(odds, key=lambda name: (odds[name], name))
        if odds[first] >= few:
            break
        del left[first]
    return [h for h in hits if h.name in left]


def _as_long(hits: list[_Hit], leaders: set[str]) -> bool:
    """Whether the long turns of the leaders are as long as the others: of one kind with them."""
    leads = np.array([h.name in leaders for h in hits], np.int64)
    p = _p_alike(np.array([h.excess_ms for h in hits]), leads, np.ones(len(hits)))
    return p is not None and p >= _LEVEL


def _floor(excess_ms: list[float], turns: list[_Turns], least: float) -> tuple[float, bool]:
    """From where on long turns are of one kind, and whether there are several kinds in any case.

    Between two kinds lies a stretch of lengths, from one to twice as much, of which there is none.
    """
    known = [t for t in turns if t.limit_ms <= least]
    out = [t.over_ms[t.over_ms > max(t.limit_ms for t in known)] for t in known]
    x = np.sort(np.concatenate([excess_ms, *out]))
    step = x[1:] / np.maximum(x[:-1], 1e-9)
    above = np.searchsorted(np.sort(excess_ms), x[:-1], side="right")
    above = len(excess_ms) - above
    mixed = bool((step[above >= _FEW_LONG] >= _APART).any())
    step = np.where(above >= _FEWEST, step, 0.0)
    if not len(step) or step.max() < _APART:
        return 0.0, mixed
    k = int(np.argmax(step))
    return float(np.sqrt(x[k] * x[k + 1])), True


def _evenly(basis: Basis, hits: list[_Hit], names: Counter[str]) -> bool:
    """Whether hits come at even intervals all together, and not because those of one name do."""
    if len(names) < _SEVERAL or max(names.values()) > _MOST_IN_ONE * len(hits):
        return False
    from looptime.stats.spacing import p_at_random  # most runs have no use for it

    at = np.sort([basis.time_s(h.loop) for h in hits])
    gap = np.diff(at) / median(np.diff(at))
    alike = float(((gap > 0.5) & (gap < 1.5)).mean())  # else some come by a rule of their own
    return alike >= _MOST_GAPS and p_at_random(at) < _BY_CHANCE


def _source(turns: list[_Turns], most_ms: float, floor: float, even: bool) -> str:
    """The source that `Pauses` has, from all turns that stand out, also those of short calls."""
    most_ms = max(most_ms, floor)
    calls = [t for t in turns if t.name != _WAIT]
    by_time = [t for t in calls if t.limit_ms <= most_ms]
    by_ratio = [t for t in calls if t.limit_ratio <= _STEADY]
    limits = [max(t.limit_ms, floor) for t in by_time]
    ms = _standing_out(by_time, [t.over_ms for t in by_time], limits)
    ratio = _standing_out(
        by_ratio,
        [np.where(t.over_ms >= floor, t.over_ms / t.usual_ms, 0.0) for t in by_ratio],
        [t.limit_ratio for t in by_ratio],
    )
    p_ms, p_ratio = _p_alike(*ms), _p_alike(*ratio)
    if even:  # unlike lengths speak against it
        return "outside" if p_ms is None or p_ms >= _LEVEL else ""
    if p_ms is None:
        return ""
    if p_ms < _LEVEL:
        long = ms[0] >= most_ms  # short turns say what the calls do, and nothing of stalls
        p_long = _p_alike(ms[0][long], ms[1][long], ms[2][long])
        if p_long is None or p_long >= _LEVEL:
            return ""
        return "own" if p_ratio is not None and p_ratio >= _LEVEL else "several"
    by_share, odds = _hits(by_time, ms[1])
    if not by_share:
        return "own" if p_ratio is not None and p_ratio >= _LEVEL else ""
    return "outside" if p_ratio is not None and p_ratio < _LEVEL and odds > _ODDS else ""


def _all_turns(basis: Basis, others: set[str]) -> list[_Turns]:
    tick_ms = basis.run.clock.tick_ns / 1e6
    names = [*(n.name for n in basis.run.names), UNATTRIBUTED]
    kept = [c for c in np.flatnonzero(basis.counted).tolist() if names[c] not in others]
    if UNATTRIBUTED not in others and basis.work_known:  # a wait within it would hide pauses
        kept.append(-1)

    def own(code: int) -> Float:
        ns = basis.outside_ns if code < 0 else basis.table.series(code)
        return np.asarray(ns / 1e6, np.float64)

    made = (_turns(names[code], own(code), tick_ms) for code in kept)  # one at a time
    return [t for t in made if t is not None]


def _turns(name: str, ms: Float, tick_ms: float) -> _Turns | None:
    """None where a call is not made in most loops, or stands out too often to be rare."""
    middle = median(ms)
    if middle <= 0:
        return None
    usual = running_median(ms)
    np.maximum(usual, max(tick_ms / 2, 1e-6), out=usual)
    over = ms - usual
    some = slice(None, None, max(1, len(ms) // _MANY))  # scatter needs no more
    limit = max(_SIGMAS * MAD_SCALE * mad(over[some]), 2 * tick_ms)
    if float((over > limit).mean()) > _RARE:
        return None
    ratio = max(_SIGMAS * MAD_SCALE * mad(over[some] / usual[some]), 2 * tick_ms / middle)
    out = np.flatnonzero((over > limit) | (over > ratio * usual))
    return _Turns(name, out, over[out], usual[out], float(ms.sum()), limit, ratio)


def _standing_out(
    turns: list[_Turns], values: list[Float], limits: list[float]
) -> tuple[Float, Int, Float]:
    """What stands out of all of them: its value, whose it is, and its usual length [ms].

    A loop in which two stand out is one that stretched as a whole.
    """
    above = [np.flatnonzero(v > max(limits)) for v in values]
    if not above:
        return np.empty(0), np.empty(0, np.int64), np.empty(0)
    loop = np.concatenate([t.loop[at] for t, at in zip(turns, above, strict=True)])
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
    return _by_time(
        np.bincount(whose, minlength=len(turns)), np.array([t.total_ms for t in turns]),
        np.array([t.name != UNATTRIBUTED for t in turns]),
    )  # fmt: skip


def _by_time(count: Int, total: Float, calls: Bool) -> tuple[bool, float]:
    """The same of how many hit each name, and what it takes."""
    share = total / total.sum()
    by_share = all(
        binomial_two_sided(n, int(count.sum()), s) >= _LEVEL / len(share)
        for n, s in zip(count.tolist(), share.tolist(), strict=True)
    )
    of_calls = np.log(total[calls] / total[calls].mean())
    return by_share, float((count[calls] * of_calls).sum())


def _inside(share: float) -> float:
    return min(max(share, 1e-9), 1.0 - 1e-9)
