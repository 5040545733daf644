"""Calls that alternate: each loop makes one of them, so that none makes its loops longer alone."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Int

__all__ = ["alternating"]

#: Share of the loops in which one of them is made, at least, and more than one of them, at most.
_ONE, _MORE = 0.97, 0.002
#: Calls looked at, those of the most loops first.
_LOOKED_AT = 40


def alternating(made: Sequence[Int], loops: int) -> list[tuple[int, ...]]:
    """Which calls alternate: sets of which nearly every loop makes one, and only one.

    Parameters
    ----------
    made : sequence of int arrays, shape (k,)
        For each call the places of the loops in which it is made, none of them twice.
    loops : int
        Loops of the run.

    Returns
    -------
    list of tuple of int
        Places in `made`, rising in each tuple; a call is in one tuple at most.

    Examples
    --------
    >>> left, right, flush = np.arange(0, 90, 2), np.arange(1, 90, 2), np.arange(4, 90, 10)
    >>> alternating([flush, left, right], 90)
    [(1, 2)]
    """
    order = sorted(range(len(made)), key=lambda k: -len(made[k]))[:_LOOKED_AT]
    sets: list[tuple[int, ...]] = []
    for place, first in enumerate(order):
        if any(first in one for one in sets):
            continue
        members, times = [first], np.zeros(loops, np.int64)
        times[made[first]] = 1
        for k in order[place + 1 :]:
            if times[made[k]].sum() <= _MORE * loops and not any(k in one for one in sets):
                times[made[k]] += 1
                members.append(k)
        if len(members) > 1 and np.mean(times == 1) >= _ONE:
            sets.append(tuple(sorted(members)))
    return sets
