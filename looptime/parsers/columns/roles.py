"""What columns of durations are of a loop, from their values and the steps of the log's clock.

A part moves the step of the clock that it lies in by its own length, be that the step after its
row (stamped at the start) or the one before (stamped at the end). The whole fills it, a period
equals it, a deviation has both signs, a timer of the run does nothing but rise.
"""

from __future__ import annotations

from dataclasses import field, replace

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.inside import enclosing
from looptime.records import dataclass
from looptime.units import UNITS

__all__ = ["ROLES", "Judged", "Role", "Seen", "Stamped", "judge", "stamped"]

#: What a column can be taken for.
ROLES = (
    "part", "whole", "period", "latency", "deviation", "setting", "run timer", "start-up timer",
    "beside", "signal",
)  # fmt: skip
#: Columns that are about the loop itself.
_OF_THE_LOOP = ("whole", "period", "busy")
#: Longer than any log; more of them still add up in 64 bits [ns].
_MOST_NS = 1e15
#: Values beyond this overflow where they are multiplied.
_HUGE = 1e60
#: A sum may exceed the step by so much: rounding, and the few instructions around the timers.
_ROOM = 1.02
#: Share of the rows in which a bound must hold.
_MOST = 0.95
#: Parts that fill less of the loop than this may as well be in another unit.
_LEAST_SHARE = 0.004
#: From so many rows on values are asked; with fewer the names alone are believed.
_ENOUGH = 20
#: From how many standard errors on a correlation is believed; heavy tails make few rows weigh much.
_SURE_Z = 6.0


@dataclass(frozen=True)
class Seen:
    """A column before it is judged."""

    meaning: str  #: What its header says, one of `looptime.parsers.columns.lexicon.MEANINGS`
    values: Float  #: As they stand; NaN where there is none; shape (n,)
    unit_ns: int | None = None  #: Nanoseconds in one unit, where the header says
    words: tuple[str, ...] = ()  #: Words of its header that say of what it tells
    name: str = ""  #: Its header, for messages


@dataclass(frozen=True)
class Role:
    """What a column is taken for."""

    taken_as: str  #: One of `ROLES`
    unit_ns: int | None = None  #: Nanoseconds in one unit; None where it holds no time
    unit_from: str = ""  #: ``header``, or what the unit was inferred from
    why: str = ""  #: The reason in plain words
    sure: str = "sure"  #: ``sure``, ``likely`` or ``unsure``
    inside: int = -1  #: The column in which it lies, -1 for none
    #: ``after`` or ``before``: the clock's step beside the row that a period or a whole goes with.
    step: str = ""


@dataclass(frozen=True)
class Stamped:
    """Which end of its loop a row is stamped at."""

    side: str = ""  #: ``start``, ``end``, or nothing where the values do not tell
    why: str = ""


@dataclass(frozen=True)
class Judged:
    """The roles of columns, in their order, and which end of its loop a row is stamped at."""

    roles: tuple[Role, ...]
    stamped: Stamped = field(default_factory=Stamped)


