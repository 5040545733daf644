"""Columns of lengths against the steps of the log's clock: which fit, which they follow."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float
from looptime.parsers.columns.inside import NEAR, enclosing
from looptime.parsers.columns.role import Seen
from looptime.records import dataclass
from looptime.stats.arrays import HUGE, common_divisor, straight
from looptime.units import UNITS

__all__ = [
    "ENOUGH", "LATE", "MOST", "ROOM", "SURE_Z", "Fit", "Steps", "equal", "evident",
    "few_lengths", "fits", "holds_others", "in_whole_units", "largest_that_fits", "least_step",
    "of_late_loops", "over", "slope", "slope_unit", "summed", "together", "without_sums",
]  # fmt: skip

#: A sum may exceed the step by so much: rounding, and the few instructions around the timers.
ROOM = 1.02
#: Share of the rows in which a bound must hold.
MOST = 0.95
#: Parts that fill less of the loop than this may as well be in another unit.
_LEAST_SHARE = 0.004
#: Steps of a coarse clock are of so few lengths, or all of ticks as long as that share of one.
_COARSE, _TICK = 12, 0.01
#: Steps longer than this are no loop's, and no whole numbers of 64 bits [ns].
_MOST_NS = 2.0**62
#: From so many rows on values are asked; with fewer the names alone are believed.
ENOUGH = 20
#: From how many standard errors on a correlation is believed; heavy tails make few rows weigh much.
SURE_Z = 6.0
#: How far from whole ticks the steps of a coarse clock may be, and what of them is how it prints.
_ON_TICKS, _PRINTED = 0.05, 1e-3
#: A slope from row to row that is surely less than this is none.
_NOT_AT_ALL = 0.15
#: A change of the step is that of the pace beyond so many usual ones.
_FAR = 10.0
#: A paced loop is late beyond so many usual steps; so many loops of a paced one are not, at least.
LATE, _PACED = 1.1, 0.6
#: Late loops that show what they are late by, and how closely they must follow it.
_LATE_ROWS, _CLOSE = 6, 0.9
#: Rows in which a timer holds all others, how nearly it grows with them, and the most beside them.
_HOLDS, _FOLLOWS, _BESIDE = 0.99, 0.95, 0.5
#: The same where it grows with each of several by itself, so near its slope of one, and these do
#: not grow with each other: no common cause does that.
_FOLLOWS_EACH, _KNOWN_SLOPE, _APART = 0.5, 0.1, 0.5


@dataclass(frozen=True)
class Steps:
    """Steps of the clock after each row and before it [ns]; NaN where there is none."""

    after: Float
    before: Float
    typical: float
    units: dict[str, int]
    grow: str = "the clock's steps grow"  #: For messages

    @classmethod
    def of(
        cls, clock: Float | None, seen: list[Seen], units: dict[str, int] | None = None
    ) -> Steps:
        """Steps of a clock [ns], or where there is none the lengths that a column gives."""
        count = len(seen[0].values) if seen else 0
        after, units, grow = np.full(count, np.nan), units or UNITS, cls.grow
        if clock is not None and count > 1:
            after[:-1] = np.diff(clock)
        elif clock is None:
            after, units, grow = _reference(seen, count)
        after[~((after > 0) & (after < HUGE))] = np.nan
        before = after
        if clock is not None:
            before = np.concatenate([[np.nan], after[:-1]]) if count else after
        typical = float(np.nanmedian(after)) if np.isfinite(after).any() else np.nan
        return cls(after, before, typical, units, grow)

    @property
    def sides(self) -> dict[str, Float]:
        """The steps by the side of their rows."""
        return {"after": self.after, "before": self.before}

    @property
    def coarse(self) -> bool:
        """Whether the clock is so coarse that its steps are of a few lengths only."""
        return few_lengths(self.after)

    def paced(self) -> Iterator[tuple[Float, Bool]]:
        """The steps of either side and which are on time, where most are: a loop waits there."""
        for step in (self.after, self.before):
            on_time = np.abs(step / self.typical - 1) < LATE - 1
            if on_time.sum() >= _PACED * np.isfinite(step).sum():
                yield step, on_time

    @property
    def some(self) -> bool:
        """Whether there is any."""
        return int(np.isfinite(self.after).sum()) >= 3

    @property
    def known(self) -> bool:
        """Whether there are enough to ask the values."""
        return int(np.isfinite(self.after).sum()) >= ENOUGH


def _reference(seen: list[Seen], count: int) -> tuple[Float, dict[str, int], str]:
    """Lengths of the loops where there is no clock, the units to try beside them, and their name.

    Where nobody says the unit of the period or the whole, all other lengths are taken in it too.
    """
    for meaning in ("period", "whole"):
        for one in seen:
            if one.meaning == meaning:
                unit = one.unit_ns or next((other.unit_ns for other in seen if other.unit_ns), None)
                lengths = np.array(one.values * (unit or 1))
                return lengths, UNITS if unit else {"the same unit": 1}, f"{one.name} grows"
    return np.full(count, np.nan), UNITS, Steps.grow


def equal(values: Float, step: Float) -> float:
    """Share of the rows in which values equal the steps, as far as both are printed."""
    with np.errstate(invalid="ignore"):
        both = np.isfinite(values) & np.isfinite(step)
        if not both.any():
            return 0.0
        room = np.maximum(0.02 * step[both], 1.01 * least_step(step[both]))
        return float((np.abs(values[both] - step[both]) <= room).mean())


def least_step(step: Float) -> float:
    """The least difference between steps that is more than rounding of floats [ns]."""
    levels = np.unique(np.rint(step))
    apart = np.diff(levels)
    apart = apart[apart > 300]  # a double since 1970 is off by up to 240 ns
    return min(float(apart.min(initial=np.inf)), 0.1 * float(np.median(step)))


def _rounding(step: Float) -> float:
    """By how much a step may be shorter than the loop [ns]: a coarse clock's by all of its tick."""
    levels = np.unique(np.rint(step))
    apart = np.diff(levels)
    usual = float(np.median(step))
    tick = float(apart[apart > _PRINTED * usual].min(initial=np.inf))
    counts = levels / tick
    whole = bool((np.abs(counts - np.rint(counts)) < _ON_TICKS).all())
    return tick if whole and len(levels) > 2 and usual >= 2 * tick else least_step(step)


