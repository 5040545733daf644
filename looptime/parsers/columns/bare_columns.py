"""Columns of durations whose headers say nothing of it, by the steps of the clock or a whole."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.call_words import guess_name, says_done
from looptime.parsers.columns.add_up import printed
from looptime.parsers.columns.against_steps import (
    MOST,
    Steps,
    evident,
    fits,
    in_whole_units,
    largest_that_fits,
    of_late_loops,
    over,
    slope_unit,
    summed,
    together,
)
from looptime.parsers.columns.named_wholes import MOST_OF_IT, ONE_FOR_ONE
from looptime.parsers.columns.role import BY_NAME, MAYBE, Role, Seen
from looptime.schema import CallName
from looptime.signal_names import of_another_unit, quantity_of

__all__ = ["glides", "in_one_length", "of_bare", "under_other_names"]

#: Rows that show how a column jumps, the share in which it changes, the square of its changes over
#: that of its spread (2 where no value knows of the last), and the least spread of its level.
_ROWS, _OTHERS, _FREE, _SPREAD = 50, 0.5, 1.0, 0.005
#: What parts explain of the steps, and how near one the slope of each is, where they surely are.
_NEARLY_ALL, _JUST = 0.8, 0.1
#: Roles of columns about the loop, whose units its parts share.
_OF_LOOP = ("period", "setting", "deviation", "latency")
#: What named lengths fill of the loop at least, their last digit of it at most, and the least of
#: them of the usual one.
_MUCH, _FINE, _FLOOR = 0.2, 0.02, 0.3


def of_bare(
    seen: list[Seen],
    bare: list[int],
    steps: Steps,
    roles: dict[int, Role],
    beside: Sequence[Float] = (),
) -> dict[int, Role]:
    """Columns whose headers say nothing: parts where the clock's steps or a whole say so."""
    signal = Role("signal", None, "", "nothing says that it is a length of time", "likely")
    made = dict.fromkeys(bare, signal)
    if not bare or not steps.some:
        return made
    told, unit = evident(seen, bare, steps, beside=beside)
    if unit is None and steps.known:
        told, unit = of_late_loops(seen, bare, steps)
    grows = steps.grow
    work = next((at for at, r in roles.items() if r.taken_as == "whole" and seen[at].unit_ns), None)
    if unit is None and work is not None and steps.known:
        inner = Steps.of(None, [replace(seen[work], meaning="whole")])
        told, unit = evident(seen, bare, inner, ONE_FOR_ONE, MOST_OF_IT, _parts_known(seen, roles))
        if unit is not None:
            steps, grows = inner, f"{seen[work].name} grows"
    # a letter alone names nothing
    named = [at for at in bare if max(map(len, seen[at].words), default=0) > 1]
    if unit is None and named:
        together = summed([seen[at].values for at in named])
        assert together is not None
        unit = slope_unit(together, steps)
        unit = unit if unit and fits(seen, named, unit, steps) else None
    whole = next((at for at, r in roles.items() if r.taken_as in ("whole", "period")), None)
    if unit is None and whole is not None and seen[whole].unit_ns is None:
        likely = roles[whole].unit_ns or min(steps.units.values())
        named = [at for at in named if not glides(seen[at].values)]
        unit = likely if named and fits(seen, named, likely, steps) else None
    if unit is None:
        doubted = [at for at, role in roles.items() if role.why == MAYBE]
        maybe = _may_be_lengths(seen, named, doubted, steps, roles)
        maybe = maybe or _unnamed(seen, bare, None, steps, _parts_known(seen, roles))
        made |= dict.fromkeys(maybe, replace(signal, why=MAYBE, sure="unsure"))
        return made | _in_stated_unit(seen, maybe, steps, roles)
    name = next(name for name, ns in steps.units.items() if ns == unit)
    for at in told:
        made[at] = Role(
            "part", unit, f"{grows} with it one for one in {name}",
            f"{grows} with it one for one", "sure",
        )  # fmt: skip
    rest = [at for at in named if at not in told]
    if rest and fits(seen, sorted({*named, *told}), unit, steps):
        for at in rest:
            made[at] = Role(
                "part", unit, f"in {name} it fits into the loop beside the others",
                "all such columns together go with the length of the loop", "likely",
            )  # fmt: skip
    known = _parts_known(seen, {**roles, **made})
    rest = _unnamed(seen, [at for at in bare if made[at] is signal], unit, steps, known)
    return made | dict.fromkeys(rest, replace(signal, why=MAYBE, sure="unsure"))


def _unnamed(
    seen: list[Seen], columns: list[int], unit: int | None, steps: Steps, known: list[Float]
) -> list[int]:
    """Columns that nothing names, as those of a log without a header, and that may be lengths.

    They jump as lengths do, and would fit into the loop together and beside the parts: what is a
    length beside them may only be the one that makes the loop late.
    """
    some = [at for at in columns if max(map(len, seen[at].words), default=0) < 2
            and _jumps(seen[at].values)]  # fmt: skip
    lengths = [seen[at].values for at in some]
    if not some or len(some) + len(known) < 2:
        return []
    unit = unit or largest_that_fits(lengths, steps)[0]
    fit = unit is not None and fits(seen, some, unit, steps, known)
    return some if fit and unit is not None and _may_add_up(lengths, unit, steps) else []