def judge(seen: list[Seen], clock: Float | None = None) -> Judged:
    """Find the role of every column.

    Parameters
    ----------
    seen : list of Seen
        Every column that is not the clock.
    clock : float64 array, shape (n,) [ns], or None
        The clock, row for row.

    Examples
    --------
    >>> import numpy as np
    >>> k = np.arange(60.0)
    >>> gyro, drive = 1 + k % 7, 4 + k % 5
    >>> clock = np.concatenate([[0], np.cumsum(gyro + drive + 3)[:-1]]) * 1e6
    >>> found = judge([Seen("bare", gyro), Seen("bare", drive), Seen("bare", k % 4 + 170)], clock)
    >>> [role.taken_as for role in found.roles], found.roles[0].unit_ns, found.stamped.side
    (['part', 'part', 'signal'], 1000000, 'start')
    """
    seen = [_in_bounds(one) for one in seen]
    steps = _Steps.of(clock, seen)
    roles: dict[int, Role] = {}
    for at, one in enumerate(seen):
        known = _by_itself(one, clock)
        if known is not None:
            roles[at] = known
    for at, one in enumerate(seen):
        if at not in roles and one.meaning in _OF_THE_LOOP:
            roles[at] = _of_the_loop(one, steps, clock is not None)
    named = [at for at in range(len(seen)) if at not in roles and seen[at].meaning == "duration"]
    roles |= _parts(seen, named, steps)
    bare = [at for at in range(len(seen)) if at not in roles]
    roles |= _bare(seen, bare, steps, roles)
    roles = _within(seen, steps, roles)
    inner = {at: r for at, r in roles.items() if r.taken_as == "part" and r.inside < 0}
    total = _sum([seen[at].values * (r.unit_ns or 1) for at, r in inner.items()])
    if total is None:
        found = [at for at, r in roles.items() if r.taken_as == "whole"]
        total = seen[found[0]].values * (roles[found[0]].unit_ns or 1) if found else None
    side = stamped(total, steps.after) if total is not None and clock is not None else Stamped()
    if len(steps.units) == 1:  # in the unit of the whole, which nobody says
        roles = {at: role if seen[at].unit_ns else replace(role, unit_ns=None)
                 for at, role in roles.items()}  # fmt: skip
    return Judged(tuple(roles[at] for at in range(len(seen))), side)


def _in_bounds(one: Seen) -> Seen:
    """A column without values that are too large to be multiplied: they are garbled."""
    with np.errstate(invalid="ignore"):
        far = np.abs(one.values) > _HUGE
    return replace(one, values=np.where(far, np.nan, one.values)) if far.any() else one


@dataclass(frozen=True)
class _Steps:
    """Steps of the clock after each row and before it [ns]; NaN where there is none."""

    after: Float
    before: Float
    typical: float
    units: dict[str, int]

    @classmethod
    def of(cls, clock: Float | None, seen: list[Seen]) -> _Steps:
        count = len(seen[0].values) if seen else 0
        after, units = np.full(count, np.nan), UNITS
        if clock is not None and count > 1:
            after[:-1] = np.diff(clock)
        elif clock is None:
            after, units = _reference(seen, count)
        after[~((after > 0) & (after < _HUGE))] = np.nan
        before = after
        if clock is not None:
            before = np.concatenate([[np.nan], after[:-1]]) if count else after
        typical = float(np.nanmedian(after)) if np.isfinite(after).any() else np.nan
        return cls(after, before, typical, units)

    @property
    def some(self) -> bool:
        return int(np.isfinite(self.after).sum()) >= 3

    @property
    def known(self) -> bool:
        return int(np.isfinite(self.after).sum()) >= _ENOUGH


def _reference(seen: list[Seen], count: int) -> tuple[Float, dict[str, int]]:
    """Lengths of the loops where there is no clock, and the units to try beside them.

    Where nobody says the unit of the period or the whole, all other lengths are taken in it too.
    """
    for meaning in ("period", "whole"):
        for one in seen:
            if one.meaning == meaning:
                unit = one.unit_ns or next((other.unit_ns for other in seen if other.unit_ns), None)
                lengths = np.array(one.values * (unit or 1))
                return lengths, UNITS if unit else {"the same unit": 1}
    return np.full(count, np.nan), UNITS


