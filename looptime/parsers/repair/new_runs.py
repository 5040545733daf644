"""Runs that begin in the middle of a log whose clock goes on."""

from collections.abc import Iterator

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.clock.steps import Step, Steps, Way
from looptime.parsers.columns.lexicon import PHASES, tokens
from looptime.parsers.layouts.contract import CallRows, LoopRows, Parsed
from looptime.parsers.repair.call_order import period_of
from looptime.parsers.text.table import Member
from looptime.units import NS_PER_S, UNITS

__all__ = [
    "NUMBERED_REST", "add_cuts", "behind_counters", "behind_headers", "behind_numbers", "counters",
    "way_of",
]  # fmt: skip

#: Before a run that was started anew the log rests for longer than this, and than so many loops.
_REST_NS, _REST_STEPS = NS_PER_S // 2, 10


def way_of(parsed: Parsed, number: Int | None, table_row: Int | None) -> Way:
    """What is known of the clock; only asked for where it does not run smoothly."""
    table = parsed.table
    count = len(table) if table_row is None else len(table_row)
    rows = np.arange(count) if table_row is None else table_row
    lines = table.line_of(rows)
    gap = np.diff(lines)
    if table.passed is not None:
        gap -= np.diff(np.searchsorted(table.passed, lines))
    odd = np.flatnonzero(gap > 1) + 1  # a header, a remark or a bad row in between
    rejects = np.asarray(table.rejects.line, np.int64)
    lost = np.searchsorted(rejects, lines[odd]) - np.searchsorted(rejects, lines[odd - 1])
    broken = odd[lost == 0]  # a bad row breaks nothing
    unit_ns = UNITS.get(parsed.clock.unit, 1)
    return Way(parsed.clock.unit, unit_ns, number, broken)


#: Numbers that fall by no more than this belong to rows out of order.
_FEW = 4
#: Where numbers begin anew, a rest longer than so many loops does.
NUMBERED_REST = 3
#: Share of the steps at which a column that counts rows rises by one.
_COUNTING = 0.95
#: Words in the header of a number that all rows of a run have in common.
_OF_RUNS = {
    "run", "runs", "session", "sessions", "enable", "enables", "boot", "boots", "match", "trial",
    "attempt", "recording", "start", "starts", "restart", "restarts", "power",
}  # fmt: skip


def behind_headers(
    parsed: Parsed, rows: LoopRows | CallRows, start: Int, end: Int, typical: float | None = None
) -> list[Step]:
    """New runs whose clock goes on: a header again, a rest before it, and no number that goes on.

    A logger that repeats its header on every page rests for no longer than a row takes.
    """
    if not parsed.table.headers or len(start) < 3:
        return []
    number = rows.number if isinstance(rows, LoopRows) else rows.loop
    table_row = rows.row if isinstance(rows, LoopRows) else rows.table_row(np.arange(len(rows)))
    at = way_of(parsed, None, table_row).broken
    rest = start[at] - np.maximum.accumulate(end)[at - 1]
    if typical is None:
        assert isinstance(rows, CallRows)
        typical = period_of(rows)
    new = rest > max(_REST_NS, _REST_STEPS * typical)
    if number is not None:
        before, after = number[at - 1].astype(np.int64), number[at].astype(np.int64)
        new &= (before < 0) | (after < before) | (after > before + 1)
    if new.sum() > parsed.table.headers:  # other lines that are no rows look the same
        return []
    note = "the header stands there again after a rest: a new run, whose clock goes on"
    places = zip(at[new].tolist(), rest[new].tolist(), strict=True)
    return [Step(k, "restart", size, note) for k, size in places]


def behind_numbers(rows: LoopRows | CallRows, typical: float = 0.0) -> list[Step]:
    """New runs whose clock goes on: the numbers of loops or calls begin anew after a rest.

    Numbers of so many bits begin anew, too: then the last is one less than a power of two.
    """
    if isinstance(rows, LoopRows):
        number = rows.number
    else:
        number = None if rows.thread is not None else rows.seq
        if number is None and rows.thread is None and rows.loop is not None:
            number, typical = rows.loop, period_of(rows)
    if number is None:
        return []
    at = np.flatnonzero(number[1:] < number[:-1]) + 1
    last, new = number[at - 1].astype(np.int64), number[at].astype(np.int64)
    at = at[(new - last < -_FEW) & (new <= 1) & ((last + 1 & last) != 0)]
    if not len(at):
        return []
    if isinstance(rows, LoopRows):
        rest = rows.start[at] - rows.start[at - 1]
    else:
        rest = rows.start[at] - np.maximum.accumulate(rows.start + rows.duration)[at - 1]
    note = "the numbers begin anew after a rest: a new run, whose clock goes on"
    found = zip(at.tolist(), rest.tolist(), strict=True)
    return [Step(k, "restart", size, note) for k, size in found if size > NUMBERED_REST * typical]


def behind_counters(parsed: Parsed, rows: LoopRows, typical: float) -> list[Step]:
    """New runs whose clock goes on, by a column that is no more to the layout than a signal.

    One that counts rows begins anew, or the number of the run goes up by one, and both happen
    nowhere but after a rest: a counter that wraps does so while rows go on. From 0 to 1 goes a
    flag, too, such as that of a robot that is enabled, and stalls then.
    """
    rest = np.diff(rows.start)
    long = rest > max(_REST_NS, _REST_STEPS * typical)
    if rows.number is not None or not long.any():
        return []
    for name, value in counters(parsed, rows):
        step = np.diff(value)
        new = step < 0
        begins = value[1:][new]
        if (step == 1).mean() > _COUNTING and ((begins <= 1) | (begins == value[0])).all():
            said = "begins anew"
        elif _numbers_runs(name) and value[-1] > 1 and (step[step != 0] == 1).all():
            new, said = step != 0, "goes up by one"
        else:
            continue
        if new.any() and long[new].all():
            note = f"{name!r} {said} after a rest: a new run, whose clock goes on"
            at = np.flatnonzero(new)
            found = zip((at + 1).tolist(), rest[at].tolist(), strict=True)
            return [Step(k, "restart", size, note) for k, size in found]
    return []


def _numbers_runs(name: str) -> bool:
    """Whether a header is that of a number of runs, and not of what goes on in them."""
    words = set(tokens(name))
    return bool(words & _OF_RUNS) and not words & set(PHASES)


def counters(parsed: Parsed, rows: LoopRows) -> Iterator[tuple[str, Int | Float]]:
    """Header and values, loop by loop, of what may count rows or runs beside the loops' number."""
    if rows.count is not None:
        yield rows.numbered or "the rows' number", rows.count
    for key, column in parsed.table.columns.items():
        if isinstance(key, Member) and key.group == "signal" and column.dtype.kind in "if":
            yield str(key.place), column[rows.row]


def add_cuts(found: Steps, anew: list[Step]) -> None:
    """More places at which a run ends, where none was found yet."""
    known = {step.at for step in found.steps}
    found.steps += [step for step in anew if step.at not in known]
    found.steps.sort(key=lambda step: step.at)
