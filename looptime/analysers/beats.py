"""Beats of stalls that no rows of their own stand for: found in the spectrum of the loop's time."""

from dataclasses import replace

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.beside import beside
from looptime.analysers.call_costs import Costs
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.slow import SlowEvent, SlowLoops
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import among, median
from looptime.stats.beta import binomial_at_least
from looptime.stats.levels import IN_RUN
from looptime.stats.mechanism import Rule
from looptime.stats.recurrence_test import Rhythm, logged_rhythm

__all__ = ["Beat", "beats"]

_MOST_SERIES = 6
_LEAST_BUMP = 0.03
#: A call holds the loop's beat whose own has this share of the loop's stalls.
_HOLDS = 0.8
#: Stalls of other calls that are about as high, so many and mostly between those of a call, are of
#: one kind with its own.
_AS_HIGH, _OTHERS, _IN_GAPS = 0.5, 3, 0.6
#: Share of the periods that must hold a stall.
_FILLED = 0.5
#: A call keeps a beat whose rows are no more than so many a period.
_IN_ALL = 1.1
#: Share of what a call takes more on average from which on it takes part in a stall; and of the
#: stalls in which those that are named together all do.
_TAKES_PART, _NEARLY = 0.3, 0.8
#: A stall keeps the beat that is this near to it, as a share of the period.
_IN_STEP = 0.25


@dataclass(frozen=True)
class Beat:
    """Stalls that keep a beat."""

    loops: Int  #: Loops in which they begin, one a period at most
    #: ``loops``, or ``timetable`` and ``since start`` [ns], or all of them where they cannot be
    #: told apart.
    rules: tuple[Rule, ...]
    kept: float  #: Share of the stalls that keep the beat
    height_ms: float  #: Median excess over the surroundings
    filled: float  #: Share of the periods that hold one
    call: str | None = None  #: The call behind them; None where there is no single one
    together: tuple[str, ...] = ()  #: Calls that make them up together
    parts: tuple[Part, ...] = ()  #: What makes them up, the largest first


def beats(
    basis: Basis, costs: Costs, slow: SlowLoops, left_ns: Float, explained: set[str]
) -> list[Beat]:
    """Beats in what is left of the loop's time, and in the calls of every loop that vary most.

    The series share one level. A beat of the loop is put down to a call if that call holds half
    of the excess, holds the lead more often than its share of the time explains (binomial tail
    below 1 %), and if its own time shows the beat; otherwise to none.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    costs : Costs
        From `looptime.analysers.call_costs.costs`.
    slow : SlowLoops
        From `looptime.analysers.slow.slow_events`.
    left_ns : float array, shape (n,) [ns]
        The quantity judged without what is explained.
    explained : set of str
        Calls whose rule is known.

    Raises
    ------
    NotEnoughError
        If there are fewer than 50 loops.

    References
    ----------
    H-test for periodic events, see `looptime.stats.recurrence_test`.
    """
    at = basis.run.loop_columns
    codes = _worth_a_look(basis, costs, explained)
    level = IN_RUN.rhythm / (1 + _MOST_SERIES)
    tick = basis.run.clock.tick_ns / 1e6

    def look(code: int | None) -> Rhythm:
        values = left_ns if code is None else basis.table.series(code)
        return logged_rhythm(values / 1e6, at.start_ns, at.period_ns, level, tick)

    with beside(basis.run) as ask:  # most of it is transforms
        waiting = [ask(look, code) for code in (None, *codes)]
        whole, *own = [answer() for answer in waiting]
    by_call = {basis.run.names[c].name: r for c, r in zip(codes, own, strict=True) if r.found}
    if whole.found:  # the loop's beat is a call's where that call holds most of it
        same = [n for n, r in by_call.items() if _same(whole, r) or _same(r, whole)]
        most = [n for n in same if len(by_call[n].events) >= _HOLDS * len(whole.events)]
        by_call = {n: r for n, r in by_call.items() if n in most or n not in same}
    found = [_beat(basis, r, name) for name, r in by_call.items()
             if not _struck_like_others(basis, name, r, slow, explained)]  # fmt: skip
    if whole.found and not most:
        found.insert(0, _of_loop(basis, whole, slow, explained))
    return [b for b in found if b is not None]


