"""Long turns of calls of the loop's thread: pauses of the whole program, or the calls' own.

What holds up the program strikes whatever is under way, so calls by the time that they take, and
as long whichever it meets. Long turns of a call's own keep a rule, or have a height that others
hardly reach, or are as frequent in a short call as in a long one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field

import numpy as np

from looptime.analysers.own_gaps import kinds_of_turns, long_limit
from looptime.array_types import Bool, Float, Int
from looptime.planner.known.timeline import BETWEEN, NOBODY, Chain
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.stats.beta import binomial_at_least
from looptime.stats.counts import binomial_two_sided

__all__ = ["LongTurns", "Pauses", "program_pauses"]

#: Long turns, and calls that they strike, below which nothing is a pause of the program.
_FEWEST, _NAMES = 6, 3
#: Odds of a call's long turns against its share of the time, from which on they are its own, and
#: how rarely chance may make as many.
_LEADS, _BY_CHANCE = 3.0, 0.001
#: Log of the odds for turns that go with time against as many in each call: from which on they are
#: told, and how rarely chance may share them out, or make their lengths, so unlike.
_TOLD, _LEVEL = 3.0, 0.01


@dataclass(frozen=True)
class LongTurns:
    """The long turns of one call that keep no rule."""

    code: int
    stretch: Int  #: Where they begin in the chain, shape (k,)
    excess: Float  #: How much longer than usual, shape (k,) [ns]


@dataclass(frozen=True)
class Pauses:
    """Pauses of the whole program: they strike whatever is running."""

    #: Stretch of the chain that was struck, shape (k,).
    stretch: Int = field(default_factory=lambda: np.empty(0, np.int64))
    #: When, on the log's clock, shape (k,) [ns].
    time: Float = field(default_factory=lambda: np.empty(0))
    #: How much longer the stretch became, shape (k,) [ns].
    excess: Float = field(default_factory=lambda: np.empty(0))
    #: Whether they are told from long turns that each call has of its own.
    sure: bool = True

    def __len__(self) -> int:
        return len(self.stretch)


def program_pauses(
    line: Chain, hits: Sequence[LongTurns], self_ns: Float, rows: Mapping[int, Int], period: float
) -> Pauses:
    """Long turns that strike calls in proportion to the time they take: the program's pauses.

    Parameters
    ----------
    line : Chain
        The loop's thread.
    hits : sequence of LongTurns
        Of the calls that are made by the loop.
    self_ns : float64 array, shape (m,) [ns]
        Self time of each call of the chain.
    rows : dict of int to int array
        Calls of the chain that could be struck, by name.
    period : float [ns]
        Median of the period.
    """
    bare = _bare_hits(line, period)
    owners = {NOBODY: bare} if len(bare[0]) else {}
    owners |= {h.code: (h.stretch, h.excess) for h in hits if len(h.stretch)}
    total = float(line.length[line.owner != BETWEEN].sum())
    spent = np.bincount(line.name, weights=self_ns) if len(line.name) else np.zeros(1)

    def share(code: int) -> float:
        return float((spent[code] if code >= 0 else total - spent.sum()) / total)

    owners, high = _without_heights(owners, share)
    leaders = set(high)
    while (leader := _leader({c: len(at) for c, (at, _) in owners.items()},
                             {c: share(c) for c in owners})) is not None:  # fmt: skip
        del owners[leader]
        leaders.add(leader)
    if len(owners) < _NAMES or sum(len(at) for at, _ in owners.values()) < _FEWEST:
        return Pauses()
    struck = {
        c: (long_limit(self_ns[at], period), median(self_ns[at]))
        for c, at in rows.items()
        if len(at) and (c in owners or c not in leaders)
    }
    told = _by_time({c: over for c, (_, over) in owners.items()}, struck, share)
    if told is False:
        return Pauses()
    at = np.concatenate([o[0] for o in owners.values()])
    over = np.concatenate([o[1] for o in owners.values()])
    order = np.argsort(at)
    at, over = at[order], over[order]
    begun = np.cumsum(line.length)[at] - line.length[at]
    return Pauses(at, begun, np.minimum(over, line.length[at]), told is not None)


Hits = dict[int, tuple[Int, Float]]


def _without_heights(owners: Hits, share: Callable[[int], float]) -> tuple[Hits, list[int]]:
    """Without turns of a height that one call has far more often than its share of the time.

    A kind's lowest and highest turn bound what others are counted in, so they tell nothing. Where
    a call has one kind only, all its turns are held against those of the others (`_leader`).
    """
    kinds = [(c, kind) for c, (_, over) in owners.items() for kind in kinds_of_turns(over)[1:]]
    own: dict[int, Bool] = {c: np.zeros(len(at), bool) for c, (at, _) in owners.items()}
    for code, kind in kinds:
        excess = owners[code][1][kind]
        if len(excess) < _FEWEST:
            continue
        low, high = excess.min(), excess.max()
        n = int(((excess > low) & (excess < high)).sum())
        others = sum(int(((over >= low) & (over <= high)).sum())
                     for c, (_, over) in owners.items() if c != code)  # fmt: skip
        if _far_more(n, n + others, share(code), len(kinds)) is not None:
            own[code][kind] = True
    left = {c: (at[~own[c]], over[~own[c]]) for c, (at, over) in owners.items()}
    return {c: o for c, o in left.items() if len(o[0])}, [
        c for c, o in left.items() if not len(o[0])
    ]


def _by_time(
    excess: Mapping[int, Float],
    calls: Mapping[int, tuple[float, float]],
    share: Callable[[int], float],
) -> bool | None:
    """Whether turns go with the time that calls take; False if with the calls; None: can't tell.

    Told by turns above what is long in any of the calls, and by calls in which such would show:
    `calls` has from where on a turn is long, and the usual length.
    """
    most = median(np.concatenate([*excess.values()]))
    seen = {c: limit for c, (limit, _) in calls.items() if limit <= most and share(c) > 0}
    floor = max(seen.values(), default=0.0)
    long = {c: over[over >= floor] for c, over in excess.items() if c in seen}
    count = np.array([len(long.get(c, ())) for c in seen])
    time = np.array([share(c) for c in seen])
    if count.sum() < _FEWEST or len(seen) < 2:
        return None
    odds = float((count * np.log(time / time.mean())).sum())
    if odds < -_TOLD:
        return False
    time = time / time.sum()
    by_share = all(
        binomial_two_sided(int(n), int(count.sum()), float(of)) >= _LEVEL / len(time)
        for n, of in zip(count, time, strict=True)
    )
    as_long = _p_alike(list(long.values()))
    if odds <= _TOLD or not by_share or (as_long is not None and as_long < _LEVEL):
        return None
    grows = _p_alike(_ratios({c: excess[c] for c in long}, calls))
    return True if grows is not None and grows < _LEVEL else None


def _ratios(excess: Mapping[int, Float], calls: Mapping[int, tuple[float, float]]) -> list[Float]:
    """By how many times their usual length turns are longer, where that is long in any call."""
    usual = {c: max(calls[c][1], 1.0) for c in excess}
    floor = max(calls[c][0] / usual[c] for c in excess)
    ratios = [over / usual[c] for c, over in excess.items()]
    return [at[at >= floor] for at in ratios]


def _p_alike(values: Sequence[Float]) -> float | None:
    """How often chance makes groups so unlike; None where too few tell."""
    from looptime.stats.k_sample import k_sample  # most runs have no use for it

    whose = np.repeat(np.arange(len(values)), [len(at) for at in values])
    if len(whose) < _FEWEST or len(np.unique(whose)) < 2:
        return None
    return k_sample(np.concatenate(values), whose, np.ones(len(whose)))


def _leader(hits: Mapping[int, int], share: Mapping[int, float]) -> int | None:
    """Whose hits are far more than its share of the time brings, and more than chance does.

    What holds up the program strikes a call as often as it is under way, or a little more often
    where the call itself brings it about; several times the odds are a call's own.

    Examples
    --------
    >>> _leader({0: 76, 1: 2, 2: 3}, {0: 0.34, 1: 0.21, 2: 0.35})
    0
    >>> _leader({0: 40, 1: 20, 2: 30}, {0: 0.34, 1: 0.21, 2: 0.35})
    """
    count, found = sum(hits.values()), {}
    for name, n in hits.items():
        odds = _far_more(n, count, share[name], len(hits))
        if odds is not None:
            found[name] = odds
    return max(found, key=lambda name: found[name], default=None)


def _far_more(n: int, count: int, share: float, tests: int) -> float | None:
    """The odds of n of all hits against a share of the time; None if chance or less makes them."""
    usual = min(max(share, 1e-9), 1 - 1e-9)
    odds = n / (count - n + 0.5) * (1 - usual) / usual
    if odds > _LEADS and binomial_at_least(n, count, usual) < _BY_CHANCE / tests:
        return odds
    return None


def _bare_hits(line: Chain, period: float) -> tuple[Int, Float]:
    """Outliers among the stretches that no call covers."""
    bare = np.flatnonzero(line.owner == NOBODY)
    if len(bare) < 50:
        return bare[:0], np.empty(0)
    long = bare[line.length[bare] > 0.05 * period]
    if len(long) > 0.05 * len(bare):  # as a rule long: nothing strikes there
        return bare[:0], np.empty(0)
    return long, line.length[long] - float(np.median(line.length[bare]))