def _by_itself(one: Seen, clock: Float | None) -> Role | None:
    """The role that a column has whatever stands beside it."""
    unit = one.unit_ns
    said = "header" if unit else ""
    known = one.values[np.isfinite(one.values)]
    if one.meaning in ("signal", "counter", "group", "clock"):
        return Role("signal", None, "", f"its header names a {one.meaning}")
    if not len(known):
        return Role("signal", None, "", "it holds no numbers")
    if one.meaning in ("latency", "deviation", "setting"):
        return Role(one.meaning, unit, said, f"its header names a {one.meaning}")
    negative = float((known < 0).mean())
    if one.meaning == "bare":
        if negative > 0 or len(np.unique(known)) < 3:
            return Role("signal", None, "", "its values are no lengths of time", "likely")
        return Role("signal", None, "", "it rises") if _rises(known) else None
    if negative > 0.05 and one.meaning != "period":
        return Role("deviation", unit, said, f"{negative:.0%} of its values are below zero")
    if len(one.values) >= _ENOUGH and not (known[known > 0].size > 2 or one.values[2:].any()):
        return Role("start-up timer", unit, said, "it has a value in the first rows only")
    if _rises(known) and (len(known) >= _ENOUGH or _spans(one, clock)):
        return Role("run timer", unit, said, "it rises from row to row")
    return None


def _spans(one: Seen, clock: Float | None) -> bool:
    """Whether values climb by as much as the clock does."""
    if clock is None or one.unit_ns is None:
        return False
    climb, run = (float(np.nanmax(a) - np.nanmin(a)) for a in (one.values, clock))
    return 0.7 * run <= climb * one.unit_ns <= 1.4 * run


def _rises(known: Float) -> bool:
    """Whether values never fall and mostly climb, as a timer that is not set back does."""
    step = np.diff(known)
    return len(step) >= 5 and bool((step >= 0).mean() >= 0.98 and (step > 0).mean() >= 0.3)


def _of_the_loop(one: Seen, steps: _Steps, clock: bool) -> Role:
    """Whole or period: what equals the clock's steps is a period, what fits into them a whole."""
    named = "period" if one.meaning == "period" else "whole"
    if not steps.some or not clock:
        said = "header" if one.unit_ns else ""
        return Role(named, one.unit_ns, said, "its header says so")
    best: tuple[float, int, str] | None = None
    for unit_ns in [one.unit_ns] if one.unit_ns else steps.units.values():
        for word, step in (("after", steps.after), ("before", steps.before)):
            equal = _equal(one.values * unit_ns, step)
            if best is None or equal > best[0]:
                best = (equal, unit_ns, word)
    assert best is not None
    equal, unit_ns, word = best
    if equal >= 0.8 and one.meaning != "busy" and steps.known:
        unit_from = (
            "header" if one.unit_ns else "it equals the steps of the clock in this unit only"
        )
        why = f"it equals the clock's step {word} its row"
        return Role("period", unit_ns, unit_from, why, step=word)
    found, unit_from = _unit_of(one, steps)
    if found is None:
        return Role(named, one.unit_ns, "", "its values go with no unit", "unsure")
    values = one.values * found
    over, word = min((_over(values, steps.after), "after"), (_over(values, steps.before), "before"))
    if over > 0.5 and one.meaning != "period" and steps.known:
        return Role(
            "latency", found, unit_from, "it is longer than the steps of the clock", "likely"
        )
    word = stamped(values, steps.after).side.replace("start", "after").replace("end", "before")
    why = f"its header says so, and it is {np.nanmedian(values) / steps.typical:.0%} "
    return Role(named, found, unit_from, f"{why}of the clock's steps", "sure", step=word)


def _equal(values: Float, step: Float) -> float:
    """Share of the rows in which values equal the steps, as far as both are printed."""
    with np.errstate(invalid="ignore"):
        both = np.isfinite(values) & np.isfinite(step)
        if not both.any():
            return 0.0
        room = np.maximum(0.02 * step[both], 1.01 * _tick(step[both]))
        return float((np.abs(values[both] - step[both]) <= room).mean())


def _tick(step: Float) -> float:
    """The least difference between steps that is more than rounding of floats [ns]."""
    levels = np.unique(np.rint(step))
    apart = np.diff(levels)
    apart = apart[apart > 300]  # a double since 1970 is off by up to 240 ns
    return min(float(apart.min(initial=np.inf)), 0.1 * float(np.median(step)))


