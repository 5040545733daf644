"""Calls that end when their device says so: the loop is as fast as the device, not its work."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.run import Run
from looptime.stats.arrays import mad, median

__all__ = ["keeps_own_beat", "turns_made", "turns_of"]

#: Turns from which on anything is told; those that have to make up for something, each as much.
_FEWEST, _MADE_UP = 20, 10.0
#: Turns off the usual one by so many robust standard deviations, or by this share of it, are late,
#: or follow a late one; the least share of the turns that are neither.
_OFF, _NEAR, _USUAL = 8.0, 0.02, 0.8
#: What all else must differ by from turn to turn, as a share of one.
_VARIES = 0.001
#: Slope of a call on all else: -1 where it makes up for it, 0 where it takes what it takes; between
#: which it surely lies, so many standard errors off, of differences that share a turn.
_MAKES_UP, _SURELY, _SURE_Z = -0.8, -0.5, 8.0


def keeps_own_beat(took: Float | Int, ends: Float | Int, cut: float = 0.0) -> bool:
    """Whether a call waits for a device that answers so long after it last did.

    From end to end of such a call it is the same time whatever all else takes: the call is shorter
    by as much. It may be one rare call that tells, where all others are even. Any other call ends
    as much later as that took. Of a loop that waits for a tick elsewhere each call ends as unevenly
    as it and all before it are long, and nothing makes up for that before its next end.

    Parameters
    ----------
    took, ends : arrays, shape (n,), of one unit
        How long each turn of the call lasted, and when it ended.
    cut : float, of the same unit
        What cutting stamps to the clock's steps makes lengths vary by.

    Examples
    --------
    >>> work = np.random.default_rng(1).normal(3.0, 0.05, 300)
    >>> work[::12] += 1.5
    >>> bool(keeps_own_beat(10 - work, 10.0 * np.arange(300)))
    True
    >>> bool(keeps_own_beat(np.full(300, 7.0), np.cumsum(work + 7)))
    False
    """
    between = np.diff(np.asarray(ends, np.float64))
    if len(between) < _FEWEST:
        return False
    own, turn = np.asarray(took, np.float64)[1:], median(between)
    usual = np.abs(between - turn) <= max(_OFF * 1.4826 * mad(between), _NEAR * turn)
    if usual.mean() < _USUAL:
        return False
    both = usual[1:] & usual[:-1]  # what wanders along the run makes up for nothing
    goes, shorter = (np.diff(x)[both] for x in (between - own, own))
    varied = float((goes**2).mean()) ** 0.5 if len(goes) else 0.0
    if varied <= max(_VARIES * turn, 3 * cut):
        return False
    squares = goes**2
    if float(squares.sum()) ** 2 < _MADE_UP * float((squares**2).sum()):
        return False  # a few turns by accident
    falls = float((goes * shorter).sum()) / float(squares.sum())
    error = float((shorter - falls * goes).std()) / varied / len(goes) ** 0.5
    return falls < min(_MAKES_UP, _SURELY - _SURE_Z * error)


def turns_of(run: Run, code: int, period: Float) -> Float:
    """From end to end of a call that is made once in each loop [ms], else the loops' `period`."""
    _, ends = turns_made(run, code)
    return np.diff(ends) / 1e6 if len(ends) == len(run) else period


def turns_made(run: Run, code: int) -> tuple[Int, Int]:
    """How long each turn of a call of the loop's thread took, and when it ended [ns]."""
    at = run.call_columns
    rows = np.flatnonzero((at.name == code) & run.on_loop_thread)
    took = at.duration_ns[rows].astype(np.int64)
    return took, at.start_ns[rows] + took
