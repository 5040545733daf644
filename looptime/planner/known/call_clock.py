"""Which clock each call keeps: the loop's, the wall's, or that of the device it waits for.

Work that recurs by the wall clock (a message every so many milliseconds, a collector's pause)
keeps its rhythm in time when the loop changes; work done once a loop does not. A call that waits
for a device's next measurement ends when that measurement comes, however fast the loop is.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import field, replace

import numpy as np

from looptime.analysers.beat_wait import CUT, grain_of
from looptime.analysers.own_beat import keeps_own_beat
from looptime.analysers.own_gaps import CLOCKS, OwnGaps, kinds_of_turns, long_turns
from looptime.array_types import Bool, Float, Int
from looptime.planner.known.program_pauses import LongTurns, Pauses, program_pauses
from looptime.planner.known.timeline import Chain
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import mad, median
from looptime.stats.mechanism import Mechanism
from looptime.stats.quantiles import percentiles
from looptime.words import percent

__all__ = ["CallClock", "CallClocks", "as_in", "rhythms"]

#: How far from a device's tick an end may come, as a share of the usual interval; and how many of
#: the turns off the usual interval may be off a part of it, too.
_ON_TICK, _EXPLAINED = 0.02, 0.5
#: Missed measurements that show that a device has ticks, and pairs of intervals that are enough.
_FEWEST = 6
#: Pairs of intervals that tell whether a device begins anew, and above which share of the variance
#: of one their covariance lies then: it is half of it, below zero, for what comes after ticks.
_FEW_TURNS, _ANEW = 50, -0.25
#: Loops from one to the next of a call that is neither made in nearly all nor in hardly any.
_SELDOM = (1.5, 100.0)
_OWN_BEAT = "it ends as long after its last end, whatever all else takes: waits for a measurement"
#: Clocks whose intervals a longer stretch of the log tells better.
_BY_TICKS = ("time", "next measurement")
_MANY = 20_000


@dataclass(frozen=True)
class CallClock:
    """How one call of the loop's thread recurs."""

    name: str
    code: int
    recurs: str  #: ``loop``, ``time`` or ``next measurement``
    reason: str  #: Why, in plain words
    loops: float | None = None  #: Mean number of loops from one to the next
    interval_ns: float | None = None  #: The rule's interval, or the device's period
    #: ``since start``, ``since end``: due so long after the last time; ``timetable``: due at fixed
    #: instants; ``recorded``: due when it was recorded; empty for calls that recur by the loop. Of
    #: a device, ``since end`` or ``timetable``: it begins anew when it was read, or has its ticks.
    rule: str = ""
    pulses: bool = False  #: The call is made every loop, and it is its long turns that recur
    #: Its calls, or its long turns, as indices into the chain.
    rows: Int = field(default_factory=lambda: np.empty(0, np.int64), repr=False)

    def to_dict(self) -> dict[str, object]:
        """Keys `name, recurs, mechanism, reason, loops, interval_ms, long_turns_only`."""
        ms = None if self.interval_ns is None else self.interval_ns / 1e6
        return {
            "name": self.name, "recurs": self.recurs,
            "mechanism": self.rule if self.rule in CLOCKS else "", "reason": self.reason,
            "loops": self.loops, "interval_ms": ms, "long_turns_only": self.pulses,
        }  # fmt: skip


@dataclass(frozen=True)
class CallClocks:
    """CallClock of every call of the loop's thread, of long turns, and the program's pauses."""

    calls: tuple[CallClock, ...]
    pauses: Pauses
    #: Clocks that fit the log as well as those that calls, or their long turns, are taken to keep.
    others: tuple[CallClock, ...] = ()

    def seldom_beside(self, codes: Collection[int]) -> list[str]:
        """Other calls that come, themselves or with their long turns, once in a few loops."""
        few, many = _SELDOM
        others = (r for r in self.calls if r.code not in codes and r.loops is not None)
        return list(dict.fromkeys(r.name for r in others if few <= (r.loops or 0.0) <= many))

    def on_others(self) -> CallClocks:
        """The same with each call, and its long turns, on the clock that fits as well."""
        other = {(r.code, r.pulses): r for r in self.others}
        kept = [other.pop((r.code, r.pulses), r) for r in self.calls]
        return CallClocks((*kept, *other.values()), self.pauses)

    def by_time(self) -> list[CallClock]:
        """Those that keep their rhythm in time."""
        return [r for r in self.calls if r.recurs == "time"]


