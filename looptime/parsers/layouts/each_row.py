"""Logs of one row a loop: units, which rows are loops, where each starts and how long it lasts."""

import re
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Int
from looptime.errors import UsageError
from looptime.parsers.clock.stepping import printed_step, whole_lengths
from looptime.parsers.columns.evidence import marked
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.laps import LAP
from looptime.parsers.columns.lexicon import CLOCKS, COUNTS, PHASES, meaning, tokens
from looptime.parsers.columns.rising import rounds
from looptime.parsers.columns.role import FALSE_UNIT, MAYBE, ROUND, Stamped
from looptime.parsers.columns.signals import first_rows, loops_after
from looptime.parsers.columns.stamped_at import stamped, stamped_by_phases
from looptime.parsers.columns.unit import Unit, clock_unit, find_unit, holding_unit, tick_of
from looptime.parsers.layouts.contract import UNSEEN, Column, Content, Given, LoopRows, Reading
from looptime.parsers.layouts.some_loops import between, thinned
from looptime.parsers.text.dialect import numbers
from looptime.parsers.text.table import Key, Member
from looptime.schema import LIMITS, ONE_IN, SUMMED
from looptime.stats.arrays import mad, median
from looptime.units import NS_PER_S, UNITS, split_unit
from looptime.words import listed, named

__all__ = [
    "COLUMNS",
    "loop_rows",
    "maybe_no_loops",
    "needed",
    "own",
    "row_limits",
    "row_notes",
    "unit",
]

#: Rows by which it is told at which end of its loop a row is stamped.
_ROWS = 50_000

#: Instants that tell to how many digits they are written, by more than so many steps.
_ENDS, _UNLIKE = 100_000, 3
#: Rows, and the share of them that must agree, by which a period fills in between a clock's ticks.
_ENOUGH, _MOST = 20, 0.95
#: A step that matters, as a part of the loop.
_COARSE = 0.02
#: Stretches that may lie between gaps, and rows around one whose ticks are evened out.
_STRETCHES, _AROUND = 1000, 100

#: A first interval of which its row's calls are more than this share is a loop.
_FILLED = 0.5

#: How much more even stamps are than begins before them where loops begin at those, or less.
_MORE_EVEN = 0.5

#: Loops whose work would end before it begins, where instants of the two can be compared.
_FEW_BEFORE = 0.02

#: Share of the rows below which they have lost a part of theirs; one that more lack did not run.
_SELDOM = 0.02

#: Column map; what a column is, is told by its header and its values.
COLUMNS: dict[str, Column] = {
    "time": Column(CLOCKS, "time"),
    "period": Column((), "time"),
    "total": Column((), "time"),
    "loop": Column(COUNTS, "count"),
    "phase": Column(PHASES),
}
#: A header of the time that a loop may take.
_LIMIT = re.compile(rf"(?:loop[ _-]?)?({'|'.join(LIMITS)})")


def unit(log: Reading) -> Unit:
    """The unit of the clock if there is one, else of the lengths."""
    given, parts, path = log.given.one, log.given.groups.get("part", ()), log.source.path
    if "time" in given:
        by_steps = clock_unit(log.dialect, given["time"], given["time"].unit, log.asked, path)
        return (_by_lengths(log) if by_steps.supposed else None) or by_steps
    of_parts = next((head.unit for head in parts if head.unit), None)
    for part in ("period", "total"):
        if part in given:
            named = given[part].unit or of_parts
            return find_unit(named, *log.asked, log.known(given[part]), path)
    if not parts:  # nothing but the rate that the caller gives
        return Unit("s", NS_PER_S, "option")
    total = np.nansum([numbers(log.dialect, head.index) for head in parts], axis=0)
    return find_unit(of_parts, *log.asked, total, path, "durations")


def _by_lengths(log: Reading) -> Unit | None:
    """The one unit of the clock in which its steps hold the lengths whose unit is stated."""
    stated = [head for head, role in log.given.roles
              if role.taken_as in ("part", "whole") and role.unit_from == "header"]  # fmt: skip
    if not stated or "period" in log.given.one:  # which may be no step of this clock
        return None
    total = np.sum([numbers(log.dialect, head.index) * UNITS[str(head.unit)] for head in stated], 0)
    usual = float(np.median(total[np.isfinite(total)])) if np.isfinite(total).any() else 0.0
    steps = np.diff(log.known(log.given.one["time"]))
    return holding_unit(steps, usual, listed(list({str(head.unit): 0 for head in stated})))