def _parts_known(seen: list[Seen], roles: dict[int, Role]) -> list[Float]:
    """The lengths that are parts for all that is known, row for row [ns]."""
    return [r.unit_ns * seen[at].values for at, r in roles.items()
            if r.taken_as == "part" and r.unit_ns]  # fmt: skip


def _in_stated_unit(
    seen: list[Seen], maybe: list[int], steps: Steps, roles: dict[int, Role]
) -> dict[int, Role]:
    """Of columns that may be lengths those that are named so, in the one unit of those beside them.

    They are printed as finely as what states it, are other ones in each row, and fill much of the
    loop with the parts that are known. Who writes units on parts leaves them off what is none; and
    where the work is known it would grow with them.
    """
    of_loop = [at for at, r in roles.items() if seen[at].unit_ns and r.taken_as in _OF_LOOP]
    units = {seen[at].unit_ns for at in of_loop}
    own = [r for at, r in roles.items() if r.taken_as == "part" and seen[at].unit_ns]
    units |= {r.unit_ns for r in roles.values() if r.taken_as == "part" and r.unit_ns}
    if len(units) != 1 or own or any(r.taken_as == "whole" for r in roles.values()):
        return {}
    unit = next(iter(units)) or 1
    digit = min(_digit(one) for one in (steps.after / unit, *(seen[at].values for at in of_loop)))
    named = [at for at in maybe if _named_a_time(seen[at]) or says_done(seen[at].name)]
    some = [at for at in named if _measured(seen[at].values, digit)]
    lengths = [seen[at].values * unit for at in some] + _parts_known(seen, roles)
    total = summed(lengths)
    if not some or total is None or digit * unit > _FINE * steps.typical:
        return {}
    share = float(np.nanmedian(total)) / steps.typical
    longer = min(over(total, steps.after), over(total, steps.before))
    if share < _MUCH or longer > 1 - MOST or not _may_add_up(lengths, 1, steps):
        return {}
    word = next(name for name, ns in steps.units.items() if ns == unit)
    unit_from = f"as the columns beside it, and in {word} it fits into the loop"
    return dict.fromkeys(some, Role("part", unit, unit_from, BY_NAME, "likely"))


def _named_a_time(one: Seen) -> bool:
    """Whether a name begins with the letter of a time, which is that of a temperature as well."""
    return one.name.lower().startswith(("t_", "t.", "t/"))


def _digit(values: Float) -> float:
    """The unit of the last digit that values are printed with, for one at least in each row."""
    return printed(values) or 10.0**-9


def _measured(values: Float, digit: float) -> bool:
    """Whether values jump as lengths do, never to next to nothing, and are printed so finely."""
    known = values[np.isfinite(values)]
    alike = 0.09 <= _digit(values) / digit <= 11
    floor = alike and float(np.quantile(known, 0.02)) >= _FLOOR * float(np.median(known))
    return floor and _jumps(values)


def _may_be_lengths(
    seen: list[Seen], columns: list[int], doubted: list[int], steps: Steps, roles: dict[int, Role]
) -> list[int]:
    """Columns named like calls or times, or that jump or are cut as lengths are, two or more.

    They would fit into the loop together, and with the parts that are known. A "t" in front of a
    name may stand for a time as well as for a temperature. What is cut to the ticks of a coarse
    clock is asked beside such a name only, or beside one that is doubted by itself. Beside parts
    whose headers state units only names that say what is done are asked, and each by itself.
    """
    known = _parts_known(seen, roles)
    if any(seen[at].unit_ns for at, role in roles.items() if role.taken_as == "part"):
        like = [at for at in columns if _named_a_time(seen[at]) or says_done(seen[at].name)]
        more = []
    else:
        like = doubted + [at for at in columns if _named_a_time(seen[at])
                or guess_name(CallName(seen[at].name)).kind != "other"]  # fmt: skip
        coarse = bool(like) and steps.coarse
        more = [at for at in columns if at not in like and (
            _jumps(seen[at].values) or (coarse and in_whole_units(seen[at].values)))]  # fmt: skip
    for some in (sorted(like + more), like) if more else (like,):
        lengths = [seen[at].values for at in some]
        enough = some and len(some) + len(known) > 1
        unit = largest_that_fits(lengths, steps)[0] if enough else None
        if unit is None or not fits(seen, some, unit, steps, known):
            continue
        if some == like or _may_add_up(lengths, unit, steps):
            return some
    return []


