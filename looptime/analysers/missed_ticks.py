"""The wait for the next tick after calls that took a loop past one, where no row shows the wait."""

import numpy as np

from looptime.analysers.late_ticks import FEWEST, NEAR
from looptime.array_types import Bool, Float, Int
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["tick_wait"]

#: How far from a whole number of ticks a loop may end, as a share of one.
_OFF = 0.1
#: Share of the loops whose calls take so long that miss their tick, and the fewest such loops.
_MISS, _FEW = 0.9, 5
#: Share of the loops in time whose calls take less than what misses a tick [percent].
_IN_TIME = 90.0


def tick_wait(period_ns: Int, outside_ns: Int, nominal_ms: float) -> Int:
    """What of the time outside all calls is surely the wait for a later tick.

    A loop that misses its tick ends at the next, however little it missed it by. Where the calls by
    themselves take as long as loops that miss theirs, all beyond the usual time outside them is
    that wait. Where they take less, something outside them held the loop up, and nobody knows how
    much of that time it took.

    Parameters
    ----------
    period_ns, outside_ns : int arrays, shape (n,) [ns]
        Each loop, and the part of it that no call covers.
    nominal_ms : float [ms]
        The tick, which a loop that misses it loses.

    Returns
    -------
    int array, shape (n,) [ns]
        0 in loops in time, and wherever something else may have held up the loop.

    Examples
    --------
    >>> calls = np.full(200, 16_000_000)
    >>> calls[::20] += 7_000_000  # past the tick
    >>> period = np.where(np.arange(200) % 20, 20_000_000, 40_000_000)
    >>> period[7] = 40_000_000  # by something else
    >>> waited = tick_wait(period, period - calls, 20.0)
    >>> waited[[0, 1, 7]].tolist()
    [13000000, 0, 0]
    """
    tick = 1e6 * nominal_ms
    ticks = np.rint(period_ns / tick)
    on_tick = (np.abs(period_ns - ticks * tick) <= _OFF * tick) & (ticks >= 1)
    in_time = on_tick & (ticks == 1)
    calls = (period_ns - outside_ns).astype(np.float64)
    if in_time.sum() < FEWEST or calls.max(initial=0.0) <= 0:
        return np.zeros(len(period_ns), np.int64)
    missed_from = _missed_from(calls[on_tick], ticks[on_tick] > 1, tick)
    past = calls >= missed_from + (ticks - 2) * tick - NEAR * tick
    usual = int(median(outside_ns[in_time]))
    waited = np.maximum(outside_ns - usual, 0)
    made: Int = np.where(on_tick & (ticks > 1) & past, waited, 0).astype(np.int64)
    return made


def _missed_from(calls: Float, missed: Bool, tick: float) -> float:
    """From which length of the calls on nearly all loops miss their tick; a tick at most."""
    least = float(percentiles(calls[~missed], [_IN_TIME])[0])
    order = np.argsort(-calls, kind="stable")
    score = np.cumsum(np.where(missed[order], 1 - _MISS, -_MISS))  # rises while most miss theirs
    last = int(score.argmax())
    from_there = float(calls[order[last]]) if last >= _FEW - 1 and score[last] > 0 else tick
    return min(max(from_there, least), tick)