def own(log: Reading, key: Key, head: Head, unit: Unit) -> Unit:
    """The unit of one column: its own; what the caller gives is the clock's."""
    main = next((part for part in ("time", "period", "total") if part in log.given.one), None)
    if key == main and (unit.stamp is not None or log.options.unit is not None):
        return unit
    return Unit(unit.name, UNITS[head.unit] if head.unit else unit.ns, unit.said)


def needed(log: Reading) -> set[Key]:
    """A row needs its time, and its period where that is another; else its total or its parts.

    Of parts alone those that nearly every row holds: one that more rows lack did not run there. An
    only one is what a row is: a blank line is none.
    """
    given = log.given
    equal = "time" in given.one and bool(_period_step(given))
    wholes = ({"time", "period"} if not equal else {"time"}) & set(given.one) or (
        {"total"} & set(given.one)
    )
    if any(role.left_of for _, role in given.roles):  # no value leaves nothing, as 0 leaves all
        wholes = {*wholes, "total"}
    parts = given.groups.get("part", ())
    often = [Member("part", at) for at, head in enumerate(parts)
             if len(parts) == 1
             or np.isnan(numbers(log.dialect, head.index)).mean() < _SELDOM]  # fmt: skip
    return set(wholes or often)


def loop_rows(
    content: Content, work: Int | None, bad: Bool, others: Bool | None = None
) -> LoopRows:
    """Rows that are loops, with start and length.

    Parameters
    ----------
    content : Content
        With any of the columns ``time``, ``period``, ``total``.
    work : int64 array, shape (n,) [ns], or None
        What the parts of each row add up to, where it has parts.
    bad : bool array, shape (n,)
        Rows that cannot be used.
    others : bool array, shape (n,), optional
        Rows of something else that is logged between the loops: no loop is lost there.
    """
    at = content.table.columns
    content.table.meta.update(_limit(content.log))
    time, total = at.get("time"), at.get("total")
    if time is not None and total is not None and _holds_ends(content.log.given):
        total = at["total"] = total - time
        if (total < 0).mean() > _FEW_BEFORE:  # the two do not wrap alike
            total = None
            del at["total"]
    edge = np.zeros_like(bad)  # a row whose length stands in one that is not logged
    if total is not None and (move := _total_below(content.log)):
        total = at["total"] = np.roll(total, -move)
        edge[-1 if move > 0 else 0] = True
        total[edge] = np.roll(total, move)[edge] if work is None else work[edge]
        edge &= ~bad & (time is None)
    if time is None and total is not None and work is not None and _too_short(total, work):
        total = None
        del at["total"]
    finer = _between_ticks(content)
    if finer is not None:
        time = at["time"] = finer
    short = _cut_short(total, work, bad)
    content.outcast.add(np.flatnonzero(short), "corrupt stamp")
    apart = time is not None and _apart(content)
    period = at.get("period") if apart or time is None else None
    if time is None and period is not None and (move := _other_row(content.log)):
        period = at["period"] = np.roll(period, -move)
        edge[-1 if move > 0 else 0] = True
    edge &= ~bad
    content.outcast.add(np.flatnonzero(edge[-1:]) + len(edge) - 1, "unfinished last loop")
    content.outcast.add(np.flatnonzero(edge[:1] & (len(edge) > 1)), "first interval")
    for lengths in (total, period):
        if lengths is not None:
            bad = bad | (lengths < 0)
    content.outcast.add(np.flatnonzero(bad & ~edge), "negative duration")
    bad = bad | edge
    early = _early(content, period, work, bad) & ~short
    content.outcast.add(np.flatnonzero(early & ~bad), "first interval")
    bad = bad | short
    row = np.flatnonzero(~bad & ~early & (True if others is None else ~others))
    if time is None:
        return _without_clock(content, row, period, total if total is not None else work)
    lost = loops_after(content.table, row, at, time)
    if bad.any():
        gone = np.append(np.diff(np.cumsum(bad)[row]) > 0, False)
        lost = gone if lost is None else lost | gone
    found = LoopRows(row, time[row], lost=lost)
    if apart and period is not None:
        said = "the rows, further apart than loops, with the period of some"
        body = None if total is None else total[row]
        return replace(found, period=period[row], body=body, lost=None, said=said)
    if "loop" in at:
        length = work if total is None else total
        length = None if length is None else length[row]
        every = between(at["loop"][row], found.start, length, content.log.source.path)
        if every > 1:
            return thinned(content, found, at["loop"][row], every)
    made = _stamped(content, found, work)
    return made if finer is None or made.said != found.said else replace(made, said=_FINER)


