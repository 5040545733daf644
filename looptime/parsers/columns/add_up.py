"""Columns that make up another one to the digit: a whole's parts, and what a loop is off by."""

import numpy as np

from looptime.array_types import Float
from looptime.call_words import guess_name
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    Steps,
    holds_others,
    over,
    summed,
    together,
    without_sums,
)
from looptime.parsers.columns.role import Role, Seen
from looptime.schema import CallName
from looptime.stats.arrays import common_divisor

__all__ = ["add_up", "made_up_of_bare", "off_by", "printed"]

#: Share of the rows in which it must hold, and in how many digits a value may be printed.
_HOLDS, _DIGITS = 0.98, 9
#: How near one the slope of a whole over each of its parts is, how well it must be known, and what
#: all together explain of it.
_NEAR, _KNOWN, _ALL = 0.02, 0.05, 0.95
#: A length varies if it does by so many roundings; what is not said of a part, a loop beyond its
#: target, is so in some rows at least.
_VARIES, _BEYOND, _TARGET = 5.0, 0.05, 0.97
#: And by so much of what it varies that would leave them the same time.
_SOME = 0.1
#: Steps beyond this are damage [ns].
_BOUND = 1e18
#: Kinds of columns that may hold lengths, whatever their headers say.
_MAYBE = ("duration", "bare", "signal")
#: And of those about the loop itself.
_OF_THE_LOOP = ("whole", "period", "busy")


def printed(values: Float) -> float:
    """The unit of the last digit that values are printed with; 0 where they have many.

    Examples
    --------
    >>> printed(np.array([1.5, 2.25, np.nan])), printed(np.array([3.0, 40.0]))
    (0.01, 1.0)
    """
    known = values[np.isfinite(values)]
    for digits in range(_DIGITS):
        scaled = known * 10**digits
        if (np.abs(scaled - np.rint(scaled)) < 1e-5).all():
            return float(10.0**-digits)
    return 0.0


def add_up(seen: list[Seen], roles: dict[int, Role]) -> dict[int, Role]:
    """Columns that a whole grows with one for one, each by itself: its parts, under any header.

    Together they explain nearly all of it and leave it hardly any time. What happens to go with a
    length does not do so by just as much as it is.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    roles : dict of int to Role
        What is known, the whole among it.
    """
    likely = [at for at, one in enumerate(seen) if one.meaning in _MAYBE and _may_be_length(one)
              and (at not in roles or roles[at].taken_as == "signal")]  # fmt: skip
    likely = without_sums(seen, likely)
    made: dict[int, Role] = {}
    for at in [at for at, r in roles.items() if r.taken_as in ("whole", "period") and likely]:
        unit = roles[at].unit_ns or 1
        parts = [seen[k].values * (seen[k].unit_ns or unit) for k in likely]
        mine = [likely[place] for place in _summands(parts, seen[at].values * unit)]
        said = any(seen[k].meaning != "signal" for k in mine)
        if said or seen[at].unit_ns or any(seen[k].unit_ns for k in mine):
            made |= _parts_of(seen, mine, seen[at], roles[at].unit_ns)  # currents add up, too
    bare = [at for at in likely if at not in made and seen[at].meaning == "bare"]
    for at, one in enumerate(seen):  # a part's own parts, whose unit stands behind it alone
        if at not in roles and one.meaning == "duration" and one.unit_ns and len(bare) > 1:
            mine = [bare[place] for place in _summands([seen[k].values for k in bare], one.values)]
            made |= _parts_of(seen, mine, one, one.unit_ns)
            bare = [k for k in bare if k not in mine]
    return made


def _parts_of(seen: list[Seen], parts: list[int], whole: Seen, unit: int | None) -> dict[int, Role]:
    """Columns that are parts of what they add up to, in its unit where they say none."""
    why, made = f"with others it adds up to {whole.name}", {}
    for at in parts:
        of = "header" if seen[at].unit_ns else f"as {whole.name}"
        own = seen[at].unit_ns or unit
        made[at] = Role("part", own, of if own else "", why)
    return made


