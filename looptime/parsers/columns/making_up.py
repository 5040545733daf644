"""Columns of a paced loop that make up for each other and fill it: its parts and its wait."""

from collections.abc import Iterator, Sequence

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.add_up import printed
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    LATE,
    MOST,
    ROOM,
    SURE_Z,
    Steps,
    fits,
    over,
)
from looptime.parsers.columns.bare_columns import glides
from looptime.parsers.columns.role import MADE_UP, MAYBE, Role, Seen
from looptime.records import dataclass
from looptime.signal_names import (
    OTHER_UNITS,
    names_reading,
    of_another_unit,
    quantity_of,
    words_of,
)
from looptime.stats.arrays import straight

__all__ = ["making_up"]

#: How near one the slope over each is, how well it is known, and what all explain of the wait.
_NEAR, _KNOWN, _EXPLAINED = 0.03, 0.1, 0.5
#: The same where it is but looked for.
_ABOUT = 0.3
#: How little two columns may differ from being one and the same.
_APART = 1e-5
#: Columns that make up for each other, at least; what they fill of nearly every step, and the
#: longest of those that may be lengths.
_LEAST, _FILLED, _LONGEST = 3, 0.8, 0.05
#: How near one the slope of lengths over the steps is that they make up.
_FOLLOWED = 0.3
_LETTERS = {unit for unit in OTHER_UNITS if len(unit) == 1}
#: What the shares of something add up to, in every row alike.
_SHARES = (1.0, 100.0, 1000.0)


@dataclass(frozen=True)
class _Made:
    """Columns that make up for each other."""

    open: list[int]  #: Places of those of which nothing else is known
    unit: int  #: Nanoseconds in one
    total: Float  #: They and the parts already known in each row [ns]


def making_up(
    seen: list[Seen], columns: Sequence[int], roles: dict[int, Role], steps: Steps
) -> dict[int, Role]:
    """Columns of which nothing else is known: likely parts where one makes up for all others.

    The wait of a paced loop is shorter by as much as each other part is longer, row by row and one
    for one, and with them fills nearly all of the step. Readings that share a load do so, too, and
    the shares of a whole, but only parts whose wait was timed are longer, all together, by as much
    as the step of their own row is. Others may be parts beside a wait that was but asked for:
    nothing tells. Beside a length of all the work nothing is taken: the two would not agree.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    columns : sequence of int
        Those that are asked about.
    roles : dict of int to Role
        What they are taken for so far.
    steps : Steps
        Of the clock.

    Examples
    --------
    >>> chance = np.random.default_rng(3)
    >>> gyro, drive, spare = chance.gamma(9, 200, (3, 300))
    >>> step = chance.normal(20_000, 50, 300)
    >>> clock = 1e3 * np.cumsum(step) - 1e3 * step
    >>> wait = step - 100 - gyro - drive
    >>> seen = [Seen("bare", values) for values in (gyro, drive, wait, spare)]
    >>> made = making_up(seen, range(4), {}, Steps.of(clock, seen))
    >>> sorted(made), made[0].unit_ns
    ([0, 1, 2], 1000)
    """
    if any(r.taken_as == "whole" for r in roles.values()):
        return {}
    units = _letters_of_units(seen)
    may = [at for at in columns if _may_be_length(seen[at], units)]
    known = [at for at, r in roles.items() if r.taken_as == "part" and r.unit_ns and r.inside < 0]
    if not steps.known or not may or len(may) + len(known) < _LEAST:
        return {}
    best = None
    for unit in steps.units.values():
        of_known = [seen[at].values * (roles[at].unit_ns or unit) for at in known]
        best = _most([seen[at].values for at in may], unit, of_known, steps) or best
    if best is None:
        return {}
    if not _follows(best.total, steps):
        may_be = Role("signal", None, "", MAYBE, "unsure")
        return {may[at]: may_be for at in best.open}
    word = next(name for name, ns in steps.units.items() if ns == best.unit)
    filled = 100 * float(np.nanmedian(best.total)) / steps.typical
    unit_from = f"in {word} they fill {filled:.0f} % of the clock's step"
    part = Role("part", best.unit, unit_from, MADE_UP, "likely")
    rest = [may[at] for at in range(len(may)) if at not in best.open]
    return {**{may[at]: part for at in best.open}, **_beside(seen, rest, best, steps)}


def _most(open_: list[Float], unit: int, known: list[Float], steps: Steps) -> _Made | None:
    """The most columns that make up for each other in one unit and, with what is known, fill it."""
    best: _Made | None = None
    share = np.array([np.nanmedian(values) for values in open_]) * unit / steps.typical
    if not ((share >= _LONGEST) & (share <= ROOM)).any():
        return None
    table = [*(values * unit for values in open_), *known]
    for found in _made_up(np.stack(table, axis=1), steps):
        made = [at for at in found if at < len(open_)]
        total = np.sum([table[at] for at in found], axis=0)
        room = len(found) * max((printed(open_[at]) for at in made), default=0.0)
        more = best is None or len(made) > len(best.open)
        beside = [table[at] for at in range(len(open_), len(table)) if at not in found]
        if made and more and _fills(total, beside, steps) and not _are_shares(total / unit, room):
            best = _Made(made, unit, total)
    return best


def _beside(seen: list[Seen], rest: list[int], made: _Made, steps: Steps) -> dict[int, Role]:
    """The others that may be parts: they hardly vary, so that nothing shows whether they are."""
    rest = [at for at in rest if seen[at].meaning == "bare" and not glides(seen[at].values)]
    if not rest or not fits(seen, rest, made.unit, steps, [made.total]):
        return {}
    return dict.fromkeys(rest, Role("signal", None, "", MAYBE, "unsure"))


