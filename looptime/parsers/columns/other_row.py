"""Lengths of a loop that stand in the row of another loop than the one they are of."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    SURE_Z,
    Steps,
    over,
    summed,
    together,
    without_sums,
)
from looptime.parsers.columns.role import Role, Seen, Stamped
from looptime.stats.arrays import median

__all__ = ["by_row", "own_rows"]

#: What the parts explain of the lengths of another row at least, and by how many times more; or by
#: how many times less of them they leave unexplained.
_TELLS, _TIMES = 0.2, 3.0
#: Rows in which the parts are longer than what holds them, for that row to be another's, at least;
#: and how far the usual lengths lie from their middle, in standard deviations.
_LONGER, _USUAL = 3, 4 * 1.4826
_SIDES = {1: ("start", "before", "next"), -1: ("end", "after", "last")}
_PARTS, _WHOLES = ("duration", "bare"), ("whole", "busy")


def own_rows(seen: list[Seen], steps: Steps, clock: bool) -> tuple[Steps, dict[int, int]]:
    """Wholes and periods that stand in another row than the parts they go with.

    A loop that measures at its start how long the last one took, or how long ago it began, writes
    that beside its own parts: its own length stands in the next row.

    Parameters
    ----------
    seen : list of Seen
        All columns; a whole that moves is put beside its own parts.
    steps : Steps
        Of the clock, or the values of the first period or whole.
    clock : bool
        Whether there is a clock, by whose steps periods are told.

    Returns
    -------
    steps : Steps
        Of the rows' own loops.
    moves : dict of int to int
        By column: 1 where the length of a row stands in the next, -1 where in the last.

    Examples
    --------
    >>> work = 5.0 + np.arange(200) * 37 % 11
    >>> seen = [Seen("period", np.append(9.0, work[:-1] + 2)), Seen("duration", work)]
    >>> own_rows(seen, Steps.of(None, seen), clock=False)[1]
    {0: 1}
    """
    moves: dict[int, int] = {}
    if not steps.known:
        return steps, moves
    one_unit = len(steps.units) == 1
    parts = [at for at, one in enumerate(seen) if one.meaning in _PARTS and _lengths(one)]
    parts = without_sums(seen, parts)
    wholes = [at for at, one in enumerate(seen) if one.meaning in _WHOLES and _lengths(one)]
    periods = [at for at, one in enumerate(seen) if one.meaning == "period" and not clock]
    for at in wholes:
        move = _row_of(seen[at], [seen[part] for part in parts], one_unit)
        if move:
            moves[at] = move
            seen[at] = replace(seen[at], values=_moved(seen[at].values, move))
    for at in periods:
        move = _row_of(seen[at], [seen[other] for other in parts], one_unit)
        # parts tell of a loop that does not wait, the work of one that is late
        move = move or _row_of(seen[at], [seen[other] for other in wholes], one_unit)
        if move:
            moves[at] = move
    reference = [at for word in ("period", "whole") for at, one in enumerate(seen)
                 if one.meaning == word]  # fmt: skip
    if not clock and reference and (below := moves.get(reference[0])):
        own = _moved(steps.after, below)
        steps = replace(steps, after=own, before=own)
    return steps, moves


def _lengths(one: Seen) -> bool:
    return bool(np.isfinite(one.values).sum() >= ENOUGH and np.nanmin(one.values) >= 0)


def _row_of(one: Seen, lengths: list[Seen], one_unit: bool) -> int:
    """By how many rows what holds some lengths stands below them; 0 where nothing else is told."""
    if not lengths or np.isfinite(one.values).sum() < ENOUGH:
        return 0
    table = np.stack([each.values for each in lengths], axis=1)
    whole = {move: _moved(one.values, move) for move in (0, 1, -1)}
    least = summed([each.values * (each.unit_ns or 1) for each in lengths
                    if each.unit_ns or one_unit])  # fmt: skip
    unit = one.unit_ns or (1 if one_unit else None)
    if unit and least is not None:
        many = len(table) * np.array([over(least, whole[move] * unit) for move in whole])
        best = 1 if many[1] < many[2] else -1
        if many[0] >= _LONGER + 10 * many[best] and many[-best] >= _LONGER:
            return best
    for kept in (whole, {move: _usual(values) for move, values in whole.items()}):
        if move := _goes_with(table, kept):
            return move
    return 0


def _goes_with(table: Float, whole: dict[int, Float]) -> int:
    """The row, if it is another, whose whole lengths go with by far more than with all others."""
    told = {move: _explained(table, values) for move, values in whole.items()}
    best = max(told, key=lambda move: told[move])
    others = max(told[move] for move in told if move != best)
    if told[best] * len(table) <= SURE_Z**2 * table.shape[1] or told[best] < _TELLS:
        return 0
    more, less = told[best] >= _TIMES * others, _TIMES * (1 - told[best]) <= 1 - others
    return best if more or less else 0


def _explained(table: Float, step: Float) -> float:
    fit = together(table, step)
    if fit is None:
        return 0.0
    return fit.explains(fit.slope > 0)


def _usual(values: Float) -> Float:
    """Values without those far from their middle, which stalls in no part of the loop make."""
    there = np.isfinite(values)
    if not there.any():
        return values
    apart = np.abs(values - median(values[there]))
    far: Bool = apart > _USUAL * median(apart[there])
    return np.where(far, np.nan, values)


def _moved(values: Float, move: int) -> Float:
    """Values of the row after (1) or before (-1); NaN where there is none."""
    moved = np.roll(values, -move)
    if move:
        moved[-1 if move > 0 else 0] = np.nan
    return moved


def by_row(roles: dict[int, Role], moves: dict[int, int]) -> tuple[dict[int, Role], Stamped]:
    """The roles, of which some say beside which row they stand, and how the rows are meant."""
    made, side = dict(roles), Stamped()
    for at, move in moves.items():
        word, step, row = _SIDES[move]
        why = f"the parts of each row go with it in the {row} row"
        if roles[at].taken_as == "period":
            made[at] = replace(roles[at], step=step, why=why)
            side = Stamped(word, why)
        elif roles[at].taken_as == "whole":
            made[at] = replace(roles[at], moved=move, why=why)
    return made, side
