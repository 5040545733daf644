"""Slow loops: which they are, as events, and which calls made them slow."""

from collections import Counter
from dataclasses import field
from functools import partial

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.contrast import Part, mean_self_ms
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import MAD_SCALE, mad, median
from looptime.stats.outliers import merge_close, running_median
from looptime.words import number

__all__ = ["CAUSES", "SIGMAS", "SlowEvent", "SlowLoops", "slow_events", "slow_loops"]

#: What can have made a loop slow. The list is closed.
CAUSES = ("one call", "several calls", "everything at once", "outside all calls")

#: Robust standard deviations above the loops around from which on a loop is slow.
SIGMAS = 4.0
_LEAST_SHARE = 0.10
_GAP = 2
#: Loops between the medians that the level is drawn through, in all but very long runs.
_BESIDE = 10
#: Loops above the threshold that are not slow, as a share of those that are.
_FEW_ABOVE = 0.1
_PARTS = 5


@dataclass(frozen=True)
class SlowEvent:
    """Slow loops that belong together."""

    #: Numbers of the first and last loop as logged.
    first: int
    last: int
    index: int  #: Place of the slowest loop in the run
    loops: int  #: Slow loops in it
    time_s: float  #: Start of the first loop since the start of the recording
    worst_ms: float  #: Quantity judged of the slowest loop
    period_ms: float  #: Its period
    excess_ms: float  #: Sum over the loops of what lies above a typical loop
    cause: str  #: One of `CAUSES`
    culprit: str  #: Name that added most
    parts: tuple[Part, ...]  #: What stretched, the largest first [ms over the event]
    caught_up: int = 0  #: Short loops right after it that made up for lost time
    #: Of the excess, what is in no part: the wait for a later tick, which the log does not show.
    tick_wait_ms: float = 0.0
    line: int | None = None  #: Line of the log where the slowest loop begins
    #: Of the excess, what the loops around have as well: the level moves along the run.
    level_ms: float = 0.0

    @property
    def beyond_ms(self) -> float:
        """The excess over the loops around: what makes these loops stand out."""
        return self.excess_ms - self.level_ms

    @property
    def own_ms(self) -> float:
        """What its parts took more: the excess without that wait."""
        return self.excess_ms - self.tick_wait_ms


@dataclass(frozen=True)
class SlowLoops:
    """The slow loops of a run."""

    threshold_ms: float | None  #: Typical level plus `above_ms`
    above_ms: float | None  #: Slow is what lies this far above the running median
    typical_ms: float | None  #: Mean over the typical loops
    count: int  #: Slow loops
    #: Of the loops, and of the time.
    share: float | None
    time_share: float | None
    events: tuple[SlowEvent, ...]  #: The slowest first
    by_culprit: dict[str, int]  #: Events by the name that added most, the most time first
    is_slow: Bool = field(repr=False)  #: shape (n,)
    #: Whether the level moves, so that loops above the threshold are no slower than those around.
    moving: bool = False

    def limit(self, judged: str) -> str:
        """What slow loops lie above: a length, or the loops around where the level moves."""
        if self.moving:
            return f"more than {number(self.above_ms)} ms of {judged} above those around"
        return f"above {number(self.threshold_ms)} ms of {judged}"


def slow_loops(
    basis: Basis, budget_ms: float | None = None
) -> tuple[Bool, float | None, float | None]:
    """Which loops are slow: outliers above the running level, and rare overruns of the budget.

    An outlier lies more than 4 robust standard deviations (1.4826 MAD), a tenth of the typical
    level and two ticks of the clock above the running median.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    budget_ms : float, optional [ms]
        Periods above it are slow too, unless more than a tenth of all loops are.

    Returns
    -------
    slow : bool array, shape (n,)
    threshold_ms, above_ms : float or None [ms]

    Examples
    --------
    >>> from looptime.analysers.basis import prepare
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.array([10, 10, 10, 30, 10]) * 1_000_000
    >>> basis = prepare(Run(LoopColumns(np.arange(5), np.cumsum(period) - period, period)))
    >>> slow, threshold_ms, above_ms = slow_loops(basis)
    >>> slow.tolist(), threshold_ms
    ([False, False, False, True, False], 11.0)
    """
    return _slow_loops(basis, budget_ms)[:3]


