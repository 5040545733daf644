"""A representative sample of a long run: stretches of whole loops, evenly spread."""

from dataclasses import replace

import numpy as np

from looptime.run import Run

__all__ = ["spread_sample"]


def spread_sample(run: Run, loops: int, stretches: int = 20) -> Run:
    """Stretches of a run, set one after the other.

    Parameters
    ----------
    run : Run
        The whole run.
    loops : int
        About how many loops to keep.
    stretches : int
        In how many pieces; within each, what follows on what stays so.

    Returns
    -------
    Run
        Starts are moved so that the loops adjoin; a call that ran on past the end of its stretch
        is cut there.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.full(1000, 5)
    >>> short = spread_sample(Run(LoopColumns(np.arange(1000), np.cumsum(period) - 5, period)), 100)
    >>> len(short), int(np.ptp(short.loop_columns.loop) > 900)
    (100, 1)
    """
    n = len(run)
    if n <= loops:
        return run
    length = max(1, loops // stretches)
    first = np.linspace(0, n - length, stretches).astype(np.int64)
    keep = np.zeros(n, bool)
    for at in first.tolist():
        keep[at : at + length] = True
    part = run.select(keep)
    was = part.loop_columns.start_ns
    start = was[0] + np.cumsum(part.loop_columns.period_ns) - part.loop_columns.period_ns
    move = start - was
    calls = part.call_columns
    end = was + part.loop_columns.period_ns
    joined = np.append(was[1:] == end[:-1], False)
    stop = np.flatnonzero(~joined)
    limit = end[stop[np.searchsorted(stop, calls.loop)]]
    over = calls.start_ns + calls.duration_ns > limit
    over &= part.on_loop_thread
    duration = np.where(over, limit - calls.start_ns, calls.duration_ns)
    columns = replace(calls, start_ns=calls.start_ns + move[calls.loop], duration_ns=duration)
    signals, marks = part.signals, part.marks
    return replace(
        part,
        loop_columns=replace(part.loop_columns, start_ns=start),
        call_columns=columns,
        signals=None
        if signals is None
        else replace(signals, time_ns=signals.time_ns + move[signals.loop]),
        marks=None if marks is None else replace(marks, time_ns=marks.time_ns + move[marks.loop]),
    )
