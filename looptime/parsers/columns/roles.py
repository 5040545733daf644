"""What columns of durations are of a loop, from their values and the steps of the log's clock.

A part moves the step of the clock that it lies in by its own length, be that the step after its
row (stamped at the start) or the one before (stamped at the end). The whole fills it, a period
equals it, a deviation has both signs, a timer of the run does nothing but rise.
"""

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.add_up import add_up, made_up_of_bare, off_by
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    MOST,
    Steps,
    equal,
    evident,
    few_lengths,
    fits,
    in_whole_units,
    largest_that_fits,
    least_step,
    over,
    slope,
    slope_unit,
    summed,
)
from looptime.parsers.columns.bare_columns import in_one_length, of_bare, under_other_names
from looptime.parsers.columns.faults import no_deviation
from looptime.parsers.columns.in_list import in_list
from looptime.parsers.columns.making_up import making_up
from looptime.parsers.columns.named_wholes import (
    contradicted,
    parts_named_wholes,
    work_beside_a_rest,
)
from looptime.parsers.columns.other_row import by_row, own_rows
from looptime.parsers.columns.role import EITHER, FALSE_UNIT, MAYBE, Judged, Role, Seen, Stamped
from looptime.parsers.columns.set_lengths import as_set, left_of_set, told_by_words
from looptime.parsers.columns.so_far import so_far
from looptime.parsers.columns.stamped_at import stamped
from looptime.parsers.columns.within import within
from looptime.stats.arrays import HUGE, mad
from looptime.units import UNITS, word_unit

__all__ = ["judge"]

_SCORE = "it stays as it is for long and never falls, as a score"
#: Columns that are about the loop itself.
_OF_THE_LOOP = ("whole", "period", "busy")
#: Columns whose headers say that they hold no times at all.
_NO_TIMES = ("counter", "group", "clock", "heading", "turn rate")
#: Steps from which on what is added up differs from a length, and how many times as long as the
#: way from first to last all together may be.
_MANY, _TURNS = 150, 2
#: How far from one a slope is where steps grow with the work, and what it explains of them.
_ONE, _MORE_THAN_HALF = 0.15, 0.6
#: How much shorter than steps that vary less than half as much work is that waits for a tick.
_SHORTER, _MORE_EVEN = 0.95, 0.5
#: Share of values with a fraction that are no count, most things that are numbered, and the share
#: of the rows in which what counts falls.
_BROKEN, _THINGS, _FALLS = 0.1, 20, 0.2
#: What a coarse clock rounds changes in so many rows; the fewest rows that show a rare call.
_TURNS_OFTEN, _FEW = 0.1, 3


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
    seen = [told_by_words(_no_number_of_things(_in_bounds(one))) for one in seen]
    alone = {at: _by_itself(one, clock) for at, one in enumerate(seen)}
    roles = {at: role for at, role in alone.items() if role is not None}
    if (sum_of := made_up_of_bare(seen, roles, clock is not None)) >= 0:
        seen[sum_of] = replace(seen[sum_of], meaning="whole")
    steps = Steps.of(clock, [one if at not in roles else replace(one, meaning="signal")
                             for at, one in enumerate(seen)])  # fmt: skip
    seen = [one if at in roles else _not_done(one) for at, one in enumerate(seen)]
    steps, moves = own_rows(seen, steps, clock is not None)
    roles |= so_far(seen, roles)
    for at, one in enumerate(seen):
        if at not in roles and one.meaning in _OF_THE_LOOP:
            roles[at] = _of_the_loop(one, steps, clock is not None)
    if clock is None:
        roles |= _longest_is_period(seen, roles)
    for at in parts_named_wholes(seen, roles, steps):
        seen[at] = replace(seen[at], meaning="duration" if seen[at].unit_ns else "bare")
        del roles[at]
    roles |= as_set(seen, roles, steps)
    if clock is not None and (left := left_of_set(seen, roles, steps)) is not None:
        roles[left[0]], seen[left[0]] = left[1:]
    roles |= contradicted(seen, roles)
    roles |= work_beside_a_rest(seen, roles, steps) if steps.known and clock is not None else {}
    roles |= off_by(seen, roles, steps)
    roles |= add_up(seen, roles)
    named = [at for at in range(len(seen)) if at not in roles and seen[at].meaning == "duration"]
    roles |= _parts(seen, named, steps)
    unsaid = [at for at in range(len(seen)) if at not in roles and seen[at].meaning == "bare"]
    roles |= {} if clock is None else _equal_to_steps(seen, unsaid, steps)
    signals = [at for at in range(len(seen)) if at not in roles and seen[at].meaning == "signal"]
    bare = [at for at in range(len(seen)) if at not in roles and at not in signals]
    roles |= of_bare(seen, bare, steps, roles) if steps.some else in_one_length(seen, bare, roles)
    roles |= under_other_names(seen, signals, steps, roles)
    parts = [seen[at].values * (roles[at].unit_ns or 1) for at in signals
             if roles[at].taken_as == "part"]  # fmt: skip
    if parts:  # beside what they explain, others tell
        bare = [at for at in bare if roles[at].taken_as == "signal"]
        roles |= of_bare(seen, bare, steps, roles, parts)
    open_ = [at for at in (*unsaid, *signals) if roles[at].taken_as == "signal"]
    roles |= making_up(seen, open_, roles, steps) if clock is not None else {}
    roles |= in_list(seen, [at for at, r in alone.items() if r is not None], roles, steps)
    roles = within(seen, steps, roles)
    inner = {at: r for at, r in roles.items() if r.taken_as == "part" and r.inside < 0}
    total = summed([seen[at].values * (r.unit_ns or 1) for at, r in inner.items()])
    if total is None:
        found = [at for at, r in roles.items() if r.taken_as == "whole"]
        total = seen[found[0]].values * (roles[found[0]].unit_ns or 1) if found else None
    side = stamped(total, steps.after) if total is not None and clock is not None else Stamped()
    if moves:
        roles, meant = by_row(roles, moves)
        side = meant if meant.side else side
    if len(steps.units) == 1:  # in the unit of the whole, which nobody says
        roles = {at: role if seen[at].unit_ns else replace(role, unit_ns=None)
                 for at, role in roles.items()}  # fmt: skip
    return Judged(tuple(roles[at] for at in range(len(seen))), side)


