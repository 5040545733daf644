"""Wraps undone: told by one instant a loop, and then for every instant beside it."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Int
from looptime.parsers.clock.steps import Step, Way, find_steps, typical_step
from looptime.parsers.columns.unit import Unit
from looptime.parsers.text.table import Key, Table
from looptime.records import dataclass

__all__ = ["Wrapped", "by_ends", "once_a_loop", "unwrap", "wraps_of"]

#: So many names, the commonest, are compared with each other.
_MOST_NAMES = 200
#: Part of the modulus by which calls may overlap for their rounding.
_SLACK = 100
#: The latest end that is reckoned with: whole numbers hold it and a wrap more [ns].
_LATEST = 1 << 62
#: So many more steps back than one for ten wraps may be left.
_RESTARTS = 2


@dataclass(frozen=True)
class Wrapped:
    """A counter that wrapped, as the instants of one name tell."""

    rows: Int  #: Rows that tell, one a loop, shape (k,)
    true: Int  #: Their instants with the wraps undone, shape (k,) [ns]
    #: What the counter wraps at and the typical loop [ns].
    modulus: int
    typical: float
    wraps: list[Step]  #: Places are those of the rows of the log

    def undone(self, time: Int) -> Int:
        """Instants of all rows, each put where it follows the beginning of its loop.

        Rows may stand a little before it, and a slow loop lasts long: of the modulus, most is
        left for what comes after.
        """
        loop = np.searchsorted(self.rows, np.arange(len(time)), side="right") - 1
        least = self.true[np.maximum(loop, 0)] - int(min(self.typical, self.modulus / 4))
        return time - (time - least) // self.modulus * self.modulus


def wraps_of(time: Int, rows: Int, way: Way) -> Wrapped | None:
    """Find out at what a counter wraps.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        As printed.
    rows : int64 array, shape (k,)
        Rows of which there is one a loop.
    way : Way
        What is known of the clock, its `number` and `broken` of those rows.

    Returns
    -------
    Wrapped or None
        None where it does not wrap.

    Examples
    --------
    >>> import numpy as np
    >>> ticks = np.stack([np.arange(0, 9000, 20), np.arange(5, 9005, 20)], axis=1).ravel()
    >>> way = Way("ms", 10**6, number=np.arange(450))
    >>> found = wraps_of(ticks % 4003 * 10**6, np.arange(0, 900, 2), way)
    >>> found.modulus, bool((found.undone(ticks % 4003 * 10**6) == ticks * 10**6).all())
    (4003000000, True)
    """
    series = time[rows]
    if len(series) < 3 or (series[1:] >= series[:-1]).all():
        return None
    typical = typical_step(series)
    found = find_steps(series, way)
    wraps = [step for step in found.steps if step.kind == "wrap"]
    if not wraps:
        return None
    add = np.zeros(len(series), np.int64)
    for at, ns in found.shift:
        add[at] += ns
    told = [Step(int(rows[step.at]), step.kind, step.size_ns, step.note) for step in wraps]
    true = series + np.cumsum(add)
    # a counter that is undone rises but for restarts; rows in no order go on falling
    if (np.diff(true) < 0).sum() > _RESTARTS + len(wraps) / 10:
        return None
    return Wrapped(rows, true, found.shift[0][1], typical, told)


def by_ends(start: Int, duration: Int, name: Int, thread: Int | None, modulus: int) -> Int:
    """Instants of calls that may last longer than their counter: none begins before the last ends.

    Parameters
    ----------
    start, duration : int64 array, shape (n,) [ns]
        In the order of the log: starts as printed, lengths as they are.
    name, thread : int array, shape (n,)
        Codes; calls of a name that holds others elsewhere bound nothing.
    modulus : int [ns]
        What the counter wraps at.

    Returns
    -------
    int64 array, shape (n,) [ns]
        With the wraps undone.

    Examples
    --------
    >>> start, took = np.array([0, 30, 40, 5]), np.array([25, 8, 160, 10])
    >>> by_ends(start, took, np.array([0, 1, 2, 0]), None, 100).tolist()
    [0, 30, 40, 205]
    """
    mine = np.zeros(len(start), np.int64) if thread is None else thread.astype(np.int64)
    order = np.argsort(mine, kind="stable")
    one, two = order[:-1], order[1:]
    inside = (mine[one] == mine[two]) & (duration[one] < modulus // 2)
    inside &= (start[two] - start[one]) % modulus < duration[one] - modulus // _SLACK
    holds = set(np.flatnonzero(np.bincount(name[one[inside]])).tolist())
    slack, last = modulus // 8, int(start[0]) if len(start) else 0
    free: dict[int, int] = {}
    made = []
    rows = zip(start.tolist(), duration.tolist(), name.tolist(), mine.tolist(), strict=True)
    for at, took, code, own in rows:
        last += (at - last + slack) % modulus - slack
        last += max(0, -((last - free.get(own, last)) // modulus)) * modulus
        made.append(last)
        if code not in holds:
            free[own] = min(last + took - modulus // _SLACK, _LATEST)
    return np.array(made, np.int64)


def once_a_loop(name: Int, thread: Int | None = None) -> Int:
    """Rows of the name that most likely is met once a loop: most names are met as often."""
    mine = np.arange(len(name))
    if thread is not None:
        mine = np.flatnonzero(thread == np.bincount(thread).argmax())
    count = np.bincount(name[mine])
    met = np.flatnonzero(count >= 3)
    if not len(met):
        return mine
    met = np.sort(met[np.argsort(-count[met], kind="stable")[:_MOST_NAMES]])
    alike = np.abs(count[met][:, None] - count[met]) <= 0.05 * count[met]
    return mine[name[mine] == met[np.argmax(alike.sum(axis=1))]]


def numbers_of(table: Table, rows: Int) -> Int | None:
    """Numbers of the loops in which rows stand, as logged, or by the numbers of the rows."""
    number = table.columns.get("loop")
    if number is not None:
        return number[rows]
    number = table.columns.get("seq", table.columns.get("count"))
    if number is None or len(rows) < 3:
        return None
    step = float(np.median(np.diff(number[rows])))
    return (number[rows] / step).astype(np.int64) if step > 0 else None


def unwrap(
    table: Table, roles: Sequence[Key], unit: Unit, rows: Int
) -> tuple[dict[str, object], ...]:
    """Let instants of a table go on where their counter wrapped.

    Parameters
    ----------
    table : Table
        Its columns are replaced where there is a wrap.
    roles : sequence of Key
        Columns of instants; the first one tells the wraps.
    unit : Unit
        Of these columns.
    rows : int64 array, shape (k,)
        Rows of which there is one a loop.

    Returns
    -------
    tuple of dict
        For `looptime.run.Clock.wraps`.
    """
    way = Way(unit.name, unit.ns, numbers_of(table, rows))
    found = wraps_of(table.columns[roles[0]], rows, way)
    if found is None:
        return ()
    for role in roles:
        table.columns[role] = found.undone(table.columns[role])
    lines = table.line_of(np.array([step.at for step in found.wraps])).tolist()
    return tuple(
        {"line": line, "size_ns": step.size_ns, "note": step.note}
        for line, step in zip(lines, found.wraps, strict=True)
    )
