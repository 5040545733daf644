"""What a thread holds of one lock: from having it to letting it go, though it may take it again.

A thread that has a lock may take it once more; it then lets it go as often as it took it. Where a
row is lost this no longer comes out even. What another thread had since then, and how often it is
taken as a rule, tell where it begins anew.
"""

from bisect import bisect_left
from dataclasses import field

import numpy as np

from looptime.array_types import Bool, Int
from looptime.records import dataclass

__all__ = ["Turns", "turns"]

#: Share of the turns from which on as many takes, and as many releases, in a row are a habit.
_HABIT = 0.02


@dataclass
class Turns:
    """Places of what belongs together, and of what does not."""

    begin: list[int] = field(default_factory=list)
    end: list[int] = field(default_factory=list)
    inner: list[int] = field(default_factory=list)  #: Takes and releases within a turn
    lost: list[int] = field(default_factory=list)  #: Takes without a release
    stray: list[int] = field(default_factory=list)  #: Releases without a take


def turns(had: Bool, others_had: Int, at: Int) -> Turns:
    """The turns of one thread at one lock.

    Parameters
    ----------
    had : bool array, shape (n,)
        Of each event whether the thread has the lock from it on, else lets it go.
    others_had : int array, shape (k,)
        When other threads had the lock, in order.
    at : int array, shape (n,)
        When each event was, on the same clock.

    Examples
    --------
    >>> nobody = np.array([], int)
    >>> found = turns(np.array([True, True, False, False]), nobody, np.arange(4))
    >>> found.begin, found.end, found.inner
    ([0], [3], [1, 2])
    >>> found = turns(np.array([True, True, False]), np.array([5]), np.array([0, 9, 12]))
    >>> found.begin, found.end, found.lost  # another had it between
    ([1], [2], [0])
    """
    count = len(had)
    if count % 2 == 0 and had[::2].all() and not had[1::2].any():
        return Turns(list(range(0, count, 2)), list(range(1, count, 2)))
    made, deepest = Turns(), _habit(had)
    when, others = at.tolist(), others_had.tolist()
    depth, newest = 0, 0  # and the first take since a release
    for k, takes in enumerate(had.tolist()):
        if takes:
            newest = k if not k or not had[k - 1] else newest
            begun_anew = depth and _between(others, when[made.begin[-1]], when[k])
            if begun_anew or (depth and depth >= deepest):
                made.lost.append(made.begin.pop())
                since = k if begun_anew or newest == made.lost[-1] else newest
                made.inner = [one for one in made.inner if one != since]
                made.begin += [since] if since < k else []
                depth = k - since
            (made.inner if depth else made.begin).append(k)
            depth += 1
        elif depth > 1:
            made.inner.append(k)
            depth -= 1
        elif depth:
            made.end.append(k)
            depth = 0
        elif deepest > 1 and _goes_on(made, k) and not _between(others, when[k - 1], when[k]):
            made.stray.append(made.end.pop())  # the take within the turn was lost
            made.end.append(k)
        else:
            made.stray.append(k)
    if depth:
        made.lost.append(made.begin.pop())
    return made


def _goes_on(made: Turns, k: int) -> bool:
    """Whether a turn ended with the event before."""
    return bool(made.end) and made.end[-1] == k - 1


def _habit(had: Bool) -> int:
    """How often a lock is taken and then let go in a row, as a rule.

    Examples
    --------
    >>> twice = np.array([True, True, False, False] * 20)
    >>> _habit(twice), _habit(np.array([True, False] * 20 + [True, True, False]))
    (2, 1)
    """
    cuts = np.flatnonzero(np.diff(had, prepend=~had[:1], append=~had[-1:]))
    lengths, kinds = np.diff(cuts), had[cuts[:-1]]
    deepest = 1
    for length in np.unique(lengths).tolist():
        shares = [float((lengths[kinds == kind] >= length).mean()) if (kinds == kind).any() else 0.0
                  for kind in (True, False)]  # fmt: skip
        if min(shares) >= _HABIT:
            deepest = max(deepest, length)
    return deepest


def _between(times: list[int], low: int, high: int) -> bool:
    """Whether any of these times lies between two."""
    place = bisect_left(times, low + 1)
    return place < len(times) and times[place] < high
