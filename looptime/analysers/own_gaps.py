"""The rule by which calls recur, from their own rows: checked once a loop, made in some loops."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import MAD_SCALE, mad, median, tally
from looptime.stats.mechanism import FEWEST, Mechanism, Rule, mechanism
from looptime.stats.quantiles import percentiles

__all__ = ["CLOCKS", "OwnGaps", "between_humps", "kinds_of_turns", "long_limit", "long_turns"]

#: Mechanisms that go by the clock and not by the loop.
CLOCKS = ("since start", "since end", "timetable")
#: Rows sorted by name at once: sorting all of a long run would take memory for nothing.
_AT_ONCE = 1 << 18
_LEAST_TOLERANCE_NS = 20_000.0
#: A call is rare that is made in less than this share of the loops.
_RARE = 0.8
_OF_PERIOD = 0.05
_MOST_LONG = 0.34
#: A device of half the loop's rate: half the turns are long, and hardly two follow one another.
#: The valley between the humps is this part of their distance to each side of its middle, and
#: holds at most this share of the turns.
_VALLEY, _IN_VALLEY, _NEIGHBOURS = 0.15, 0.02, 0.1
#: Heights this far apart (as a ratio) belong to different kinds of long turns.
_APART = 1.15
_MOST_KINDS = 6
#: Numbers that count as round, multiples of 5 and then of 1 in the second digit, and how narrow
#: bounds must be to hold one by chance in few cases, as a share of the value.
_ROUND = ((5, 0.02), (1, 0.004))
#: What programs go by, as shares; numbers that they hold most often, by their first two digits.
_USED = {"loops": 0.4, "since start": 0.3, "since end": 0.1}
_ROUNDEST = (10, 20, 25, 50)
#: Share of the counts and of the intervals (six in ten, over three and two and a half decades)
#: that one of these has, that of an interval of another multiple of 5, and what is left for any
#: count (times its number) and any interval (a factor of e).
_MOST_ROUND, _LESS_ROUND, _ANY_LOOPS, _ANY_TIME = (0.05, 0.06), 0.007, 0.03, 0.05
#: From which share on a rule is told by odds.
_SURE = 0.95


@dataclass(frozen=True)
class OwnGaps:
    """The checks of a run's loop thread, and the rule behind any call of it."""

    run: Run

    @cached_property
    def by_name(self) -> dict[int, Int]:
        """Rows of each name on the loop's thread: the first in each loop in which it was made."""
        at, mine = self.run.call_columns, self.run.on_loop_thread
        # half the memory of NumPy's own indices, where the run is long enough for that to count
        dtype = np.int32 if len(mine) < 2**31 else np.int64
        every = tally(at.name, len(self.run.names), mine).astype(np.int64)
        made: dict[int, Int] = {
            k: np.empty(every[k], dtype) for k in np.flatnonzero(every).tolist()
        }
        filled = np.zeros(len(every), np.int64)
        for low in range(0, len(mine), _AT_ONCE):
            rows: Int = (np.flatnonzero(mine[low : low + _AT_ONCE]) + low).astype(dtype)
            name = at.name[rows]
            rows, counts = rows[np.argsort(name, kind="stable")], np.bincount(name)
            ends = np.cumsum(counts)
            for code in np.flatnonzero(counts).tolist():
                own = rows[ends[code] - counts[code] : ends[code]]
                made[code][filled[code] : filled[code] + len(own)] = own
                filled[code] += len(own)
        return {code: _firsts(rows, at.loop) for code, rows in made.items()}

    @cached_property
    def every_loop(self) -> tuple[int, ...]:
        """Names that are made in every loop."""
        return tuple(c for c, rows in self.by_name.items() if len(rows) == len(self.run))

    @property
    def rare(self) -> tuple[int, ...]:
        """Names that are made in some loops only, often enough to tell a rule."""
        most = _RARE * len(self.run)
        return tuple(c for c, rows in self.by_name.items() if FEWEST <= len(rows) <= most)

    @cached_property
    def joined(self) -> Bool:
        """Whether a loop and the next adjoin; shape (n - 1,)."""
        return np.asarray(np.diff(self.run.loop_columns.loop) == 1)

    @cached_property
    def tolerance_ns(self) -> float:
        """How far an instant of the log may be off [ns]."""
        period = median(self.run.loop_columns.period_ns)
        return max(_LEAST_TOLERANCE_NS, 0.01 * period, float(self.run.clock.tick_ns))

    def of_call(self, code: int) -> Mechanism:
        """The rule of a call that is made in some loops; instants in ns."""
        at, rows = self.run.call_columns, self.by_name[code]
        loops, start = at.loop[rows].astype(np.int64), at.start_ns[rows].astype(np.float64)
        every = np.arange(len(self.run))
        check = self._checks(code, loops, start)
        return self._rule(check, every, loops, start + at.duration_ns[rows])

    def of_turns(self, rows: Int, turns: Int) -> Mechanism:
        """The rule of some of the rows of a call of every loop, as indices into these."""
        at = self.run.call_columns
        check = at.start_ns[rows].astype(np.float64)
        return self._rule(check, at.loop[rows], turns, check[turns] + at.duration_ns[rows[turns]])

    def of_ends(self, rows: Int, turns: Int) -> tuple[Mechanism, Int]:
        """The beat of another on which these end wherever they begin, and which do."""
        from looptime.analysers.held_up import held_up  # few logs have long turns

        at = self.run.call_columns
        begin = at.start_ns[rows[turns]].astype(np.float64)
        return held_up(begin, begin + at.duration_ns[rows[turns]], self.tolerance_ns)

    def of_loops(self, loops: Int) -> Mechanism:
        """The rule of stalls that no call stands for, which are known by their loops alone."""
        end = self._starts[loops] + self.run.loop_columns.period_ns[loops]
        return self._rule(self._starts, np.arange(len(self.run)), loops, end)

    @cached_property
    def _starts(self) -> Float:
        return self.run.loop_columns.start_ns.astype(np.float64)

    def _rule(self, check: Float, loop: Int, made: Int, end: Float) -> Mechanism:
        """The rule of what was made at some checks, given the instant [ns] and loop of each check.

        Where no rule fits these, the check may be made at the start of the loop.
        """
        if len(made) < FEWEST:
            return Mechanism()
        joined = np.diff(self.run.loop_columns.loop[loop]) <= 1
        for instants in (check, self._starts[loop]):
            found = mechanism(instants, made, end, self.tolerance_ns, joined)
            if found.name:
                break
        return _by_odds(_by_round_number(found, self.tolerance_ns), self.tolerance_ns)

    def _checks(self, code: int, loops: Int, start: Float) -> Float:
        """When each loop checked whether to make the call: so long after its steadiest neighbour.

        In loops in which it was made, its start.
        """
        steadiest, best, shift = math.inf, None, 0.0
        for instants in self._neighbours(code):
            low, middle, high = percentiles(start - instants(loops), [2, 50, 98])
            if high - low < steadiest:
                steadiest, best, shift = high - low, instants, middle
        assert best is not None
        check = best(slice(None)) + shift
        check[loops] = start
        return check

    def _neighbours(self, code: int) -> Iterator[Callable[[Int | slice], Float]]:
        """Instants [ns] of some loops: their start, the start and end of calls made in all."""
        at = self.run.call_columns
        yield self._starts.__getitem__
        for other in self.every_loop:
            if other != code:
                rows = self.by_name[other]

                def begin(loops: Int | slice, rows: Int = rows) -> Float:
                    return at.start_ns[rows[loops]].astype(np.float64)

                def end(loops: Int | slice, rows: Int = rows) -> Float:
                    return at.start_ns[rows[loops]].astype(np.float64) + at.duration_ns[rows[loops]]

                yield begin
                yield end