def _same(a: Rhythm, b: Rhythm) -> bool:
    """Whether a rhythm is another one, or a multiple of its beat."""
    ratio = (a.period_loops or 0.0) / (b.period_loops or 1.0)
    return abs(ratio - 1) < 0.02 or (ratio > 1.5 and abs(ratio - round(ratio)) < 0.02)


def _worth_a_look(basis: Basis, costs: Costs, explained: set[str]) -> list[int]:
    """Calls of every loop whose own time varies enough to carry a beat that matters, most first."""
    usual = median(basis.judged_ms)
    codes = {n.name: k for k, n in enumerate(basis.run.names)}
    weights = []
    for call in costs.calls:
        if not call.on_loop_thread or call.share is None or call.name in explained:
            continue
        bump = (call.max_ms or 0.0) - (call.p50_ms or 0.0)
        if call.calls_per_loop < 0.3 or bump < _LEAST_BUMP * usual:
            continue
        if (call.variance_share or 0.0) >= 0.02:
            weights.append((call.variance_share or 0.0, codes[call.name]))
    return [code for _, code in sorted(weights, reverse=True)[:_MOST_SERIES]]


def _struck_like_others(
    basis: Basis, name: str, at: Rhythm, slow: SlowLoops, explained: set[str]
) -> bool:
    """Whether a call keeps a beat no more than the others do, whose stalls fill the gaps in it.

    What holds up the whole process meets each call as often as its share of the time has it.
    """
    large = [
        e for e in slow.events
        if e.cause in ("one call", "outside all calls") and e.culprit not in explained
        and e.own_ms >= _AS_HIGH * (at.height or 0.0)
    ]  # fmt: skip
    others = [e.index for e in large if e.culprit != name]
    if len(others) < _OTHERS or _beyond_its_share(basis, name, large):
        return False
    period = at.period_loops or 1.0
    mine = np.array([e.index for e in large if e.culprit == name]) / period
    filled, met = (np.round(x - _phase(mine)) for x in (mine, np.array(others) / period))
    return float(np.mean(~among(met, filled))) >= _IN_GAPS


def _phase(turns: Float) -> float:
    """The usual part of a turn at which instants lie."""
    return float(np.angle(np.exp(2j * np.pi * turns).sum()) / (2 * np.pi))


def _beat(basis: Basis, at: Rhythm, call: str | None) -> Beat | None:
    """The stalls in step, one a period; None where most periods hold none."""
    assert at.period_s is not None
    assert at.period_loops is not None
    if not len(at.events):
        return None
    columns = basis.run.loop_columns
    in_time = (columns.start_ns + columns.period_ns / 2)[at.events] / 1e9
    by_loops = at.clock == "loops"
    place, period = (at.events, at.period_loops) if by_loops else (in_time, at.period_s)
    gaps = np.diff(place) / period
    times = _periods_between(gaps)
    period = times * period
    kept = _one_a_period(np.asarray(place, np.float64), period)
    if len(kept) < 2 or len(kept) < _FILLED * float(place[-1] - place[0]) / period:
        return None
    every_ns, loop_ns = 1e9 * times * at.period_s, float(columns.period_ns.mean())
    every_loops, since_ns = times * at.period_loops, every_ns - loop_ns / 2
    rules = (
        Rule("loops", every_loops, every_loops, every_loops),
        Rule("timetable", every_ns, every_ns, every_ns),
        # it waits for the loop to look, half a loop on average
        Rule("since start", since_ns, every_ns - loop_ns, every_ns),
    )
    chosen = {"loops": rules[:1], "time": rules[1:]}.get(at.clock, rules)
    share = len(kept) / max(len(at.events), 1)
    filled = len(kept) / (1 + float(place[-1] - place[0]) / period)
    return Beat(at.events[kept], chosen, share, at.height or 0.0, filled, call)


def _one_a_period(place: Float, period: float) -> Int:
    """Indices of the events in step, the nearest to the beat in each period."""
    phase = place / period
    middle = _phase(phase)
    turn = np.round(phase - middle)
    off = np.abs(phase - middle - turn)
    order = np.lexsort((off, turn))
    first = order[np.append(True, np.diff(turn[order]) > 0)[: len(order)]]
    return np.sort(first[off[first] <= _IN_STEP])