def _in_bounds(one: Seen) -> Seen:
    """A column without values that are too large to be multiplied: they are garbled."""
    with np.errstate(invalid="ignore"):
        far = np.abs(one.values) > HUGE
    return replace(one, values=np.where(far, np.nan, one.values)) if far.any() else one


def _no_number_of_things(one: Seen) -> Seen:
    """A column that is named like a count or a number of things and holds other values.

    "row_sensor" may be how long that took; such values are asked as those named like signals are.
    """
    known = one.values[np.isfinite(one.values)]
    if one.meaning not in ("counter", "group") or one.unit_ns or len(known) < ENOUGH:
        return one
    broken = float((known != np.rint(known)).mean()) > _BROKEN
    many = len(np.unique(known)) > _THINGS and (np.diff(known) < 0).mean() > _FALLS
    return replace(one, meaning="signal") if broken or many else one


def _not_done(one: Seen) -> Seen:
    """A column whose cells are empty in some loops, which may be parts that took no time there."""
    there = np.isfinite(one.values)
    some = ENOUGH <= there.sum() <= MOST * len(there)
    if one.meaning not in ("bare", "signal") or not some or (one.values[there] < 0).any():
        return one
    return replace(one, values=np.where(there, one.values, 0.0))


def _by_itself(one: Seen, clock: Float | None) -> Role | None:
    """The role that a column has whatever stands beside it."""
    unit = one.unit_ns
    said = "header" if unit else ""
    known = one.values[np.isfinite(one.values)]
    named = Role("signal", None, "", f"its header names a {one.meaning}")
    if one.meaning in _NO_TIMES or (one.meaning == "signal" and unit):
        return named
    if not len(known):
        return Role("signal", None, "", "it holds no numbers")
    if one.meaning == "deviation" and not unit and (why := no_deviation(one.name, known)):
        return Role("signal", None, "", why)
    if one.meaning in ("latency", "deviation", "setting"):
        return Role(one.meaning, unit, said, f"its header names a {one.meaning}")
    negative = float((known < 0).mean())
    if one.meaning == "signal":  # "drive_pos" may be how long reading it took
        lengths = len(known) >= ENOUGH and not negative and len(np.unique(known)) >= 3
        return None if lengths and not _rises(known) and not _winds(known) else named
    if one.meaning == "bare":
        if negative > 0 or len(np.unique(known)) < 3:
            if not negative and _now_and_then(known, clock):
                return None
            if not negative and _may_be_rounded(known, clock):
                return Role("signal", None, "", MAYBE, "unsure")
            return Role("signal", None, "", "its values are no lengths of time", "likely")
        if _rises(known):
            return Role("signal", None, "", "it rises")
        if clock is not None and _adds_up(known):
            return Role("signal", None, "", _SCORE)
        winds = "it moves bit by bit, as what is added up does"
        return Role("signal", None, "", winds) if _winds(known) else None
    if negative > 0.05 and one.meaning != "period":
        why = f"{100 * negative:.0f} % of its values are below zero"
        told = one.meaning == "deviation" or one.unit_ns is None
        return Role("deviation", unit, said, why, "sure" if told else "unsure")
    begun = len(one.values) >= ENOUGH and (one.values[:2].any() or one.meaning != "duration")
    if begun and not (known[known > 0].size > 2 or one.values[2:].any()):
        return Role("start-up timer", unit, said, "it has a value in the first rows only")
    if clock is not None and _adds_up(known):
        return Role("signal", None, "", _SCORE)
    if _rises(known) and (len(known) >= ENOUGH or _spans(one, clock)):
        return Role("run timer", unit, said, "it rises from row to row")
    return None