def _early(content: Content, period: Int | None, work: Int | None, bad: Bool) -> Bool:
    """Which rows at the top hold no loop, but the time since a clock's zero.

    An interval that the calls of its own row fill is that of a loop, however long: the first call
    to a device may take seconds.
    """
    at = content.table.columns
    time, total = at.get("time"), at.get("total")
    own, rows = [known for known in (work, total) if known is not None], 1
    if period is None and "period" in at:
        own.append(at["period"][:1])  # the step before the second row is no length of its calls
    if period is not None:
        interval, early = period[0], first_rows(np.where(bad, 1, period), time)
    elif time is not None:
        early, rows = np.zeros(len(bad), bool), 2  # which of the two is long depends on the stamps
        early[:1] = len(time) > 3 and time[0] == 0 and _zero_row(time)
        interval = time[1] - time[0] if early.any() else 0
    else:
        if content.log.options.rate_hz is not None:
            return np.zeros(len(bad), bool)
        lengths = own.pop()
        interval, early = lengths[0], first_rows(np.where(bad, 1, lengths))
    filled = any(float(known[:rows].max()) > _FILLED * float(interval) for known in own)
    return early & (not filled)


def _period_step(given: Given) -> str:
    """The side of its row to which a period belongs, where the values tell."""
    return next((r.step for head, r in given.roles if head == given.one.get("period")), "")


def _other_row(log: Reading) -> int:
    """By how many rows the period of a row stands further down, in a log without a clock."""
    side = log.options.stamped or log.given.stamped.side
    return {("start", "before"): 1, ("end", "after"): -1}.get((side, _period_step(log.given)), 0)


def _total_below(log: Reading) -> int:
    """By how many rows the total of a row stands further down, where the values tell."""
    given, asked = log.given, log.options.stamped
    move = next((r.moved for head, r in given.roles if head == given.one.get("total")), 0)
    if asked and "time" not in given.one:  # then a row holds what belongs together, as asked
        return move if (asked, move) in (("start", 1), ("end", -1)) else 0
    return move


def _limit(log: Reading) -> dict[str, str]:
    """The one value of a column such as ``deadline_us``, as a log states it in words."""
    for head in (head for head, role in log.given.roles if role.taken_as == "setting"):
        word = _LIMIT.fullmatch(split_unit(head.text)[0].lower())
        if word and head.unit:
            values = np.unique(numbers(log.dialect, head.index))
            values = values[np.isfinite(values)]
            if len(values) == 1 and values[0] > 0:
                return {word[1]: f"{values[0]:g} {head.unit}"}
    return {}


def _holds_ends(given: Given) -> bool:
    """Whether a row holds the instant at which its loop's work ends, instead of its length."""
    clock, total = given.one["time"], given.one["total"]
    return any(head == total and role.lap_of == clock.index for head, role in given.roles)


def grain_of_ends(content: Content) -> int:
    """The last digit of the instants between which the work of loops lies [ns], else 1.

    To be asked before `loop_rows` takes their difference. Even starts tell no digit.
    """
    at = content.table.columns
    if "time" not in at or "total" not in at or not _holds_ends(content.log.given):
        return 1
    starts = at["time"][:_ENDS]
    uneven = len(np.unique(np.diff(starts))) > _UNLIKE
    return max(printed_step(at["total"][:_ENDS]), printed_step(starts) if uneven else 1)


def _between_ticks(content: Content) -> Int | None:
    """Instants as fine as the period beside a clock that ticks more coarsely; None elsewhere.

    Each step of the clock is the period but for a tick, and what is between the two never adds up
    to more: the instants are the first of a stretch with the periods after it.
    """
    at, given = content.table.columns, content.log.given
    side = _period_step(given)
    time, period = at.get("time"), at.get("period")
    if time is None or period is None or len(time) < _ENOUGH or not side:
        return None
    step, length = np.diff(time), period[:-1] if side == "after" else period[1:]
    tick, digit = tick_of(time, content.unit.tick_ns), tick_of(np.cumsum(length), 1)
    if tick < 10 * digit or tick < _COARSE * np.median(step):
        return None
    good = np.abs(step - length) <= tick + digit
    begins = np.flatnonzero(np.append(True, ~good))
    made = np.append(0, np.cumsum(np.where(good, length, 0)))
    ahead = time - made
    if good.mean() < _MOST or len(begins) > _STRETCHES:
        return None
    drawn = np.concatenate([_drawn(one, tick, digit) for one in np.split(ahead, begins[1:])])
    if (np.abs(ahead - drawn) > 1.5 * tick).any():
        return None
    made = made + drawn
    return made if ((np.diff(made) >= 0) | (step < 0)).all() else None


