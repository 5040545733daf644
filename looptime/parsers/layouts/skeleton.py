"""How a log of any layout is read: units, two clocks, the table, wraps, rows, checks, the clock."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Int
from looptime.errors import LogError, nearest
from looptime.parsers.clock.loop_numbers import from_zero
from looptime.parsers.clock.repeats import find_repeats, met_again, same_as_before, written_again
from looptime.parsers.clock.stepping import binary_grid, printed_step
from looptime.parsers.clock.steps import typical_step
from looptime.parsers.clock.unwrap import once_a_loop, unwrap
from looptime.parsers.columns.dates import DATE, date_column, days
from looptime.parsers.columns.evidence import shown
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.phases import phase_names, take_phase, word_wants
from looptime.parsers.columns.sampled import age_name, held_stamps, sample_stamps
from looptime.parsers.columns.second_clock import choose_clock, finer_of, second_clock
from looptime.parsers.columns.signals import (
    count_column,
    in_degrees,
    signal_columns,
    signal_wants,
    signals_beside,
)
from looptime.parsers.columns.unit import Unit, check_periods, tick_of, time_want
from looptime.parsers.layouts.contract import (
    SECOND,
    CallRows,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
    Options,
    Parsed,
    Reading,
    said_by_name,
)
from looptime.parsers.layouts.doubtful import cut_lines, doubtful, named_twice
from looptime.parsers.layouts.filled_in import cautions
from looptime.parsers.layouts.garbled import find_garbled
from looptime.parsers.layouts.half_way import check_clock_unit, respelled, zero_stamps
from looptime.parsers.text.datetimes import CLOCK
from looptime.parsers.text.dialect import KIND_OF_ROW, Dialect
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Key, Member, Table, Want, read_table
from looptime.run import Clock, OtherClock
from looptime.stats.arrays import common_divisor, distinct
from looptime.units import NS_PER_MS, UNITS

__all__ = ["parse"]

#: Lengths that are told one by one.
_MOST_TOLD = 5
#: Instants by which the clock is judged, where there are more steps than these among them.
_LOOKED_AT, _UNEVEN, _FIRST = 100_000, 3, 1000
_LENGTHS = ("duration", "total", "period")
_LABELS = ("kind", "subsystem", "device", "bus")


def parse(
    layout: Layout, source: Source, dialect: Dialect, given: Given, options: Options
) -> Parsed:
    """Read a log of a known layout.

    Parameters
    ----------
    layout : Layout
        Which says how its columns are told and read, and what it makes of the rows.
    source, dialect : Source, Dialect
        The log and how it is written.
    given : Given
        What the layout makes of the columns.
    options : Options
        As the caller gave them.

    Raises
    ------
    LogError
        If no row can be used, or the unit makes loops absurd.
    """
    log = Reading(source, dialect, given, options)
    unit = layout.unit(log)
    units = {key: layout.own(log, key, head, unit) for key, head in given.items()}
    wants = _wants(layout, log, units)
    main = given.first(layout.clock)
    taken = {head.index for _, head in given.items()}
    every = heads((dialect.header or ())[: dialect.fields])
    samples = sample_stamps(every, dialect)
    passed = taken | {head.index for head in (*samples, *held_stamps(every, dialect))}
    second = None if main is None else second_clock(dialect, main, unit, passed)
    if second is not None:
        taken.add(second[0].index)
        wants.append(time_want(SECOND, dialect, *second, required=False))
    dated = None
    if main is not None and unit.stamp == CLOCK:
        dated = date_column(dialect, taken)
    if dated is not None:
        taken.add(dated.index)
        wants.append(Want(DATE, dated.index, "word"))
    numbered, named = given.one.get("loop"), {}
    if layout.signals:
        counted = count_column(dialect, taken)
        if counted is not None:
            numbered = numbered or counted
            wants.append(Want("count", counted.index, "count"))
            taken.add(counted.index)
        named = signal_columns(dialect, taken)
        wants += word_wants(dialect, taken)
    elif layout.signals_beside:
        named = signals_beside(dialect, taken)
    wants += signal_wants(named)
    table = read_table(source, dialect, wants)
    take_phase(table, layout.clock)
    apart = _told_apart(table, log)
    _take_from_set(given, table)
    turned, unsure = in_degrees(table, dialect, named, table.columns.get(_clock_key(layout, table)))
    turned += _aged(layout, table, unit, {h: n for n, at in named.items() for h in samples
                                          if h.index == at})  # fmt: skip
    if dialect.header is not None and dialect.header[0] == KIND_OF_ROW and table.rejects.line:
        from looptime.parsers.layouts.other_width import of_another_kind

        of_another_kind(table, dialect)
    if main is not None and len(table.rejects.line) > 0.05 * len(table):
        from looptime.parsers.layouts.other_width import of_another_loop, refuse_messages

        of_another_loop(table, dialect, main.index)
        if layout.name == "stamps":
            refuse_messages(table, dialect, table.columns[_clock_key(layout, table)])
    unit = _with_dates(layout, table, unit, units)
    table, changes = _changed_half_way(layout, table, unit)
    other: OtherClock | None = None
    apart_by: tuple[str, ...] = ()
    if main is not None and second is not None:
        unit, other, apart_by = _steadier(layout, table, (main, unit), second)
    table, again = _once(layout, table, unit) if layout.repeats else (table, ())
    table, odd = _sound(layout, table, units, log)
    wraps = _unwrapped(layout, table, unit) if layout.unwraps else ()
    content = Content(log, table, unit, units)
    found = layout.rows(content)
    if not len(found.rows):
        raise LogError(layout.empty, source.path)
    if isinstance(found.rows, LoopRows):
        _check_loops(found.rows, unit, source.path)
    tick, stepping = _tick(layout, table, unit, found)
    clock = Clock(
        unit.name, unit.said, tick, wraps=wraps, other=other,
        notes=apart_by + found.notes + _threads(given) + apart + changes + again + odd + stepping
        + cut_lines(dialect) + turned + named_twice(dialect)
        + cautions(table, layout.clock, _LENGTHS) + _not_asked(log, found.rows),
        starts_from=layout.starts_from,
        limits=(() if _unit_shown(log.given) else unit.limits) + found.limits,
        supposed=(() if _unit_shown(log.given) else unit.supposed) + found.supposed,
        angles=unsure,
        unsaid=_unsaid(found.rows, log),
    )  # fmt: skip
    header = given.one["name"].text if "name" in given.one else ""
    parsed = Parsed(layout.name, table, clock, outcast=content.outcast, partner=found.partner,
                    name_header=header)  # fmt: skip
    if isinstance(found.rows, LoopRows):
        return replace(parsed, loops=_with_values(found.rows, table, numbered))
    return replace(parsed, calls=_with_labels(found.rows, table))


def _aged(
    layout: Layout, table: Table, unit: Unit, samples: dict[Head, str]
) -> tuple[str, ...]:  # fmt: skip
    """Put samples' ages in place of their own stamps; what is said of it."""
    time = table.columns.get(_clock_key(layout, table))
    notes = []
    for head, name in {} if time is None else samples.items():
        stamp = table.columns.pop(Member("signal", name)) * (
            UNITS[head.unit] if head.unit else unit.ns
        )
        age = np.where((stamp > 0) & (stamp <= time), (time - stamp) / NS_PER_MS, np.nan)
        table.columns[Member("signal", age_name(head))] = age
        notes.append(f"{head.text!r} is a sample's own stamp: its age at the loop's time is used")
    return tuple(notes)


