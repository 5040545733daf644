"""Threads that are in the log already: their calls, and the waits that the log holds.

A bus carries one transaction at a time. A call that was waiting could begin when the other
thread's transaction ended; what came before that instant was the wait, the rest the transaction.
"""

from dataclasses import field
from typing import Any

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.planner.known.timeline import Chain
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import mad

__all__ = ["HAND_OVER_NS", "OVERSLEEP_NS", "Sharing", "oversleep", "rests", "sharing"]

#: A bus that is handed to a waiting thread lies idle while that thread wakes up [ns].
HAND_OVER_NS = 20_000

#: What a rest lasts at least beyond what is asked for: the timer, and until the thread runs [ns].
OVERSLEEP_NS = 70_000
#: On average so much more; in three of ten rests seven times as much as in the others [ns].
_MORE_NS = 28_000
#: A loop that sleeps so many times as much too long tells that others do.
_BUSY = 2.0


def rests(rest_ns: float, count: int, late: float = 1.0) -> Float:
    """How long a thread that asks for a rest sleeps, each time [ns]; none where it asks for none.

    `late` is a factor on what it sleeps beyond that.

    Examples
    --------
    >>> float(rests(1e6, 1000).mean() / 1e6).__round__(1), rests(0.0, 2).tolist()
    (1.1, [0.0, 0.0])
    """
    return rest_ns + late * oversleep(count) if rest_ns else np.zeros(count)