def _may_be_rounded(known: Float, clock: Float | None) -> bool:
    """Whether two values may be a short length in whole units of a clock as coarse as it."""
    turns = float((np.diff(known) != 0).mean()) if len(known) > 1 else 0.0
    return _coarse(known, clock) and np.ptp(known) == 1 and turns >= _TURNS_OFTEN


def _now_and_then(known: Float, clock: Float | None) -> bool:
    """Whether it is nothing, and for single rows as long as ever, as a rare call of one length.

    In whole units of a clock as coarse as it; a state stays for longer than a row.
    """
    if not _coarse(known, clock) or known.min() != 0 or not np.ptp(known) > 1:
        return False
    made = known > 0
    return bool(_FEW <= made.sum() <= len(made) / 2 and not (made[1:] & made[:-1]).any())


def _coarse(known: Float, clock: Float | None) -> bool:
    """Whether values are whole numbers beside a clock whose steps are of a few lengths."""
    return clock is not None and in_whole_units(known) and few_lengths(np.diff(clock))


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


def _adds_up(known: Float) -> bool:
    """Whether values stay as they are in nearly all rows and never fall where they change."""
    step = np.diff(known)
    changes = step[step != 0]
    return len(step) >= _MANY and 3 <= len(changes) <= 0.1 * len(step) and bool((changes > 0).all())


def _winds(known: Float) -> bool:
    """Whether values move on a little in most rows and hardly turn back, as positions do.

    All steps together are no more than a few times as long as the way from the first value to the
    last; those of a length of time, another one in each loop, are hundreds of times as long.
    """
    step = np.abs(np.diff(known))
    if len(step) < _MANY or (step > 0).mean() < 0.3:
        return False
    way = abs(float(known[-1] - known[0]))
    return float(step.sum()) <= _TURNS * way and float(step.max()) <= 0.05 * way