def rhythms(
    run: Run, line: Chain, recurs: Mapping[str, str] | None = None, wait: Float | None = None
) -> CallClocks:
    """Class each call of the loop's thread by the clock that it keeps.

    Parameters
    ----------
    run : Run
        The recording.
    line : Chain
        Its loop thread.
    recurs : dict of str to str, optional
        ``loop`` or ``time`` by call name; outranks what the project file says and what the log
        suggests.
    wait : float64 array, shape (m,) [ns], optional
        How long each call waited for a bus that another thread had: no part of its rhythm.
    """
    stated = {c.name: c.recurs for c in run.names if c.recurs} | dict(recurs or {})
    start = run.call_columns.start_ns[line.row].astype(np.float64)
    self_ns = run.call_columns.self_ns[line.row].astype(np.float64)
    took = run.call_columns.duration_ns[line.row].astype(np.float64)
    if wait is not None:
        self_ns, took = self_ns - wait, took - wait
    period = float(np.median(run.loop_columns.period_ns)) if line.n else 0.0
    gaps = OwnGaps(run)
    cut = CUT * 1e6 * grain_of(run, run.call_columns.duration_ns)
    found: list[CallClock] = []
    others: list[CallClock] = []
    hits: list[LongTurns] = []
    struck: dict[int, Int] = {}
    for code, rows in _rows_by_name(line.name, len(run.names)):
        call = run.names[code]
        said = stated.get(call.name)
        made, as_well = _rhythm(code, rows, line, (start, took, cut), said, gaps)
        found.append(made)
        others += [] if as_well is None else [as_well]
        if made.recurs != "loop" or call.kind == "pacing":
            continue
        struck[code] = rows
        long, excess = long_turns(self_ns[rows], period)
        if not len(long):
            continue
        pulses, sure, ruled = _pulses(made, rows, long, excess, line, gaps)
        free = ~ruled
        hits.append(LongTurns(code, line.first[rows[long[free]]], excess[free]))
        if pulses is not None and said != "loop":
            (found if sure else others).append(pulses)
    evenly = [k for k, r in enumerate(found) if r.reason == _OWN_BEAT]
    for k in evenly if len(evenly) > 1 else []:  # what they all wait for is no one's device
        found[k] = replace(
            found[k], recurs="loop", reason="made in every loop", interval_ns=None, rule=""
        )
    return CallClocks(
        tuple(found), program_pauses(line, hits, self_ns, struck, period), tuple(others)
    )


def as_in(part: CallClocks, whole: CallClocks) -> CallClocks:
    """The rhythms of a part of a run, with what the whole run says of those that go by the clock.

    In a part that was put together from short stretches, long intervals are not seen, nor ticks
    that are kept all along.

    Parameters
    ----------
    part, whole : CallClocks
        Of runs with the same names.
    """
    known = {(r.code, r.pulses): r for r in whole.calls if r.recurs in _BY_TICKS and r.interval_ns}
    made = []
    for r in part.calls:
        at = known.get((r.code, r.pulses))
        if at is not None and at.recurs == "next measurement":
            made.append(replace(at, rows=r.rows))
        elif r.recurs != "time" or at is None or at.rule == "recorded":
            made.append(r)
        else:
            made.append(replace(at, rows=r.rows))
    rows = {r.code: r.rows for r in part.calls if not r.pulses}
    others = [
        replace(r, rows=rows[r.code]) for r in whole.others if r.code in rows and not r.pulses
    ]
    turns = [r for r in part.others if r.pulses]
    pauses = replace(part.pauses, sure=whole.pauses.sure)
    return replace(part, calls=tuple(made), others=(*others, *turns), pauses=pauses)


def _rows_by_name(name: Int, count: int) -> list[tuple[int, Int]]:
    small = name.astype(np.int16) if count < 32_000 else name
    order = np.argsort(small, kind="stable")
    sizes = np.bincount(name, minlength=count)
    ends = np.cumsum(sizes)
    return [(c, order[ends[c] - sizes[c] : ends[c]]) for c in np.flatnonzero(sizes).tolist()]