def _slow_loops(
    basis: Basis, budget_ms: float | None
) -> tuple[Bool, float | None, float | None, Float]:
    """The same, and the level around each loop."""
    x = basis.judged_ms
    if not len(x):
        return np.zeros(0, bool), None, None, x
    around = _around(running_median(x))
    off = x - around
    middle = median(x)
    sigma = MAD_SCALE * mad(off)
    tick_ms = basis.run.clock.tick_ns / 1e6
    above = max(SIGMAS * sigma, _LEAST_SHARE * middle, 2 * tick_ms)
    slow = off > above
    if budget_ms is not None:
        over = basis.period_ms > budget_ms
        if over.mean() <= 0.1:
            slow |= over
    return slow, middle + above, above, around


def _around(level: Float) -> Float:
    """The highest level a few loops before and after each.

    Medians are taken now and then and joined by lines: on a step in level a line climbs or falls
    beside it, and the loops of the higher level would lie above it.
    """
    made = level.copy()
    if len(level) > _BESIDE:
        np.maximum(made[_BESIDE:], level[:-_BESIDE], out=made[_BESIDE:])
        np.maximum(made[:-_BESIDE], level[_BESIDE:], out=made[:-_BESIDE])
    return made


def slow_events(basis: Basis, budget_ms: float | None = None) -> SlowLoops:
    """Slow loops as events, each with the calls that stretched.

    Slow loops at most two apart are one event; so is a late loop and the burst of short ones
    that catches up after it. An event has one culprit if one name holds six tenths of what lies
    above typical loops; everything was stretched at once if names that hold seven tenths of a
    typical loop all took longer by half of the whole loop's factor or more.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    budget_ms : float, optional [ms]
        See `slow_loops`.
    """
    slow, threshold, above, around = _slow_loops(basis, budget_ms)
    x, period = basis.judged_ms, basis.period_ms
    index = np.flatnonzero(slow)
    above_it = 0 if threshold is None else int((x[~slow] > threshold).sum())
    moving = above_it > _FEW_ABOVE * len(index)
    total = float(period.sum())
    usual = mean_self_ms(basis, basis.typical) if basis.typical.any() else None
    events: list[SlowEvent] = []
    if len(index) and usual is not None:
        group = np.zeros(len(index), np.int64)
        group[merge_close(index, _GAP)[1:]] = 1
        group = np.cumsum(group)
        lift = np.maximum(around[index] - float(usual.sum()), 0.0) * moving
        events = _events(basis, index, group, usual, lift)
    culprits = Counter(e.culprit for e in events)
    added = dict.fromkeys(culprits, 0.0)
    for e in events:
        added[e.culprit] += e.excess_ms
    return SlowLoops(
        threshold,
        above,
        float(x[basis.typical].mean()) if basis.typical.any() else None,
        len(index),
        float(slow.mean()) if len(slow) else None,
        float(period[slow].sum()) / total if total > 0 else None,
        tuple(events),
        {name: culprits[name] for name in sorted(added, key=lambda name: -added[name])},
        slow,
        moving,
    )


