"""Parts that are the sum of other parts: timers around other timers, not to be counted twice."""

import heapq

import numpy as np

from looptime.array_types import Bool, Float, Int

__all__ = ["NEAR", "enclosing", "own"]

#: A timer around others also takes its own few instructions: within 2 % counts as equal.
NEAR = 0.02
#: Loops in which the sum must hold.
MOST = 0.9
#: Loops that are looked at.
SAMPLE = 2000
#: Where there are more than so many, the first of them are asked before all are.
_MANY, _FIRST = 100, 50


def enclosing(values: Int, tick: int = 1) -> Int:
    """Find the columns that equal the sum of columns beside them, loop for loop.

    Parameters
    ----------
    values : int64 array, shape (n, k) [ns]
        Durations, one row a loop, columns in the order of the log.
    tick : int
        Resolution [ns]; sums may differ by half a tick for each part.

    Returns
    -------
    int64 array, shape (k,)
        The column around each column, -1 for none.

    Examples
    --------
    >>> import numpy as np
    >>> a, b = np.array([300, 320, 310, 450]), np.array([100, 90, 130, 95])
    >>> enclosing(np.stack([a + b, a, b], axis=1)).tolist()
    [-1, 0, 0]
    >>> enclosing(np.stack([a, b], axis=1)).tolist()
    [-1, -1]
    """
    if len(values) < 3 or values.shape[1] < 3:
        return np.full(values.shape[1], -1, np.int64)
    sums = _Sums(values[:: max(1, len(values) // SAMPLE)], tick)
    sums.of_stretches()
    sums.of_everything()
    return sums.parent


class _Sums:
    """Which columns are sums of the outermost ones before or after them, the shortest first.

    What lies beside a column is looked at again only where something of it found its own sum.
    """

    def __init__(self, values: Int, tick: int) -> None:
        self.values, self.tick = values, tick
        self.typical = np.median(values, axis=0)
        count = len(self.typical)
        self.parent = np.full(count, -1, np.int64)
        self.free = _vary(values)  # may be a sum: has no parts yet, and nothing around it
        self.first, self.last = np.zeros((2, count), np.int64)  # columns that were looked at
        #: Parts, sum, side, and how often its stretches were looked for: earlier ones are over.
        self.heap: list[tuple[int, int, int, int]] = []
        self.looked = np.zeros(count, np.int64)
        self.totals: dict[tuple[int, int], tuple[int, Int]] = {}
        self._outermost()
        self._look(np.flatnonzero(self.free))

    def _outermost(self) -> None:
        self.top = np.flatnonzero(self.parent < 0)
        self.reach = np.concatenate([[0.0], np.cumsum(self.typical[self.top])])
        self.rising = bool((np.diff(self.reach) >= 0).all())

    def of_stretches(self) -> None:
        """Find the columns that are sums of some that stand beside them."""
        while self.heap:
            parts, at, side, looked = heapq.heappop(self.heap)
            if looked == self.looked[at] and self._holds(at, side, parts):
                self._put(self._beside(at, side, parts), at)

    def of_everything(self) -> None:
        """Find the column that is the sum of all others."""
        top, typical = self.top, self.typical[self.top]
        total, ranked, least = self.values[:, top].sum(axis=1), np.sort(typical), _trifle(typical)
        many = len(top) - np.searchsorted(ranked, least) - (typical >= least) >= 2
        asked = top[self.free[top] & many]
        first = self.values[:_FIRST, asked]
        asked = asked[self._begin(first, total[:_FIRST, None] - first, len(top) - 1)]
        for at in asked.tolist():
            if _adds_up(self.values[:, at], total - self.values[:, at], len(top) - 1, self.tick):
                self.parent[top[top != at]] = at
                return

    def _look(self, columns: Int) -> None:
        """Note the stretches beside columns whose medians may add up to their own.

        Sums of medians are near the medians of sums: only these are worth a closer look.
        """
        self.looked[columns] += 1
        whole, place = self.typical[columns], np.searchsorted(self.top, columns)
        room = 0.3 * whole + 20 * self.tick
        start, end = np.zeros_like(place), np.full_like(place, len(self.top))
        some = np.ones(len(place), bool)
        if self.rising:  # no further than what lies beside is longer together
            after, before = self.reach[place + 1] + whole, self.reach[place] - whole
            end = np.searchsorted(self.reach, after + room + 1, "right")
            start = np.searchsorted(self.reach, before - room - 1)
            some = np.searchsorted(self.reach, after - room - 1) < end
            some |= np.searchsorted(self.reach, before + room + 1, "right") > start
            start = np.maximum(start - 1, 0)
        self.first[columns] = self.top[start]
        self.last[columns] = self.top[np.minimum(end, len(self.top)) - 1]
        for one in np.flatnonzero(some).tolist():
            low, at, high = int(start[one]), int(place[one]), int(end[one])
            self._note(int(columns[one]), 0, self.top[at + 1 : high], float(room[one]))
            self._note(int(columns[one]), 1, self.top[low:at][::-1], float(room[one]))

    def _note(self, at: int, side: int, beside: Int, room: float) -> None:
        """Note how many of the columns beside one, the nearest first, may add up to it.

        One long part and trifles would make that part "the sum".
        """
        self.totals.pop((at, side), None)
        typical = self.typical[beside]
        near = np.abs(self.typical[at] - np.cumsum(typical)) <= room
        near &= np.cumsum(typical >= _trifle(self.typical[at])) >= 2
        parts = np.flatnonzero(near) + 1
        if len(parts):
            total = np.cumsum(self.values[:_FIRST, beside[: parts[-1]]], axis=1)[:, parts - 1]
            parts = parts[self._begin(self.values[:_FIRST, [at]], total, parts)]
        for many in parts.tolist():
            heapq.heappush(self.heap, (many, at, side, int(self.looked[at])))

    def _begin(self, whole: Int, total: Int, parts: int | Int) -> Bool:
        """Which sums add up in half of the first loops, where there are more."""
        if len(self.values) <= _MANY:
            return np.ones(total.shape[1], bool)
        alike: Bool = _near(whole, total, parts, self.tick).mean(axis=0) >= 0.5
        return alike

    def _beside(self, at: int, side: int, parts: int, done: int = 0) -> Int:
        """So many columns after one (side 0) or before it, but for those done already."""
        place = int(np.searchsorted(self.top, at))
        after, before = place + 1, place - done
        return self.top[place - parts : before] if side else self.top[after + done : after + parts]

    def _holds(self, at: int, side: int, parts: int) -> bool:
        """Whether so many columns beside one add up to it; fewer were asked before."""
        done, total = self.totals.get((at, side), (0, np.zeros(len(self.values), np.int64)))
        total = total + self.values[:, self._beside(at, side, parts, done)].sum(axis=1)
        self.totals[at, side] = parts, total
        return _adds_up(self.values[:, at], total, parts, self.tick)

    def _put(self, inner: Int, outer: int) -> None:
        """Put columns into their sum, and look again at those beside which they stood."""
        self.parent[inner] = outer
        self.free[inner] = self.free[outer] = False
        self.looked[inner] += 1
        self.looked[outer] += 1
        self._outermost()
        touched = (self.first <= inner.max()) & (self.last >= inner.min())
        self._look(np.flatnonzero(touched & self.free))


def _trifle(whole: Float) -> Float:
    """The least that a part of such a whole must take as a rule, to be more than a trifle."""
    return NEAR * np.maximum(whole, 1.0)


def _vary(values: Int) -> Bool:
    """In which columns there is something to compare: fewer than three values say nothing."""
    vary: Bool = ((values != values.min(axis=0)) & (values != values.max(axis=0))).any(axis=0)
    return vary


def _adds_up(whole: Int, total: Int, parts: int, tick: int) -> bool:
    return bool(_near(whole, total, parts, tick).mean() >= MOST)


def _near(whole: Int, total: Int, parts: int | Int, tick: int) -> Bool:
    """In which loops so many parts, of this total, add up to the whole."""
    room = np.maximum(NEAR * whole, 0.5 * tick * (parts + 1))
    return np.abs(whole - total) <= room


def own(values: Int, parent: Int) -> Int:
    """Durations without what lies within.

    Parameters
    ----------
    values : int64 array, shape (n, k) [ns]
        Durations; a part that was not logged is 0.
    parent : int array, shape (k,)
        As `enclosing` returns it.

    Examples
    --------
    >>> import numpy as np
    >>> own(np.array([[400, 300, 90]]), np.array([-1, 0, 0])).tolist()
    [[10, 300, 90]]
    """
    result = values.astype(np.int64, copy=True)
    for column in np.flatnonzero(parent >= 0):
        result[:, parent[column]] -= values[:, column]
    return np.maximum(result, 0, out=result)  # parts may add up to a rounding more
