"""A log's clock repaired before loops are found in it: one piece for every run of the file."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from looptime.array_types import Int
from looptime.errors import LogError
from looptime.parsers.clock.repeats import find_repeats, met_again
from looptime.parsers.clock.steps import (
    JUMP_NS,
    Step,
    Steps,
    Way,
    find_steps,
    jump_from,
    typical_step,
)
from looptime.parsers.clock.unwrap import Wrapped, by_ends, once_a_loop, wraps_of
from looptime.parsers.columns.disorder import disordered, go_back
from looptime.parsers.columns.unit import Unit, check_periods, in_16_bits
from looptime.parsers.layouts.contract import CallRows, LoopRows, Outcast, Parsed
from looptime.parsers.repair.call_order import (
    NO_ORDER,
    CallOrder,
    back_steps,
    call_steps,
    in_sequence,
    period_of,
    repeated_calls,
)
from looptime.parsers.repair.doubts import (
    LEAP_NS,
    blanked,
    calls_ahead,
    coarse,
    coarse_later,
    loops_ahead,
    made_up_for,
    miscounted,
    miscounted_rows,
    noted,
    standing,
    too_full,
    unnumbered,
    without_damaged,
    without_missing,
)
from looptime.parsers.repair.new_runs import (
    add_cuts,
    behind_counters,
    behind_headers,
    behind_numbers,
    way_of,
)
from looptime.parsers.repair.ring import calls_turned, loops_turned
from looptime.records import dataclass
from looptime.run import Clock, stated
from looptime.units import NS_PER_S, UNITS

__all__ = ["check_unit", "settle"]

#: From this tick on calls may share an instant, and only a sequence number can order them.
COARSE_TICK_NS = 100_000
#: Where more than this share of the rows step back, they stand in no order.
_NO_ORDER = 0.3
#: Of fewer rows all must step back.
_FEW_ROWS = 10
#: Rows of a log whose calls outlast its counter, which are looked at one by one.
_ONE_BY_ONE = 2_000_000
#: Fewer rows than this between two cuts are no run.
_FEWEST = 3


def settle(parsed: Parsed, path: str) -> list[Parsed]:
    """Repair the clock of what a layout found.

    Parameters
    ----------
    parsed : Parsed
        Rows in the order of the log, with times as printed.
    path : str
        The log, for messages.

    Raises
    ------
    LogError
        If the rows of loops stand in no order.

    Returns
    -------
    list of Parsed
        One for each run, in order: the clock began anew, or was set, between them. Wraps are
        undone; rows with corrupt stamps, rows met twice and runs pasted again are set aside; rows
        out of order are sorted; all of it is in the `Clock`.
    """
    if parsed.calls is not None:
        return _settle_calls(parsed, parsed.calls)
    if parsed.loops is None:
        return [parsed]
    if parsed.loops.period is not None and "time" not in parsed.table.columns:
        return _settle_numbers(parsed, parsed.loops)  # there is no clock: starts were laid out
    return _settle_loops(parsed, parsed.loops, path)


def check_unit(clock: Clock, median_period_ns: float, path: str) -> None:
    """Ask about a unit that makes loops absurd.

    Raises
    ------
    LogError
        As `looptime.parsers.columns.unit.check_periods`.
    """
    if clock.unit in UNITS:
        check_periods(median_period_ns, Unit(clock.unit, UNITS[clock.unit], clock.unit_from), path)


def _settle_loops(parsed: Parsed, rows: LoopRows, path: str) -> list[Parsed]:
    """Loops with one instant each."""
    time = rows.start
    if len(time) < 3:
        return [parsed]
    typical = typical_step(time)
    parsed, rows = loops_turned(parsed, rows, typical)
    time = rows.start
    step = np.diff(time)
    smooth = bool(step.min() >= 0 and step.max() <= jump_from(typical))
    parsed = replace(parsed, clock=coarse(parsed.clock, time, typical))
    parsed = replace(parsed, clock=loops_ahead(parsed, rows, typical))
    parsed = replace(parsed, clock=too_full(parsed, rows, typical))
    parsed = replace(parsed, clock=miscounted(parsed, rows))
    parsed = replace(parsed, clock=made_up_for(parsed, rows))
    parsed = replace(parsed, clock=blanked(parsed, rows, typical))
    later = coarse_later(parsed.clock, time, lambda at: parsed.table.line_of(rows.row[at]))
    clock, rows = standing(replace(parsed, clock=later), rows, typical)
    parsed = replace(parsed, clock=clock, loops=rows)
    anew = behind_headers(parsed, rows, time, time, typical) + behind_numbers(rows, typical)
    anew += behind_counters(parsed, rows, typical)
    if smooth and step.min() > 0 and not anew:
        return [parsed]
    found = Steps()
    if not smooth:
        _check_order(time, parsed.clock, path)
        found = find_steps(time, way_of(parsed, rows.number, rows.row))
        rows = replace(rows, start=_shifted(time, found))
    add_cuts(found, anew)
    keep = np.ones(len(rows), bool)
    lost = np.zeros(len(rows), bool) if rows.lost is None else rows.lost.copy()
    _drop(parsed, rows, np.array(sorted(set(found.corrupt)), np.int64), "corrupt stamp", keep, lost)
    _check_order(rows.start, None, path)
    pieces = _pieces(len(rows), found)
    clock = _in_turn(parsed, found, rows.start, rows.row, typical)
    made = []
    for piece, span in _spans(parsed, rows.row, pieces, keep, lost):
        mine: Int = np.flatnonzero(keep[piece.low : piece.high]) + piece.low
        mine, moved = _in_order(rows.start, mine)
        one = replace(rows, lost=lost if lost.any() else None).take(mine)
        made.append(_part(parsed, span, _moved(clock, moved), loops=one))
    return made


def _settle_numbers(parsed: Parsed, rows: LoopRows) -> list[Parsed]:
    """Loops without a clock; numbers that begin anew are those of another run."""
    empty = int((rows.period == 0).sum()) if rows.period is not None else 0
    if 0 < 2 * empty < len(rows):
        many = "loop holds" if empty == 1 else "loops hold"
        parsed = replace(parsed, clock=noted(
            parsed.clock, f"{empty:,} {many} nothing but zeros: nothing was measured in them"
        ))  # fmt: skip
    parsed = replace(parsed, clock=miscounted(parsed, rows))
    number = rows.count if rows.number is None else rows.number
    if number is None or len(number) < 3 or number.min() < 0:
        return [parsed]
    step = np.diff(number.astype(np.int64))
    if (step == 1).all():
        return [parsed]
    fall = np.flatnonzero(step < -_FEWEST) + 1
    goes_on = [at for at in fall.tolist() if (step[at : at + _FEWEST] == 1).all()]
    found = Steps(steps=[Step(at, "restart", 0, "") for at in goes_on])
    keep = np.ones(len(rows), bool)
    clock = _told(parsed, found, rows.row)
    missing = int((step[step > 1] - 1).sum())
    if missing and (step >= 1).mean() > 0.95:
        many = "loops are" if missing > 1 else "loop is"
        clock = noted(clock, f"{missing} {many} missing, as the numbers tell")
    for times, word in ((2, "twice"), (3, "three times"), (4, "four times")):
        onward = number[times:] - number[:-times] == 1
        if (step == 0).mean() > _NO_ORDER and onward.sum() > 0.95 * len(onward) > 0:
            said = f"every loop number stands {word}: as many logs may stand line by line"
            clock = noted(clock, said)
    made = []
    for piece, span in _spans(parsed, rows.row, _pieces(len(rows), found), keep, None):
        one = rows.take(np.flatnonzero(keep[piece.low : piece.high]) + piece.low)
        made.append(_part(parsed, span, clock, loops=replace(one, start=one.start - one.start[0])))
    return made


def _check_order(time: Int, printed: Clock | None, path: str) -> None:
    """Refuse loops in no order, as `printed` by the clock or, without one, wraps undone.

    Raises
    ------
    LogError
        If more of their instants step back than stray rows do.
    """
    back = np.diff(time) < 0
    if back.mean() <= _NO_ORDER or (len(time) < _FEW_ROWS and not back.all()):
        return
    values = time.astype(np.float64)
    why = disordered(values) or (go_back(values) if len(time) < _FEW_ROWS else "")
    if printed is not None and in_16_bits(values / UNITS.get(printed.unit, 1)):
        return
    if why or printed is None:
        raise LogError(f"its times {why or go_back(values)}", path)


def _drop(parsed: Parsed, rows: LoopRows, wrong: Int, reason: str, keep: Any, lost: Any) -> None:
    """Set loops aside; the loop before each is not whole any more."""
    parsed.outcast.add(rows.row[wrong], reason)
    keep[wrong] = False
    before = np.searchsorted(np.flatnonzero(keep), wrong) - 1
    lost[np.flatnonzero(keep)[before[before >= 0]]] = True


def _shifted(time: Int, found: Steps) -> Int:
    """Instants with the wraps undone."""
    if not found.shift:
        return time
    add = np.zeros(len(time), np.int64)
    for at, ns in found.shift:
        add[at] += ns
    return time + np.cumsum(add)


def _in_order(start: Int, mine: Int) -> tuple[Int, int]:
    """Places sorted by time, and how many stood out of order."""
    back = int((np.diff(start[mine]) < 0).sum())
    return (mine[np.argsort(start[mine], kind="stable")], back) if back else (mine, 0)


@dataclass
class _Piece:
    """Rows between two cuts."""

    low: int
    high: int


def _pieces(count: int, found: Steps) -> list[_Piece]:
    edges = [0, *(step.at for step in found.cuts), count]
    return [_Piece(low, high) for low, high in pairwise(edges) if high > low]


def _spans(
    parsed: Parsed, row: Int, pieces: list[_Piece], keep: Any, lost: Any
) -> list[tuple[_Piece, tuple[int, int]]]:
    """Pieces that are runs, each with the rows of the table that are booked with it."""
    runs = [p for p in pieces if keep[p.low : p.high].sum() >= _FEWEST]
    if not runs:  # nothing is left of any: let the assembly say so
        runs = [max(pieces, key=lambda p: p.high - p.low)]
    used = {id(run) for run in runs}
    for piece in pieces:
        if id(piece) in used:
            continue
        mine = np.arange(piece.low, piece.high)
        parsed.outcast.add(row[mine[keep[mine]]], "rows lost around it")
        keep[mine] = False
    del lost
    starts = [0, *(int(row[run.low]) for run in runs[1:]), len(parsed.table)]
    return [(run, (starts[k], starts[k + 1])) for k, run in enumerate(runs)]


def _part(parsed: Parsed, span: tuple[int, int], clock: Clock, **rows: Any) -> Parsed:
    """One run of the log with its own share of the rows set aside."""
    if span == (0, len(parsed.table)):
        return replace(parsed, clock=clock, **rows)
    outcast = Outcast()
    for row, reason in zip(parsed.outcast.row, parsed.outcast.reason, strict=True):
        mine = (row >= span[0]) & (row < span[1])
        if mine.any():
            outcast.row.append(row[mine])
            outcast.reason.append(reason[mine])
    return replace(parsed, clock=clock, outcast=outcast, span=span, **rows)


def _told(parsed: Parsed, found: Steps, row: Int | None) -> Clock:
    """The clock with what was found, by line."""

    def line(at: int) -> int:
        place = at if row is None else int(row[at])
        return int(parsed.table.line_of(np.array([place]))[0])

    def listed(kind: str) -> tuple[dict[str, object], ...]:
        steps = [step for step in found.steps if step.kind == kind]
        return tuple(
            {"line": line(step.at), "size_ns": step.size_ns, "note": step.note} for step in steps
        )

    clock = parsed.clock
    restarts = tuple(line(step.at) for step in found.steps if step.kind == "restart")
    return replace(
        clock, wraps=clock.wraps + listed("wrap"),
        jumps=clock.jumps + listed("jump") + listed("corrupt")[:100],
        restarts=clock.restarts + restarts,
    )  # fmt: skip


def _in_turn(parsed: Parsed, found: Steps, time: Int, row: Int, typical: float) -> Clock:
    """The clock as `_told`, with a caution where its steps back are of stretches in no order."""
    clock = _told(parsed, found, row)
    back: Int = np.array([s.at for s in found.cuts if time[s.at] < time[s.at - 1]], np.int64)
    if not len(back):
        return clock
    from looptime.parsers.repair.in_turn import in_turn  # few clocks step back

    said = in_turn(time, back, typical)
    if said is None:
        return clock
    line = int(parsed.table.line_of(row[said[0] : said[0] + 1])[0])
    return noted(
        clock,
        f"line {line}: {said[1]}: two logs may stand in turn, or rows in no order, and a stall "
        "beside such a place be none; take the logs apart, or sort the rows by time",
    )


def _moved(clock: Clock, count: int, by: str = "time") -> Clock:
    if not count:
        return clock
    rows = "row stood" if count == 1 else "rows stood"
    return noted(clock, f"{count} {rows} out of order: sorted by {by}")


def _settle_calls(parsed: Parsed, rows: CallRows) -> list[Parsed]:
    """Timed calls, in start or in end order, several threads among each other."""
    order = CallOrder(rows, 2 * parsed.clock.tick_ns)
    again = repeated_calls(rows)
    if len(again):
        rows = _without(parsed, rows, again, "duplicate row")
        order = CallOrder(rows, 2 * parsed.clock.tick_ns)
    if not order.smooth:
        parsed, rows = calls_turned(parsed, rows, order.tolerance)
        order = CallOrder(rows, 2 * parsed.clock.tick_ns)
    if not order.smooth:
        columns = [rows.duration, rows.name, rows.thread, rows.loop, rows.seq, rows.phase]
        repeats = find_repeats([column for column in columns if column is not None], rows.start)
        if repeats.pasted:
            parsed = replace(parsed, clock=_again(parsed, rows.table_row(repeats.places()[:1])))
            rows = _without(parsed, rows, repeats.places(), "pasted again")
            order = CallOrder(rows, 2 * parsed.clock.tick_ns)
    if not order.smooth or parsed.clock.tick_ns >= COARSE_TICK_NS:
        sequence, moved = in_sequence(rows)
        if moved and CallOrder(sequence, 2 * parsed.clock.tick_ns).smooth:
            clock = _moved(parsed.clock, moved, "sequence number")
            return [_with_doubts(replace(parsed, clock=clock), sequence)]
    anew = behind_numbers(rows)
    if parsed.table.headers:
        anew += behind_headers(parsed, rows, rows.start, rows.start + rows.duration)
    if order.smooth and not anew:
        return [_with_doubts(parsed, rows, order.longest)]
    table_row = rows.table_row(np.arange(len(rows)))
    way = way_of(parsed, None, table_row)
    wrapped = _call_wraps(rows, way)
    undone = None if wrapped is None else _undone(rows, wrapped)
    # undone in vain where the rows still stand in no order
    if wrapped and undone and back_steps(undone, order.tolerance) <= NO_ORDER * len(rows):
        rows = undone
        parsed = replace(parsed, clock=_told(parsed, Steps(wrapped.wraps), table_row))
        order = CallOrder(rows, 2 * parsed.clock.tick_ns)
        if order.smooth:
            return [_with_doubts(parsed, rows, order.longest)]
    found, shift = call_steps(rows, order, way)
    if shift is not None:
        mended = _unwrapped(rows.duration, found.shift[0][1])
        rows = replace(rows, start=rows.start + shift, duration=mended)
    add_cuts(found, anew)
    keep = np.ones(len(rows), bool)
    wrong = np.array(sorted(set(found.corrupt)), np.int64)
    parsed.outcast.add(table_row[wrong], "corrupt stamp")
    keep[wrong] = False
    pieces = _pieces(len(rows), found)
    clock = _in_turn(parsed, found, rows.start, table_row, period_of(rows))
    made = []
    for piece, span in _spans(parsed, table_row, pieces, keep, None):
        whole = keep[piece.low : piece.high].all()
        part = slice(piece.low, piece.high)
        one = rows.take(part if whole else np.flatnonzero(keep[part]) + piece.low)
        one, moved = in_sequence(one)
        told = _moved(clock, moved, "sequence number")
        if not moved:
            told = _moved(clock, back_steps(one, order.tolerance))
        made.append(_part(parsed, span, told, calls=one))
    return [_with_doubts(one, one.calls) for one in made if one.calls is not None]


def _with_doubts(parsed: Parsed, rows: CallRows, longest: int = JUMP_NS) -> Parsed:
    """Calls of one run, in order, with cautions where the clock leapt or rows are missing."""
    clock = parsed.clock
    if longest > LEAP_NS:
        clock = calls_ahead(parsed, rows, period_of(rows))
    parsed = replace(parsed, clock=unnumbered(replace(parsed, clock=clock), rows))
    parsed = replace(parsed, clock=miscounted_rows(parsed))
    clock = coarse_later(
        parsed.clock, rows.start, lambda at: parsed.table.line_of(rows.table_row(at))
    )
    meta = parsed.table.meta
    left_out = stated(meta, "dropped") if "looptime-recorder" in meta else 0
    if parsed.partner is None:  # the numbers of ends stand in other rows
        clock, rows = without_missing(clock, rows, left_out)
    rows = without_damaged(parsed, rows)
    return replace(parsed, calls=rows, clock=clock)


def _without(parsed: Parsed, rows: CallRows, gone: Int, reason: str) -> CallRows:
    parsed.outcast.add(rows.table_row(gone), reason)
    return rows.take(np.setdiff1d(np.arange(len(rows)), gone))


def _again(parsed: Parsed, row: Int) -> Clock:
    line = int(parsed.table.line_of(row)[0])
    return noted(parsed.clock, met_again(line))


def _call_wraps(rows: CallRows, way: Way) -> Wrapped | None:
    """The counter behind timed calls, if it wrapped."""
    often = once_a_loop(rows.name, rows.thread)
    number = rows.loop
    if number is None and rows.seq is not None and len(often) > 2:
        step = max(1.0, float(np.median(np.diff(rows.seq[often]))))
        number = (rows.seq / step).astype(np.int64)
    broken = np.searchsorted(often, way.broken)
    told = replace(way, number=None if number is None else number[often], broken=broken)
    return wraps_of(rows.start, often, told)


def _undone(rows: CallRows, wrapped: Wrapped) -> CallRows:
    start, duration = wrapped.undone(rows.start), _unwrapped(rows.duration, wrapped.modulus)
    long = int((duration > wrapped.modulus // 2).sum())
    if long and len(rows) <= _ONE_BY_ONE:
        later = by_ends(rows.start, duration, rows.name, rows.thread, wrapped.modulus)
        # rows in another order would seem to wrap in every loop
        if np.ptp(later) - np.ptp(start) <= (3 * long + 2) * wrapped.modulus:
            start = later
    return replace(rows, start=start, duration=duration)


def _unwrapped(duration: Int, modulus: int) -> Int:
    """Durations of calls during which the clock wrapped."""
    back = duration < 0
    if not back.any():
        return duration
    fixed = duration.astype(np.int64) + modulus
    mend = back & (fixed >= 0) & (fixed < min(modulus / 2, 60 * NS_PER_S))
    return np.where(mend, fixed, duration)
