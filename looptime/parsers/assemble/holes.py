"""Loops in which time passes outside every part as in no other: stalls there, or rows lost."""

import numpy as np

from looptime.array_types import Int
from looptime.parsers.layouts.contract import Parsed
from looptime.parsers.layouts.merged import odd_turns, out_of_turn
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.units import NS_PER_MS

__all__ = ["holes", "lacking", "numbered"]

#: Loops that tell what is usual; the share of them that may be so, and at least so many.
_FEWEST, _MOST, _SOME = 30, 0.05, 3
#: Of a usual period: a row that was lost takes about a whole one away.
_FAR = 0.8
#: What is usually outside the parts is less than this share of a loop.
_USUAL = 0.5


def holes(run: Run, outside: Int, numbered: bool) -> tuple[str, ...]:
    """A caution where some loops hold about a whole loop or more outside every part.

    Two rows that were run into one, or rows lost between two, look like a loop that stood still
    outside its parts; numbers of the loops would tell. Where most time is outside the parts, that
    is no wonder, and nothing is said.

    Parameters
    ----------
    run : Run
        With its calls.
    outside : int64 array, shape (n,) [ns]
        Of each loop, the time outside every call.
    numbered : bool
        Whether no row can be lost without being told.
    """
    if len(run) < _FEWEST or not len(run.call_columns) or run.averaged or run.summed:
        return ()
    if "looptime-recorder" in run.meta:  # whose clock nobody sets, and which tells lost rows
        return ()
    period = run.loop_columns.period_ns
    usual, typical = median(outside), median(period)
    if not typical or usual > _USUAL * typical:
        return ()
    far = np.flatnonzero(outside - usual > _FAR * typical)
    if not 0 < len(far) <= max(_SOME, _MOST * len(run)):
        return ()
    low, high = (f"{float(ns) / NS_PER_MS:.3g}" for ns in (outside[far].min(), outside[far].max()))
    line = run.loop_columns.line
    where = "" if line is None else f" at line {int(line[far[0]])}"
    many = f"1 loop{where} holds {low}" if len(far) == 1 else (
        f"{len(far):,} loops, the first{where}, hold {low} to {high}"
    )  # fmt: skip
    return (
        f"{many} ms outside every part, where {usual / NS_PER_MS:.3g} ms is usual: stalls there, "
        + ("or the clock was set" if numbered else "or rows lost; numbers of the loops would tell"),
    )


def lacking(run: Run) -> tuple[str, ...]:
    """A caution where few loops lack a call that all others make once, or make it twice.

    Parameters
    ----------
    run : Run
        With its calls; of sections their layout tells.
    """
    calls, line = run.call_columns, run.loop_columns.line
    if run.layout not in ("calls", "edges") or line is None or "looptime-recorder" in run.meta:
        return ()
    mine = np.flatnonzero(calls.thread == run.loop_thread)
    mine = mine[np.argsort(calls.loop[mine], kind="stable")]
    odd = odd_turns(calls.name[mine], calls.loop[mine])
    odd = odd[(odd > 0) & (odd < len(run) - 1)]  # a program starts and stops within a loop
    return (out_of_turn(len(odd), int(line[odd[0]])),) if len(odd) else ()


def numbered(parsed: Parsed) -> bool:
    """Whether the rows or loops of a log are numbered, so that lost ones are told."""
    loops, calls = parsed.loops, parsed.calls
    if loops is not None:
        return loops.number is not None or loops.count is not None
    return calls is not None and (calls.loop is not None or calls.seq is not None)