def _told_apart(table: Table, log: Reading) -> tuple[str, ...]:
    """Names of calls that several devices share, made longer; most logs have no such columns."""
    if "name" not in table.words or all(len(table.words.get(key, ())) < 2 for key in _LABELS):
        return ()
    from looptime.parsers.layouts.shared_names import tell_apart

    return tell_apart(table, log.given.one, log.options.loop_call)


def _said_of_calls(table: Table) -> dict[str, dict[str, str]]:
    """The device and the bus of each name, where columns beside it say them."""
    said: dict[str, dict[str, str]] = {}
    names = table.words.get("name", [])
    for key in ("device", "bus") if names else ():
        if any(words := table.words.get(key, [])):
            own = said_by_name(table.columns["name"], table.columns[key], words)
            for name, word in own.items():
                said.setdefault(names[name], {})[key] = word
    return said


def _take_from_set(given: Given, table: Table) -> None:
    """Put the work in place of what it leaves of a set length, where a column holds that."""
    total = given.one.get("total")
    of = next((role.left_of for head, role in given.roles if head == total and role.left_of), 0)
    if of and "total" in table.columns:
        table.columns["total"] = of - table.columns["total"]


def _unsaid(rows: CallRows | LoopRows, log: Reading) -> tuple[str, ...]:
    """Columns that may be lengths of time, where a row is a loop."""
    if not isinstance(rows, LoopRows):
        return ()
    from looptime.parsers.layouts.each_row import maybe_lengths  # calls have no part in it

    return maybe_lengths(log)


