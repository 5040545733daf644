"""The rhythm of a thread beside the loop: its rest, its rate, or the loop that it waits for."""

import numpy as np

from looptime.analysers.own_gaps import OwnGaps
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import distinct, median
from looptime.stats.mechanism import Mechanism, Rule
from looptime.stats.quantiles import interdecile, percentiles

__all__ = ["ThreadRhythm", "thread_rhythms"]

_FEWEST = 20
#: One spread is clearly smaller than another below this ratio.
_CLEARLY = 0.5
#: A turn agrees with a rule up to this share of its value.
_WITHIN = 0.1
#: By how much more starts stray that each count from the last than those of a grid, and what a
#: grid strays by at most; both times what one start does.
_STRAYS, _ON_GRID = 3.0, 1.5
#: So many turns that are longer than the interval tell what becomes of it.
_LONG = 3
#: How far from the grid starts may be by which it is placed, as a share of the interval.
_NEAR = 0.25


@dataclass(frozen=True)
class ThreadRhythm:
    """How the turns of a thread come back."""

    thread: str
    call: str  #: The call that its turns begin with
    #: ``rest`` after the end of the last turn, ``since start`` of it, or ``timetable``; in ns.
    #: ``loops`` where it waits for the loop.
    rule: Mechanism
    count: int  #: Turns seen
    span_ns: float  #: From the first to the last
    turn_ns: float  #: Median length of a turn, without its wait for the loop
    follows: str = ""  #: The call of the loop whose end it waits for


def thread_rhythms(run: Run) -> tuple[ThreadRhythm, ...]:
    """The rhythm of each thread beside the loop's.

    After a fixed rest, the time from end to start is even although turns vary; at a fixed rate,
    starts lie on one grid, of which turns may be left out, and deviations from it do not add up;
    else the time from start to start may be even. Spreads are those between the 10th and the 90th
    percentile.
    """
    made = []
    at, gaps = run.call_columns, OwnGaps(run)  # what it holds is worked out when it is asked for
    for thread, name in enumerate(run.thread_names):
        if thread == run.loop_thread:
            continue
        rows = np.flatnonzero((at.thread == thread) & (at.depth == 0))
        if len(rows) < _FEWEST:
            continue
        rows = rows[np.argsort(at.start_ns[rows], kind="stable")]
        code = int(np.bincount(at.name[rows]).argmax())
        first = np.flatnonzero(at.name[rows] == code)
        if len(first) < _FEWEST:
            continue
        start = at.start_ns[rows].astype(np.float64)
        end = start + at.duration_ns[rows]
        made.append(
            _waits_for_loop(run, gaps, name, rows) or _own(run, name, code, start, end, first)
        )
    return tuple(made)


def _own(run: Run, thread: str, code: int, start: Float, end: Float, first: Int) -> ThreadRhythm:
    """The rhythm of turns that begin with some of a thread's rows [ns]."""
    end, start = np.maximum.reduceat(end, first), start[first]
    rule, busy = _rule(start, end, float(run.clock.tick_ns)), median(end - start)
    span = float(start[-1] - start[0])
    return ThreadRhythm(thread, run.names[code].name, rule, len(start), span, busy)


def _waits_for_loop(run: Run, gaps: OwnGaps, thread: str, rows: Int) -> ThreadRhythm | None:
    """A thread that waits for the loop, in a call of its own or between its calls."""
    from looptime.analysers.waits_for_loop import followed  # most logs are of one thread

    at = run.call_columns
    start = at.start_ns[rows].astype(np.float64)
    end = start + at.duration_ns[rows]
    rest = start[1:] - end[:-1]
    for code in distinct(at.name[rows]):
        own = np.flatnonzero(at.name[rows] == code)
        if len(own) < _FEWEST:
            continue
        found = followed(gaps, end[own], interdecile(end[own] - start[own]))
        other = median(start[own][1:] - end[own][:-1])
        if found is None and own[0] < len(rest):
            before = own[own > 0]
            found = followed(gaps, start[before], interdecile(rest[before - 1]))
            other = median(end[own] - start[own])
        if found is not None:
            span = float(start[own[-1]] - start[own[0]])
            name = run.names[code].name
            return ThreadRhythm(thread, name, found.rule, len(own), span, other, found.call)
    return None


def _rule(start: Float, end: Float, tick: float) -> Mechanism:
    rest, gap = start[1:] - end[:-1], np.diff(start)
    by_rest, by_start = _even("rest", rest), _even("since start", gap)
    rests, gaps = (max(interdecile(v), tick) for v in (rest, gap))
    pace, off_grid = _grid(start)
    one = max(interdecile(gap - pace * np.rint(gap / pace)), tick)  # turns may be left out
    if rests < _CLEARLY * min(gaps, one):
        return _told(rest, (by_rest,))
    strays = max(interdecile(off_grid), tick) / one
    if strays < _ON_GRID and one < _WITHIN * pace:
        table = Rule("timetable", pace, pace, pace)
        long = int((end - start > (1 + _WITHIN) * pace).sum())
        # each that counts from the last shifts all after it, as a turn beyond the interval does
        sure = one > tick and (len(start) / 15) ** 0.5 > _STRAYS * strays
        rules = (table,) if sure or long >= _LONG else (table, by_start)
        return _told(gap / np.maximum(np.rint(gap / pace), 1), rules)
    if gaps < _CLEARLY * rests:
        return _told(gap, (by_start,))
    if max(gaps, rests) < _WITHIN * by_start.value:  # turns of one length: both are even
        return _told(gap, (by_rest, by_start))
    return Mechanism()


def _grid(start: Float) -> tuple[float, Float]:
    """The interval that starts are multiples of apart, and how far from such a grid each is.

    It is taken from ever more distant starts, each time exactly enough to count those between.
    """
    pace, lag = max(median(np.diff(start)), 1.0), 1
    while lag < len(start):
        apart = start[lag:] - start[:-lag]
        pace = max(median(apart / np.maximum(np.rint(apart / pace), 1)), 1.0)
        lag *= 2
    turn = np.exp(2j * np.pi * (start - start[0]) / pace).mean()
    off = start - start[0] - pace * float(np.angle(turn)) / (2 * np.pi)
    beat = np.rint(off / pace)
    near = np.abs(off - pace * beat) < _NEAR * pace
    if len(distinct(beat[near])) > 1:
        fitted, middle = np.polyfit(beat[near], off[near], 1)
        pace, off = float(fitted), off - middle
    return pace, off - pace * beat


def _even(name: str, values: Float) -> Rule:
    low, middle, high = percentiles(values, [10, 50, 90])
    return Rule(name, middle, low, high)


def _told(values: Float, rules: tuple[Rule, ...]) -> Mechanism:
    middle = median(values)
    within = np.abs(values - middle) <= _WITHIN * max(abs(middle), 1.0)
    name = rules[0].name if len(rules) == 1 else "unknown"
    return Mechanism(name, rules[0].value, float(np.mean(within)), rules)