def _over(values: Float, step: Float) -> float:
    """Share of the rows in which values are longer than the steps."""
    both = np.isfinite(values) & np.isfinite(step)
    room = _ROOM * step[both] + _tick(step[both]) if both.any() else step[both]
    return float((values[both] > room).mean()) if both.any() else 0.0


def _unit_of(one: Seen, steps: _Steps) -> tuple[int | None, str]:
    """The unit of one column, or that in which it fits into the steps best."""
    if one.unit_ns is not None:
        return one.unit_ns, "header"
    return _largest_that_fits([one.values], steps)


def _largest_that_fits(columns: list[Float], steps: _Steps) -> tuple[int | None, str]:
    """The largest unit in which most lengths fit into the loop: the next is a thousandth of it."""
    for name, unit_ns in sorted(steps.units.items(), key=lambda item: -item[1]):
        over = [
            min(_over(one * unit_ns, steps.after), _over(one * unit_ns, steps.before))
            for one in columns
        ]
        if float(np.median(over)) > 1 - _MOST:
            continue
        longest = max(float(np.nanmedian(one)) for one in columns) * unit_ns / steps.typical
        if longest < _LEAST_SHARE:
            return None, ""
        return unit_ns, f"in {name} the longest is {longest:.2g} of the loop, in the next too long"
    return None, ""


def _sum(columns: list[Float]) -> Float | None:
    """Sums row for row, what is missing counting as nothing; NaN where all is missing."""
    if not columns:
        return None
    table = np.stack(columns)
    total = np.nansum(table, axis=0)
    total[~np.isfinite(table).any(axis=0)] = np.nan
    return np.asarray(total, np.float64)


def _parts(seen: list[Seen], named: list[int], steps: _Steps) -> dict[int, Role]:
    """Columns that their headers call durations: parts, in one unit where none is said."""
    made: dict[int, Role] = {}
    open_ = [at for at in named if seen[at].unit_ns is None]
    for at in named:
        if seen[at].unit_ns is not None:
            made[at] = _part(seen[at], seen[at].unit_ns, "header", steps, "its header says so")
    if not open_:
        return made
    unit, unit_from = _unit_beside(seen, open_, steps)
    for at in open_:
        why, sure = "its header names a duration", "sure" if unit else "unsure"
        made[at] = _part(seen[at], unit, unit_from, steps, why, sure)
    return made


def _part(
    one: Seen, unit: int | None, unit_from: str, steps: _Steps, why: str, sure: str = "sure"
) -> Role:
    """A part, unless its values are those of something else."""
    if unit is not None and steps.known:
        values = one.values * unit
        for word, step in (("after", steps.after), ("before", steps.before)):
            if _equal(values, step) >= 0.9 and not _constant(one.values):
                why = f"it equals the clock's step {word} its row"
                return Role("period", unit, unit_from, why, step=word)
        if min(_over(values, steps.after), _over(values, steps.before)) > 0.5:
            role = "setting" if _constant(one.values) else "latency"
            return Role(role, unit, unit_from, "it is longer than the loop", "likely")
    return Role("part", unit, unit_from, why, sure)


def _constant(values: Float) -> bool:
    return len(np.unique(values[np.isfinite(values)])) < 3


def _unit_beside(seen: list[Seen], open_: list[int], steps: _Steps) -> tuple[int | None, str]:
    """The one unit of columns whose headers name none: as columns beside them, if that fits."""
    total = _sum([seen[at].values for at in open_])
    assert total is not None
    if not steps.some:
        return None, ""
    _, slope = _evident(seen, open_, steps)
    slope = slope or _slope_unit(total, steps)
    if slope is not None:
        name = next(name for name, ns in steps.units.items() if ns == slope)
        return slope, f"the clock's steps grow with it one for one in {name}"
    return _largest_that_fits([seen[at].values for at in open_], steps)


