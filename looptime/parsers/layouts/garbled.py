"""Lengths that no loop can hold: numbers that were garbled on their way into the log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.text.table import Key, Member, Table
from looptime.units import NS_PER_S

__all__ = ["Garbled", "find_garbled"]

Int = NDArray[Any]
_NONE = np.empty(0, np.int64)
#: Lengths of a log without a clock are believed up to this, and up to so many typical ones.
_LONGEST_NS, _TIMES = 60 * NS_PER_S, 1000
#: A length this many times the typical one is garbled if what was timed beside it says so.
_ODD = 20
#: So many steps of the clock: a row may be stamped before or after its loop.
_STEPS = 5
#: A length like this is told where nothing beside it says whether it is true.
_TOLD_NS, _TOLD_TIMES = NS_PER_S // 5, 300
#: Fewer lengths of a name, or more odd ones than this share, say nothing.
_FEWEST, _MOST = 5, 0.01


@dataclass(frozen=True)
class Garbled:
    """Rows with a length that cannot be, and others that are odd, with how many times the usual."""

    rows: Int
    odd: Int
    times: NDArray[np.float64]


def find_garbled(
    table: Table, lengths: dict[Key, NDArray[np.float64]], time: Int | None
) -> Garbled:
    """Find rows whose lengths contradict the clock, the total, or any loop.

    Parameters
    ----------
    table : Table
        Lengths of one row a call or section are told apart by its column ``name``.
    lengths : dict of Key to float64 array, shape (n,) [ns]
        Columns of lengths.
    time : int64 array, shape (n,), or None [ns]
        The clock.
    """
    bad: set[int] = set()
    odd: dict[int, float] = {}
    around = None if time is None else _around(time)
    total = lengths.get("total")
    for key, values in lengths.items():
        usual = _median(values)
        far = np.flatnonzero(values > _ODD * usual) if usual > 0 else _NONE
        if not len(far) or len(far) > max(_FEWEST, _MOST * len(values)):
            continue
        for at in far.tolist():
            if at == 0 and key in ("total", "period"):  # the time since the logger's zero
                continue
            own = _of_its_name(table, values, at)
            length, typical = float(values[at]), _median(own)
            if len(own) < _FEWEST or length <= _ODD * typical:
                continue
            beside = _beside(table, time, around, at)
            if total is not None and isinstance(key, Member):
                beside = min(beside or np.inf, 2 * float(total[at]) / _STEPS)
            if length > max(_LONGEST_NS, _TIMES * typical) or (
                beside is not None and length > _STEPS * beside
            ):
                bad.add(at)
            elif beside is None and length > max(_TOLD_NS, _TOLD_TIMES * typical):
                odd[at] = length / typical
    left = {at: times for at, times in odd.items() if at not in bad}
    return Garbled(
        np.array(sorted(bad), np.int64),
        np.array(list(left), np.int64),
        np.array(list(left.values())),
    )


def _median(values: NDArray[np.float64]) -> float:
    part = values if len(values) <= 20_000 else values[:: len(values) // 10_000]
    part = part[part > 0]
    return float(np.median(part)) if len(part) else 0.0


def _around(time: Int) -> NDArray[np.float64]:
    """The longer of the clock's steps before and after each row, whichever its loop is."""
    step = np.abs(np.diff(time)).astype(np.float64)
    return np.maximum(np.append(step, np.inf), np.append(np.inf, step))


def _of_its_name(table: Table, values: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    name = table.columns.get("name")
    return values if name is None else values[name == name[at]]


def _beside(
    table: Table, time: Int | None, around: NDArray[np.float64] | None, at: int
) -> float | None:
    """How long a row can have lasted by the clock: until its name is met again, or for a loop."""
    name = table.columns.get("name")
    if time is None or around is None:
        return None
    if name is None:
        return float(around[at])
    mine = name == name[at]
    thread = table.columns.get("thread")
    if thread is not None:
        mine = mine & (thread == thread[at])
    later = time[at + 1 :][mine[at + 1 :]][:1]
    step = float(later[0] - time[at]) if len(later) else -1.0
    return step if step > 0 else None