def _threads(given: Given) -> tuple[str, ...]:
    """What is said of threads that no header names."""
    if "thread" not in given.told or "name" in given.told:
        return ()
    return (f"{given.one['thread'].text!r} is taken for the thread: {given.told['thread']}",)


def _wants(layout: Layout, log: Reading, units: dict[Key, Unit]) -> list[Want]:
    """Every column that the layout uses, read as it says."""
    needed = None if layout.needed is None else layout.needed(log)
    wants = []
    for key, head in log.given.items():
        part = _part(key)
        column = layout.columns[part]
        required = column.required if needed is None else key in needed
        if column.how in ("time", "span"):
            want = time_want(key, log.dialect, head, units[key], required)
            wants.append(replace(want, span=column.how == "span"))
        else:
            timed = log.given.timed if part == "mark" else frozenset()
            wants.append(Want(key, head.index, column.how, required=required, timed=timed))
    return wants


def _with_dates(layout: Layout, table: Table, unit: Unit, units: dict[Key, Unit]) -> Unit:
    """Add each row's date to its times of day; the unit says so."""
    if DATE not in table.columns:
        return unit
    day, said = days(table.words[DATE])
    date = day[np.asarray(table.columns.pop(DATE))]
    for key, own in units.items():
        if own.stamp == CLOCK and key in table.columns and layout.columns[_part(key)].how == "time":
            table.columns[key] = table.columns[key] + date
    more = f", {said}" if said else ""
    return replace(unit, said=f"{unit.said}; its date stands in a column of its own{more}")


def _part(key: Key) -> str:
    return key.group if isinstance(key, Member) else key


def _clock_key(layout: Layout, table: Table) -> Key:
    """The column of instants, the first of several."""
    first = Member(layout.clock, 0)
    return first if first in table.columns else layout.clock


def _changed_half_way(layout: Layout, table: Table, unit: Unit) -> tuple[Table, tuple[str, ...]]:
    """The table without stamps of zero, with one spelling of each name.

    Raises
    ------
    LogError
        If the clock's unit changes.
    """
    time = table.columns.get(_clock_key(layout, table))
    if time is not None:
        if unit.stamp is None:
            check_clock_unit(time, table)
        # from 0 to its end is a row's length
        zero = zero_stamps(time, table.columns.get("duration", table.columns.get("end")))
        if len(zero):
            table = table.without({"corrupt stamp": zero})
            time = np.delete(time, zero)
    return table, respelled(table, time)


def _again(table: Table, columns: list[Int]) -> tuple[str, ...]:
    """What is said of rows that hold the same as others before them, which nothing else tells."""
    rows = written_again(columns)
    if not len(rows):
        return ()
    line = int(table.line_of(rows[:1])[0])
    return (
        f"{len(rows):,} rows hold what a row before them holds, the first at line {line}: written "
        "again? A clock or numbers of the loops would tell",
    )


def _steadier(
    layout: Layout, table: Table, main: tuple[Head, Unit], second: tuple[Head, Unit]
) -> tuple[Unit, OtherClock | None, tuple[str, ...]]:
    """Let the steadier of two clocks be the log's; also what `Clock.other` says of the other.

    And what is said where they disagree.
    """
    rows = layout.judged(table)
    if rows is None:
        return main[1], None, ()
    key = _clock_key(layout, table)
    one, two = table.columns[key], table.columns[SECOND]
    # ends of calls are in the clock of their starts: that of a row a loop alone may be refined
    ticks = (_least(one, main[1]), _least(two, second[1])) if layout.signals else (1, 1)
    finer, both = finer_of(one, two, ticks), (main[0], second[0])
    choice = choose_clock(one[rows], two[rows], both, layout.swaps, finer)
    said: tuple[str, ...] = ()
    from looptime.parsers.columns.rounded_clock import disagreement  # few logs have two clocks

    if choice.other is not None and layout.signals:
        digits = (printed_step(one[:_LOOKED_AT]), printed_step(two[:_LOOKED_AT]))
        said = disagreement(one, two, digits, (main[0].text, second[0].text))
    if not choice.swap:
        return main[1], choice.other, said
    table.columns[key] = two
    return second[1], choice.other, said