def _events(basis: Basis, index: Int, group: Int, usual: Float, lift: Float) -> list[SlowEvent]:
    """The slowest first; `lift` is how far the level around each slow loop lies above the usual."""
    at, x, period = basis.run.loop_columns, basis.judged_ms, basis.period_ms
    n_groups = int(group[-1]) + 1
    loops_in = np.bincount(group)
    first = np.searchsorted(group, np.arange(n_groups))
    last = first + loops_in - 1
    worst = index[np.lexsort((-x[index], group))[first]]
    excess = np.bincount(group, weights=x[index] - float(usual.sum())).astype(np.float64)
    waited = np.bincount(group, weights=basis.tick_wait_ns[index] / 1e6).astype(np.float64)
    level = np.bincount(group, weights=lift).astype(np.float64)
    event, code, added, normal = _by_event(basis, index, group, loops_in, usual)
    begin = np.searchsorted(event, np.arange(n_groups + 1))
    causes = _causes(event, code == len(usual) - 1, added, normal, begin, excess - waited)
    parts, edges = _parts(basis, event, code, added, begin)
    columns = (
        at.loop[index[first]], at.loop[index[last]], worst, loops_in,
        (at.start_ns[index[first]] - basis.origin_ns) / 1e9, x[worst], period[worst], excess,
        _caught_up(basis, index[last]), waited,
        np.full(n_groups, -1) if at.line is None else at.line[worst], level,
    )  # fmt: skip
    order = np.lexsort((columns[4], -x[worst]))
    made = []
    for g, (lo, hi, k, n, time_s, ms, period_ms, more, caught, wait, line, up) in zip(
        order.tolist(), zip(*(c[order].tolist() for c in columns), strict=True), strict=True
    ):
        own = tuple(parts[edges[g] : edges[g + 1]])
        made.append(
            SlowEvent(
                lo, hi, k, n, time_s, ms, period_ms, more, CAUSES[causes[g]], own[0].name,
                own, caught, wait, None if line < 0 else line, up,
            )
        )  # fmt: skip
    return made


def _parts(
    basis: Basis, event: Int, code: Int, added: Float, begin: Int
) -> tuple[list[Part], list[int]]:
    """The largest parts of each event, one event after the other, and where each begins."""
    large = np.arange(len(event)) - begin[event] < _PARTS
    labels = [*(n.name for n in basis.run.names), UNATTRIBUTED]
    names = [labels[c] for c in code[large].tolist()]
    edges = np.searchsorted(event[large], np.arange(len(begin)))
    return list(
        map(partial(tuple.__new__, Part), zip(names, added[large].tolist(), strict=True))
    ), edges.tolist()


def _by_event(
    basis: Basis, index: Int, group: Int, loops_in: Int, usual: Float
) -> tuple[Int, Int, Float, Float]:
    """Rows of event and name: event, name, self time beyond the usual, the usual [ms].

    In order of the events, in each the name that added most first; what no call covers is the
    last name.
    """
    size = len(usual)
    place, name, own_ns = basis.table.pieces_in(index)
    inside = basis.counted[name]
    key = group[place[inside]] * size + name[inside]
    key = np.concatenate([key, group * size + size - 1])
    own = np.concatenate([own_ns[inside] / 1e6, basis.outside_ns[index] / 1e6])
    kept, place = np.unique(key, return_inverse=True)
    event, code = kept // size, kept % size
    normal = usual[code] * loops_in[event]
    added = np.bincount(place, weights=own.astype(np.float64)) - normal
    order = np.lexsort((-added, event))
    return event[order], code[order], added[order], normal[order]


def _causes(
    event: Int, outside: Bool, added: Float, normal: Float, begin: Int, excess: Float
) -> list[int]:
    """Place in `CAUSES` for each event."""
    n = len(excess)
    base = np.bincount(event, weights=normal, minlength=n)
    usual = np.where(base > 0, base, np.inf)
    factor = 0.5 * excess / usual
    stretched = (added >= factor[event] * normal) & (normal > 0)
    count = np.bincount(event, weights=stretched, minlength=n)
    held = np.bincount(event, weights=normal * stretched, minlength=n)
    together = (count >= 3) & (held >= 0.7 * usual) & (base > 0)
    first = begin[:-1]
    alone = (added[first] >= 0.6 * excess) | (np.diff(begin) == 1)
    causes = np.where(together, 2, 1)
    causes[alone] = np.where(outside[first], 3, 0)[alone]
    return [int(c) for c in causes]


def _caught_up(basis: Basis, last: Int) -> Int:
    """Short loops right after each event, where the loop catches up."""
    counts = np.zeros(len(last), np.int64)
    nominal = basis.pacing.nominal_ms
    if not basis.pacing.mode.endswith("catches up") or nominal is None:
        return counts
    short = basis.period_ms < 0.95 * nominal
    # length of the stretch of short loops that begins at each loop
    stop = np.flatnonzero(np.append(~short, True))
    after = last + 1
    inside = after < len(short)
    counts[inside] = stop[np.searchsorted(stop, after[inside])] - after[inside]
    return counts