def made_up_of_bare(seen: list[Seen], roles: dict[int, Role], clock: bool) -> int:
    """The only length that has a unit where those beside it have none and make it up; -1 for none.

    A line's whole has its unit, and its parts behind it need not say theirs again, whatever a loop
    is called there. Beside a clock, what is named like a call may be one of several.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    roles : dict of int to Role
        What is known.
    clock : bool
        Whether the log has one.

    Examples
    --------
    >>> gyro, drive = np.random.default_rng(2).uniform(1, 3, (2, 90))
    >>> whole = Seen("duration", gyro + drive + 0.2, 1_000_000, (), "Runde time [ms]")
    >>> made_up_of_bare([whole, Seen("bare", gyro), Seen("bare", drive)], {}, False)
    0
    >>> made_up_of_bare([whole, Seen("bare", gyro), Seen("bare", gyro[::-1])], {}, False)
    -1
    """
    open_ = [at for at in range(len(seen)) if at not in roles]
    timed = [at for at in open_ if seen[at].unit_ns or seen[at].meaning in _OF_THE_LOOP]
    bare = [seen[at].values for at in open_
            if seen[at].meaning == "bare" and _may_be_length(seen[at])]  # fmt: skip
    if len(timed) != 1 or len(bare) < 2:
        return -1
    whole = seen[timed[0]]
    named = clock and guess_name(CallName(whole.name)).kind != "other"
    if whole.meaning != "duration" or named or not _may_be_length(whole):
        return -1
    holds = holds_others(np.stack([*bare, whole.values]), len(bare))
    return timed[0] if holds or _summands(bare, whole.values) else -1


def _summands(parts: list[Float], whole: Float) -> list[int]:
    """Places of the lengths that a whole is the sum of, but for little; empty if it is no sum."""
    fit = together(np.stack(parts, axis=1), whole)
    if fit is None or fit.explained < _ALL:
        return []
    known = (fit.error < _KNOWN) & (np.abs(fit.slope - 1) <= np.maximum(4 * fit.error, _NEAR))
    mine = np.flatnonzero(known).tolist()
    total = summed([parts[at] for at in mine])
    if len(mine) < 2 or total is None or fit.explains(known) < _ALL:
        return []
    held = over(total, whole) <= 1 - _HOLDS and np.nanmedian(total) >= 0.5 * np.nanmedian(whole)
    return mine if held else []


def _may_be_length(one: Seen) -> bool:
    known = one.values[np.isfinite(one.values)]
    return len(known) >= ENOUGH and bool((known >= 0).all()) and len(np.unique(known)) > 2


def off_by(seen: list[Seen], roles: dict[int, Role], steps: Steps) -> dict[int, Role]:
    """Columns that are the loop's length less a constant in every row: what it is off by.

    A part that varies so would leave all others the same time, however much they take.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    roles : dict of int to Role
        What is known, the period or the whole among it.
    steps : Steps
        Of the clock.
    """
    lengths = [at for at, one in enumerate(seen) if at not in roles and _may_vary(one)]
    bases = [(seen[at].values * unit, unit, printed(seen[at].values) * unit, seen[at].name)
             for at, r in roles.items() if r.taken_as in ("whole", "period")
             and (unit := r.unit_ns or 1)]  # fmt: skip
    bases = bases or [(step, 0, _tick(step), "the clock's step") for step in steps.sides.values()]
    made: dict[int, Role] = {}
    for at in lengths:
        for whole, unit, digit, name in bases:
            if not (own := seen[at].unit_ns or unit):
                continue
            values = seen[at].values * own
            room = 0.5 * (digit + printed(seen[at].values) * own)
            rest = [seen[k].values * (seen[k].unit_ns or own) for k in lengths if k != at]
            if _differs(values, whole, room) and _others_vary(summed(rest), values, room):
                why = f"it is {name} less a constant in every row"
                made[at] = Role("deviation", own, "header" if seen[at].unit_ns else "", why)
    return made


def _tick(step: Float) -> float:
    """By how much the steps of a clock may be off: those of two stamps [ns]."""
    known = step[np.abs(step) < _BOUND]  # false for none
    return 2.0 * common_divisor(np.rint(known).astype(np.int64))


def _may_vary(one: Seen) -> bool:
    known = one.values[np.isfinite(one.values)]
    varies = len(known) >= ENOUGH and bool(np.ptp(known) > 0)
    return varies and one.meaning in ("duration", "bare")


def _differs(values: Float, length: Float, room: float) -> bool:
    """Whether values are the difference, or its size, of a length and a constant."""
    both = np.isfinite(values) & np.isfinite(length)
    if both.sum() < ENOUGH or float(np.std(values[both])) < _VARIES * room:
        return False
    own, whole = values[both], length[both]
    target = float(np.quantile(whole - own, _TARGET))  # less where a size is that of a short loop
    apart = whole - target
    near = 2 * room + 1e-9 * float(np.abs(whole).max())
    same = (np.abs(apart - own) <= near) | (np.abs(np.abs(apart) - own) <= near)
    return bool(same.mean() >= _HOLDS and (apart > near).mean() >= _BEYOND and target > near)


def _others_vary(rest: Float | None, values: Float, room: float) -> bool:
    """Whether the other lengths vary by themselves and do not lie within this one."""
    known = np.zeros(0) if rest is None else rest[np.isfinite(rest)]
    if rest is None or len(known) < ENOUGH or over(rest, values) <= _BEYOND:
        return False
    return float(np.std(known)) >= max(_VARIES * room, _SOME * float(np.nanstd(values)))
