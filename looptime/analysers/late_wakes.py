"""How late each pacing wait ends: what holds up the loop while it waits shows nowhere else."""

import numpy as np

from looptime.analysers.basis import Basis
from looptime.array_types import Bool, Float
from looptime.stats.arrays import median
from looptime.stats.outliers import running_median

__all__ = ["late_wakes"]

#: How far from a whole number of ticks a loop may be, as a share of one.
_OFF = 0.05
#: Share of the late ones that are most, and of a tick that is late.
_MOSTLY = 0.5
#: Share of the usual loop that it waits at least, where the log does not show the wait.
_LEAST_WAIT = 0.1


def late_wakes(basis: Basis) -> tuple[Float, Float] | None:
    """How late the wait of each loop ends, and how long it would have been; None without waits.

    Parameters
    ----------
    basis : Basis
        The run, and how it is paced.

    Returns
    -------
    over_ms, wait_ms : float arrays, shape (n,) [ms]
        Below 0 where a wait ends early, or where there was no time left to wait.
    """
    period, paced = basis.period_ms, basis.pacing
    wait = basis.waits.wait_ns
    if paced.wait_known and wait is not None:
        waited = wait / 1e6
    elif paced.fixed_rate and paced.beat_call is None:
        waited = basis.unattributed_ns / 1e6  # a device that is late ends its loop's wait late
        if median(waited) < _LEAST_WAIT * median(period):
            return None
    else:
        return None
    if paced.mode == "sleep after work":
        usual = running_median(waited)
        return waited - usual, usual
    if not paced.fixed_rate or paced.nominal_ms is None:
        return None
    over = after_ticks(period, period - waited, paced.nominal_ms)
    return over, np.maximum(waited - np.maximum(over, 0.0), 0.0)


def after_ticks(period: Float, work: Float, nominal_ms: float) -> Float:
    """How long after its tick each loop ends, by the rule that has it end soonest.

    A tick is counted from the loop's own start, or on the grid of the loops around, which a loop
    that began late is still short of: what is late by the one only does so by its own rule. A loop
    without time left ends when its work does, or at a later tick, and is not late for that. Where
    most are late by whole ticks, what wakes the loop failed to come, or it missed them by work.

    Parameters
    ----------
    period, work : float arrays, shape (n,) [ms]
        Each loop, and the part of it before the wait.
    nominal_ms : float [ms]
        The tick.

    Examples
    --------
    >>> period = np.array([20, 20, 20, 52, 28, 20, 40, 20.0])
    >>> work = np.array([8, 8, 8, 8, 8, 8, 25, 8.0])
    >>> after_ticks(period, work, 20.0).tolist()
    [0.0, 0.0, 0.0, 32.0, 0.0, 0.0, 0.0, 0.0]
    """
    usual = np.abs(period - nominal_ms) <= _OFF * nominal_ms
    tick = float(period[usual].mean()) if usual.any() else nominal_ms
    since = _since_usual(period, usual)
    from_start = period - tick * np.ceil(work / tick + _OFF)
    on_grid = since + period - tick * np.ceil((since + work) / tick + _OFF)
    over = np.minimum(from_start, on_grid)
    missed = (over >= (1 - _OFF) * tick) & (
        np.abs(over - np.rint(over / tick) * tick) <= _OFF * tick
    )
    if missed.sum() > _MOSTLY * (over > _MOSTLY * tick).sum():
        over[missed] = 0.0
    return over


def _since_usual(period: Float, usual: Bool) -> Float:
    """How long after the end of the last usual loop, which is a tick, each loop begins [ms]."""
    begin = np.cumsum(period) - period
    end = np.where(usual, begin + period, 0.0)
    return begin - np.append(0.0, np.maximum.accumulate(end)[:-1])