def _of_the_loop(one: Seen, steps: Steps, clock: bool) -> Role:
    """Whole or period: what equals the clock's steps is a period, what fits into them a whole."""
    named = "period" if one.meaning == "period" else "whole"
    if not steps.some or not clock:
        said = "header" if one.unit_ns else ""
        return Role(named, one.unit_ns, said, "its header says so")
    units = [one.unit_ns] if one.unit_ns else list(steps.units.values())
    share, unit_ns, word = _equality(one.values, units, steps)
    if share >= 0.8 and one.meaning != "busy" and steps.known:
        unit_from = (
            "header" if one.unit_ns else "it equals the steps of the clock in this unit only"
        )
        why = f"it equals the clock's step {word} its row"
        return Role("period", unit_ns, unit_from, why, step=word)
    found, unit_from = _unit_of(one, steps)
    if found is None:
        return Role("signal", None, "", "in no unit does it fit into the loop", "likely")
    values = one.values * found
    longer, word = min((over(values, steps.after), "after"), (over(values, steps.before), "before"))
    if longer > 0.5 and one.meaning != "period" and steps.known:
        return Role(
            "latency", found, unit_from, "it is longer than the steps of the clock", "likely"
        )
    word = stamped(values, steps.after).side.replace("start", "after").replace("end", "before")
    if one.meaning == "period" and steps.known and _is_work(values, steps):
        why = "the clock's steps are longer by a rest or by a wait for a tick: it is the work"
        return Role("whole", found, unit_from, why, "likely", step=word)
    if one.meaning == "period" and one.unit_ns is None and np.nanmin(values) == np.nanmax(values):
        why = f"it is always {one.values[np.isfinite(one.values)][0]:g}, and no unit says of what"
        return Role("signal", None, "", why, "unsure")
    why = f"its header says so, and it is {100 * np.nanmedian(values) / steps.typical:.0f} % "
    return Role(named, found, unit_from, f"{why}of the clock's steps", "sure", step=word)


def _is_work(values: Float, steps: Steps) -> bool:
    """Whether a length is the work, and the steps are longer by a rest or a wait for a tick.

    A rest does not go with the work; a wait makes up for it, and the steps or the instants that lie
    a length before the stamps are then far more even than the work. Of rows that stand for one loop
    of several, the period of one explains half a step at most, and is more even than these.
    """
    sides = [step for step in steps.sides.values() if over(values, step) <= 1 - MOST]
    found = [fit for step in sides if (fit := slope(values, step)) is not None]
    grow = any(1 - _ONE < fit[0] < 1 + _ONE and fit[1] >= _MORE_THAN_HALF for fit in found)
    if grow or not sides or np.nanmedian(values) > _SHORTER * steps.typical:
        return grow
    tick = steps.after[:-1] - np.diff(values)  # from begin to begin if stamped at the end
    even = min(_scatter(steps.after), _scatter(tick))
    return even < _MORE_EVEN * min(_scatter(values), _scatter(np.diff(values)))


def _scatter(values: Float) -> float:
    known = values[np.isfinite(values)]
    return max(mad(known), least_step(known)) if len(known) else 0.0


def _longest_is_period(seen: list[Seen], roles: dict[int, Role]) -> dict[int, Role]:
    """Of two lengths of the whole loop, without a clock, the longer: the other is its work.

    What a loop is busy with lasts as long as it or less, but for what rounding takes off.
    """
    wholes = [at for at, role in roles.items() if role.taken_as == "whole"]
    if len(wholes) != 2 or any(role.taken_as == "period" for role in roles.values()):
        return {}
    unit = next((seen[at].unit_ns for at in wholes if seen[at].unit_ns), None)
    one, other = (seen[at].values * (seen[at].unit_ns or unit or 1) for at in wholes)
    long, short, at = (one, other, wholes[0])
    if not np.nanmedian(one) >= np.nanmedian(other):
        long, short, at = other, one, wholes[1]
    both = np.isfinite(long) & np.isfinite(short)
    if seen[at].meaning != "whole" or both.sum() < ENOUGH or (long < short)[both].any():
        return {}
    why = f"it is never shorter than {seen[wholes[0] + wholes[1] - at].name}, the work in it"
    return {at: replace(roles[at], taken_as="period", why=why)}


def _equality(
    values: Float, units: list[int], steps: Steps, sides: Collection[str] = ("after", "before")
) -> tuple[float, int, str]:
    """Share of the rows in which values equal the steps; in which unit [ns] and on which side."""
    tried = [(equal(values * ns, steps.sides[word]), ns, word) for ns in units for word in sides]
    return max(tried, key=lambda one: one[0], default=(0.0, 0, ""))


def _unit_of(one: Seen, steps: Steps) -> tuple[int | None, str]:
    """The unit of one column, or that in which it fits into the steps best."""
    if one.unit_ns is not None:
        return one.unit_ns, "header"
    return largest_that_fits([one.values], steps)