def _letters_of_units(seen: list[Seen]) -> set[str]:
    """Letters that are units and end several names: that of one may tell it from its like."""
    ends = [words[-1] for one in seen if len(words := words_of(one.name)) > 1]
    return {end for end in ends if len(end) == 1 and end in OTHER_UNITS and ends.count(end) > 1}


def _may_be_length(one: Seen, letters: set[str]) -> bool:
    """Whether a column may hold lengths, by its values and as far as its name tells."""
    known = one.values[np.isfinite(one.values)]
    words = words_of(one.name)
    unit = bool(words) and (words[-1] in letters or (words[-1] in OTHER_UNITS - _LETTERS
                                                     and len(words) == 1))  # fmt: skip
    other = of_another_unit(one.name) and quantity_of(one.name) is None
    other = other or unit or names_reading(one.name)
    return len(known) >= ENOUGH and bool((known >= 0).all() and np.ptp(known) > 0) and not other


def _made_up(table: Float, steps: Steps) -> Iterator[list[int]]:
    """Places of columns [ns] of which one makes up for all others, whichever it is.

    A loop that is late did not wait, so only those that are in time are asked.
    """
    full = np.isfinite(table).all(axis=1)
    whole = table[full]
    for _, on_time in steps.paced():
        for wait in _may_wait(whole[on_time[full]]):
            found = _made_up_by(wait, whole[on_time[full] & (whole[:, wait] > 0)])
            if len(found) >= _LEAST:
                yield found


def _may_wait(table: Float) -> list[int]:
    """Places of columns that are about as much shorter as several others are longer."""
    if len(table) < max(ENOUGH, 3 * table.shape[1]):
        return []
    live = np.flatnonzero(table.std(axis=0) > 0)
    if len(live) < _LEAST:
        return []
    table = table[:, live]
    scale = table.std(axis=0)
    alike = np.corrcoef(table.T) + _APART**2 * np.eye(len(scale))
    of_all = np.linalg.inv(alike)  # by its rows, how each goes with every other beside the rest
    slope = of_all / np.diag(of_all)[:, None] * scale[:, None] / scale
    near = np.abs(slope - 1) <= _ABOUT
    np.fill_diagonal(near, val=False)
    waits: list[int] = live[near.sum(axis=1) >= _LEAST - 1].tolist()
    return waits


def _made_up_by(wait: int, table: Float) -> list[int]:
    """Places of the columns for which one makes up, and its own; empty where it does for none."""
    live = np.ptp(table, axis=0) > 0 if len(table) else []
    others = [at for at in np.flatnonzero(live).tolist() if at != wait]
    while len(others) > 1 and len(table) >= max(ENOUGH, 3 * table.shape[1]):
        found = _slopes(table[:, others], -table[:, wait])
        if found is None:
            return []
        slope, error, explained = found
        good = (error <= _KNOWN) & (np.abs(slope - 1) <= np.maximum(_NEAR, 3 * error))
        if good.all():
            return sorted([wait, *others]) if explained >= _EXPLAINED else []
        others = [at for at, ok in zip(others, good.tolist(), strict=True) if ok]
    return []


def _slopes(table: Float, wanted: Float) -> tuple[Float, Float, float] | None:
    """Slopes over each column, their errors beside each other, and what all explain; or None.

    Columns that hold each other have slopes that nobody knows.
    """
    x, y = table - table.mean(axis=0), wanted - wanted.mean()
    scale = x.std(axis=0)
    if not (scale > 0).all() or not y.any():
        return None
    x = x / scale
    left, size, right = np.linalg.svd(x, full_matrices=False)
    if size[-1] < _APART * size[0]:
        return None
    slope = right.T @ (left.T @ y / size)
    rest = float(np.square(y - x @ slope).sum())
    spread = np.square(right / size[:, None]).sum(axis=0) * rest / (len(y) - x.shape[1] - 1)
    return slope / scale, np.sqrt(spread) / scale, 1 - rest / float(y @ y)


def _follows(total: Float, steps: Steps) -> bool:
    """Whether lengths are surely longer by as much as their own steps are.

    Of a loop that is on time that is what the wait was longer than asked for; late ones show it of
    the parts, whatever the wait is. The step of a coarse or an even clock tells nothing.
    """
    for step in steps.sides.values():
        on_time = np.abs(step / steps.typical - 1) < LATE - 1
        for rows in (on_time, np.isfinite(step)):
            both = rows & np.isfinite(total)
            line = straight(step[both], total[both]) if both.sum() >= ENOUGH else None
            if line is None or abs(line[0] - 1) > _FOLLOWED or line[1] <= 0:
                continue
            if line[1] * np.sqrt(both.sum()) > SURE_Z * np.sqrt(max(1 - line[1] ** 2, 0.0)):
                return True
    return False


def _fills(total: Float, beside: list[Float], steps: Steps) -> bool:
    """Whether lengths fill nearly all of nearly every step and are no longer, on either side.

    Nor are they with other parts that are known.
    """
    most = total + np.nansum(beside, axis=0) if beside else total
    for step in steps.sides.values():
        share = (total / step)[np.isfinite(total / step)]
        if over(most, step) <= 1 - MOST and ((share >= _FILLED) & (share <= ROOM)).mean() >= MOST:
            return True
    return False


def _are_shares(total: Float, room: float) -> bool:
    """Whether values add up to one or a hundred in every row, as far as they are printed."""
    known = total[np.isfinite(total)]
    return any(bool((np.abs(known - whole) <= room).all()) for whole in _SHARES)