def _spread(values: Float) -> float:
    """Normal-consistent median absolute deviation."""
    if not len(values):
        return 0.0
    some = values[:: max(1, len(values) // 10_000)]
    return 1.4826 * mad(some)


#: Ends that show that they keep to ticks.
_MANY_TICKS = 200


def _rhythm(
    code: int, rows: Int, line: Chain, times: tuple[Float, Float, float], said: str | None,
    gaps: OwnGaps,
) -> tuple[CallClock, CallClock | None]:  # fmt: skip
    """The clock that a call keeps, and another that fits its gaps as well."""
    call, steps = gaps.run.names[code], np.diff(line.loop[rows])
    between = float(np.mean(steps[steps > 0])) if (steps > 0).any() else None
    every = between is not None and between < 1.02
    plain = CallClock(call.name, code, "loop", "made in every loop", between, rows=rows)
    if call.kind == "pacing":
        return replace(plain, reason="paces the loop"), None
    clock = _waits_for_device(rows, line, times, said if every else None)
    if clock is not None:
        device_ns, why = clock
        counts = _begins_anew(times[0][rows] + times[1][rows], device_ns)
        return replace(
            plain, recurs="next measurement", reason=why, interval_ns=device_ns, rule=counts
        ), None
    if said == "loop":
        return replace(plain, reason="stated"), None
    if every:
        return plain, None
    found = gaps.of_call(code)
    by_clock = [r for r in found.could_be if r.name in CLOCKS]
    counted = replace(plain, reason=_why(found))
    if not by_clock:
        recorded = replace(plain, recurs="time", reason="stated", rule="recorded")
        return (recorded if said else counted), None
    rule = by_clock[0]
    timed = replace(
        plain, recurs="time", reason="stated" if said else _why(found),
        interval_ns=rule.value, rule=rule.name,
    )  # fmt: skip
    if said or len(by_clock) == len(found.could_be):
        return timed, None
    return (timed, counted) if call.kind == "telemetry" else (counted, timed)


def _why(found: Mechanism) -> str:
    """Why a call is taken to keep its clock."""
    if not found.could_be:
        return "no rule fits its gaps: kept as recorded"
    rules = " or ".join(_RULES[r.name] for r in found.could_be)
    share = f"fits {percent(found.explained)} of its gaps"
    return f"{rules}: {share}{'; cannot tell which' if len(found.could_be) > 1 else ''}"


_RULES = {
    "loops": "every so many loops", "since start": "so long after it last began",
    "since end": "so long after it last ended", "timetable": "a timetable",
}  # fmt: skip


def _waits_for_device(
    rows: Int, line: Chain, times: tuple[Float, Float, float], said: str | None
) -> tuple[float, str] | None:
    """The period [ns] of the device that a call waits for, and how that shows; None if none does.

    Where the call is what the loop waits for, its ends come evenly while its length varies. Where
    it is made at any moment of the device's period T, its length spreads evenly over T, and its
    ends fall on the device's ticks: the mean of ``exp(2 pi i c / T)`` over the times c from end
    to end is then near 1 (Rayleigh).
    """
    rows = rows[:_MANY]
    start, took, cut = times
    duration = took[rows]
    if len(rows) < 20 or (line.size[rows] > 1).any() or not duration.any():
        return None
    ends = start[rows] + duration
    between = np.diff(ends)
    own, period = _spread(duration), median(between)
    if period <= 0:  # most take nothing by this clock, so that no period shows
        return None
    if own > 0.01 * period and _spread(between) < 0.3 * own:
        return _fundamental(
            between, period
        ), "its ends come evenly while its length varies: waits for a measurement"
    if keeps_own_beat(duration, ends, cut):
        return _fundamental(between, period), _OWN_BEAT
    low, high = percentiles(duration, [2, 98])
    tick = _kept_tick(ends, between, own)
    if tick is not None:
        return tick, "its ends keep to ticks all along while its length varies: waits for them"
    reach = (high - low) / 0.96
    if reach > 0.05 * period and own > 0.2 * reach:
        tick, sharp = _tick(between, reach)
        if sharp > 0.9:
            return _refined(ends, tick), "its length spreads evenly over a device's period"
    return (period, "stated") if said == "time" else None


def _begins_anew(ends: Float, tick: float) -> str:
    """``timetable`` where a device has ticks of its own, ``since end`` where it counts from each.

    One that comes late after its tick makes the next interval shorter by as much, and a measurement
    that is missed costs a whole tick. Where each counts from the last, intervals know nothing of
    each other, and none is longer than all else takes.
    """
    apart = np.diff(ends[:_MANY])
    ticks = np.rint(apart / tick)
    off = apart - ticks * tick
    near = np.abs(off) <= 0.02 * tick
    if (near & (ticks > 1)).sum() >= _FEWEST:
        return "timetable"
    both = near[1:] & near[:-1] & (ticks[1:] == 1) & (ticks[:-1] == 1)
    one, other = off[:-1][both], off[1:][both]
    if len(one) < _FEW_TURNS:
        return "timetable"
    goes = float(((one - one.mean()) * (other - other.mean())).mean())
    return "since end" if goes > _ANEW * float(one.var()) else "timetable"


def _kept_tick(ends: Float, between: Float, own: float) -> float | None:
    """The period [ns] of the ticks that ends keep to all along; None where they keep to none.

    A call that is not waited for ends as much earlier or later as it, and all before it, took:
    its ends stray from a tick by no less than its length does, those of a free loop without bound.
    """
    period = median(between)
    if len(ends) < _MANY_TICKS or own < 0.002 * period:
        return None
    tick = _refined(ends, _fundamental(between, period))
    off = ends - ends[0]
    off -= tick * np.rint(off / tick)
    off -= np.rint((off - median(off)) / tick) * tick
    return tick if _spread(off) < min(0.5 * own, 0.1 * tick) else None


def _fundamental(between: Float, usual: float) -> float:
    """The device's period where a call mostly comes after the same number of its ticks.

    That number shows in the turns that come one tick sooner or later: the period is the longest
    part of the usual interval whose multiples they fall on.
    """
    tried = [usual / m for m in range(1, 9)]
    off = [float(np.mean(np.abs(between / t - np.round(between / t)) * t > _ON_TICK * usual))
           for t in tried]  # fmt: skip
    least = min(off[:4])
    if least > _EXPLAINED * off[0]:  # late turns lie anywhere, and some near a part of it by chance
        return usual
    return next(t for t, miss in zip(tried, off, strict=True) if miss <= least + 0.003)


def _tick(between: Float, reach: float) -> tuple[float, float]:
    """The period near `reach` on whose multiples the times between ends fall, and how sharply."""
    tried = reach * np.linspace(0.85, 1.3, 901)
    some = between[:: max(len(between) // 2000, 1)]  # of every phase
    # the real part: times that are all alike point one way, but only multiples point to 1
    sharp = np.cos(2 * np.pi * some[:, None] / tried[None, :]).mean(axis=0)
    best = int(np.argmax(sharp))
    return float(tried[best]), float(sharp[best])


def _refined(ends: Float, tick: float) -> float:
    """The same period from ever longer spans, each short enough to count its ticks surely."""
    span = 1
    while span < len(ends):
        apart = ends[span:] - ends[:-span]
        tick = float(apart.sum() / np.round(apart / tick).sum())
        span *= 4
    return tick


def _pulses(
    made: CallClock, rows: Int, long: Int, excess: Float, line: Chain, gaps: OwnGaps
) -> tuple[CallClock | None, bool, Bool]:
    """Long turns of a call that is made every loop, if they come by the clock; whether surely.

    And which of the long turns keep a rule, be it that of the loop: they are the call's own.
    """
    surely: CallClock | None = None
    open_to: CallClock | None = None
    ruled = np.zeros(len(long), bool)
    for kind in kinds_of_turns(excess):
        found = gaps.of_turns(line.row[rows], long[kind])
        ruled[kind] |= bool(found.could_be)
        by_clock = [r for r in found.could_be if r.name in CLOCKS]
        if not by_clock or surely is not None:
            continue
        turns = rows[long[kind]]
        between = float(np.diff(line.loop[turns]).mean())
        clock = CallClock(
            made.name, made.code, "time", _why(found), between, by_clock[0].value,
            by_clock[0].name, True, turns,
        )  # fmt: skip
        if len(by_clock) == len(found.could_be):
            surely = clock
        else:
            open_to = open_to or clock
    return surely or open_to, surely is not None or open_to is None, ruled
