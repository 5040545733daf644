"""Logged waits for a lock, and how long it is held: rows of the calls that need the lock.

A wait is no call's own time, and nobody else makes a loop wait by a row of his own. Such rows are
folded into the call that asks for the lock, which then lasts from asking to the end, as one that
logs no wait does; and the wait is known beside it.
"""

from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.call_words import of_locks
from looptime.records import dataclass
from looptime.run import CallColumns, Run

__all__ = ["Folded", "fold_locks"]

#: What is no more than this apart follows at once: the thread had no time for anything else [ns].
_AT_ONCE_NS = 60_000


@dataclass(frozen=True)
class Folded:
    """A run whose rows of locks are folded into the calls that take them."""

    run: Run
    #: What each call waited for its lock as its own row says; NaN where none does; None where no
    #: call of the run says it; shape (m,) [ns].
    waited: Float | None = None


def fold_locks(run: Run) -> Folded:
    """Fold rows of waits for locks, and of their holding, into the calls that they are part of.

    That is the call which begins with its only wait, or else what follows a wait at once: the row
    of holding the lock, which goes by the name of the only call within it where there is one, or
    the call itself where no holding is logged.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> from looptime.schema import CallName
    >>> names = tuple(map(CallName, ("arm.get", "bus.lock.wait", "bus.lock.held")))
    >>> calls = CallColumns(
    ...     loop=np.zeros(3, np.int32), thread=np.zeros(3, np.int16), name=np.arange(3),
    ...     start_ns=np.array([0, 0, 2000]), duration_ns=np.array([5000, 2000, 3000]),
    ...     self_ns=np.array([0, 2000, 3000]), depth=np.array([0, 1, 1]),
    ... )
    >>> loops = LoopColumns(np.arange(1), np.zeros(1, np.int64), np.array([9000]))
    >>> found = fold_locks(Run(loops, calls, names, ("main",), loop_thread=0))
    >>> found.run.calls["name"].tolist(), found.run.call_columns.self_ns, found.waited
    (['arm.get'], array([5000]), array([2000.]))
    """
    wait, held = _of_locks(run)
    if not wait.any():
        return Folded(run)
    calls = run.call_columns
    parts = _Parts.none(calls)
    for thread in np.flatnonzero(np.bincount(calls.thread)).tolist():
        rows = np.flatnonzero(calls.thread == thread)
        if wait[calls.name[rows]].any():
            _Lane(calls, rows, wait[calls.name[rows]], held[calls.name[rows]]).fold(parts)
    kept = parts.owner == np.arange(len(calls))
    if kept.all():
        return Folded(run)
    return Folded(replace(run, call_columns=_whole(calls, parts, kept)), parts.waited[kept])


@dataclass
class _Parts:
    """Whose part each row is: itself, or the call that it is folded into; shape (m,)."""

    owner: Int
    begin: Int  #: When each then begins [ns]
    end: Int
    gap: Int  #: Time between its parts that no row covered [ns]
    above: Int  #: Rows around it that are folded away
    waited: Float

    @classmethod
    def none(cls, calls: CallColumns) -> "_Parts":
        """Nothing folded yet."""
        size = len(calls)
        end = calls.start_ns + calls.duration_ns
        begin, zeros = calls.start_ns.copy(), np.zeros(size, np.int64)
        return cls(np.arange(size), begin, end, zeros, zeros.copy(), np.full(size, np.nan))


def _whole(calls: CallColumns, parts: _Parts, kept: Bool) -> CallColumns:
    """The calls with their folded parts in them."""
    size, number = len(calls), np.cumsum(kept) - 1
    own = np.bincount(parts.owner, calls.self_ns, size).astype(np.int64) + parts.gap
    cpu = calls.cpu_ns
    if cpu is not None:
        cpu = np.bincount(parts.owner, cpu, size).astype(np.int64)[kept]
    return CallColumns(
        loop=calls.loop[kept], thread=calls.thread[kept], name=calls.name[kept],
        start_ns=parts.begin[kept], duration_ns=(parts.end - parts.begin)[kept],
        self_ns=own[kept], depth=(calls.depth - parts.above).astype(calls.depth.dtype)[kept],
        seq=None if calls.seq is None else calls.seq[kept], cpu_ns=cpu,
        spill_row=number[parts.owner[calls.spill_row]], spill_loop=calls.spill_loop,
        spill_ns=calls.spill_ns,
    )  # fmt: skip