def _drawn(ahead: Int, tick: int, digit: int) -> Int:
    """By how much a clock is ahead of periods that add up, without its ticks.

    It is what it was, or moves on by what the periods are rounded to, the middle of the rows
    around each; by more than half of their last digit a row it is something else.
    """
    low, high = int(ahead.min()), int(ahead.max())
    if high - low <= 2 * tick or high - low > 2 * tick + 0.5 * digit * len(ahead):
        return np.full(len(ahead), (low + high) // 2)
    at = np.arange(len(ahead))
    line = np.polyval(np.polyfit(at, ahead - ahead[0], 1), at)
    gone = np.concatenate([[0.0], np.cumsum(ahead - ahead[0] - line)])
    first, last = np.maximum(at - _AROUND, 0), np.minimum(at + _AROUND + 1, len(ahead))
    around = (gone[last] - gone[first]) / (last - first)
    return ahead[0] + np.rint(line + around).astype(np.int64)


def _too_short(total: Int, work: Int) -> bool:
    """Whether totals hold less than their parts: rounded away, or of something else."""
    return float(np.mean(2 * total < work)) > 0.5


def _cut_short(total: Int | None, work: Int | None, bad: Bool) -> Bool:
    """Rows whose total is less than their parts, where nearly all totals hold them."""
    if total is None or work is None:
        return np.zeros(len(bad), bool)
    short: Bool = (total >= 0) & (total < 0.9 * work) & ~bad  # one below zero is told as that
    holds = total >= 0.98 * work
    return short if holds.mean() > 0.95 else np.zeros(len(bad), bool)


def _zero_row(time: Int) -> bool:
    """Whether the first row is one of zeros, before the clock was read."""
    steps = np.diff(time)
    return bool(steps[0] > max(20 * float(np.median(steps)), NS_PER_S))


def _apart(content: Content) -> bool:
    """Whether rows are further apart than the period that they give."""
    time, period = content.table.columns["time"], content.table.columns.get("period")
    if period is None or len(time) < 4:
        return False
    usual = float(np.median(period[1:]))
    return 0 < usual < float(np.median(np.diff(time))) / 1.5


def _without_clock(content: Content, row: Int, period: Int | None, work: Int | None) -> LoopRows:
    """Loops laid one after another."""
    rate = content.log.options.rate_hz
    body = None if work is None else work[row]
    if period is not None:
        where = {1: " from the next row", -1: " from the last row"}
        said = f"the rows, one a loop, with its period{where.get(_other_row(content.log), '')}"
        lengths = period[row]
    elif rate is not None:
        said, lengths = f"the rows, {rate:g} a second as given", _even(len(row), rate)
    else:
        assert body is not None
        total = "total" in content.table.columns
        said = f"the rows, one a loop, {'with its total' if total else SUMMED[0]}"
        lengths, body = body, None
    start = np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)
    return LoopRows(row, start, lengths, body=body, said=said)


def _even(count: int, rate_hz: float) -> Int:
    """Periods of a loop that runs so often [ns]."""
    if count * NS_PER_S / rate_hz > np.iinfo(np.int64).max:
        raise UsageError(f"--rate-hz {rate_hz:g}: at that rate {count:,} loops last for centuries")
    ticks: Int = np.rint(np.arange(count + 1) * (NS_PER_S / rate_hz)).astype(np.int64)
    return ticks[1:] - ticks[:-1]


