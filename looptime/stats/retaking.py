"""Who gets a lock when it is let go while another waits: from the order in which calls end."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.stats.beta import incomplete_beta

__all__ = ["Retakes", "lock_kind", "retakes"]

#: The other must have waited this long at the release to stand in the queue for certain [ns].
QUEUED_NS = 50_000.0
#: Asked again within this time, the lock can still be had before the other has woken up [ns].
AGAIN_NS = 100_000.0
#: Releases below which nothing is said.
ENOUGH = 20


@dataclass(frozen=True)
class Retakes:
    """How often the one that let go took the lock again although the other waited."""

    #: Times it did, and contested releases, where it was the other's first that went by.
    first: int
    first_of: int
    #: The same where the other had lost an earlier one already: by then it is awake.
    later: int
    later_of: int


def retakes(mine: Sequence[Float], others: Sequence[Float]) -> Retakes:
    """Count contested releases of a lock by one side.

    Parameters
    ----------
    mine, others : (start, end) of float64 arrays [ns]
        Calls on the lock of the side that lets go, and of the side that may be waiting; each in
        order of time.

    Examples
    --------
    The other asks at 1 ms; the holder asks again at once and is served first.

    >>> ms = 1e6
    >>> mine = np.array([0.0, 2.0]) * ms, np.array([2.0, 4.0]) * ms
    >>> retakes(mine, (np.array([1.0]) * ms, np.array([5.0]) * ms))
    Retakes(first=1, first_of=1, later=0, later_of=0)
    """
    start, end = mine
    asked, done = others
    if len(start) < 2 or not len(asked):
        return Retakes(0, 0, 0, 0)
    release, again, next_end = end[:-1], start[1:], end[1:]
    at = np.searchsorted(done, release, "right")
    there = at < len(done)
    at = np.minimum(at, len(done) - 1)
    waited = release - asked[at]
    contested = there & (waited >= QUEUED_NS) & (again - release <= AGAIN_NS)
    took = next_end < done[at]
    # who asks just as the other takes it is awake at the next release, as one who has lost it
    lost = np.arange(len(release)) > np.searchsorted(end, asked[at] - QUEUED_NS, "left")
    counts = [int((contested & x).sum()) for x in (~lost & took, ~lost, lost & took, lost)]
    return Retakes(*counts)


def lock_kind(sides: Sequence[Retakes]) -> str:
    """``fair``, ``barging`` or ``unknown``, from the contested releases of all sides.

    Fair if the chance to take the lock again lies below 5 % with 95 % confidence, barging if it
    lies above 3 %; the bounds are the exact ones of Clopper and Pearson (Biometrika 26, 1934).

    Examples
    --------
    >>> lock_kind([Retakes(0, 40, 0, 60)]), lock_kind([Retakes(9, 10, 3, 30)])
    ('fair', 'barging')
    >>> lock_kind([Retakes(0, 3, 0, 0)])
    'unknown'
    """
    took = sum(s.first + s.later for s in sides)
    of = sum(s.first_of + s.later_of for s in sides)
    if of < ENOUGH:
        return "unknown"
    # the chance of so few (so many) at a true share of 5 % (3 %)
    if 1.0 - (incomplete_beta(took + 1, of - took, 0.05) if took < of else 0.0) < 0.05:
        return "fair"
    if took and incomplete_beta(took, of - took + 1, 0.03) < 0.05:
        return "barging"
    return "unknown"