def _may_add_up(lengths: list[Float], unit: int, steps: Steps) -> bool:
    """Whether a loop may be longer by these: it waits for its tick, or does not surely say no."""
    if next(steps.paced(), None) is not None:
        return True
    total = summed(lengths)
    assert total is not None
    for step in steps.sides.values():
        fit = together(total[:, None] * unit, step)
        if fit is None or fit.slope[0] + 3 * fit.error[0] > ONE_FOR_ONE[0]:
            return True
    return False


def glides(values: Float) -> bool:
    """Whether each value stays near the last one, as a voltage does and few lengths."""
    known = values[np.isfinite(values)]
    spread = float(np.var(known)) if len(known) >= _ROWS else 0.0
    return spread > 0 and float(np.mean(np.square(np.diff(known)))) < _FREE * spread


def _jumps(values: Float) -> bool:
    """Whether each value is another one, whatever it was before, as lengths are but no readings."""
    known = values[np.isfinite(values)]
    change = np.diff(known)
    if len(known) < _ROWS or (change != 0).mean() < _OTHERS:
        return False
    spread = float(np.std(known))
    free = float(np.mean(np.square(change))) >= _FREE * spread**2
    return free and spread >= _SPREAD * float(np.mean(known))


def under_other_names(
    seen: list[Seen], signals: list[int], steps: Steps, roles: dict[int, Role]
) -> dict[int, Role]:
    """Columns named like signals: parts where the clock's steps grow with them one for one.

    What the parts already known explain of the steps is explained first. A signal that happens to
    go with the pace does not do so with a slope of one, in a unit in which it fits into the loop;
    volts may, for a while, and one whose name says a unit of no time is no part however it goes.
    """
    made = {at: Role("signal", None, "", "its header names a signal") for at in signals}
    may = [at for at in signals if not _of_other_unit(seen[at].name)]
    full = [at for at in may if np.isfinite(seen[at].values).mean() > MOST]
    if not full or not steps.known:
        return made
    known = _parts_known(seen, roles)
    found, unit = evident(seen, full, steps, ONE_FOR_ONE, MOST_OF_IT, known)
    if unit is None:
        return made
    parts = [*known, *(unit * seen[at].values for at in found)]
    rest = [at for at in full if at not in found]
    for shift in (1, -1) if rest else ():  # stamped after its first parts, or before its last
        moved = [_moved(part, shift) for part in parts]
        more, same = evident(seen, rest, steps, ONE_FOR_ONE, MOST_OF_IT, moved)
        found += [at for at in more if same == unit and at not in found]
    name = next(name for name, ns in steps.units.items() if ns == unit)
    sure = _surely(seen, found, known, steps, unit)
    for at in found:
        made[at] = Role(
            "part", unit, f"the clock's steps grow with it one for one in {name}",
            "its header names a signal, but the loop is longer by as much as it is",
            "sure" if at in sure else "likely",
        )  # fmt: skip
    return made


def _of_other_unit(name: str) -> bool:
    """Whether a name ends in a unit of no time, or is a battery's; a call may be named heading."""
    return of_another_unit(name) and quantity_of(name) is None


def _surely(
    seen: list[Seen], found: list[int], parts: list[Float], steps: Steps, unit: int
) -> list[int]:
    """Columns that with the parts explain nearly all of the steps, each by just as much as it is.

    What happens to go with the pace has no slope of one in a unit of time, and none so well known.
    """
    table = np.stack([*(unit * seen[at].values for at in found), *parts], axis=1)
    fits_to = [fit for step in steps.sides.values() if (fit := together(table, step)) is not None]
    best = max(fits_to, key=lambda fit: fit.explained, default=None)
    if best is None or best.explained < _NEARLY_ALL:
        return []
    good = (np.abs(best.slope - 1) <= _JUST) & (best.error <= _JUST / 2)
    return [at for at, ok in zip(found, good[: len(found)].tolist(), strict=True) if ok]


def _moved(values: Float, rows: int) -> Float:
    """Values of the row before (1) or after (-1); NaN where there is none."""
    moved = np.roll(values, rows)
    moved[0 if rows > 0 else -1] = np.nan
    return moved


def in_one_length(seen: list[Seen], bare: list[int], roles: dict[int, Role]) -> dict[int, Role]:
    """Columns that say nothing, without a clock: they lie in the one length that names nothing.

    A column "took" beside others says how long all took, where it grows with them one for one.
    """
    none = of_bare(seen, bare, Steps.of(None, []), roles)
    around = [at for at, role in roles.items()
              if role.taken_as == "part" and role.unit_ns and not seen[at].words]  # fmt: skip
    if len(around) != 1:
        return none
    outer = seen[around[0]]
    made = of_bare(seen, bare, Steps.of(None, [replace(outer, meaning="whole")]), roles)
    why = f"{outer.name} grows with it one for one"
    return {at: replace(role, inside=around[0], why=why, unit_from=f"as {outer.name}")
            if role.taken_as == "part" else none[at] for at, role in made.items()}  # fmt: skip