def _slope_unit(values: Float, steps: _Steps) -> int | None:
    """The unit in which the steps grow by as much as the values do, one for one."""
    for step in (steps.after, steps.before):
        fit = _slope(values, step)
        if fit is None or fit[1] < 0.2:
            continue
        for ns in steps.units.values():
            if 0.6 <= fit[0] / ns <= 1.5:
                return ns
    return None


def _slope(values: Float, step: Float) -> tuple[float, float] | None:
    """Slope of steps over values, and the correlation squared."""
    both = np.isfinite(values) & np.isfinite(step)
    if both.sum() < _ENOUGH:
        return None
    x, y = values[both], step[both]
    x, y = x - x.mean(), y - y.mean()
    power, spread = float(x @ x), float(y @ y)
    if power <= 0 or spread <= 0:
        return None
    together = float(x @ y)
    return together / power, together**2 / (power * spread)


def _bare(
    seen: list[Seen], bare: list[int], steps: _Steps, roles: dict[int, Role]
) -> dict[int, Role]:
    """Columns whose headers say nothing: parts where the clock's steps or a whole say so."""
    signal = Role("signal", None, "", "nothing says that it is a length of time", "likely")
    made = dict.fromkeys(bare, signal)
    if not bare or not steps.some:
        return made
    evident, unit = _evident(seen, bare, steps)
    named = [at for at in bare if seen[at].words]
    if unit is None and named:
        together = _sum([seen[at].values for at in named])
        assert together is not None
        unit = _slope_unit(together, steps)
        unit = unit if unit and _fits(seen, named, unit, steps) else None
    whole = next((at for at, r in roles.items() if r.taken_as in ("whole", "period")), None)
    if unit is None and named and whole is not None and seen[whole].unit_ns is None:
        likely = roles[whole].unit_ns or min(steps.units.values())
        unit = likely if _fits(seen, named, likely, steps) else None
    if unit is None:
        return made
    name = next(name for name, ns in steps.units.items() if ns == unit)
    for at in evident:
        made[at] = Role(
            "part", unit, f"the clock's steps grow with it one for one in {name}",
            "the clock's steps grow with it one for one", "sure",
        )  # fmt: skip
    rest = [at for at in named if at not in evident]
    if rest and _fits(seen, sorted({*named, *evident}), unit, steps):
        for at in rest:
            made[at] = Role(
                "part", unit, f"in {name} it fits into the loop beside the others",
                "all such columns together go with the length of the loop", "likely",
            )  # fmt: skip
    return made


def _fits(seen: list[Seen], columns: list[int], unit: int, steps: _Steps) -> bool:
    """Whether columns together fill some of the loop and no more than all."""
    total = _sum([seen[at].values * unit for at in columns])
    assert total is not None
    share = float(np.nanmedian(total)) / steps.typical
    over = min(_over(total, steps.after), _over(total, steps.before))
    return over <= 1 - _MOST and share >= 0.02


@dataclass(frozen=True)
class _Fit:
    """Slopes of the steps over columns fitted at once, their errors, and what each explains."""

    slope: Float
    error: Float
    share: Float
    explained: float


def _together(table: Float, step: Float) -> _Fit | None:
    """Least squares of step = rest + sum of slope times value; a part's slope is its unit [ns]."""
    rows = np.isfinite(step) & np.isfinite(table).all(axis=1)
    if rows.sum() < max(_ENOUGH, 3 * table.shape[1]):
        return None
    x, y = table[rows] - table[rows].mean(axis=0), step[rows] - step[rows].mean()
    scale = x.std(axis=0)
    live = scale > 0
    if not live.any() or not y.any():
        return None
    x = x[:, live] / scale[live]
    slope, *_ = np.linalg.lstsq(x, y, rcond=1e-8)
    rest = float(np.square(y - x @ slope).sum())
    noise = np.sqrt(max(rest, 1e-12) / max(1, len(y) - int(live.sum())) / len(y))
    whole = float(y @ y)
    found = _Fit(np.zeros(len(live)), np.full(len(live), np.inf), np.zeros(len(live)), 0.0)
    found.slope[live], found.error[live] = slope / scale[live], noise / scale[live]
    found.share[live] = np.square(slope) * len(y) / whole
    return replace(found, explained=1 - rest / whole)


