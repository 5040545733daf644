"""Stretches of two logs that stand in one file in turn, or of one in no order."""

import math

import numpy as np

from looptime.array_types import Bool, Int

__all__ = ["in_turn"]

#: A stretch ends where the clock goes back, or ahead by more than so many usual steps; another
#: goes on where it left off if it begins at most so many later.
_ENDS, _GOES_ON = 5.0, 3.0
#: Chance must make as many that go on less often than this.
_CHANCE = 1e-3
#: Runs in each of which the clock begins later, by this share of the run before; of so many steps
#: back at least, most must be like that.
_LATER, _FEWEST, _MOST = 0.2, 2, 0.6


def in_turn(time: Int, back: Int, typical: float) -> tuple[int, str] | None:
    """Which step back first tells that the log is not in the order of time, and how.

    A clock that began anew does so near where it began before, and one that was set goes on from
    any instant. Where a stretch goes on from the last instant of an earlier one, they are of one
    recording, and what lies between is of another, or stands in the wrong place. By chance a
    stretch of ``n`` begins within three steps of the end of one of the ``m`` before it with chance
    ``3 m typical / span``.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        Starts of loops, or of calls, in the order of the log.
    back : int64 array, shape (k,)
        Rows before which the clock went back for good.
    typical : float
        The usual step [ns].

    Returns
    -------
    (int, str) or None
        A row of `back`, and what is said of it; None where nothing tells it.

    Examples
    --------
    >>> time = np.arange(0, 20_000, 10)
    >>> blocks = time.reshape(10, 200)[[0, 5, 1, 6, 2, 7, 3, 8, 4, 9]].ravel()
    >>> in_turn(blocks, np.array([400, 800, 1200, 1600]), 10.0)
    (400, 'the clock goes back to where an earlier stretch left off, and 3 times more')
    >>> in_turn(np.tile(time, 3), np.array([2000, 4000]), 10.0)
    """
    first, last = _stretches(time, back, typical)
    goes_on = np.flatnonzero(_goes_on(time, back, first, last, typical))
    times = len(goes_on)
    span = float(np.ptp(time)) or 1.0
    chance = min(1.0, len(back) * len(last) * _GOES_ON * typical / span)
    if times and chance**times / math.factorial(min(times, 20)) < _CHANCE:
        where = "the clock goes back to where an earlier stretch left off"
        return int(back[goes_on[0]]), where + _more(times)
    later = np.flatnonzero(_later(time, back))
    if len(later) >= max(_FEWEST, _MOST * len(back)):
        where = "the clock goes back into time that the log has been through, later each time"
        return int(back[later[0]]), where + _more(len(later))
    return None


def _more(times: int) -> str:
    return "" if times < 2 else f", and {times - 1:,} time{'s' * (times > 2)} more"


def _stretches(time: Int, back: Int, typical: float) -> tuple[Int, Int]:
    """The first row of each stretch, and its last instant."""
    reach = np.concatenate([np.maximum.accumulate(one) for one in np.split(time, back)])
    ahead = np.flatnonzero(np.diff(reach) > _ENDS * typical) + 1
    first = np.union1d(np.append(back, 0), ahead)
    return first, reach[np.append(first[1:], len(time)) - 1]


def _goes_on(time: Int, back: Int, first: Int, last: Int, typical: float) -> Bool:
    """Whether the clock goes back to just behind the end of a stretch that stands earlier."""
    order = np.argsort(last, kind="stable")
    low = np.searchsorted(last[order], time[back] - int(_GOES_ON * typical))
    high = np.searchsorted(last[order], time[back])
    near = zip(low.tolist(), high.tolist(), back.tolist(), strict=True)
    return np.array([bool((first[order[at:to]] < row).any()) for at, to, row in near])


def _later(time: Int, back: Int) -> Bool:
    """Whether each run begins well behind the beginning of the one before."""
    runs = np.split(time, back)
    begin = np.array([int(run[0]) for run in runs])
    length = np.array([int(np.ptp(run)) for run in runs])
    return np.diff(begin) > np.maximum(_LATER * length[:-1], 1)
