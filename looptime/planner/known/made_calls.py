"""The calls that are made: not the rows that a logger writes where the code passed one by."""

from dataclasses import fields, replace

import numpy as np

from looptime.analysers.durations import passed_by
from looptime.array_types import Bool
from looptime.run import CallColumns, Run

__all__ = ["made_calls"]

#: Columns of calls that do not hold one value for each.
_OF_SPILLS = ("spill_row", "spill_loop", "spill_ns")


def made_calls(run: Run) -> Run:
    """The run without rows of calls that were passed by; their time is that of the code around.

    Only rows that hold no other call, and lie in none, of the loop's thread.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> period = np.full(100, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(100), np.cumsum(period), period))
    >>> made_calls(run) is run
    True
    """
    at = run.call_columns
    deeper = np.append(at.depth[1:] > at.depth[:-1], False)[: len(at)]
    gone = np.zeros(len(at), bool)
    for code in range(len(run.names)):  # its turns may hold others, or run on
        rows = np.flatnonzero(run.on_loop_thread & (at.name == code))
        gone[rows] = passed_by(at.duration_ns[rows])
    gone &= (at.depth == 0) & ~deeper
    gone[at.spill_row] = False
    return run if not gone.any() else replace(run, call_columns=_without(at, gone))


def _without(calls: CallColumns, gone: Bool) -> CallColumns:
    columns = {f.name: getattr(calls, f.name) for f in fields(calls)}
    kept = {name: column[~gone] for name, column in columns.items()
            if column is not None and name not in _OF_SPILLS}  # fmt: skip
    number = np.cumsum(~gone) - 1
    return replace(calls, **kept, spill_row=number[calls.spill_row])