def _evident(seen: list[Seen], columns: list[int], steps: _Steps) -> tuple[list[int], int | None]:
    """Columns that the clock's steps grow with one for one, and their unit.

    They must explain a fifth of the variance of the steps.
    """
    best: tuple[float, list[int], int] = (0.2, [], 0)
    table = np.stack([seen[at].values for at in columns], axis=1)
    for step in (steps.after, steps.before):
        fit = _together(table, step)
        if fit is None or fit.explained < best[0]:
            continue
        for unit in steps.units.values():
            ratio = fit.slope / unit
            good = (ratio > 0.6) & (ratio < 1.5) & (fit.slope > _SURE_Z * fit.error)
            for at in np.flatnonzero(good):
                good[at] = _over(table[:, at] * unit, step) <= 1 - _MOST
            own = float(fit.share[good].sum())
            if own >= best[0]:
                best = (own, [at for at, ok in zip(columns, good, strict=True) if ok], unit)
    return best[1], best[2] or None


def _within(seen: list[Seen], steps: _Steps, roles: dict[int, Role]) -> dict[int, Role]:
    """Parts that lie in other parts or run beside the loop, so that none is counted twice."""
    parts = [at for at, r in roles.items() if r.taken_as == "part" and r.unit_ns]
    roles = dict(roles)
    lengths = {at: seen[at].values * (roles[at].unit_ns or 1) for at in parts}
    for inner in parts:
        words = set(seen[inner].words)
        around = [at for at in parts if seen[at].words and set(seen[at].words) < words]
        around = [at for at in around if _lies_in(lengths[inner], lengths[at])]
        if around:
            nearest = max(around, key=lambda at: len(seen[at].words))
            why = "its name says so and it is never longer"
            roles[inner] = replace(roles[inner], inside=nearest, why=why, sure="likely")
    if len(parts) < 2:
        return roles
    table = np.stack([lengths[at] for at in parts], axis=1)
    sums = enclosing(np.clip(np.nan_to_num(table), -_MOST_NS, _MOST_NS).astype(np.int64))
    for inner, outer in zip(parts, sums, strict=True):
        if outer >= 0 and roles[inner].inside < 0:
            why = f"{seen[parts[outer]].name} is the sum of it and others"
            roles[inner] = replace(roles[inner], inside=parts[outer], why=why)
    top = [at for at in parts if roles[at].inside < 0]
    if len(top) == 1 and not any(r.taken_as in ("whole", "period") for r in roles.values()):
        why = "it is the sum of all others"
        roles[top[0]] = replace(roles[top[0]], taken_as="whole", why=why)
        return {at: replace(r, inside=-1) if r.inside == top[0] else r for at, r in roles.items()}
    while steps.known:
        top = [at for at in parts if roles[at].taken_as == "part" and roles[at].inside < 0]
        if len(top) < 2 or not _too_long([lengths[at] for at in top], steps):
            break
        _make_room(seen, top, lengths, steps, roles)
    return roles


def _too_long(lengths: list[Float], steps: _Steps) -> bool:
    """Whether parts one after another would be longer than the loop."""
    total = _sum(lengths)
    assert total is not None
    return min(_over(total, steps.after), _over(total, steps.before)) > 1 - _MOST