def _stamped(content: Content, found: LoopRows, work: Int | None) -> LoopRows:
    """Loops between the rows' stamps, which may stand at their starts or at their ends."""
    total, row = content.table.columns.get("total"), found.row
    judged = total if work is None else work
    side = Stamped(content.log.options.stamped or "", "as asked")
    if not side.side and judged is not None:
        after = np.append(np.diff(found.start[:_ROWS]), 0).astype(float)
        length = judged[row[:_ROWS]].astype(float)
        side = stamped(length, np.where(after > 0, after, np.nan))
    phase, clock = content.table.columns.get("phase"), content.log.given.one["time"]
    if not side.side and phase is not None and len(row) > 1:
        side = stamped_by_phases(np.diff(found.start).astype(float), phase[row])
    if not side.side and marked(clock).side == "end":
        side = Stamped("end", "as its header says")
    body = None if total is None else total[row]
    tick = tick_of(found.start, content.unit.tick_ns)
    if side.side == "end":
        took = body if body is not None or work is None else work[row]
        if took is not None and _written_when_done(found.start, took, body is not None):
            begun = found.start - took
            rests = _BEGUN if body is None and _scattered(begun, tick) else ""
            return replace(found, start=begun, body=body, said=_END, supposed=rests)
        rests = _NEXT if _scattered(found.start, tick) else ""
        return replace(found, ended=True, body=body, said=_END, supposed=rests)
    if body is not None and _of_loop_before(content.log.given):
        body = np.append(body[1:], body[-1:])
    told = side.side or marked(clock).side
    return replace(found, body=body,
                   supposed="" if told or not _scattered(found.start, tick) else _OWN)  # fmt: skip


#: What the starts of loops rest on that lie about even ticks, as rows do that are written when the
#: work of a paced loop is done.
_OWN, _NEXT = (
    f"each row is stamped as {which} loop begins, not after work that varies"
    for which in ("its", "the next")
)
_BEGUN = "nothing but the logged parts is done before each row is stamped"
#: Rows from one to another that are to be as even as neighbours, and what is uneven of the usual
#: step, or of the clock's ticks.
_APART, _ABOUT, _UNEVEN, _SOME_TICKS = 16, 1.5, 0.015, 2


def _scattered(start: Int, tick: int) -> bool:
    """Whether instants lie about even ticks, each by itself: no step makes the next ones later."""
    if len(start) < 4 * _APART:
        return False
    step, far = np.diff(start), (start[_APART:] - start[:-_APART]).astype(float)
    uneven = mad(step.astype(float))
    least = max(_UNEVEN * median(step), _SOME_TICKS * tick)
    return uneven > least and mad(far) < _ABOUT * uneven


def _written_when_done(stamp: Int, took: Int, whole: bool) -> bool:
    """Whether rows are written as the work ends, and not as the next loop begins.

    The stamps of a loop that then waits are as uneven as its work, which began so long before them.
    Where both are as even, what is the `whole` work tells a begin and the sum of some parts none.
    """
    if len(stamp) < 2:
        return whole
    stamps, begins = mad(np.diff(stamp)), mad(np.diff(stamp - took))
    return stamps >= _MORE_EVEN * begins if whole else begins < _MORE_EVEN * stamps


#: Rows without any length that stand so far apart may be those of a monitor.
_SLOW_NS = NS_PER_S // 2
#: Of all steps, the share that are the same where a timer writes the rows; words of a loop.
_EXACTLY = 0.99
_OF_LOOPS = {
    "loop", "loops", "cycle", "cycles", "iteration", "iter", "pass", "tick", "frame", "period",
    "dt", "step", "scan",
}  # fmt: skip


def row_limits(rows: LoopRows, log: Reading) -> tuple[str, ...]:
    """What bounds every figure of loops that were found in this way."""
    limits = []
    if rows.said.endswith(SUMMED):
        limits.append(UNSEEN)
        rising = [head.text for head, role in log.given.roles
                  if role.why.startswith(("it rises", ROUND))]  # fmt: skip
        limits += [f"if {text!r} is the clock, --columns names it so" for text in rising[:1]]
    if ONE_IN in rows.said:
        limits.append(f"{rows.said[rows.said.index(ONE_IN) :]} is logged")
    limits += maybe_no_loops(rows, log)
    clock, parts = log.given.one.get("time"), log.given.groups.get("part", ())
    if log.dialect.header is None and log.dialect.stated is not None:
        limits.append("no header: its columns are what the project file states of "
                      f"{log.dialect.stated.header!r}")  # fmt: skip
    elif log.dialect.header is None and not log.options.columns and clock is not None and parts:
        places = listed([str(head.index + 1) for head in parts])
        lengths = f"columns {places} as lengths" if len(parts) > 1 else f"column {places} as length"
        limits.append(f"no header: column {clock.index + 1} is read as the clock and {lengths}, by "
                      "their values: --columns names them")  # fmt: skip
    false = [head.text for head, role in log.given.roles if role.unit_from.startswith(FALSE_UNIT)]
    if false:
        more = " and others" if len(false) > 2 else ""
        limits.append(f"{', '.join(false[:2])}{more} not in the unit of the header")
    maybe = maybe_lengths(log)
    if maybe:
        where = "" if log.source.rewritten else " (--columns)"
        many = len(maybe) > 1
        be, whose = ("are lengths", "their names") if many else ("is a length", "its name")
        limits.append(f"whether {named(maybe)} {be} of time can't be told: a unit in "
                      f"{whose}{where} would say so")  # fmt: skip
    return (*limits, *_steps_of_lengths(rows))


