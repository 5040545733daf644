"""Rows of a ring buffer that was written out slot by slot: the oldest stands in the middle."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.clock.steps import NEAR
from looptime.parsers.layouts.contract import CallRows, LoopRows, Parsed
from looptime.parsers.repair.call_order import period_of
from looptime.parsers.repair.doubts import noted
from looptime.parsers.repair.new_runs import counters

__all__ = ["calls_turned", "from_oldest", "loops_turned"]

#: Loops that may lie between the last row and the first, where no number says that they follow.
_NEXT = 2
#: Fewer rows than this on either side are rows out of order.
_FEWEST = 3


def from_oldest(
    key: Int, typical: float, numbers: Sequence[Int | Float], tolerance: int = 0
) -> int:
    """Place of the row from which on the others follow, back round to the start; 0 if in order.

    There is one step back, and the first row is the next after the last: a recording that began
    anew would have to end, by chance, within a loop of where the other one begins.

    Parameters
    ----------
    key : int64 array, shape (n,) [ns]
        Instants in the order of the log.
    typical : float
        Loop period [ns].
    numbers : sequence of int or float arrays, shape (n,)
        What may count the rows.
    tolerance : int
        Steps back that rounding explains [ns].

    Examples
    --------
    >>> import numpy as np
    >>> from_oldest(np.array([50, 60, 70, 10, 20, 30, 40]), 10.0, [])
    3
    >>> from_oldest(np.array([60, 70, 80, 0, 10, 20, 30]), 10.0, [])
    0
    """
    back = np.flatnonzero(np.diff(key) < -tolerance) + 1
    if len(back) != 1 or not _FEWEST <= back[0] <= len(key) - _FEWEST:
        return 0
    at, rest = int(back[0]), int(key[0]) - int(key[-1])
    follow = any(n[0] - n[-1] == 1 and n[at] < n[at - 1] for n in numbers)
    if not follow and 0 <= key[at] < typical:  # a counter that wrapped, or was started anew
        return 0
    near = NEAR if follow else _NEXT
    return at if 0 < rest <= near * typical else 0


def loops_turned(parsed: Parsed, rows: LoopRows, typical: float) -> tuple[Parsed, LoopRows]:
    """Loops from the oldest on, where they come from a ring buffer."""
    numbers: list[Int | Float] = [value for _, value in counters(parsed, rows)]
    numbers += [] if rows.number is None else [rows.number]
    oldest = from_oldest(rows.start, typical, numbers)
    if not oldest:
        return parsed, rows
    turned = np.roll(np.arange(len(rows)), -oldest)
    return _turned(parsed, rows.row[[oldest]]), rows.take(turned)


def calls_turned(parsed: Parsed, rows: CallRows, tolerance: int) -> tuple[Parsed, CallRows]:
    """Timed calls from the oldest on, where they come from a ring buffer."""
    numbers = [number for number in (rows.seq, rows.loop) if number is not None]
    for key in (rows.start, rows.start + rows.duration):
        if np.count_nonzero(np.diff(key) < -tolerance) != 1:
            continue
        oldest = from_oldest(key, period_of(rows), numbers, tolerance)
        if oldest:
            turned = np.roll(np.arange(len(rows)), -oldest)
            return _turned(parsed, rows.table_row(np.array([oldest]))), rows.take(turned)
    return parsed, rows


def _turned(parsed: Parsed, oldest: Int) -> Parsed:
    """A ring buffer that is read from its oldest row on."""
    line = int(parsed.table.line_of(oldest)[0])
    note = f"the oldest row stands in line {line}, and the last goes on at the first: a ring"
    return replace(parsed, clock=noted(parsed.clock, f"{note} buffer, read from there"))