def over(values: Float, step: Float) -> float:
    """Share of the rows in which values are longer than the steps."""
    both = np.isfinite(values) & np.isfinite(step)
    room = ROOM * step[both] + _rounding(step[both]) if both.any() else step[both]
    return float((values[both] > room).mean()) if both.any() else 0.0


def largest_that_fits(columns: list[Float], steps: Steps) -> tuple[int | None, str]:
    """The largest unit in which most lengths fit into the loop: the next is a thousandth of it."""
    for name, unit_ns in sorted(steps.units.items(), key=lambda item: -item[1]):
        longer = [
            min(over(one * unit_ns, steps.after), over(one * unit_ns, steps.before))
            for one in columns
        ]
        if float(np.median(longer)) > 1 - MOST:
            continue
        longest = max(float(np.nanmedian(one)) for one in columns) * unit_ns / steps.typical
        if longest < _LEAST_SHARE:
            return None, ""
        return unit_ns, f"in {name} the longest is {longest:.2g} of the loop, in the next too long"
    return None, ""


def few_lengths(step: Float) -> bool:
    """Whether steps are those of a clock that ticks coarsely beside them [ns]."""
    known = step[np.isfinite(step)]
    levels = np.unique(np.rint(known))
    if len(known) < ENOUGH or len(levels) <= _COARSE:
        return len(known) >= ENOUGH
    if levels[-1] >= _MOST_NS:
        return False
    return common_divisor(levels.astype(np.int64)) >= _TICK * float(np.median(known))


def in_whole_units(values: Float) -> bool:
    """Whether values are whole numbers and no constant, as lengths on a coarse clock are."""
    known = values[np.isfinite(values)]
    return len(known) >= ENOUGH and bool((known == np.rint(known)).all() and np.ptp(known) > 0)


def summed(columns: list[Float]) -> Float | None:
    """Sums row for row, what is missing counting as nothing; NaN where all is missing."""
    if not columns:
        return None
    table = np.stack(columns)
    total = np.nansum(table, axis=0)
    total[~np.isfinite(table).any(axis=0)] = np.nan
    return np.asarray(total, np.float64)


def slope(values: Float, step: Float) -> tuple[float, float] | None:
    """Slope of steps over values, and the correlation squared."""
    both = np.isfinite(values) & np.isfinite(step)
    if both.sum() < ENOUGH:
        return None
    line = straight(values[both], step[both])
    return None if line is None else (line[0], line[1] ** 2)


