"""Two clocks in one row of which the finer one shows what the other rounds, or something else."""

import numpy as np

from looptime.array_types import Float, Int

__all__ = ["disagreement", "may_round", "rounds"]

#: How many times as finely a clock counts that shows what another one rounds away, and how much of
#: a step that is at least.
_FINER, _OF_A_STEP = 10, 0.005
#: By how much the rates of the two may differ, over how many rows that and their rounding is looked
#: at, and what of a tick may be added by how the rate wanders.
_RATE, _STRETCH, _WANDER = 1e-3, 64, 0.05
#: Share of the steps from which on those that are further apart are exceptions to be told; rows.
_MOSTLY, _ROWS = 0.98, 20


def may_round(first: Int, ticks: tuple[int, int]) -> bool:
    """Whether one of two clocks counts so much more coarsely that it may hide how loops differ.

    Examples
    --------
    >>> loops = 20_000_000 * np.arange(9)
    >>> may_round(loops, (10**6, 1000)), may_round(loops, (1000, 1000))
    (True, False)
    """
    step = float(np.median(np.abs(np.diff(first))))
    return max(ticks) >= max(_FINER * min(ticks), _OF_A_STEP * step)


def rounds(first: Int, second: Int, ticks: tuple[int, int]) -> bool:
    """Whether two clocks differ by no more than rounding and a steady rate, from row to row.

    Both may begin anew, in the same row. Where one alone does, or stops, or is set, or where a row
    is stamped late by it, the two show different things.

    Parameters
    ----------
    first, second : int64 array, shape (n,) [ns]
        Instants of the same rows.
    ticks : (int, int) [ns]
        The least steps that the two can show.

    Examples
    --------
    >>> fine = 20_000_000 * np.arange(100) + 70_000 * (np.arange(100) % 3)
    >>> stops = fine - 5_000_000 * (np.arange(100) > 60)
    >>> coarse = fine // 10**6 * 10**6
    >>> rounds(coarse, fine, (10**6, 1000)), rounds(coarse, stops, (10**6, 1000))
    (True, False)
    """
    back = (np.diff(first) < 0, np.diff(second) < 0)
    if (back[0] != back[1]).any():
        return False
    begins, room = np.flatnonzero(back[0]) + 1, (1 + _WANDER) * sum(ticks)
    pairs = zip(np.split(first, begins), np.split(second, begins), strict=True)
    return all(_within(one, two, room) for one, two in pairs)


def _within(first: Int, second: Int, room: float) -> bool:
    """Whether the difference of two clocks keeps within so much [ns], but for a rate."""
    gone = (first - first[0]).astype(float)
    apart = (second - first) - (second[0] - first[0])
    spread = gone - gone.mean()
    power = float(spread @ spread)
    rate = float(spread @ apart.astype(float)) / power if power > 0 else 0.0
    rates = (0.0, rate) if abs(rate) <= _RATE else (0.0,)
    return any(_widest(apart - one * gone) <= room for one in rates)


def _widest(values: Float) -> float:
    """The largest span of values in any stretch of rows; stretches overlap by half."""
    begins = range(0, max(len(values) - _STRETCH // 2, 1), _STRETCH // 2)
    return max(float(np.ptp(values[k : k + _STRETCH])) for k in begins)


def disagreement(
    first: Int, second: Int, ticks: tuple[int, int], names: tuple[str, str]
) -> tuple[str, ...]:
    """What is to be said where a finer clock mostly shows what the other rounds, but not always.

    Parameters
    ----------
    first, second : int64 array, shape (n,) [ns]
        Instants of the same rows.
    ticks : (int, int) [ns]
        The last digits of the two.
    names : (str, str)
        Of their columns.

    Examples
    --------
    >>> coarse = 20_000_000 * np.arange(100)
    >>> fine = coarse + 45_000_000 * (np.arange(100) > 60)
    >>> for said in disagreement(coarse, fine, (10**6, 1000), ("t_ms", "t_us")):
    ...     print(said.partition(":")[0])
    t_ms and t_us disagree in 1 of 99 steps, by up to 45 ms
    """
    if len(first) < _ROWS or not may_round(first, ticks):
        return ()
    one, two = np.diff(first).astype(float), np.diff(second).astype(float)
    apart = np.abs(two - one)
    usual = apart <= np.quantile(apart, _MOSTLY)
    rate = float(two[usual].sum() / one[usual].sum()) if one[usual].sum() > 0 else 1.0
    apart = np.abs(two - rate * one)
    off = apart > (1 + _WANDER) * max(rate, 1.0) * sum(ticks)
    if not off.any() or float(off.mean()) > 1 - _MOSTLY:
        return ()
    ms = float(apart.max()) / 1e6
    most = f"{ms:.3g} ms" if ms < 1000 else f"{ms / 1000:.3g} s"
    return (
        f"{names[0]} and {names[1]} disagree in {off.sum():,} of {len(off):,} steps, by up to "
        f"{most}: one of them stops, jumps or begins anew",
    )
