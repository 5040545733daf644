"""Instants at which the work of each loop ends, beside those at which it begins."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import marked
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.role import Role
from looptime.parsers.columns.unit import Unit
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.units import UNITS

__all__ = ["with_ends"]

#: Share of the rows in which a loop's work ends before the next begins.
_HOLD = 0.98
#: What most rows have left beside their parts at most, as a share of these, where no word says end.
_MOSTLY, _LEFT = 95, 0.25


def with_ends(
    taken: list[tuple[Head, Role]], dialect: Dialect, clock: Head, unit: Unit, times: Float
) -> list[tuple[Head, Role]]:
    """The columns, of which one that holds the instants at which the loops' work ends is a whole.

    It lies between the starts of its own and the next loop, never with too little room for the
    parts of the row. Where its header does not say that it is an end, there is hardly more room
    than that: what arrives at any time within a loop mostly comes after the parts, too. One whose
    header says so, and no unit, is in the clock's.

    Parameters
    ----------
    taken : list of (Head, Role)
        What the columns are taken for.
    dialect : Dialect
        How the log is written, with its first rows.
    clock, unit, times : Head, Unit, float64 array, shape (n,) [ns]
        The clock, its unit and its first values.
    """
    parts = [numbers(dialect, h.index) * UNITS[h.unit] for h, role in taken
             if role.taken_as == "part" and h.unit]  # fmt: skip
    if not parts or any(role.taken_as == "whole" for _, role in taken):
        return taken
    work = np.nansum(parts, axis=0)[:-1]
    made = list(taken)
    for at, (head, role) in enumerate(taken):
        named = head.unit is not None
        says_end = marked(head).side == "end"
        own = head.unit or (unit.name if says_end and not clock.unit else None)
        if role.taken_as != "run timer" or own not in UNITS:
            continue
        ends = numbers(dialect, head.index)[:-1] * UNITS[own]
        digits = (_last_digit(ends, dialect, head, UNITS[own]),
                  _last_digit(times, dialect, clock, unit.ns))  # fmt: skip
        tick = 1.01 * max(digits)
        room = ends - times[:-1] - work
        close = np.nanpercentile(room, _MOSTLY) <= _LEFT * float(np.median(work)) + 2 * tick
        if (room < -(len(parts) + 1) * tick).any() or not (says_end or close):
            continue
        if (ends <= times[1:] + tick).mean() < _HOLD:
            continue
        if float((ends < times[1:] - tick).mean()) > 0.5:
            why = "it lies between two starts of loops, and all parts fit in before it"
            said = role.unit_from if named else "so it lies between two instants of the clock"
            whole = replace(role, taken_as="whole", unit_ns=UNITS[own], unit_from=said, why=why,
                            step="after", lap_of=clock.index)  # fmt: skip
            made[at] = (replace(head, unit=own), whole)
            break
    return made


def _last_digit(instants: Float, dialect: Dialect, head: Head, unit_ns: int) -> float:
    """What the last digit of instants stands for, or of the numbers that hold them [ns]."""
    after = max(len(row[head.index].partition(dialect.decimal)[2]) for row in dialect.sample)
    held = 2 * float(np.spacing(np.nanmax(np.abs(instants), initial=1.0)))
    return max(unit_ns * 0.1**after, held)
