"""Lengths that are set, as the one a loop is to last, and what a loop leaves of such a one."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float
from looptime.call_words import guess_name
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    MOST,
    Steps,
    equal,
    over,
    summed,
    together,
)
from looptime.parsers.columns.bare_columns import glides
from looptime.parsers.columns.lexicon import aims_at
from looptime.parsers.columns.named_wholes import ONE_FOR_ONE
from looptime.parsers.columns.role import Role, Seen
from looptime.parsers.columns.stamped_at import stamped
from looptime.schema import CallName
from looptime.stats.arrays import median
from looptime.units import UNITS

__all__ = ["as_set", "left_of_set", "told_by_words"]

#: What a length that is set for the loop may be of its usual step.
_NEAR = (0.8, 1.25)
#: What a length of which something is left may be of it: a loop may never have kept to it.
_FAR = (0.2, 5.0)
#: Steps of this share are those of the whole loop: what is left of a step is no work in it.
_THE_STEP = 0.8
#: Share of the rows in which work holds its parts, and how well it is told that it grows with them.
_HELD, _TOLD = 0.99, 0.1
#: Targets and deviations that are held against each other at most.
_TARGETS = 8
#: Part of its length by which a call makes the loop longer, or what waits in it shorter; and the
#: rows with it, of which the rest show that. A paced loop takes up the other part of it.
_GOOD_PART, _MOST_THERE = 0.3, 0.25
#: Kinds of call in which a paced loop waits.
_WAITS = ("wait", "pacing")
#: Share of the values that are all different, from which on they were measured.
_MEASURED = 0.2


def told_by_words(one: Seen) -> Seen:
    """A column called a target that holds measured lengths: those of a search for one."""
    known = one.values[np.isfinite(one.values)]
    if one.meaning != "setting" or one.unit_ns is None or len(known) < ENOUGH:
        return one
    rises = bool((np.diff(known) >= 0).mean() > MOST)
    measured = len(np.unique(known)) > _MEASURED * len(known) and not rises
    moves = guess_name(CallName(one.name)).kind != "other" or glides(known)
    return (
        replace(one, meaning="duration") if measured and not moves and aims_at(one.words) else one
    )


def as_set(seen: list[Seen], roles: dict[int, Role], steps: Steps) -> dict[int, Role]:
    """Lengths that are the same in each row and about as long as the loop: targets.

    Hardly a length is measured alike to the digit in each row; what is named like a call may be a
    wait, and what makes up the step together with the other lengths is a part. What stands in some
    rows only, and costs the loops there its time, is a call that takes a constant time, as one
    that runs into a timeout does.
    """
    made: dict[int, Role] = {}
    for at, one in enumerate(seen) if steps.known else ():
        if at in roles or one.meaning != "duration" or not (value := _constant(one.values)):
            continue
        if guess_name(CallName(one.name)).kind != "other":
            continue
        units = [one.unit_ns] if one.unit_ns else steps.units.values()
        near = [unit for unit in units if _NEAR[0] <= value * unit / steps.typical <= _NEAR[1]]
        near = [unit for unit in near if not _made_there(one, value * unit, seen, steps)]
        if near and not _fills_the_step(value * near[0], one, seen, steps):
            said = "header" if one.unit_ns else "only in this unit is it as long as the loop"
            why = "it is the same in each row, and about as long as the loop: what is set for it"
            made[at] = Role("setting", near[0], said, why, "likely")
    return made


def _made_there(one: Seen, length: float, seen: list[Seen], steps: Steps) -> bool:
    """Whether a length that stands in some rows is a call that costs the loops there its time.

    It makes them longer, or what they work; or a loop that waits for its tick waits less. A note
    of what is set, as one for a grip that holds that long, leaves all of these as they are.
    """
    stands = np.isfinite(one.values)
    if stands.mean() > MOST:
        return False
    grown = [*steps.sides.values()]
    for other in seen:
        if other is one or not other.unit_ns:
            continue
        if other.meaning in ("whole", "busy", "period"):
            grown.append(other.values * other.unit_ns)
        elif other.meaning == "duration" and guess_name(CallName(other.name)).kind in _WAITS:
            grown.append(-other.values * other.unit_ns)
    return any(_more_there(values, stands, length) for values in grown)


def _more_there(values: Float, stands: Bool, length: float) -> bool:
    """Whether most rows of some exceed the usual other row by a good part of a length."""
    there, other = (values[rows & np.isfinite(values)] for rows in (stands, ~stands))
    if not len(there) or not len(other):
        return False
    return bool(np.quantile(there, _MOST_THERE) - median(other) > _GOOD_PART * length)


def _fills_the_step(length: float, one: Seen, seen: list[Seen], steps: Steps) -> bool:
    """Whether a length that is no step itself makes up the steps with the others: a part."""
    lengths = [o.values * o.unit_ns for o in seen
               if o is not one and o.meaning == "duration" and o.unit_ns]  # fmt: skip
    if not lengths:
        return False
    alone, whole = np.full(len(one.values), length), length + np.sum(lengths, axis=0)
    return any(equal(whole, step) >= _THE_STEP > 2 * equal(alone, step)
               for step in steps.sides.values())  # fmt: skip


def left_of_set(
    seen: list[Seen], roles: dict[int, Role], steps: Steps
) -> tuple[int, Role, Seen] | None:
    """A deviation that is what the loop's work leaves of a length that is set, and the work.

    Less it, the length holds the other columns in each row and grows with them one for one.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    roles : dict of int to Role
        What is known, settings and deviations among it.
    steps : Steps
        Of the clock.

    Returns
    -------
    tuple of (int, Role, Seen), or None
        Its place, its role as the whole, and the column with the work in place of what is left.
    """
    if not steps.known or any(role.taken_as == "whole" for role in roles.values()):
        return None
    constant = {at: value for at, one in enumerate(seen) if (value := _constant(one.values))
                and (at not in roles or roles[at].taken_as in ("setting", "signal"))}  # fmt: skip
    targets = {round(value * unit) for at, value in constant.items() if (unit := seen[at].unit_ns)}
    near = sorted(one for one in targets if _FAR[0] <= one / steps.typical <= _FAR[1])[:_TARGETS]
    bare = _as_long_as(steps, [value for at, value in constant.items() if not seen[at].unit_ns])
    others = [one for at, one in enumerate(seen) if at not in roles and at not in constant]
    left = [at for at, role in roles.items() if role.taken_as == "deviation"
            and np.isfinite(seen[at].values).mean() > MOST]  # fmt: skip
    for at in left[:_TARGETS]:
        own, said = seen[at].unit_ns, "header" if seen[at].unit_ns else "as what is set"
        known = [(target, own) for target in near] if own else bare
        for target, unit in known:
            word = next(name for name, ns in UNITS.items() if ns == unit)
            less = f"{target / unit:g} {word} less {seen[at].name}"
            values = target / unit - seen[at].values
            work = replace(seen[at], meaning="whole", values=values, name=less)
            if _is_work(work, unit, others, steps):
                word = stamped(work.values * unit, steps.after).side
                why = f"{less} is the work: it holds other columns and grows with them one for one"
                step = {"start": "after", "end": "before"}.get(word, "")
                return at, Role("whole", unit, said, why, step=step, left_of=target), work
    return None


def _as_long_as(steps: Steps, values: list[float]) -> list[tuple[int, int]]:
    """Lengths [ns] that are about as long as the loop, with the one unit in which each is."""
    return sorted({(round(value * unit), unit) for value in values for unit in steps.units.values()
                   if _NEAR[0] <= value * unit / steps.typical <= _NEAR[1]})  # fmt: skip


def _constant(values: Float) -> float:
    """The one value of a column; 0 where there are several."""
    known = values[np.isfinite(values)]
    return float(known[0]) if len(known) >= ENOUGH and np.ptp(known) == 0 < known[0] else 0.0


def _is_work(work: Seen, unit: int, others: list[Seen], steps: Steps) -> bool:
    """Whether values are lengths, not those of the steps, that hold others and grow with them."""
    values = work.values * unit
    if max(equal(values, step) for step in steps.sides.values()) >= _THE_STEP:
        return False
    lengths = [one for one in others if one.meaning in ("duration", "bare")
               and not (one.values < 0).any()]  # fmt: skip
    named = [one for one in lengths
             if one.unit_ns or guess_name(CallName(one.name)).kind != "other"]  # fmt: skip
    return any(_holds(values, unit, some) for some in (lengths, named) if some)


def _holds(work: Float, unit: int, inner: list[Seen]) -> bool:
    """Whether lengths hold others together in each row, and grow with them one for one."""
    total = summed([one.values * (one.unit_ns or unit) for one in inner])
    if total is None or over(total, work) > 1 - _HELD:
        return False
    fit = together(total[:, None], work)
    if fit is None:
        return False
    grows, error = float(fit.slope[0]), float(fit.error[0])
    return ONE_FOR_ONE[0] < grows < ONE_FOR_ONE[1] and error < _TOLD
