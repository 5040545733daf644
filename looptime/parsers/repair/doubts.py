"""What the rows of a log leave in doubt, said in its clock's notes."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.parsers.clock.missing import find_missing, harmed
from looptime.parsers.clock.stepping import standstill, stepping
from looptime.parsers.clock.steps import JUMP_STEPS, jump_from
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.lexicon import COUNTS
from looptime.parsers.layouts.contract import CallRows, LoopRows, Parsed
from looptime.parsers.repair.new_runs import NUMBERED_REST
from looptime.parsers.text.table import damaged_lines
from looptime.run import Clock
from looptime.stats.arrays import distinct, median
from looptime.units import NS_PER_S, UNITS

__all__ = [
    "LEAP_NS", "blanked", "calls_ahead", "coarse", "coarse_later", "loops_ahead", "made_up_for",
    "miscounted", "miscounted_rows", "noted", "standing", "too_full", "unnumbered",
    "without_damaged", "without_missing",
]  # fmt: skip

#: A clock that steps by more than this part of the typical step is told.
COARSE = 0.1
#: A step ahead of this length [ns] in which nothing was timed is told, if there are few; where
#: nothing is timed at all, one of that.
LEAP_NS, _BARE_LEAP_NS, _MOST_LEAPS = NS_PER_S // 10, NS_PER_S, 5

#: No clock that is read shows the same step of so many units in every loop.
_TOO_EVEN = 1000
#: Where a loop takes so many ticks, two rows never share a stamp.
_TICKS_A_LOOP = 20
#: Loops shorter than this part of the usual one are told where they are fewer than this share.
_TINY, _MOST_TINY = 0.02, 0.4
#: Fewer loops than this tell no usual number of rows.
_FEWEST = 10
#: Loops that are made up for: by so many times the scatter, and no more of them than these.
_BY_CHANCE, _MOST_MADE_UP = 6.0, 3
#: How often chance alone may make up for a loop in a log that is told of one.
_NO_CHANCE = 0.01
#: Numbers of which fewer than this share follow the one before no longer count.
_RARELY = 0.5
#: More loops than this share that are shorter than their parts: these are no parts.
_MOST_FULL = 0.02
_LOOKED_AT = 100_000
#: A step of so many usual ones passes over a row; more blank lines than this share are layout.
_OVER, _MOST_BLANK = 1.5, 0.05


def noted(clock: Clock, *notes: str) -> Clock:
    """The clock with more notes."""
    return replace(clock, notes=clock.notes + notes) if notes else clock


def coarse(clock: Clock, time: Int, typical: float) -> Clock:
    """The clock with its true step, and a caution where that is coarse beside the loop."""
    time = time[np.append(True, ~standstill(time))[: len(time)]]
    step = np.diff(time)
    fine = _TOO_EVEN * UNITS.get(clock.unit, NS_PER_S)
    if len(step) >= 2 * _FEWEST and step[0] >= fine and (step == step[0]).all():
        clock = noted(
            clock,
            f"all rows are {step[0] / 1e6:.6g} ms apart to the last digit: a timetable or a grid, "
            "no clock that was read; how long single loops took is not known",
        )
    found = stepping(time, clock.tick_ns)
    tick = max(clock.tick_ns, found.step_ns, _common_step(np.diff(time[:_LOOKED_AT])))
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
            f"{100 * found.shared:.0f} % of the rows have the stamp of the row before: the clock "
            f"moves by {tick / 1e6:.4g} ms; the rate holds, the length of single loops is not "
            "known",
        )
    if tick <= COARSE * typical or typical <= 1:
        return clock
    return noted(
        clock,
        f"the clock steps by {tick / 1e6:.3g} ms, {100 * tick / typical:.0f} % of the typical "
        "period: nothing finer than that is known",
    )


def _common_step(step: Int) -> int:
    """What all steps are whole multiples of, where they are three times as long and differ.

    Even loops are multiples of their own period: that says nothing of the clock.
    """
    step = step[step > 0]
    if len(step) < _FEWEST:
        return 0
    common = int(np.gcd.reduce(step))
    times = np.unique(step // common)
    often = float(np.median(step)) / common
    return common if often >= 3 and (np.diff(times) == 1).any() else 0


def coarse_later(clock: Clock, time: Int, line_of: Callable[[Int], Int]) -> Clock:
    """The clock with a caution where it steps finely at first and coarsely at last.

    `time` holds the instants [ns] in the order of the log, and `line_of` gives the lines of rows.
    """
    part = max(_FEWEST, (len(time) - 1) // 10)
    if len(time) - 1 < 3 * part:
        return clock
    begin, end = np.abs(np.diff(time[: part + 1])), np.abs(np.diff(time[-part - 1 :]))
    first, last = int(np.gcd.reduce(begin)), int(np.gcd.reduce(end))
    usual = median(begin)
    if not first or last < 10 * first or last <= COARSE * usual:
        return clock
    if abs(usual / last - round(usual / last)) < COARSE and usual >= last:
        return clock  # even loops look like a coarse clock
    fine = np.flatnonzero(np.diff(time) % last)
    line = int(line_of(fine[-1:] + 1)[0])
    return noted(
        clock,
        f"from line {line} on the clock steps by {last / 1e6:.3g} ms, before that by "
        f"{first / 1e6:.3g} ms: nothing finer is known there",
    )


def standing(parsed: Parsed, rows: LoopRows, typical: float) -> tuple[Clock, LoopRows]:
    """Say where the clock stood still or a row was sent again, and leave those loops out.

    The step after the last of several rows with one stamp makes up for those before it.
    """
    step = np.diff(rows.start)
    if typical < _TICKS_A_LOOP * max(parsed.clock.tick_ns, 1):
        return parsed.clock, rows
    still = np.flatnonzero(step == 0)
    tiny = np.flatnonzero((step > 0) & (step < _TINY * typical))
    clock = parsed.clock
    if 1 < len(tiny) <= _MOST_TINY * len(step):
        line = int(parsed.table.line_of(rows.row[tiny[:1] + 1])[0])
        clock = noted(
            clock,
            f"{len(tiny):,} loops are shorter than {100 * _TINY:.0f} % of the usual one, the first "
            f"at line {line}: rows sent again with a new stamp, or loops that did nothing",
        )
    stray = len(still) - int(standstill(rows.start).sum())
    if not len(still) or stray > _MOST_TINY * len(step):
        return clock, rows
    line = int(parsed.table.line_of(rows.row[still[:1] + 1])[0])
    many = "row has" if len(still) == 1 else "rows have"
    clock = noted(
        clock,
        f"{len(still):,} {many} the stamp of the row before, the first at line {line}: the clock "
        "stood still; the loops there are left out",
    )
    lost = np.zeros(len(rows), bool) if rows.lost is None else rows.lost.copy()
    lost[still] = lost[still + 1] = True
    return clock, replace(rows, lost=lost)


def loops_ahead(parsed: Parsed, rows: LoopRows, typical: float) -> Clock:
    """The clock with a caution where it goes ahead and no part of the loop tells why."""
    step = np.diff(rows.start)
    far = np.flatnonzero(_leaps(step, typical))
    if rows.parts is None:
        far = far[step[far] > _BARE_LEAP_NS]
    elif len(far):
        far = far[_timed(rows)[far] < 0.5 * step[far]]
    if rows.number is not None:
        far = far[np.diff(rows.number)[far] == 1]
    return _told(parsed, rows.row[far + 1], step[far])


def _timed(rows: LoopRows) -> Int:
    """How long the parts are together in each loop that lasts from one row to the next [ns]."""
    assert rows.parts is not None
    top = rows.parts.depth == 0
    loop, length = rows.parts.loop[top], rows.parts.duration[top]
    every = np.bincount(loop, weights=length, minlength=len(rows)).astype(np.int64)
    return every[1:] if rows.ended else every[:-1]


def too_full(parsed: Parsed, rows: LoopRows, typical: float) -> Clock:
    """The clock with a caution where a few loops are shorter than their parts together."""
    if rows.parts is None or len(rows) < _FEWEST:
        return parsed.clock
    step = np.diff(rows.start)
    over = _timed(rows) - step  # of a step back nobody knows yet how long it was
    full = np.flatnonzero((over > max(COARSE * typical, 2 * parsed.clock.tick_ns)) & (step >= 0))
    if not 0 < len(full) <= max(1, _MOST_FULL * len(over)):
        return parsed.clock
    line = int(parsed.table.line_of(rows.row[full[:1] + rows.ended])[0])
    many = "loop is" if len(full) == 1 else "loops are"
    return noted(
        parsed.clock,
        f"{len(full):,} {many} shorter than the parts together, the first at line {line} by "
        f"{over[full[0]] / 1e6:.3g} ms: a stamp there or on the next row is wrong",
    )


def calls_ahead(parsed: Parsed, rows: CallRows, typical: float) -> Clock:
    """The clock with a caution where it goes ahead while no call ran, or leaps inside one."""
    if len(rows) < 2:
        return parsed.clock
    reach = np.maximum.accumulate(rows.start + np.maximum(rows.duration, 0))
    step = rows.start[1:] - reach[:-1]
    far = np.flatnonzero(_leaps(step, typical))
    if rows.loop is not None:
        far = far[np.diff(rows.loop)[far] <= 1]
    clock = _told(parsed, rows.table_row(far + 1), step[far])
    return _leapt_inside(replace(parsed, clock=clock), rows, typical)


def _leapt_inside(parsed: Parsed, rows: CallRows, typical: float) -> Clock:
    """The clock with a caution where all threads' calls leap over a time no robot waits through.

    It was set while calls were open, or they stood as long as that: both look the same. Where calls
    of two threads are open through it, less than that is told, as a stall is seldom of both.
    """
    alone, least = jump_from(typical), max(_BARE_LEAP_NS, JUMP_STEPS * typical)
    if rows.duration.max() <= least:
        return parsed.clock
    instants = np.sort(np.concatenate([rows.start, rows.start + rows.duration]))
    step = np.diff(instants)
    far = np.flatnonzero(step > least)[:_MOST_LEAPS]
    notes = []
    for low, ns in zip(instants[far].tolist(), step[far].tolist(), strict=True):
        open_ = np.flatnonzero((rows.start <= low) & (rows.start + rows.duration >= low + ns))
        two = rows.thread is not None and len(np.unique(rows.thread[open_])) > 1
        if len(open_) and (ns > alone or two):
            line = int(parsed.table.line_of(rows.table_row(open_[-1:]))[0])
            notes.append(f"line {line}: the clock goes ahead by {ns / NS_PER_S:.4g} s while "
                         f"{rows.names[rows.name[open_[-1]]]} runs and no thread does anything "
                         "else: a stall, or the clock was set")  # fmt: skip
    return noted(parsed.clock, *notes)


def _leaps(step: Int, typical: float) -> Bool:
    return (step > max(LEAP_NS, JUMP_STEPS * typical)) & (step <= jump_from(typical))


def _told(parsed: Parsed, rows: Int, step: Int) -> Clock:
    if not 0 < len(step) <= _MOST_LEAPS:
        return parsed.clock
    clock, lines = parsed.clock, parsed.table.line_of(rows).tolist()
    for row, line, ns in zip(rows.tolist(), lines, step.tolist(), strict=True):
        ahead = f"the clock goes ahead by {ns / NS_PER_S:.4g} s in which nothing was timed"
        from looptime.parsers.repair.said_set import why_set  # few clocks leap

        if why := why_set(parsed, row):
            jump = {
                "line": line,
                "size_ns": ns,
                "note": f"{ahead}, {why}: it was set",
                "loop": None,
            }
            clock = replace(clock, jumps=(*clock.jumps, jump))
        else:
            clock = noted(clock, f"line {line}: {ahead}: a stall, or the clock was set")
    return clock


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


def _whole(values: Float) -> Int:
    """Numbers as integers; -1 where there is none, or one too large to count anything."""
    known = np.isfinite(values) & (np.abs(values) < 2.0**62)
    return np.where(known, values, -1.0).astype(np.int64)


def miscounted(parsed: Parsed, rows: LoopRows) -> Clock:
    """The clock with a caution where the numbers of loops stop counting, or go back and forth."""
    number = rows.number
    if number is None:  # what is called so and does not rise is no number of the loop
        counted = [rows.signals[name] for name in COUNTS if name in rows.signals]
        number = next((_whole(one) for one in counted), None)
    if number is None or len(number) < 3 * _FEWEST or (np.diff(rows.start) < 0).mean() > COARSE:
        return parsed.clock
    step = np.diff(number.astype(np.int64))
    if (step < 0).mean() > COARSE and len(distinct(number)) < (1 - COARSE) * len(number):
        line = int(parsed.table.line_of(rows.row[np.flatnonzero(step < 0)[:1] + 1])[0])
        said = f"line {line}: here and later the numbers of loops go back while the clock goes on"
        return noted(parsed.clock, f"{said}: two logs may stand among each other")
    if rows.number is not None and len(fall := _anew(number, np.diff(rows.start))):
        line = int(parsed.table.line_of(rows.row[fall[:1] + 1])[0])
        said = (
            f"line {line}: the numbers of loops begin anew while the clock goes on without a rest"
        )
        return noted(parsed.clock, f"{said}: another recording, or another part of the run")
    return _no_longer(parsed, number, rows.row, "loops")


def _anew(number: Int, step: Int) -> Int:
    """Rows after which numbers begin at 0 or 1 without a rest, as no counter that is full does."""
    last = number[:-1].astype(np.int64)
    fall = (number[1:] <= 1) & (last - number[1:] > _FEWEST)
    fall &= (step >= 0) & (step <= NUMBERED_REST * median(step))
    at = np.flatnonzero(fall)
    full = {2**bits for bits in range(4, 33)} | {10**digits for digits in range(2, 10)}
    return at[[len(at) <= _MOST_LEAPS and int(one) + 1 not in full for one in last[at]]]


def blanked(parsed: Parsed, rows: LoopRows, typical: float) -> Clock:
    """The clock with a caution where a line or a cell is blank and the clock passes over a row."""
    aside = set(parsed.table.rejects.line)  # what is set aside is told as such
    lines = [line for line, text in parsed.table.between if not text.strip() and line not in aside]
    of_rows, most = parsed.table.line_of(rows.row), max(2, _MOST_BLANK * len(rows))
    blank = [(line, int(np.searchsorted(of_rows, line))) for line in lines]
    torn = [(int(of_rows[at]), at + 1) for at in _torn(rows, most)]
    lost = (
        "blank, and the clock passes over a row there{}: rows are lost, and the loop before them "
    )
    late = "a cell is empty, and the next row comes late{}: rows may be lost there, or the loop "
    clock = _late(parsed.clock, blank, rows, most, typical, NUMBERED_REST, lost + "looks long")
    return _late(clock, torn, rows, most, typical, np.inf, late + "stood still")


def _late(
    clock: Clock, found: list[tuple[int, int]], rows: LoopRows, most: float, typical: float,
    longest: float, said: str,
) -> Clock:  # fmt: skip
    """The clock with what is said of lines of which the row behind comes late, if they are few."""
    if not 0 < len(found) <= most:
        return clock
    step = np.diff(rows.start) / typical
    inside = [(line, after) for line, after in found if 0 < after < len(rows)]
    lines = [line for line, after in inside if _OVER < step[after - 1] <= longest]
    if not lines:
        return clock
    where = "" if len(lines) == 1 else f", as at {len(lines) - 1:,} more"
    return noted(clock, f"line {lines[0]}: {said.format(where)}")


def _torn(rows: LoopRows, most: float) -> list[int]:
    """Rows that lack a value that all but so many others have: a line may have ended there."""
    lacking = [np.flatnonzero(np.isnan(values)) for values in rows.signals.values()]
    return sorted({int(at) for one in lacking if len(one) <= most for at in one})


def made_up_for(parsed: Parsed, rows: LoopRows) -> Clock:
    """The clock with a caution where one loop is as late as the next is short: or a wrong digit.

    A digit moves its stamp by one to nine times a power of ten. Where many loops are made up for,
    the robot does so.
    """
    step = np.diff(rows.start)
    if len(step) < 3 * _FEWEST or (step <= 0).any():
        return parsed.clock
    off, both = (step[:-1] - step[1:]) / 2, (step[:-1] + step[1:]) / 2
    usual = median(step)
    scatter, of_both = (1.5 * median(np.abs(one - median(one))) + 1 for one in (off, both))
    room = _BY_CHANCE * scatter
    far = np.flatnonzero((np.abs(off) > room) & (np.abs(both - usual) <= _BY_CHANCE * of_both))
    size = np.abs(off[far])
    power = 10.0 ** np.floor(np.log10(np.maximum(size, 1) + scatter))
    digit = np.abs(size - np.rint(size / power) * power) <= 2 * scatter
    # so near to one digit by chance in one of five, or loops that nothing holds to a pace
    digit &= (scatter <= power / 20) | (0.02 * usual < scatter < 0.2 * usual)
    digit &= size >= _TICKS_A_LOOP * parsed.clock.tick_ns
    # so many short and long loops would follow one another by chance, and a digit be so near
    short, long = (int((one > room).sum()) for one in (usual - step, step - usual))
    digit &= short * long / len(step) * np.minimum(1, 4 * scatter / power) < _NO_CHANCE
    if not 0 < len(far) <= _MOST_MADE_UP or not digit.any():
        return parsed.clock
    at, ms = int(far[digit][0]) + 1, float(off[far[digit][0]]) / 1e6
    line = int(parsed.table.line_of(rows.row[at : at + 1])[0])
    told, loop = ("late", "a late loop") if ms > 0 else ("early", "a loop begun early")
    return noted(
        parsed.clock,
        f"line {line}: {abs(ms):.4g} ms {told}, which the next loop makes up for to the digit: "
        f"{loop}, or one wrong digit in that stamp",
    )


def _no_longer(parsed: Parsed, number: Int, row: Int | None, what: str) -> Clock:
    """The clock with a caution where numbers count at first and not at last; `row` None: of all."""
    part = max(_FEWEST, (len(number) - 1) // 10) + 1
    first, last = (_counts_on(some).mean() for some in (number[:part], number[-part:]))
    if first < 1 - COARSE or last > _RARELY:
        return parsed.clock
    at = np.flatnonzero(_counts_on(number))[-1:] + 1
    line = int(parsed.table.line_of(at if row is None else row[at])[0])
    said = f"after line {line} the numbers of {what} no longer count: another column?"
    return noted(parsed.clock, said)


def _counts_on(number: Int) -> Bool:
    """Whether each number is one more than that before it."""
    return np.asarray(np.diff(number.astype(np.int64)) == 1)


def miscounted_rows(parsed: Parsed) -> Clock:
    """The clock with a caution where the numbers of calls stop counting."""
    number = parsed.table.columns.get("seq")
    if number is None or len(number) < 3 * _FEWEST:
        return parsed.clock
    return _no_longer(parsed, np.asarray(number), None, "rows")


def unnumbered(parsed: Parsed, rows: CallRows) -> Clock:
    """The clock with a caution where some rows lack the number of their loop."""
    if rows.loop is None:
        return parsed.clock
    mine = slice(None) if rows.thread is None else rows.thread == np.bincount(rows.thread).argmax()
    there = np.flatnonzero(rows.loop[mine] >= 0)
    inside = 0 if not len(there) else int(there[-1] - there[0]) + 1
    lack = inside - len(there)
    if not 0 < lack < _MOST_TINY * inside:
        return parsed.clock
    many = "row lacks" if lack == 1 else "rows lack"
    return noted(
        parsed.clock,
        f"{lack:,} {many} the number of the loop: a loop begins late where its first row is one",
    )


def without_damaged(parsed: Parsed, rows: CallRows) -> CallRows:
    """Mark where so many rows were ruled out that a loop may lie between those that are left."""
    gone = damaged_lines(parsed.table)
    if rows.missing is not None or not len(gone) or len(rows) < _FEWEST:
        return rows
    line = parsed.table.line_of(rows.table_row(np.arange(len(rows))))
    if (np.diff(line) < 0).any():  # rows that were sorted: what stood beside them is not known
        return rows
    place, count = np.unique(np.searchsorted(line, gone), return_counts=True)
    looked = rows.name[:_LOOKED_AT]
    a_loop = len(looked) / int(np.bincount(looked).max())
    wide = place[(count >= max(2, 0.7 * a_loop)) & (place > 0) & (place < len(rows))]
    if not len(wide):
        return rows
    return replace(rows, missing=(rows.start[wide - 1], rows.start[wide] - 1))


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
