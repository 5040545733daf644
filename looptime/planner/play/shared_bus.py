"""Threads that already share a bus with the loop: their calls, and the waits that the log holds.

A bus carries one transaction at a time. A call that was waiting could begin when the other
thread's transaction ended; what came before that instant was the wait, the rest the transaction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.planner.known.timeline import Chain
from looptime.run import Run

__all__ = ["HAND_OVER_NS", "Sharing", "sharing"]

Int = NDArray[np.integer]
Float = NDArray[np.float64]

#: A bus that is handed to a waiting thread lies idle while that thread wakes up [ns].
HAND_OVER_NS = 50_000


@dataclass(frozen=True)
class Sharing:
    """A recorded thread that uses a bus of the loop.

    Parameters
    ----------
    thread : int
        Its code.
    code, service, before : arrays, shape (k,)
        Name of each of its calls, how long it took without waiting [ns], time since the last [ns].
    bus : list of (str or None), length k
    """

    thread: int
    code: Int
    service: Float
    before: Float
    bus: list[str | None]


def sharing(run: Run, line: Chain) -> tuple[list[Sharing], Float]:
    """Threads that share a bus with the loop, and how long each call of the loop waited.

    Parameters
    ----------
    run : Run
        The recording.
    line : Chain
        Its loop thread.

    Returns
    -------
    sharing : list of Sharing
    wait : float64 array, shape (m,) [ns]
        Of each call of the loop's thread.
    """
    wait = np.zeros(len(line.row))
    found: list[Sharing] = []
    calls = run.call_columns
    bus_of = [call.bus for call in run.names]
    leaf = np.flatnonzero(line.first == line.last)
    loop_buses = {bus_of[c] for c in np.unique(line.name[leaf]).tolist()} - {None}
    if len(line.row) == len(calls) or not loop_buses:
        return found, wait
    number = {bus: i for i, bus in enumerate(sorted(b for b in loop_buses if b is not None))}
    bus_code = np.array([number.get(b, -1) if b is not None else -1 for b in bus_of])
    start = calls.start_ns.astype(float)
    end = start + calls.duration_ns
    own = line.row[leaf]
    for thread in np.unique(calls.thread[~run.on_loop_thread]).tolist():
        rows = np.flatnonzero((calls.thread == thread) & (calls.depth == 0))
        rows = rows[np.argsort(start[rows], kind="stable")]
        buses = bus_code[calls.name[rows]]
        if (buses < 0).all():
            continue
        theirs = np.zeros(len(rows))
        for bus in set(buses[buses >= 0].tolist()):
            mine = bus_code[calls.name[own]] == bus
            other = buses == bus
            ours = _waits(start[own[mine]], end[own[mine]], end[rows[other]])
            wait[leaf[mine]] = np.maximum(wait[leaf[mine]], ours)
            theirs[other] = _waits(start[rows[other]], end[rows[other]], end[own[mine]])
        gap = np.maximum(start[rows] - np.append(run.loop_columns.start_ns[0], end[rows][:-1]), 0)
        names = calls.name[rows].astype(np.int64)
        shared = [bus_of[c] if bus_code[c] >= 0 else None for c in names.tolist()]
        took = end[rows] - start[rows] - theirs
        found.append(Sharing(thread, names, took, gap, shared))
    return found, wait


def _waits(start: Float, end: Float, others_end: Float) -> Float:
    """How long calls waited, given when another thread's transactions on the bus ended.

    Examples
    --------
    >>> _waits(np.array([0.0, 5e6]), np.array([4e6, 9e6]), np.array([1e6])).tolist()
    [1050000.0, 0.0]
    """
    ends = np.sort(others_end)
    if not len(ends):
        return np.zeros(len(start))
    at = np.searchsorted(ends, end) - 1
    last = np.where(at >= 0, ends[np.maximum(at, 0)], -np.inf)
    wait = np.maximum(last - start, 0.0)
    woke = np.where((wait > 0) & (end - start - wait > 2 * HAND_OVER_NS), HAND_OVER_NS, 0)
    return wait + woke
