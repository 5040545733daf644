"""Intervals that stand in the row of another loop than the one they are of."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.against_steps import ENOUGH, SURE_Z, Steps, together
from looptime.parsers.columns.role import Role, Seen, Stamped

__all__ = ["by_row", "own_intervals"]

#: What the parts explain of the intervals of another row at least, and by how many times more.
_TELLS, _TIMES = 0.2, 3.0
_SIDES = {1: ("start", "before", "next"), -1: ("end", "after", "last")}


def own_intervals(seen: list[Seen], steps: Steps) -> tuple[Steps, int]:
    """The intervals of a log without a clock, moved to the rows whose parts they go with.

    A loop that measures at its start how long ago the last one began writes that beside its own
    parts: its own interval stands in the next row.

    Parameters
    ----------
    seen : list of Seen
        All columns, of which one is a period.
    steps : Steps
        Its values.

    Returns
    -------
    steps : Steps
    move : int
        1 where the interval of a row stands in the next, -1 where in the last, 0 in its own.

    Examples
    --------
    >>> work = 5.0 + np.arange(200) * 37 % 11
    >>> seen = [Seen("period", np.append(9.0, work[:-1] + 2)), Seen("duration", work)]
    >>> own_intervals(seen, Steps.of(None, seen))[1]
    1
    """
    lengths = [one.values for one in seen if one.meaning in ("duration", "bare", "whole", "busy")]
    lengths = [x for x in lengths if np.isfinite(x).sum() >= ENOUGH and np.nanmin(x) >= 0]
    if not lengths or not any(one.meaning == "period" for one in seen) or not steps.known:
        return steps, 0
    table = np.stack(lengths, axis=1)
    told = {move: _explained(table, _moved(steps.after, move)) for move in (0, 1, -1)}
    best = max(told, key=lambda move: told[move])
    others = max(told[move] for move in told if move != best)
    sure = told[best] * len(table) > SURE_Z**2 * len(lengths)
    if not best or told[best] < max(_TELLS, _TIMES * others) or not sure:
        return steps, 0
    own = _moved(steps.after, best)
    return replace(steps, after=own, before=own), best


def _explained(table: Float, step: Float) -> float:
    fit = together(table, step)
    if fit is None:
        return 0.0
    return float(fit.share[fit.slope > 0].sum()) if fit.explained > 0 else 0.0


def _moved(values: Float, move: int) -> Float:
    """Values of the row after (1) or before (-1); NaN where there is none."""
    moved = np.roll(values, -move)
    if move:
        moved[-1 if move > 0 else 0] = np.nan
    return moved


def by_row(roles: dict[int, Role], move: int) -> tuple[dict[int, Role], Stamped]:
    """The roles, of which periods say beside which row they stand, and how the rows are meant."""
    side, step, row = _SIDES[move]
    why = f"the parts of each row go with it in the {row} row"
    roles = {at: replace(r, step=step, why=why) if r.taken_as == "period" else r
             for at, r in roles.items()}  # fmt: skip
    return roles, Stamped(side, why)