def _least(time: Int, unit: Unit) -> int:
    """The least step that a clock can show [ns], by its unit and the digits that it prints."""
    return min(unit.tick_ns, printed_step(time[:_LOOKED_AT]))


def _tick(layout: Layout, table: Table, unit: Unit, found: Found) -> tuple[int, tuple[str, ...]]:
    """The smallest step that the clock shows [ns], and what is said of a grid that it keeps to."""
    tick = max(tick_of(found.ticks, found.finest_ns or unit.tick_ns), found.grain_ns)
    time = table.columns.get(_clock_key(layout, table))
    if time is None or not len(time):
        return tick, ()
    uneven = (len(distinct(np.diff(time[:some]))) > _UNEVEN for some in (_FIRST, _LOOKED_AT))
    if any(uneven) or _shared_by_two(time):
        printed = printed_step(time[:_LOOKED_AT])
        # steps that are whole multiples of more than its last digit are those of a grid of slots
        calls = isinstance(found.rows, CallRows)
        if calls or common_divisor(np.diff(time[:_LOOKED_AT])) == printed:
            tick = max(tick, printed)  # lengths may be known better
    grid = binary_grid(time, unit.ns)
    if grid is None:
        return tick, ()
    return max(tick, round(grid.step_ns)), (grid.said,) if grid.said else ()


def _shared_by_two(time: Int) -> bool:
    """Whether a clock ticks about as fast as rows are written: two share a stamp, and never more.

    Where more do it stood still.
    """
    same = time[1:] == time[:-1]
    return bool(same.any() and not (same[1:] & same[:-1]).any())


def _once(layout: Layout, table: Table, unit: Unit) -> tuple[Table, tuple[str, ...]]:
    """The table without rows that stand in it again."""
    at = dict(table.columns)
    time = at.pop(_clock_key(layout, table), None)
    if len(table) < 2:
        return table, ()
    if time is None:
        sure = _numbered(at)
        loop = at.pop("loop", None) if "name" in at else None
        found = find_repeats(list(at.values()), None, sure, loop, at.get("name"))
    else:
        step = np.diff(time)
        ties = same_as_before(list(at.values()), np.flatnonzero(step == 0) + 1)
        if not len(ties) and (step >= 0).all():
            return table, ()
        # where the clock ticks hardly faster than loops pass, rows may well be alike
        whole = unit.tick_ns if (time % unit.tick_ns == 0).all() else 1
        sure = layout.unwraps or typical_step(time) >= 3 * tick_of(time, whole)
        if not sure and len(ties) > 0.2 * len(time):
            return table, ()
        later = {key for key in at if isinstance(key, Member) and key.group == layout.clock}
        rest = [column - time if key in later else column for key, column in at.items()]
        found = find_repeats(rest, time, sure)
    if not len(found.twice) and not found.pasted:
        return table, _again(table, list(at.values())) if time is None and not sure else ()
    pasted = np.setdiff1d(found.places(), found.twice)
    left = table.without({"duplicate row": found.twice, "pasted again": pasted})
    lines = table.line_of(np.array([low for low, _ in found.pasted], np.int64)).tolist()
    return left, (met_again(lines[0]),) if lines else ()


def _numbered(at: dict[Key, NDArray[Any]]) -> bool:
    """Whether most rows that are not written twice are numbered one by one."""
    if "loop" not in at:
        return False
    step = np.diff(at["loop"])
    step = step if "name" in at else step[step != 0]  # else each row is a loop
    return len(step) > 0 and bool((step == 1).mean() > 0.5)


def _sound(
    layout: Layout, table: Table, units: dict[Key, Unit], log: Reading
) -> tuple[Table, tuple[str, ...]]:
    """The table without rows that hold a length that cannot be, and cautions about the rest."""
    at = table.columns
    lengths: dict[Key, NDArray[Any]] = {key: at[key] for key in _LENGTHS if key in at}
    for place, column in table.group("part").items():
        key = Member("part", place)
        with np.errstate(over="ignore"):
            lengths[key] = np.nan_to_num(column * float(units[key].ns))
    if not lengths:
        return table, ()
    found = find_garbled(table, lengths, at.get(layout.clock))
    told = zip(table.line_of(found.odd).tolist(), found.times.tolist(), strict=True)
    notes = tuple(
        f"line {line}: a length of {times:.3g} times the usual: a stall, or a garbled number"
        for line, times in list(told)[:_MOST_TOLD]
    )
    if len(found.many):
        line = int(table.line_of(found.many[:1])[0])
        notes = (
            f"{len(found.many):,} lengths are longer than their loop can be, the first at line "
            f"{line}: garbled, or of something else",
        )
    names = {key: str(key) for key in lengths}  # of what no column holds: ends less starts
    names |= {key: shown(head) for key, head in log.given.items()}
    unit_ns = {key: units[key if key in units else "end"].ns for key in lengths}
    doubts = doubtful(table, lengths, unit_ns, names)
    notes = doubts or notes  # odd lengths are part of it
    return (table.without({"corrupt stamp": found.rows}) if len(found.rows) else table), notes