def _periods_between(gaps: Float) -> int:
    """Periods from one event to the next: above 1, the period found is a fraction of the true one.

    Few events can look most regular at a multiple of their own rate. It is taken for one only if
    hardly any two events are a single period apart, and most are the same number of periods apart.
    """
    if len(gaps) < 4 or np.mean(gaps > 1.5) < 0.8:
        return 1
    times = max(round(median(gaps)), 1)
    return times if np.mean(np.abs(gaps - times) < 0.5) >= 0.5 else 1


def _of_loop(basis: Basis, at: Rhythm, slow: SlowLoops, explained: set[str]) -> Beat | None:
    """A beat of the loop, with what makes it up; the calls whose own time shows none are not it."""
    made = _beat(basis, at, None)
    if made is None:
        return None
    mask = np.zeros(len(basis.run), bool)
    mask[made.loops] = True
    if not basis.typical.any() or not mask.any():
        return made
    parts = contrast(basis, mask, basis.typical & ~mask if (basis.typical & ~mask).any() else ~mask)
    total = sum(p.ms for p in parts)
    made = replace(made, parts=parts[:3])
    near = mask.copy()  # two loops to either side
    for d in (1, 2):
        near[d:] |= mask[:-d]
        near[:-d] |= mask[d:]
    led = [e for e in slow.events if near[e.index]]
    top = max(parts, key=lambda p: p.ms)
    many = [e for e in led if e.cause in ("several calls", "everything at once")]
    if top.ms < 0.5 * total and len(many) >= 0.5 * len(led):
        names = _most_of(parts, total)
        return replace(made, together=names) if _each_time(basis, made.loops, names) else made
    rare = top.name != UNATTRIBUTED and top.name not in explained and top.ms >= 0.5 * total > 0
    if rare and _made_in_some(basis, top.name) and _beyond_its_share(basis, top.name, led):
        return _of_rare_call(basis, made, top.name)
    return made


def _of_rare_call(basis: Basis, made: Beat, name: str) -> Beat:
    """The beat of a call that is made in some loops: its own rows and lengths are its stalls.

    Other calls may stretch now and then in step with it, and its short rows stand out of no loop.
    """
    own = basis.table.series(_code_of(basis, name))
    rows: Int = np.flatnonzero(own > 0)
    if len(rows) * made.filled > _IN_ALL * len(made.loops):  # it is made out of step as well
        rows = made.loops[own[made.loops] > 0]
    if not len(rows):
        return replace(made, call=name)
    return replace(made, call=name, loops=rows, height_ms=median(own[rows]) / 1e6)


def _made_in_some(basis: Basis, name: str) -> bool:
    """Whether a call is made in some loops only: then its rows are its stalls."""
    return bool(np.mean(basis.table.series(_code_of(basis, name)) > 0) < 0.8)


def _code_of(basis: Basis, name: str) -> int:
    return next(k for k, n in enumerate(basis.run.names) if n.name == name)


def _each_time(basis: Basis, loops: Int, names: tuple[str, ...]) -> bool:
    """Whether all of these take part in nearly every stall, and not now one and now another."""
    for name in names:
        of_none = name == UNATTRIBUTED
        own = basis.outside_ns if of_none else basis.table.series(_code_of(basis, name))
        more = own[loops] - median(own)
        if (more >= _TAKES_PART * more.mean()).mean() < _NEARLY:
            return False
    return True


def _most_of(parts: tuple[Part, ...], total: float) -> tuple[str, ...]:
    """Names that hold nine tenths of a difference, the largest first."""
    names, held = [], 0.0
    for part in sorted(parts, key=lambda p: -p.ms):
        if held >= 0.9 * total or part.ms <= 0:
            break
        names.append(part.name)
        held += part.ms
    return tuple(names)


def _beyond_its_share(basis: Basis, name: str, events: list[SlowEvent]) -> bool:
    """Whether a name leads more events than its share of the time explains."""
    count = sum(e.culprit == name for e in events)
    if not events:
        return True
    total = float(basis.judged_ns.sum())
    share = float(basis.table.series(_code_of(basis, name)).sum()) / total if total > 0 else 0.0
    share = min(max(share, 1e-9), 1.0 - 1e-9)
    return count > 0 and binomial_at_least(count, len(events), share) < 0.01
