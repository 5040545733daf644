"""The rhythm of a thread beside the loop: its rest, its rate, or the time since its last turn."""

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.mechanism import Mechanism, Rule
from looptime.stats.quantiles import percentiles

__all__ = ["ThreadRhythm", "thread_rhythms"]

_FEWEST = 20
#: One spread is clearly smaller than another below this ratio.
_CLEARLY = 0.5
#: A turn agrees with a rule up to this share of its value.
_WITHIN = 0.1


@dataclass(frozen=True)
class ThreadRhythm:
    """How the turns of a thread come back."""

    thread: str
    call: str  #: The call that its turns begin with
    #: ``rest`` after the end of the last turn, ``since start`` of it, or ``timetable``; in ns.
    rule: Mechanism
    count: int  #: Turns seen
    span_ns: float  #: From the first to the last
    turn_ns: float  #: Median length of a turn


def thread_rhythms(run: Run) -> tuple[ThreadRhythm, ...]:
    """The rhythm of each thread beside the loop's.

    After a fixed rest, the time from end to start is even although turns vary; at a fixed rate,
    starts lie on one grid and deviations from it do not add up; else the time from start to start
    may be even. Spreads are those between the 10th and the 90th percentile.
    """
    made = []
    at = run.call_columns
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
        end = np.maximum.reduceat(start + at.duration_ns[rows], first)
        start = start[first]
        tick = float(run.clock.tick_ns)
        rule = _rule(start, end, tick)
        busy = median(end - start)
        made.append(
            ThreadRhythm(
                name, run.names[code].name, rule, len(start), float(start[-1] - start[0]), busy
            )
        )
    return tuple(made)


def _rule(start: Float, end: Float, tick: float) -> Mechanism:
    rest, gap = start[1:] - end[:-1], np.diff(start)
    pace = float(np.polyfit(np.arange(len(start)), start, 1)[0])
    off_grid = start - pace * np.arange(len(start))
    rests, gaps, grid = (max(_spread(v), tick) for v in (rest, gap, off_grid))
    by_rest, by_start = _even("rest", rest), _even("since start", gap)
    if rests < _CLEARLY * gaps:
        return _told(rest, (by_rest,))
    if grid < 1.5 * gaps and gaps < _CLEARLY * by_start.value:
        return _told(gap, (Rule("timetable", pace, pace, pace),))
    if gaps < _CLEARLY * rests:
        return _told(gap, (by_start,))
    if max(gaps, rests) < _WITHIN * by_start.value:  # turns of one length: both are even
        return _told(gap, (by_rest, by_start))
    return Mechanism()


def _even(name: str, values: Float) -> Rule:
    low, middle, high = percentiles(values, [10, 50, 90])
    return Rule(name, middle, low, high)


def _told(values: Float, rules: tuple[Rule, ...]) -> Mechanism:
    middle = median(values)
    within = np.abs(values - middle) <= _WITHIN * max(abs(middle), 1.0)
    name = rules[0].name if len(rules) == 1 else "unknown"
    return Mechanism(name, rules[0].value, float(np.mean(within)), rules)


def _spread(values: Float) -> float:
    low, high = percentiles(values, [10, 90])
    return high - low