def _firsts(rows: Int, loop: Int) -> Int:
    """The first of some rows in each loop, in loop order."""
    step = np.diff(loop[rows])
    if (step < 0).any():
        rows = rows[np.argsort(loop[rows], kind="stable")]
        step = np.diff(loop[rows])
    return rows if (step > 0).all() else rows[np.append(True, step > 0)]


def _by_round_number(found: Mechanism, tolerance: float) -> Mechanism:
    """The one of several clocks whose value is a round number, where the gaps cannot tell.

    A call that hardly varies in length ends so long after its start, and both clocks explain its
    gaps: with 100 ms from start to start, or 94.3 ms from end to start. Programs hold the former.
    """
    rules = found.could_be
    if found.name != "unknown" or any(r.name not in CLOCKS for r in rules):
        return found
    for digit, narrow in _ROUND:
        whole = [r for r in rules if _holds_round(r, digit, tolerance)]
        if whole and any(r.high - r.low > narrow * r.high for r in rules):
            return found
        if len(whole) == 1:
            return replace(found, name=whole[0].name, value=whole[0].value, could_be=(whole[0],))
        if whole:
            return found
    return found


def _by_odds(found: Mechanism, tolerance: float) -> Mechanism:
    """Every so many loops, where only an interval that hits a narrow stretch would do the same.

    Bayes' rule over the rules that explain the gaps: what a programmer writes, and for a clock the
    share of the values written that lie in its stretch. A timetable is fitted by a loop that
    hardly varies, whatever it does, and is left as possible.
    """
    rules = found.could_be
    if (
        found.name != "unknown"
        or rules[0].name != "loops"
        or "timetable" in [r.name for r in rules]
    ):
        return found
    weights = [_written(r, tolerance) for r in rules]
    share = weights[0] / sum(weights)
    if share < _SURE:
        return found
    return replace(found, name="loops", could_be=(replace(rules[0], share=share),))