def maybe_lengths(log: Reading) -> tuple[str, ...]:
    """Columns that may be lengths of time, and are counted nowhere."""
    return tuple(head.text for head, role in log.given.roles if role.why == MAYBE)


def maybe_no_loops(rows: LoopRows, log: Reading) -> list[str]:
    """What speaks against rows without any length being loops: how far apart they stand."""
    apart = np.diff(rows.start)
    told = rows.body is not None or rows.period is not None or rows.parts is not None
    if told or not len(apart):
        return []
    usual = float(np.median(apart))
    if usual >= _SLOW_NS:
        return [f"if each row is a loop: they stand {usual / 1e9:.3g} s apart, as those of a "
                "monitor do"]  # fmt: skip
    texts = [head.text for head, _ in log.given.roles]
    said = {word for text in texts for word in tokens(text)}
    values = any(role.taken_as == "signal" for _, role in log.given.roles)
    counted = rows.number is not None or "loop" in log.given.one
    if values and not counted and not said & _OF_LOOPS and (apart == usual).mean() >= _EXACTLY:
        return [f"if each row is a loop: {usual / 1e6:.4g} ms apart to the digit, they may be "
                "values that something publishes at that rate"]  # fmt: skip
    return []


def _steps_of_lengths(rows: LoopRows) -> tuple[str, ...]:
    lengths = [] if rows.body is None else [rows.body]
    lengths += [] if rows.parts is None else [rows.parts.duration]
    known = np.concatenate(lengths) if lengths else np.zeros(0, np.int64)
    return whole_lengths(known, rows.start)


#: What a loop's length is made of.
_LENGTHS = ("part", "whole", "period")


def row_notes(rows: LoopRows, log: Reading) -> tuple[str, ...]:
    """What is to be said of loops that were found in this way."""
    notes, given = [], log.given
    doubted = [head.text for head, role in given.roles if role.sure != "sure"
               and (role.unit_ns or role.taken_as in _LENGTHS)]  # fmt: skip
    if doubted:
        be = "is" if len(doubted) == 1 else "are"
        notes.append(f"not certain what {listed(doubted)} {be}: looptime columns {log.source.path}")
    clock = given.one.get("time")
    if clock is not None and meaning(clock.text) != "clock" and clock.word not in CLOCKS:
        past = ", past its wraps" if rounds(clock, log.dialect) else ""
        notes.append(f"{clock.text!r} is taken for the clock: it alone rises from row to row{past}")
    if clock is None and "part" in given.groups:
        notes.append("no clock in the log: loops are laid one after another")
        idle = [head.text for head, role in given.roles if meaning(head.text) == "clock"
                and role.taken_as not in (*_LENGTHS, "latency", "deviation")]  # fmt: skip
        notes += [f"{text!r} is named like a clock but does not go on as one" for text in idle[:1]]
    laps = [head.text for head, role in given.roles if role.why == LAP]
    if laps:
        notes.append(f"{laps[0]!r} to {laps[-1]!r} add up along every row: read as instants since "
                     "the loop's start, the part of each is what it adds")  # fmt: skip
    if rows.said.endswith(SUMMED):
        what = "the total is less than its parts" if "total" in given.one else "no total in the log"
        notes.append(f"{what}: the period is the sum of the parts")
    if "further apart" in rows.said:
        assert rows.period is not None
        apart = float(np.median(np.diff(rows.start))) / 1e6
        notes.append(
            f"rows are {apart:.4g} ms apart, but the log gives a loop "
            f"{float(np.median(rows.period)) / 1e6:.4g} ms: it holds some loops only"
        )
    if rows.said == _END:
        notes.append(
            "rows are stamped at the end of their loops: what a row holds belongs to the time "
            "before its stamp (--stamped start if that is wrong)"
        )
    return tuple(notes)


_FINER = "the rows, one a loop, as long as their period, which is finer than the clock's ticks"
_END = "the rows, one a loop, stamped at its end"


def _of_loop_before(given: Given) -> bool:
    """Whether a row's total is that of the loop before its stamp, and stands there still."""
    return any(role.step == "before" and not role.moved
               for head, role in given.roles if head == given.one["total"])  # fmt: skip
