"""What the rows of a log leave in doubt, said in its clock's notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Int
from looptime.parsers.clock.missing import find_missing, harmed
from looptime.parsers.clock.stepping import stepping
from looptime.parsers.clock.steps import JUMP_STEPS, jump_from
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.unit import float32_quantum
from looptime.parsers.layouts.contract import CallRows, LoopRows, Parsed
from looptime.run import Clock
from looptime.units import NS_PER_S, UNITS

__all__ = ["LEAP_NS", "calls_ahead", "coarse", "loops_ahead", "noted", "without_missing"]

#: A clock that steps by more than this part of the typical step is told.
COARSE = 0.1
#: A step ahead of this length [ns] in which nothing was timed is told, if there are few.
LEAP_NS, _MOST_LEAPS = NS_PER_S, 5

#: Fewer loops than this tell no usual number of rows.
_FEWEST = 10


def noted(clock: Clock, *notes: str) -> Clock:
    """The clock with more notes."""
    return replace(clock, notes=clock.notes + notes) if notes else clock


def coarse(clock: Clock, time: Int, typical: float) -> Clock:
    """The clock with its true step, and a caution where that is coarse beside the loop."""
    unit_ns = UNITS.get(clock.unit)
    quantum = 0
    if unit_ns is not None and unit_ns >= 10**6:
        quantum = float32_quantum(time, unit_ns, clock.tick_ns)
    found = stepping(time, clock.tick_ns)
    tick = max(clock.tick_ns, quantum, found.step_ns)
    clock = replace(clock, tick_ns=tick)
    if found.turns:
        low, high = (f"{one / 1e6:.4g}" for one in found.turns)
        return noted(
            clock,
            f"steps are {low} or {high} ms in even turns: the clock moves by {tick / 1e6:.4g} ms, "
            f"and a loop takes {float(np.mean(np.diff(time))) / 1e6:.4g} ms",
        )
    if found.shared >= 0.2:
        return noted(
            clock,
            f"{found.shared:.0%} of the rows have the stamp of the row before: the clock moves by "
            f"{tick / 1e6:.4g} ms; the rate holds, the length of single loops is not known",
        )
    if tick <= COARSE * typical or typical <= 1:
        return clock
    what = "the clock was kept in 32-bit floats and" if quantum else "the clock"
    return noted(
        clock,
        f"{what} steps by {tick / 1e6:.3g} ms, {100 * tick / typical:.0f} % of the typical "
        "period: nothing finer than that is known",
    )


def loops_ahead(parsed: Parsed, rows: LoopRows, typical: float) -> Clock:
    """The clock with a caution where it goes ahead and no part of the loop tells why."""
    step = np.diff(rows.start)
    far = np.flatnonzero(_leaps(step, typical))
    if rows.parts is not None and len(far):
        top = rows.parts.depth == 0
        loop, length = rows.parts.loop[top], rows.parts.duration[top]
        timed = np.bincount(loop, weights=length, minlength=len(rows))
        far = far[timed[far] < 0.5 * step[far]]
    if rows.number is not None:
        far = far[np.diff(rows.number)[far] == 1]
    return _told(parsed, rows.row[far + 1], step[far])


def calls_ahead(parsed: Parsed, rows: CallRows, typical: float) -> Clock:
    """The clock with a caution where it goes ahead while no call ran."""
    if len(rows) < 2:
        return parsed.clock
    reach = np.maximum.accumulate(rows.start + np.maximum(rows.duration, 0))
    step = rows.start[1:] - reach[:-1]
    far = np.flatnonzero(_leaps(step, typical))
    if rows.loop is not None:
        far = far[np.diff(rows.loop)[far] <= 1]
    return _told(parsed, rows.table_row(far + 1), step[far])


def _leaps(step: Int, typical: float) -> Bool:
    return (step > max(LEAP_NS, JUMP_STEPS * typical)) & (step <= jump_from(typical))


def _told(parsed: Parsed, rows: Int, step: Int) -> Clock:
    if not 0 < len(step) <= _MOST_LEAPS:
        return parsed.clock
    lines = parsed.table.line_of(rows).tolist()
    return noted(parsed.clock, *(
        f"line {line}: the clock goes ahead by {ns / NS_PER_S:.4g} s in which nothing was timed: "
        "a stall, or the clock was set"
        for line, ns in zip(lines, step.tolist(), strict=True)
    ))  # fmt: skip


def without_missing(clock: Clock, rows: CallRows, left_out: int) -> tuple[Clock, CallRows]:
    """Say how many rows are missing, and mark when: the loops around them are not whole.

    `left_out` rows are known to be missing by whole loops, and are said elsewhere.
    """
    found = find_missing(rows.seq, rows.thread)
    if found is None or found.count <= left_out:
        return clock, rows
    before, after = rows.start[found.before].copy(), rows.start[found.after].copy()
    # a gap after the row of the whole loop, or before the first call of one, harms none of them
    loops = np.array([bool(LOOP_WORD.search(text.lower())) for text in rows.names])
    before += np.where(loops[rows.name[found.before]], rows.duration[found.before], 0)
    after -= rows.name[found.after] == rows.name[int(np.argmin(rows.start))]
    # before the row of a whole loop that is logged at its end lie the calls of that loop
    ends = loops[rows.name[found.after]] & (rows.start[found.after] <= rows.start[found.before])
    after += np.where(ends, rows.duration[found.after], 0)
    count = len(np.unique(rows.loop)) if rows.loop is not None else np.bincount(rows.name).max()
    note, missing = harmed(found, before, after, int(count))
    return noted(clock, note), replace(rows, missing=missing or _too_wide(rows))


def _too_wide(rows: CallRows) -> tuple[Int, Int] | None:
    """Instants between which loops began whose first call is missing: two look like one."""
    first = np.flatnonzero(rows.name == rows.name[int(np.argmin(rows.start))])
    if rows.seq is None or len(first) < _FEWEST:
        return None
    apart = np.diff(rows.seq[first])
    wide = np.flatnonzero(apart > 1.5 * np.median(apart))
    start = rows.start[first]
    good = wide[start[wide + 1] > start[wide]]
    return (start[good], start[good + 1] - 1) if 0 < len(good) < len(first) / 2 else None
