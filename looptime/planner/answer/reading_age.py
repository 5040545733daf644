"""How old a reading is when it is put to use, on whatever thread it was taken.

Every reading is aged at one instant of the loop, so that a reading taken in the loop and one from
a thread can be held side by side: the first actuator write after it is at hand, else the loop's
end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.run import Run

__all__ = ["Ages", "reading_ages"]

Int = NDArray[np.integer]
Float = NDArray[np.float64]


@dataclass(frozen=True)
class Ages:
    """Reading age at use [ms]."""

    mean: float
    p95: float
    max: float
    uses: int


def reading_ages(run: Run, *, read_instant: str = "start") -> dict[str, Ages]:
    """Age of each sensor reading at use.

    Parameters
    ----------
    run : Run
        Recorded or predicted.
    read_instant : {"start", "end"}
        When during a call its reading is taken.

    Returns
    -------
    dict of str to Ages
        By call name, for calls of kind ``sensor read`` and for readings handed between threads.
    """
    calls = run.call_columns
    made: dict[str, Ages] = {}
    if not len(calls) or not len(run):
        return made
    handed = _handed(run)
    wanted = [k for k, c in enumerate(run.names) if c.kind == "sensor read" or k in handed]
    which = np.isin(calls.name, wanted)
    rows = np.flatnonzero(which)
    uses = _uses(run)
    for code in wanted[:200]:
        mine = rows[calls.name[rows] == code]
        if not len(mine):
            continue
        end = calls.start_ns[mine] + calls.duration_ns[mine]
        order = np.argsort(end, kind="stable")
        taken = calls.start_ns[mine] if read_instant == "start" else end
        at, seen = uses, uses
        if code in handed:
            seen, at = _pickups(run, code, uses)
        found = np.searchsorted(end[order], seen, side="right") - 1
        known = found >= 0
        if known.any():
            made[run.names[code].name] = _ages(at[known] - taken[order][found[known]])
    return made


def _ages(age: Int) -> Ages:
    ms = np.sort(age / 1e6)
    place = min(int(np.ceil(0.95 * len(ms))) - 1, len(ms) - 1)
    return Ages(float(ms.mean()), float(ms[max(place, 0)]), float(ms[-1]), len(ms))


def _handed(run: Run) -> set[int]:
    """Names whose readings are handed between threads."""
    marks = run.marks
    if marks is None:
        return set()
    return set(np.unique(marks.name[marks.used]).tolist())


def _uses(run: Run) -> Int:
    """The first actuator write of each loop, else the loop's end; shape (n,) [ns]."""
    calls, loops = run.call_columns, run.loop_columns
    end = loops.start_ns + loops.period_ns
    writes = np.array([call.kind == "actuator write" for call in run.names], bool)
    rows = np.flatnonzero(writes[calls.name] & run.on_loop_thread)
    if not len(rows):
        return end
    first = np.full(len(run), np.iinfo(np.int64).max)
    np.minimum.at(first, calls.loop[rows], calls.start_ns[rows])
    # a loop without a write holds the command of the one before: not a use
    return np.where(first == np.iinfo(np.int64).max, end, first)


def _pickups(run: Run, code: int, uses: Int) -> tuple[Int, Int]:
    """When the loop picked the reading up, and when it then put it to use."""
    marks = run.marks
    assert marks is not None
    mine = (marks.name == code) & marks.used
    when, loop = marks.time_ns[mine], marks.loop[mine]
    loops = run.loop_columns
    end = (loops.start_ns + loops.period_ns)[loop]
    at = uses[loop]
    return when, np.where(at >= when, at, np.maximum(end, when))
