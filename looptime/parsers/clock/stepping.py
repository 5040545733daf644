"""Clocks that step more coarsely than they print: stamps that several rows share, even turns."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Int
from looptime.records import dataclass

__all__ = ["Stepping", "stepping"]

#: Rows that must share their stamp with the one before for a clock to be called stepping.
_SHARED = 0.2
#: Share of the steps for which a rule must hold.
_MOST = 0.95
_ROWS = 50_000


@dataclass(frozen=True)
class Stepping:
    """How a clock steps where that is coarser than its last digit."""

    step_ns: int = 0  #: Its step, 0 where it is as fine as it prints
    shared: float = 0.0  #: Share of the rows with the stamp of the row before
    turns: tuple[int, ...] = ()  #: The two lengths that alternate, where there are no others [ns]


def stepping(time: Int, tick_ns: int) -> Stepping:
    """Find the step of a clock that rows read more often than it moves, or out of time with it.

    Rows share a stamp, and those that do not are whole steps apart; or steps take two lengths in
    turns so even that no stamp strays from a straight line by more than their difference, which
    is what rounding down to whole steps does to an even loop.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        Stamps in the order of the log.
    tick_ns : int [ns]
        Smallest difference that is printed.

    Examples
    --------
    >>> import numpy as np
    >>> even = np.arange(200) * 7_500_000
    >>> stepping(even // 5_000_000 * 5_000_000, 1_000_000).turns
    (5000000, 10000000)
    >>> stepping(np.arange(200) * 4_000_000 // 15_000_000 * 15_000_000, 1_000_000).step_ns
    15000000
    >>> stepping(even, 1_000_000).step_ns
    0
    """
    time = time[:_ROWS]
    step = np.diff(time)
    step = step[step >= 0]
    if len(step) < 20:
        return Stepping()
    shared = float((step == 0).mean())
    there = step[step > 0]
    if not len(there):
        return Stepping()
    if shared >= _SHARED:
        quantum = _whole_steps(there, tick_ns)
        return Stepping(quantum, shared) if quantum > tick_ns else Stepping(shared=shared)
    values, counts = np.unique(step, return_counts=True)
    two = np.sort(values[np.argsort(-counts, kind="stable")[:2]])
    if len(two) < 2 or not counts.size or np.isin(step, two).mean() < _MOST:
        return Stepping()
    low, high = (int(one) for one in two)
    apart = high - low
    rare = min(float((step == low).mean()), float((step == high).mean()))
    if apart <= tick_ns or low % apart or rare < 0.1:
        return Stepping()
    line = np.polyval(np.polyfit(np.arange(len(step)), np.cumsum(step), 1), np.arange(len(step)))
    if float(np.ptp(np.cumsum(step) - line)) > 2 * apart:
        return Stepping()
    return Stepping(apart, shared, (low, high))


def _whole_steps(there: Int, tick_ns: int) -> int:
    """The step of which nearly all differences are whole multiples, as far as they are printed."""
    least = float(np.median(there[there <= 1.5 * np.quantile(there, 0.1)]))
    times = np.rint(there / least)
    quantum = float(there.sum() / times.sum())
    off = np.abs(there - times * quantum)
    return round(quantum) if float((off <= 1.5 * tick_ns + 1).mean()) >= _MOST else 0