def _parts(seen: list[Seen], named: list[int], steps: Steps) -> dict[int, Role]:
    """Columns that their headers call durations: parts, in one unit where none is said."""
    made: dict[int, Role] = {}
    open_ = [at for at in named if seen[at].unit_ns is None]
    false = _false_units(seen, [at for at in named if seen[at].unit_ns is not None], steps)
    for at in named:
        if at in false:
            made[at] = _part(seen[at], *false[at], steps, "its header says so", "likely")
        elif seen[at].unit_ns is not None:
            doubted = _no_more_than_a_unit(seen[at].name) or seen[at].above == EITHER
            sure, why = "likely" if doubted else "sure", seen[at].above or "its header says so"
            made[at] = _part(seen[at], seen[at].unit_ns, "header", steps, why, sure)
    if not open_:
        return made
    unit, unit_from = _unit_beside(seen, open_, steps)
    for at in open_:
        why, sure = "its header names a duration", "sure" if unit else "unsure"
        made[at] = _part(seen[at], unit, unit_from, steps, why, sure)
    return made


def _no_more_than_a_unit(name: str) -> bool:
    """Whether a header is a unit and nothing else: "us" stands for other things, too."""
    return name.isalpha() and word_unit(name) is not None


def _false_units(seen: list[Seen], named: list[int], steps: Steps) -> dict[int, tuple[int, str]]:
    """Columns whose values are in another unit than their headers say, by the clock's steps.

    They are far too long for the loop, or next to nothing of it, and the steps grow with them one
    for one in the other unit.
    """
    made: dict[int, tuple[int, str]] = {}
    for said in sorted({seen[at].unit_ns or 0 for at in named}):
        columns = [at for at in named if seen[at].unit_ns == said]
        unit = evident(seen, columns, steps)[1]
        total = summed([seen[at].values * said for at in columns])
        if unit is None or unit == said or total is None or not np.isfinite(total).any():
            continue
        share = float(np.nanmedian(total)) / steps.typical
        if 0.02 < share < 10 or not fits(seen, columns, unit, steps):
            continue
        words = {ns: name for name, ns in UNITS.items()}
        why = f"{FALSE_UNIT}{words[said]}, but the clock's steps grow with it in {words[unit]}"
        made |= dict.fromkeys(columns, (unit, why))
    return made


def _part(
    one: Seen, unit: int | None, unit_from: str, steps: Steps, why: str, sure: str = "sure"
) -> Role:
    """A part, unless its values are those of something else."""
    if unit is not None and steps.known:
        values = one.values * unit
        share, _, word = _equality(one.values, [unit], steps)
        if share >= 0.9 and not _constant(one.values):
            why = f"it equals the clock's step {word} its row"
            return Role("period", unit, unit_from, why, step=word)
        if min(over(values, steps.after), over(values, steps.before)) > 0.5:
            role = "setting" if _constant(one.values) else "latency"
            return Role(role, unit, unit_from, "it is longer than the loop", "likely")
    return Role("part", unit, unit_from, why, sure)


def _constant(values: Float) -> bool:
    return len(np.unique(values[np.isfinite(values)])) < 3


def _unit_beside(seen: list[Seen], open_: list[int], steps: Steps) -> tuple[int | None, str]:
    """The one unit of columns whose headers name none: as columns beside them, if that fits."""
    total = summed([seen[at].values for at in open_])
    assert total is not None
    if not steps.some:
        return None, ""
    _, slope = evident(seen, open_, steps)
    slope = slope or slope_unit(total, steps)
    if slope is not None:
        name = next(name for name, ns in steps.units.items() if ns == slope)
        return slope, f"the clock's steps grow with it one for one in {name}"
    return largest_that_fits([seen[at].values for at in open_], steps)


def _equal_to_steps(seen: list[Seen], columns: list[int], steps: Steps) -> dict[int, Role]:
    """Columns that are the clock's steps over again, whatever they are called."""
    made: dict[int, Role] = {}
    if not steps.known:
        return made
    names = {ns: name for name, ns in steps.units.items()}
    for at in columns:
        values = seen[at].values
        fits_to = {word: slope(values, step) for word, step in steps.sides.items()}
        sides = [word for word, fit in fits_to.items() if fit is not None and fit[1] >= 0.5]
        share, ns, word = _equality(values, list(names), steps, sides)
        if share >= 0.9:
            made[at] = Role(
                "period", ns, f"it equals the steps of the clock in {names[ns]}",
                f"it equals the clock's step {word} its row", step=word,
            )  # fmt: skip
    return made
