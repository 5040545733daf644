"""Calls that run into a timeout: long durations that all come to the same constant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from looptime.run import Run

__all__ = ["Timeout", "timeouts"]

# long: so many times the median, and at least so long [ns]; alike: within this share
_TIMES, _LEAST_NS, _ALIKE = 5.0, 2_000_000, 0.015
# so many of them, and this share of all long ones
_FEWEST, _MOST_OF = 3, 0.6


@dataclass(frozen=True)
class Timeout:
    """A call whose long durations are alike.

    Parameters
    ----------
    name : str
        The call.
    ms : float [ms]
        The middle one of them.
    times : int
        How many there are.
    """

    name: str
    ms: float
    times: int


def timeouts(run: Run) -> tuple[Timeout, ...]:
    """Calls of any thread that look as if they waited until a time ran out, most often first.

    A duration is long above 5 times the call's median and 2 ms. Three and more of them that lie
    within 1.5 % of their middle, and are 60 % of all long ones, are taken for a timeout.

    Parameters
    ----------
    run : Run
        With its calls.

    Examples
    --------
    >>> from looptime.run import CallColumns, LoopColumns
    >>> from looptime.schema import CallName
    >>> ms = np.where(np.arange(60) % 20 == 7, 50, 1) * 1_000_000
    >>> start = np.cumsum(ms + 1_000_000)
    >>> loop, none = np.arange(60), np.zeros(60, int)
    >>> calls = CallColumns(loop, none, none, start, ms, ms, none)
    >>> loops = LoopColumns(loop, start, ms + 1_000_000)
    >>> timeouts(Run(loops, calls, (CallName("gyro.read"),), ("main",), 0))
    (Timeout(name='gyro.read', ms=50.0, times=3),)
    """
    calls = run.call_columns
    order = np.argsort(calls.name, kind="stable")
    ends = np.searchsorted(calls.name[order], np.arange(len(run.names) + 1))
    found = []
    for code, name in enumerate(run.names):
        ns = calls.duration_ns[order[ends[code] : ends[code + 1]]].astype(np.int64)
        if len(ns) < 10 * _FEWEST:
            continue
        long = ns[ns > max(_TIMES * float(np.median(ns)), _LEAST_NS)]
        if len(long) < _FEWEST:
            continue
        middle = float(np.median(long))
        alike = long[np.abs(long - middle) <= _ALIKE * middle]
        if len(alike) >= _FEWEST and len(alike) >= _MOST_OF * len(long):
            found.append(Timeout(name.name, float(np.median(alike)) / 1e6, len(alike)))
    return tuple(sorted(found, key=lambda t: -t.times))