def _make_room(
    seen: list[Seen],
    top: list[int],
    lengths: dict[int, Float],
    steps: _Steps,
    roles: dict[int, Role],
) -> None:
    """Put one part that is too much into another, or beside the loop."""
    own = {at: lengths[at].copy() for at in top}  # without what lies in each
    for at, role in roles.items():
        if role.inside in own:
            own[role.inside] -= np.nan_to_num(lengths[at])
    pairs = [
        (fit, inner, outer)
        for inner in top
        for outer in top
        if inner != outer and (fit := _grows(lengths[inner], own[outer])) > 0
    ]
    if pairs:
        _, inner, outer = max(pairs)
        why = f"{seen[outer].name} grows with it one for one and is never shorter"
        roles[inner] = replace(roles[inner], inside=outer, why=why, sure="likely")
        return
    told = _told(np.stack([lengths[at] for at in top], axis=1), steps)
    length = [float(np.nanmedian(lengths[at])) for at in top]
    _, _, least = min(zip(told, [-one for one in length], top, strict=True))
    why = "with it the parts would be longer than the loop: it runs beside them, or holds some"
    roles[least] = replace(roles[least], taken_as="beside", why=why, sure="unsure")


def _told(lengths: Float, steps: _Steps) -> list[float]:
    """In how many standard errors the steps grow with each part one for one, 0 where not."""
    best = np.zeros(lengths.shape[1])
    for step in (steps.after, steps.before):
        fit = _together(lengths, step)
        if fit is not None:
            good = (fit.slope > 0.6) & (fit.slope < 1.5)
            best = np.maximum(best, np.where(good, fit.slope / fit.error, 0.0))
    return [float(one) for one in best]


def _lies_in(inner: Float, outer: Float) -> bool:
    """Whether one part may lie in another: never longer, and the other grows with it."""
    return _grows(inner, outer) >= 0.2


def _grows(inner: Float, outer: Float) -> float:
    """Share of the outer part's variance that the inner explains; 0 where it cannot lie in it."""
    both = np.isfinite(inner) & np.isfinite(outer)
    if both.sum() < _ENOUGH or not (inner[both] <= _ROOM * outer[both]).mean() >= 0.99:
        return 0.0
    fit = _slope(inner, outer)
    return fit[1] if fit is not None and 0.6 <= fit[0] <= 1.5 and fit[1] >= 0.05 else 0.0


def stamped(total: Float, after: Float) -> Stamped:
    """Tell whether rows are stamped at the start or at the end of their loops.

    Parameters
    ----------
    total : float64 array, shape (n,) [ns]
        What the parts of each row add up to.
    after : float64 array, shape (n,) [ns]
        The clock's step after each row.

    Notes
    -----
    With the correlations r of the sums with the steps after and before, Fisher's z = artanh(r) has
    the standard error 1/sqrt(n - 3) each; six of their difference decide, since the lengths of
    loops have heavy tails.

    Examples
    --------
    >>> import numpy as np
    >>> work = 5 + (np.arange(100) * 37 % 11) * 1.0
    >>> stamped(work, work + 1).side, stamped(work, np.append(work[1:], np.nan) + 1).side
    ('start', 'end')
    """
    now, then = total[1:-1], after[1:-1]
    before = after[:-2]
    good = np.isfinite(now) & np.isfinite(then) & np.isfinite(before)
    if good.sum() < _ENOUGH:
        return Stamped("", "too few rows to tell")
    now, then, before = now[good], then[good], before[good]
    own, last = _correlation(now, then), _correlation(now, before)
    error = np.sqrt(2 / (len(now) - 3))
    z = (np.arctanh(min(last, 0.9999)) - np.arctanh(min(own, 0.9999))) / error
    told = f"the parts go with the step after the row by {own:.2f}, before it by {last:.2f}"
    if max(own, last) > 0.1 and abs(z) > _SURE_Z:
        return Stamped("end" if z > 0 else "start", told)
    late, early = _over(now, then), _over(now, before)
    if late > 0.02 and late > 4 * early:
        return Stamped("end", f"{late:.0%} of the rows are longer than the step after them")
    if early > 0.02 and early > 4 * late:
        return Stamped("start", f"{early:.0%} of the rows are longer than the step before them")
    return Stamped("", f"can't tell: {told}")


def _correlation(x: Float, y: Float) -> float:
    fit = _slope(x, y)
    return 0.0 if fit is None else float(np.sign(fit[0]) * np.sqrt(fit[1]))