def _unwrapped(layout: Layout, table: Table, unit: Unit) -> tuple[dict[str, object], ...]:
    instants: list[Key] = [Member(layout.clock, at) for at in table.group(layout.clock)]
    time = table.columns[instants[0] if instants else layout.clock]
    if bool((time[1:] >= time[:-1]).all()):
        return ()
    rows: Int = np.arange(len(time))
    if not instants:
        edge = table.columns.get("edge", np.zeros(1, np.int8))
        name = table.columns["name"].astype(np.int64) * (int(edge.max()) + 1) + edge
        threads = table.columns.get("thread")
        rows = once_a_loop(name, threads if len(table.words.get("thread", [])) > 1 else None)
    return unwrap(table, instants or [layout.clock], unit, rows)


def _check_loops(rows: LoopRows, unit: Unit, path: str) -> None:
    lengths = np.diff(rows.start) if rows.period is None else rows.period
    if len(lengths):
        check_periods(float(np.median(lengths) or lengths.mean()), unit, path)


def _not_asked(log: Reading, rows: CallRows | LoopRows) -> tuple[str, ...]:
    """That a call was named whose start begins a loop, where loops are told by their rows.

    Raises
    ------
    LogError
        If the command names one that the log does not hold; a project serves other logs too.
    """
    name = log.options.loop_call
    if name is None or not isinstance(rows, LoopRows) or "name" in log.given.one:
        return ()
    calls = [] if rows.parts is None else rows.parts.names
    if log.options.loop_call_from == "option" and name not in calls:
        there = nearest(name, calls) if calls else "the log has no calls"
        said = f"no call is named {name!r}; {there}; each row is a loop: leave --loop-call out"
        raise LogError(said, log.source.path)
    who = "--loop-call" if log.options.loop_call_from == "option" else "loop_call of the project"
    return (f"no loop is begun by {name!r}, which {who} names: each row is a loop",)


def _unit_shown(given: Given) -> bool:
    """Whether a period in a unit that is said equals the clock's steps, and so shows theirs."""
    return any(role.taken_as == "period" and role.step and role.unit_from in ("header", "log")
               for _, role in given.roles)  # fmt: skip


def _with_values(rows: LoopRows, table: Table, numbered: Head | None) -> LoopRows:
    """Loops with what else their rows say: phase, loop number, signals."""
    at, phases = table.columns, phase_names(table.words.get("phase", []))
    return replace(
        rows, phase=at["phase"][rows.row] if any(phases) else None, phases=phases,
        number=at["loop"][rows.row] if "loop" in at else None,
        count=at["count"][rows.row] if "count" in at else None,
        numbered="" if numbered is None else numbered.text,
        signals={str(name): column[rows.row] for name, column in table.group("signal").items()},
        labels=_said_of_calls(table),
    )  # fmt: skip


def _with_labels(rows: CallRows, table: Table) -> CallRows:
    """Calls with what else their rows say: thread, loop number, sequence, phase, labels."""
    words = table.words

    def column(part: str, there: bool = True) -> NDArray[Any] | None:
        values = table.columns.get(part)
        if values is None or not there:
            return None
        return values if rows.row is None else np.asarray(values)[rows.row]

    threads = words.get("thread", [""])
    labels = {
        key: (np.asarray(column(key)), words[key]) for key in _LABELS if any(words.get(key, []))
    }
    loop, first = column("loop"), None
    if loop is not None and (moved := from_zero(loop)) is not None:
        loop, first = moved
    return replace(
        rows, thread=column("thread", len(threads) > 1), threads=threads, loop=loop,
        loop_first=first,
        seq=column("seq"), cpu=column("cpu"), phase=column("phase", any(words.get("phase", []))),
        phases=phase_names(words.get("phase", [])), labels=labels,
    )  # fmt: skip