def slope_unit(values: Float, steps: Steps) -> int | None:
    """The unit in which the steps grow by as much as the values do, one for one."""
    for step in (steps.after, steps.before):
        fit = slope(values, step)
        if fit is None or fit[1] < 0.2:
            continue
        for ns in steps.units.values():
            if 0.6 <= fit[0] / ns <= 1.5 and not _merely_drifts(values, step, ns):
                return ns
    return None


def _merely_drifts(values: Float, step: Float, unit: int) -> bool:
    """Whether values go with the steps along the run only, and not at all from row to row."""
    fit = slope(np.diff(values), _usual(np.diff(step)))
    return fit is not None and fit[0] < _NOT_AT_ALL * unit


def fits(
    seen: list[Seen], columns: list[int], unit: int, steps: Steps, known: Sequence[Float] = ()
) -> bool:
    """Whether columns fill some of the loop and, with lengths that are known, no more than all."""
    own = summed([seen[at].values * unit for at in columns])
    assert own is not None
    share = float(np.nanmedian(own)) / steps.typical
    total = own + np.nansum(known, axis=0) if len(known) else own
    longer = min(over(total, steps.after), over(total, steps.before))
    return longer <= 1 - MOST and share >= 0.02


@dataclass(frozen=True)
class Fit:
    """Slopes of the steps over columns fitted at once, their errors, and what each explains."""

    slope: Float
    error: Float
    share: Float
    explained: float

    def explains(self, which: Bool) -> float:
        """What some of the columns explain, no more than all do.

        Slopes of columns that hold each other may be large both ways, and make up for each other.
        """
        return max(min(float(self.share[which].sum()), self.explained), 0.0)


def together(table: Float, step: Float) -> Fit | None:
    """Least squares of step = rest + sum of slope times value; a part's slope is its unit [ns]."""
    rows = np.isfinite(step) & np.isfinite(table).all(axis=1)
    if rows.sum() < max(ENOUGH, 3 * table.shape[1]):
        return None
    x, y = table[rows] - table[rows].mean(axis=0), step[rows] - step[rows].mean()
    scale = x.std(axis=0)
    live = scale > 0
    whole = float(y @ y)
    if not live.any() or not whole > 0:  # squares of next to nothing are nothing
        return None
    x = x[:, live] / scale[live]
    slope, *_ = np.linalg.lstsq(x, y, rcond=1e-8)
    rest = float(np.square(y - x @ slope).sum())
    noise = np.sqrt(max(rest, 1e-12) / max(1, len(y) - int(live.sum())) / len(y))
    found = Fit(np.zeros(len(live)), np.full(len(live), np.inf), np.zeros(len(live)), 0.0)
    found.slope[live], found.error[live] = slope / scale[live], noise / scale[live]
    found.share[live] = np.square(slope) * len(y) / whole
    return replace(found, explained=1 - rest / whole)


def holds_others(values: Float, at: int) -> bool:
    """Whether a timer holds all others and little else: never less, and longer as they are.

    What lies between its parts is its own, so that it need not equal their sum.

    Parameters
    ----------
    values : float64 array, shape (k, n)
        Durations of k timers in n loops, NaN where there is none.
    at : int
        The timer that is asked about.

    Examples
    --------
    >>> took = np.random.default_rng(1).uniform(1, 3, (2, 200))
    >>> both = np.stack([*took, took.sum(axis=0) + 0.3])
    >>> holds_others(both, 2), holds_others(both, 1)
    (True, False)
    """
    values = values[:, np.isfinite(values[at])]
    whole, total = values[at], np.nansum(np.delete(values, at, axis=0), axis=0)
    if len(values) < 3 or values.shape[1] < 3 or (line := straight(total, whole)) is None:
        return False
    close = 0.9 <= line[0] <= 1.1 and (line[1] ** 2 >= _FOLLOWS or _grows_with_each(values, at))
    little = np.median(total) >= _BESIDE * np.median(whole)
    return bool(close and little and (total <= (1 + NEAR) * whole).mean() >= _HOLDS)


def _grows_with_each(values: Float, at: int) -> bool:
    """Whether a timer grows one for one with several others, whatever else it holds.

    Those whose slope the rows do not tell are not asked.
    """
    others = np.nan_to_num(np.delete(values, at, axis=0))
    fit = together(others.T, values[at])
    if fit is None or fit.explained < _FOLLOWS_EACH:
        return False
    told = fit.error < _KNOWN_SLOPE
    if told.sum() < 2 or not (np.abs(fit.slope - 1) < np.maximum(3 * fit.error, 0.02))[told].all():
        return False
    return bool(np.triu(np.corrcoef(others[told]), 1).max() < _APART)


