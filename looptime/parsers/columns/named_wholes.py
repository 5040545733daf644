"""Columns that are called the whole of a loop and are a part of it beside others."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.call_words import guess_name
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    LATE,
    MOST,
    Steps,
    equal,
    evident,
    over,
    slope,
    summed,
    together,
)
from looptime.parsers.columns.role import Role, Seen
from looptime.schema import CallName

__all__ = ["MOST_OF_IT", "ONE_FOR_ONE", "contradicted", "parts_named_wholes", "work_beside_a_rest"]

#: Slope of the steps over a length under another name, and what all explain of the steps.
ONE_FOR_ONE, MOST_OF_IT = (0.8, 1.25), 0.5
#: Share of the rows in which a part may be longer than its whole, as where they are of two loops.
_OFTEN = 0.2
#: The same where it holds all that is logged beside it.
_HELD = 0.01
#: Of two lengths that fill a step neither is longer than so much of it.
_ALONE = 0.9
#: Words of a whole that may name a call as well, such as that of a laser.
_OR_A_CALL = ("scan", "frame", "pass", "sum", "main")
#: So many late loops tell how they are made up, and by how much more closely than otherwise.
_LATE_LOOPS, _CLOSER = 6, 0.3
#: Share of the variance of a whole that what lies beside it explains at most.
_ALIKE = 0.05


def parts_named_wholes(seen: list[Seen], roles: dict[int, Role], steps: Steps) -> list[int]:
    """Columns that are called a whole but are a part beside others: "scan" may be one of three.

    They leave much of the steps, which grow one for one with them and with others; or two others
    of the kind are often longer than the whole would be.
    """
    said = [at for at, r in roles.items()
            if r.taken_as in ("whole", "period") and r.unit_ns is not None
            and _of_its_steps(seen[at].values * r.unit_ns, steps) < 0.8]  # fmt: skip
    others = [at for at in range(len(seen)) if at not in roles]
    if not said or not others or not steps.known:
        return []
    full = [at for at in others if np.isfinite(seen[at].values).mean() > MOST]
    done = [_where_done(one) for one in seen]
    among_all = [at for at in others if np.isfinite(done[at].values).mean() > MOST]
    told, _ = evident(done, [*said, *among_all], steps, ONE_FOR_ONE, MOST_OF_IT)
    among = told if len(told) > 1 else {}
    lengths = [seen[at].values * unit for at in full
               if seen[at].meaning == "duration" and (unit := seen[at].unit_ns)]  # fmt: skip
    inner = [seen[at] for at in full if at not in told]
    lengthy = [at for at, one in enumerate(seen) if one.meaning in ("duration", "bare")]
    return [
        at
        for at in said
        if not _holds(seen[at], roles[at].unit_ns or 1, inner)
        and (at in among
        or _outgrown(seen[at].values * (roles[at].unit_ns or 1), lengths, steps)
        or _beside(seen[at], roles[at].unit_ns or 1, [seen[k] for k in full], steps,
                   lengthy[:1] < [at] < lengthy[-1:]))
    ]  # fmt: skip


def _of_its_steps(values: Float, steps: Steps) -> float:
    """The share that lengths are of the steps of their own rows, of the shorter of either side.

    What takes place in a few long loops only is no part of the others.
    """
    with np.errstate(invalid="ignore", over="ignore"):  # garbled steps of next to nothing
        shares = [np.nanmedian(values / step) for step in (steps.after, steps.before)
                  if np.isfinite(values * step).any()]  # fmt: skip
    return float(min(shares, default=np.inf))


def _where_done(one: Seen) -> Seen:
    """A length that is logged in some rows, with no time in the others."""
    there = np.isfinite(one.values)
    some = ENOUGH <= there.sum() <= MOST * len(there) and not (one.values[there] < 0).any()
    return replace(one, values=np.where(there, one.values, 0.0)) if some else one


def contradicted(seen: list[Seen], roles: dict[int, Role]) -> dict[int, Role]:
    """Wholes that are often shorter than the lengths beside them in the same rows: unsure.

    Where the lengths that it grows with explain it, the others lie elsewhere, as in a thread. A
    column without a unit beside lengths that have theirs is then no length at all; nor is one of
    which they explain nothing, as of a load in percent.
    """
    made: dict[int, Role] = {}
    lengths = [at for at in range(len(seen)) if at not in roles and seen[at].meaning == "duration"]
    for at in [at for at, r in roles.items() if r.taken_as == "whole" and r.sure == "sure"]:
        unit = roles[at].unit_ns or 1
        inner = [seen[k].values * (seen[k].unit_ns or unit) for k in lengths]
        rest, own = summed(inner), seen[at].values * unit
        bare = seen[at].unit_ns is None and all(seen[k].unit_ns for k in lengths)
        shorter = (
            rest is not None and min(over(rest, np.roll(own, by)) for by in (-1, 0, 1)) > _OFTEN
        )
        if rest is None or not (shorter or bare):
            continue
        beside = [seen[k].values * unit for k in range(len(seen))
                  if bare and k not in roles and seen[k].meaning == "bare"]  # fmt: skip
        fit = together(np.stack([np.nan_to_num(one) for one in inner + beside], axis=1), own)
        explained = 0.0 if fit is None else fit.explained
        if bare and explained < (MOST_OF_IT if shorter else _ALIKE):
            why = "its header names no unit, as the lengths do, and it does not go with them"
            made[at] = Role("signal", None, "", why, "likely")
        elif shorter and explained < MOST_OF_IT:
            why = f"{roles[at].why}, but the lengths beside it are longer together"
            made[at] = replace(roles[at], why=why, sure="unsure")
    return made


def work_beside_a_rest(seen: list[Seen], roles: dict[int, Role], steps: Steps) -> dict[int, Role]:
    """Wholes that hold what is logged but for what fills the step, which no name calls a wait.

    Then the parts and the clock say all that is known: the work without that would be less than
    its parts.
    """
    made: dict[int, Role] = {}
    others = [at for at in range(len(seen))
              if at not in roles and np.isfinite(seen[at].values).mean() > MOST]  # fmt: skip
    for at in [at for at, r in roles.items() if r.taken_as == "whole"]:
        unit = roles[at].unit_ns or 1
        whole = seen[at].values * unit
        rest = next((k for k in others if _fill(whole, seen[k].values * (seen[k].unit_ns or unit),
                                                steps)), None)  # fmt: skip
        if rest is None or guess_name(CallName(seen[rest].name)).kind in ("wait", "pacing"):
            continue
        if _holds(seen[at], unit, [seen[k] for k in others if k != rest]):
            why = (
                f"it holds the other parts, and {seen[rest].name} fills the clock's step beside it"
            )
            made[at] = Role("signal", None, "", why, "likely")
    return made


def _fill(whole: Float, rest: Float, steps: Steps) -> bool:
    """Whether two lengths one after the other are as long as the step, and neither is alone."""
    alone = float(max(np.nanmedian(whole), np.nanmedian(rest)))
    return alone < _ALONE * steps.typical and any(
        equal(whole + rest, step) >= MOST for step in steps.sides.values()
    )


def _holds(whole: Seen, unit: int, others: list[Seen]) -> bool:
    """Whether a whole is never shorter than others together and grows with them one for one.

    Beside a wait that fills the rest of the step it is one of two that the steps consist of, and
    yet no part: what else is logged lies in it.
    """
    lengths = [one for one in others
               if one.meaning in ("duration", "bare") and not (one.values < 0).any()]  # fmt: skip
    inner = summed([one.values * (one.unit_ns or unit) for one in lengths])
    if inner is None or over(inner, whole.values * unit) > _HELD:
        return False
    fit = slope(inner, whole.values * unit)
    return fit is not None and ONE_FOR_ONE[0] < fit[0] < ONE_FOR_ONE[1] and fit[1] >= MOST_OF_IT


def _outgrown(whole: Float, lengths: list[Float], steps: Steps) -> bool:
    """Whether two lengths that fit into the steps are longer than it in many rows."""
    longer = [one for one in lengths
              if over(one, steps.after) < _OFTEN and over(one, whole) > _OFTEN]  # fmt: skip
    return len(longer) > 1


def _beside(
    whole: Seen, unit: int, others: list[Seen], steps: Steps, between: bool = False
) -> bool:
    """Whether others lie beside what is called a whole: late loops are as long as all together.

    Of a word that may name a call, too, it is enough that the others are often longer than it, or
    that it stands between them in the header, that they do not grow with it, and that there is
    room for all.
    """
    lengths = [
        one.values * (one.unit_ns or unit) for one in others
        if one.meaning in ("duration", "bare") and not (one.values < 0).any()
        and guess_name(CallName(one.name)).kind not in ("wait", "pacing")
    ]  # fmt: skip
    rest = summed(lengths)
    if rest is None:
        return False
    own = whole.values * unit
    fits_in = (
        over(own + rest, steps.after) <= 1 - MOST or over(own + rest, steps.before) <= 1 - MOST
    )
    may_be_a_call = whole.name.lower() in _OR_A_CALL
    if may_be_a_call and fits_in and (between or over(rest, own) > _OFTEN):
        within_it = [fit[1] for one in lengths if (fit := slope(one, own)) is not None]
        return max(within_it, default=1.0) < _ALIKE
    for step, _ in steps.paced():
        late = (step > LATE * steps.typical) & np.isfinite(own + rest)
        if fits_in and late.sum() >= _LATE_LOOPS:
            left, all_left = (step[late] - one[late] for one in (own, own + rest))
            if np.median(np.abs(all_left)) < _CLOSER * np.median(np.abs(left)):
                return True
    return False