def _written(rule: Rule, tolerance: float) -> float:
    """How often programs hold such a rule with a value in its stretch [of all rules]."""
    if rule.name == "loops":
        n = int(rule.value)
        return _USED["loops"] * (_MOST_ROUND[0] if _digits(n) in _ROUNDEST else _ANY_LOOPS / n)
    low, high = max(rule.low - tolerance, 1.0), rule.high + tolerance
    size = 10.0 ** (math.floor(math.log10(high)) - 1)
    whole = [k for k in range(math.ceil(low / size), math.floor(high / size) + 1) if k % 5 == 0]
    rounder = sum(_digits(k) in _ROUNDEST for k in whole)
    return _USED[rule.name] * (
        _MOST_ROUND[1] * rounder
        + _LESS_ROUND * (len(whole) - rounder)
        + _ANY_TIME * math.log(high / low)
    )


def _digits(k: int) -> int:
    """The first two digits of a whole number: 10 of 1 and of 100."""
    return int(f"{k}0"[:2]) if k else 0


def _holds_round(rule: Rule, digit: int, tolerance: float) -> bool:
    """Whether a multiple of some digit in the second place, as 100, 150 or 20 of 5, lies within."""
    if rule.high <= 0:
        return False
    step = digit * 10.0 ** (math.floor(math.log10(rule.high)) - 1)
    near = round((rule.low + rule.high) / 2 / step) * step
    return rule.low - tolerance <= near <= rule.high + tolerance


def long_turns(values: Float, period: float, half: bool = False) -> tuple[Int, Float]:
    """Which turns of a call are outliers, and by how much they exceed its median.

    Parameters
    ----------
    values : float array, shape (n,)
        Length of each turn [unit].
    period : float
        Period of the loop [same unit]: a twentieth of it is the least that counts.
    half : bool
        Whether as many turns may be long as short, in two humps: those of a device that has half
        the loop's rate. What no call covers has such, wherever a wait in it makes up for calls.
    """
    none = np.empty(0, np.int64), np.empty(0)
    if len(values) < 50:
        return none
    middle = median(values)
    some = values[:: max(1, len(values) // 10_000)]
    apart = between_humps(some, period) if half else None
    if apart is not None:
        middle = median(values[values < apart])
        long = np.flatnonzero(values >= apart)
        if len(long) > FEWEST and np.mean(np.diff(long) == 1) < _NEIGHBOURS:
            return long, values[long] - middle
        middle = median(values)
    if values.max() <= middle + _OF_PERIOD * period:
        return none
    long = np.flatnonzero(values > middle + long_limit(values, period))
    if len(long) > _MOST_LONG * len(values):
        return none
    return long, values[long] - middle


def long_limit(values: Float, period: float) -> float:
    """By how much a turn exceeds the median from where on `long_turns` takes it for long."""
    some = values[:: max(1, len(values) // 10_000)]
    return max(8 * MAD_SCALE * mad(some), _OF_PERIOD * period)


def between_humps(values: Float, period: float) -> float | None:
    """A value between two humps of which each holds a third of the values; None without such."""
    low, high = percentiles(values, [10, 90])
    if high - low <= _OF_PERIOD * period:
        return None
    middle = (low + high) / 2
    share = float(np.mean(values >= middle))
    between = np.abs(values - middle) < _VALLEY * (high - low)
    if not _MOST_LONG < share < 1 - _MOST_LONG or between.mean() > _IN_VALLEY:
        return None
    return float(middle)


def kinds_of_turns(excess: Float) -> list[Int]:
    """Long turns by their height: all of them, then those between gaps of heights, most first.

    A flush of 60 ms and a timeout of 48 ms in the same call are two things.

    Examples
    --------
    >>> [turns.tolist() for turns in kinds_of_turns(np.array([60, 48, 61, 48, 47, 60, 62.0]))]
    [[0, 1, 2, 3, 4, 5, 6], [0, 2, 5, 6], [1, 3, 4]]
    """
    order = np.argsort(excess, kind="stable")
    height = excess[order]
    edges = np.flatnonzero(height[1:] > _APART * height[:-1]) + 1
    groups: list[Int] = [np.sort(g) for g in np.split(order, edges)]
    if len(groups) == 1:
        return groups
    return [np.arange(len(excess)), *sorted(groups, key=len, reverse=True)[:_MOST_KINDS]]