def evident(
    seen: list[Seen],
    columns: list[int],
    steps: Steps,
    slopes: tuple[float, float] = (0.6, 1.5),
    least: float = 0.2,
    beside: Sequence[Float] = (),
) -> tuple[list[int], int | None]:
    """Columns that the clock's steps grow with one for one, and their unit.

    Parameters
    ----------
    seen, columns : list of Seen, list of int
        All columns, and those that are asked about.
    steps : Steps
        Of the clock.
    slopes : tuple of float
        Between which a slope counts as one.
    least : float
        Share of the variance of the steps that all that is found must explain.
    beside : sequence of float64 array, shape (n,) [ns]
        Lengths known to be parts, which explain what they can.
    """
    columns = without_sums(seen, columns)
    table = np.stack([*(seen[at].values for at in columns), *beside], axis=1)
    # where the pace itself changes along the run, what differs from row to row still tells
    for by_row in (False, True):
        best: tuple[float, list[int], int] = (least, [], 0)
        for step in (steps.after, steps.before):
            change = _usual(np.diff(step)) if by_row else step
            fit = together(np.diff(table, int(by_row), axis=0), change)
            if fit is None or fit.explained < best[0]:
                continue
            for unit in steps.units.values():
                good = _one_for_one(fit, table, len(columns), step, unit, slopes)
                share = fit.explains(good)
                if share >= best[0] and good[: len(columns)].any():
                    mine = zip(columns, good[: len(columns)], strict=True)
                    best = (share, [at for at, ok in mine if ok], unit)
        if best[2]:
            return best[1], best[2]
    return [], None


def of_late_loops(
    seen: list[Seen], columns: list[int], steps: Steps
) -> tuple[list[int], int | None]:
    """Columns that the late ones of paced loops are longer by, one for one, and their unit.

    A loop that waits for its tick is none the longer for a part that leaves it the time. Where the
    part does not, the loop is as long as its work: the step less the part is what else it does.
    """
    for step, on_time in steps.paced():
        units = {at: unit for at in columns
                 if (unit := _late_by(seen[at].values, step, on_time, steps))}  # fmt: skip
        if units:
            unit = min(units.values(), key=lambda ns: -list(units.values()).count(ns))
            return [at for at, ns in units.items() if ns == unit], unit
    return [], None


def _late_by(values: Float, step: Float, on_time: Bool, steps: Steps) -> int | None:
    """The unit [ns] in which late loops are longer by the values that are never so long else."""
    usual = float(np.nanmax(values[on_time], initial=0.0))
    rows = (step > LATE * steps.typical) & (values > usual)
    if rows.sum() < _LATE_ROWS or not usual > 0:
        return None
    line = straight(values[rows], step[rows])
    if line is None or line[1] < _CLOSE:
        return None
    for unit in steps.units.values():
        rest = float(np.median(step[rows] - unit * values[rows]))
        if 0.8 < line[0] / unit < 1.25 and 0 <= rest < steps.typical > usual * unit:
            return unit
    return None


def _usual(change: Float) -> Float:
    """Changes from row to row without those at which the pace itself changes, which are NaN."""
    known = np.abs(change[np.isfinite(change)])
    most = _FAR * float(np.median(known)) if len(known) else np.inf
    return np.where(np.abs(change) <= most, change, np.nan)


def _one_for_one(
    fit: Fit, table: Float, own: int, step: Float, unit: int, slopes: tuple[float, float]
) -> Bool:
    """Which columns have a slope of one in this unit, and fit into the loop."""
    is_own = np.arange(table.shape[1]) < own
    ratio = fit.slope / np.where(is_own, unit, 1)
    good = (ratio > slopes[0]) & (ratio < slopes[1]) & (fit.slope > SURE_Z * fit.error)
    for at in np.flatnonzero(good & is_own):
        good[at] = over(table[:, at] * unit, step) <= 1 - MOST
    return good


def without_sums(seen: list[Seen], columns: list[int]) -> list[int]:
    """Columns without those that are the sums of others: beside these they tell nothing more."""
    if len(columns) < 3:
        return columns
    whole = np.stack([seen[at].values for at in columns], axis=1)
    whole = whole[np.isfinite(whole).all(axis=1)]
    scale = float(np.abs(whole).max(initial=0.0))
    if len(whole) < ENOUGH or scale <= 0:
        return columns
    parent = enclosing(np.rint(whole / scale * 1e12).astype(np.int64))
    sums = {int(at) for at in parent if at >= 0}
    return [at for place, at in enumerate(columns) if place not in sums]