def _of_locks(run: Run) -> tuple[Bool, Bool]:
    """Which names are waits for a lock, and which are its holding."""
    words = of_locks([call.name for call in run.names])
    asked = [call.kind in ("wait", "other") for call in run.names]
    said = [word if asks else "" for word, asks in zip(words, asked, strict=True)]
    wait, held = (np.array([one == what for one in said], bool) for what in ("wait", "held"))
    return wait, held


class _Lane:
    """One thread's calls in order, and whose part each of its rows of locks is."""

    def __init__(self, calls: CallColumns, rows: Int, wait: Bool, held: Bool) -> None:
        self._rows, self._wait, self._held = rows, wait, held
        self._start, self._loop = calls.start_ns[rows], calls.loop[rows]
        self._end = self._start + calls.duration_ns[rows]
        self._parent = _parents(calls.depth[rows])
        self._count = np.bincount(self._parent[self._parent >= 0], minlength=len(rows))

    def fold(self, parts: _Parts) -> None:
        """Say of each row whose part it is, and how long the owners then last and wait."""
        asks = np.flatnonzero(self._wait)
        around = self._around(asks)
        whole = np.where(around >= 0, around, self._after(asks))
        known = (whole >= 0) & (self._loop[whole] == self._loop[asks])
        whole, once = np.unique(whole[known], return_index=True)
        asks = asks[known][once]
        if not len(asks):
            return
        first = np.minimum(self._start[asks], self._start[whole])
        place = np.searchsorted(first, self._start, "right") - 1
        until = self._end[whole[np.maximum(place, 0)]] + _AT_ONCE_NS  # each row is rounded
        inside = (place >= 0) & (self._end <= until)
        inside &= self._wait | self._held
        named = self._named(whole)
        inside[named] = False
        mine = self._rows[named]
        parts.owner[self._rows[inside]] = mine[place[inside]]
        parts.begin[mine], parts.end[mine] = first, self._end[whole]
        parts.gap[mine] = np.maximum(self._start[whole] - self._end[asks], 0)
        parts.waited[mine] = (self._end - self._start)[asks]
        up = self._parent
        while (up >= 0).any():
            parts.above[self._rows] += (up >= 0) & inside[up]
            up = np.where(up >= 0, self._parent[up], -1)

    def _around(self, asks: Int) -> Int:
        """The call that begins with each of these waits, and holds no other; -1 where none."""
        around = self._parent[asks]
        for _ in range(3):
            lock = (around >= 0) & (self._held | self._wait)[np.maximum(around, 0)]
            around = np.where(lock, self._parent[around], around)
        place = np.maximum(around, 0)
        once = np.bincount(place[around >= 0], minlength=len(self._rows))[place] == 1
        at_once = self._start[asks] - self._start[place] <= _AT_ONCE_NS
        return np.where((around >= 0) & once & at_once, around, -1)

    def _after(self, asks: Int) -> Int:
        """What follows each of these waits at once: the lock's holding, else a call; -1 if none."""
        above = self._parent[asks]
        at_once = (above >= 0) & self._held[np.maximum(above, 0)]
        follows = np.where(at_once, above, np.minimum(asks + 1, len(self._rows) - 1))
        gap = self._start[follows] - self._end[asks]
        fits = at_once | ((follows > asks) & (gap >= 0) & (gap <= _AT_ONCE_NS))
        fits &= self._held[follows] if self._held.any() else ~self._wait[follows]
        return np.where(fits, follows, -1)

    def _named(self, whole: Int) -> Int:
        """The row by whose name each goes: of a holding the only call within it, if it has one."""
        inner = np.minimum(whole + 1, len(self._rows) - 1)
        skip = self._wait[inner] & (inner + 1 < len(self._rows))
        count = self._count[whole] - skip
        inner = inner + skip
        one = self._held[whole] & (count == 1) & (self._parent[inner] == whole)
        return np.where(one, inner, whole)


def _parents(depth: Int) -> Int:
    """The row that encloses each row of one thread; -1 where none does.

    Examples
    --------
    >>> _parents(np.array([0, 1, 1, 2, 0])).tolist()
    [-1, 0, 0, 2, -1]
    """
    made: Int = np.full(len(depth), -1)
    for level in range(1, int(depth.max(initial=0)) + 1):
        mine, above = np.flatnonzero(depth == level), np.flatnonzero(depth == level - 1)
        place = np.searchsorted(above, mine) - 1
        made[mine] = np.where(place >= 0, above[np.maximum(place, 0)], -1) if len(above) else -1
    return made
