"""The call that begins each loop, where none encloses it and nobody says: the one that recurs."""

import numpy as np

from looptime.array_types import Bool, Int
from looptime.call_words import guess_name
from looptime.parsers.layouts.cycles import alike_counts
from looptime.parsers.layouts.like_runs import begins_at
from looptime.schema import CallName

__all__ = ["after_waits", "recurring"]

#: A call that is met less often than this share of those that are met equally often marks none.
_RARE = 0.02
#: Between loops passes so many times the time between calls.
_LONGER = 1.5
#: Share of the time between its calls that passes unused before one of a paced task.
_IDLE = 0.05
#: Share of the loops that hold one such stretch, and of which it shows the begins.
_ONCE = 0.95
#: Calls that follow a wait begin more evenly than this share of the others.
_ON_TIME = 0.5


def recurring(name: Int, start: Int, end: Int, names: list[str]) -> tuple[int, int]:
    """The call that recurs once a cycle: the first to appear of the commonest count.

    Parameters
    ----------
    name : int array, shape (m,)
        Codes into `names` of the calls that do not lie within others, by their starts.
    start, end : int64 array, shape (m,) [ns]
        When each began and ended.
    names : list of str
        What they are called.

    Returns
    -------
    code, rival : int
        The call, and one that recurs more or less often and may be it as well; -1 for none.
    """
    count = np.bincount(name, minlength=len(names))
    again = np.flatnonzero(count > 1).tolist()  # of the names of other runs nothing is asked
    kinds = {code: guess_name(CallName(names[code])).kind for code in again}
    steady = [c for c in again if kinds[c] not in ("telemetry", "pacing", "wait")] or again
    if not steady:
        return int(np.argmax(count)), -1
    steady.sort(key=lambda code: int(np.argmax(name == code)))
    alike = alike_counts(count[steady])
    shared = count[steady][alike > 1]
    rare = count[steady] < _RARE * shared.max(initial=0)
    votes = dict(zip(steady, np.where(rare, 0, alike).tolist(), strict=True))
    most = max(votes.values())
    gaps = _gaps(name, start, end)
    if most == 1:  # no two calls share a count: the rarest that is no rarity marks the cycle
        floor = 0.05 * max(count[code] for code in steady)
        often = [code for code in steady if count[code] >= floor]
        fewest = min(often, key=lambda code: int(count[code]))
        most_often = max(often, key=lambda code: int(count[code]))
        if after_waits(start, end, start[name == most_often]) is not None:
            return most_often, fewest
        waited = [code for code in often if _waits(gaps[code], start[name == code])]
        code, rival = _of_the_loop(gaps, fewest, waited)
        return code, rival if code != fewest else -1
    first = next(code for code in steady if votes[code] == most)
    rivals = [code for code in steady if votes[code] > 1 and not _alike(count, first)[code]]
    code, rival = _of_the_loop(gaps, first, rivals)
    likely = [one for one in steady if _alike(count, code)[one]]
    return _after_wait(gaps, name, start, likely, names), rival


def after_waits(start: Int, end: Int, marks: Int) -> Int | None:
    """The begin of each loop of a paced program: the first call after the one wait in each.

    Parameters
    ----------
    start, end : int64 array, shape (m,) [ns]
        Calls that do not lie within others, by their starts.
    marks : int64 array, shape (n,) [ns]
        Starts of a call that is made once a loop, be it the first of its loop or not.

    Returns
    -------
    int64 array, shape (n,) [ns], or None
        None where not one wait passes, as a rule, from mark to mark. A late loop follows without a
        wait: it begins as many calls after the one before as the others do.

    Examples
    --------
    >>> start = np.array([0, 3, 10, 20, 30, 33, 40, 50, 60, 63])
    >>> after_waits(start, start + 3, np.array([3, 10, 20, 33, 40, 50, 63])).tolist()
    [0, 10, 20, 30, 40, 50, 60]
    """
    if len(marks) < 3:
        return None
    gap = np.append(np.inf, start[1:] - np.maximum.accumulate(end)[:-1])
    begins = start[gap > _IDLE * float(np.median(np.diff(marks)))]
    place = np.searchsorted(begins, marks, side="right") - 1
    if (np.diff(place) == 1).mean() < _ONCE or len(begins) > len(marks) / _ONCE + 1:
        return None
    made, row = begins[place], np.searchsorted(start, marks)
    usual = int(np.median(np.diff(np.searchsorted(start, begins))))
    for at in 1 + np.flatnonzero(np.diff(place) == 0):
        next_row = int(np.searchsorted(start, made[at - 1])) + usual
        made[at] = start[min(max(next_row, row[at - 1] + 1), row[at])]
    return made


def _alike(count: Int, code: int) -> Bool:
    """Which calls are made as often as one."""
    found: Bool = np.abs(count - count[code]) <= 1 + 0.02 * count[code]
    return found


def _gaps(name: Int, start: Int, end: Int) -> dict[int, float]:
    """The usual time [ns] between a call of each name and the end of those before."""
    gap = start[1:] - np.maximum.accumulate(end)[:-1]
    return {code: float(np.median(gap[name[1:] == code])) for code in np.unique(name[1:]).tolist()}


def _waits(gap_ns: float, start: Int) -> bool:
    """Whether a part of the time between two calls of a name passes in no call before it."""
    return gap_ns > _IDLE * float(np.median(np.diff(start)))


def _of_the_loop(gaps: dict[int, float], first: int, rivals: list[int]) -> tuple[int, int]:
    """Of calls that recur unlike often, the first one or another before which more time passes.

    Calls made several times a loop, and those of every tenth, may be more than those of each.
    What a program does between its loops lies before the first call of each.
    """
    if not rivals:
        return first, -1
    best = max(rivals, key=gaps.__getitem__)
    return (best, first) if gaps[best] > _LONGER * gaps[first] else (first, best)


def _after_wait(
    gaps: dict[int, float], name: Int, start: Int, likely: list[int], names: list[str]
) -> int:
    """Of the calls of a loop, in their order, the first one, or that before which the loop waits.

    A log that starts in the middle of a loop shows another call first. What follows the wait
    begins on time, the others when those before them are done. Without a wait no run of like calls
    is cut.
    """
    first, paced = likely[0], max(likely, key=gaps.__getitem__)
    spread = {}
    for code in (first, paced):
        low, high = np.quantile(np.diff(start[name == code]), [0.1, 0.9])
        spread[code] = float(high - low)
    if spread[paced] < _ON_TIME * spread[first]:
        return paced
    return likely[begins_at([names[one] for one in likely], [gaps[one] for one in likely])]