def oversleep(count: int, seen: Float | None = None) -> Float:
    """How much longer than it asks for a thread sleeps, each time [ns].

    `seen` is by how much the loop's own waits did so; on a busy machine they count, as they came.

    Examples
    --------
    >>> oversleep(4, np.array([2e6, 1e6])).tolist()
    [2000000.0, 2000000.0, 1000000.0, 1000000.0]
    """
    random = np.random.default_rng(5)
    more = _MORE_NS / 2.8 * np.where(random.random(count) < 0.3, 7.0, 1.0)
    usual = np.asarray(OVERSLEEP_NS + random.exponential(more))
    if seen is None or seen.mean() < _BUSY * (OVERSLEEP_NS + _MORE_NS):
        return usual
    return seen[np.arange(count) * len(seen) // max(count, 1)]


@dataclass(frozen=True)
class Sharing:
    """A recorded thread besides the loop's: its innermost calls, without their waits."""

    thread: int  #: Its code
    #: Name of each of its calls, how long it took without waiting [ns], shape (k,).
    code: Int
    service: Float
    #: Time since the last one's end, or since its begin where `timetable`, shape (k,) [ns].
    before: Float
    bus: dict[int, str | None]  #: Of each name
    shares: bool  #: Whether the loop uses a bus of it
    #: Whether its calls begin on a timetable, however long the last one took.
    timetable: bool = False
    rows: Int = field(default_factory=lambda: np.zeros(0, np.int64))  #: Of the calls, shape (k,)
    #: Which calls compute, shape (k,), of a thread that takes turns at it with the loop: the waits
    #: for turns are taken out; None of another.
    computes: Bool | None = None
    #: What plays have made of the thread as it was, by what they depend on.
    courses: dict[tuple[Any, ...], Any] = field(default_factory=dict, repr=False, compare=False)


def sharing(run: Run, line: Chain) -> tuple[list[Sharing], Float]:
    """The other threads of a run, and how long each call of the loop waited for them.

    Parameters
    ----------
    run : Run
        The recording, with a bus for each call that shares one.
    line : Chain
        Its loop thread.

    Returns
    -------
    sharing : list of Sharing
    wait : float64 array, shape (m,) [ns]
        Of each call of the loop's thread.
    """
    wait = np.zeros(len(line.row))
    calls = run.call_columns
    if len(line.row) == len(calls):
        return [], wait
    bus_of = [call.bus for call in run.names]
    number = {bus: i for i, bus in enumerate(sorted({b for b in bus_of if b is not None}))}
    bus_code = np.array([-1 if b is None else number[b] for b in bus_of])
    start = calls.start_ns.astype(float)
    end = start + calls.duration_ns
    leaf = np.flatnonzero(line.first == line.last)
    own = line.row[leaf]
    leaf, own = leaf[calls.duration_ns[own] > 0], own[calls.duration_ns[own] > 0]
    rows_of = {thread: _innermost(run, thread) for thread in _others(run)}
    used = set(bus_code[calls.name[own]].tolist()) - {-1}
    for bus in used:
        mine = bus_code[calls.name[own]] == bus
        others = [rows[bus_code[calls.name[rows]] == bus] for rows in rows_of.values()]
        ends = end[np.concatenate(others)] if others else np.empty(0)
        wait[leaf[mine]] = _waits(start[own[mine]], end[own[mine]], ends)
    found = []
    for thread, rows in rows_of.items():
        buses = bus_code[calls.name[rows]]
        theirs = np.zeros(len(rows))
        for bus in set(buses.tolist()) - {-1}:
            at = buses == bus
            rivals = [own, *(r for other, r in rows_of.items() if other != thread)]
            ends = [end[r[bus_code[calls.name[r]] == bus]] for r in rivals]
            theirs[at] = _waits(start[rows[at]], end[rows[at]], np.concatenate(ends))
        gap = np.maximum(start[rows] - np.append(run.loop_columns.start_ns[0], end[rows][:-1]), 0)
        names = calls.name[rows].astype(np.int64)
        took = end[rows] - start[rows] - theirs
        fixed = _keeps_a_timetable(names, start[rows], gap)
        before = np.append(gap[:1], np.diff(start[rows])) if fixed else gap
        of = {c: bus_of[c] for c in np.unique(names).tolist()}
        shares = bool(np.isin(buses, list(used)).any())
        found.append(Sharing(thread, names, took, before, of, shares, fixed, rows))
    return found, wait


def _others(run: Run) -> list[int]:
    threads = np.unique(run.call_columns.thread[~run.on_loop_thread])
    return [int(t) for t in threads]


def _innermost(run: Run, thread: int) -> Int:
    """Rows of a thread's calls that hold no other, in order of time.

    A row in which it waits for its next turn is its rest, which another pace changes.
    """
    calls = run.call_columns
    rows = np.flatnonzero(calls.thread == thread)
    rows = rows[np.append(calls.depth[rows][1:] <= calls.depth[rows][:-1], True)]
    rests = np.array([call.kind == "pacing" for call in run.names], bool)[calls.name[rows]]
    rows = rows if rests.all() else rows[~rests]
    return rows[np.argsort(calls.start_ns[rows], kind="stable")]


def _keeps_a_timetable(names: Int, start: Float, gap: Float) -> bool:
    """Whether calls of one name begin more evenly than they follow on each other's end.

    Examples
    --------
    >>> start = np.arange(100) * 20e6
    >>> gap = 20e6 - np.linspace(1e6, 5e6, 100)
    >>> _keeps_a_timetable(np.zeros(100, int), start, gap)
    True
    """
    if len(start) < 30 or (names != names[0]).any():
        return False
    steps = np.diff(start)
    return mad(steps) < 0.5 * mad(gap[1:])


def _waits(start: Float, end: Float, others_end: Float) -> Float:
    """How long calls waited, given when another thread's transactions on the bus ended.

    Examples
    --------
    >>> _waits(np.array([0.0, 5e6]), np.array([4e6, 9e6]), np.array([1e6])).tolist()
    [1020000.0, 0.0]
    """
    ends = np.sort(others_end)
    if not len(ends):
        return np.zeros(len(start))
    at = np.searchsorted(ends, end) - 1
    last = np.where(at >= 0, ends[np.maximum(at, 0)], -np.inf)
    wait = np.maximum(last - start, 0.0)
    woke = np.where((wait > 0) & (end - start - wait > 2 * HAND_OVER_NS), HAND_OVER_NS, 0)
    return wait + woke
