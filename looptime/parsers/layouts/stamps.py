"""Layout `stamps`: one row is a loop with one instant, or the time since the one before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.columns.evidence import rises
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.second_clock import use_steadier, want_second
from looptime.parsers.columns.signals import first_rows, loops_after, signal_columns, signal_wants
from looptime.parsers.columns.unit import (
    Unit,
    check_periods,
    clock_unit,
    find_unit,
    in_16_bits,
    tick_of,
    time_want,
)
from looptime.parsers.layouts.contract import LoopRows, Options, Outcast, Parsed
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Table, Want, read_table
from looptime.run import Clock
from looptime.units import NS_PER_S, UNITS

__all__ = ["COLUMNS", "NAME", "fit", "parse"]

NAME = "stamps"

#: Column map: what plays a part, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "t", "ts", "stamp", "clock", "systemtime", "devicetime",
             "elapsed", "elapsedtime", "uptime", "runtime", "micros", "millis", "nanos", "epoch",
             "starttime", "start", "loopstart", "now", "datetime", "date"),
    "period": ("dt", "delta", "deltatime", "period", "looptime", "cycletime", "interval", "step",
               "timestep", "loopperiod", "loop", "duration", "total", "work"),
    "loop": ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle"),
    "phase": ("phase", "mode", "state"),
}  # fmt: skip
#: Of the spellings of a period, those that mean start to start; others may mean the work alone.
_INTERVALS = ("dt", "delta", "deltatime", "period", "interval", "step", "timestep", "loopperiod")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> dict[str, Head] | None:
    """The parts that the columns play if this is a `stamps` log, None if it is not one."""
    # a loop number has no unit; what is called loop and has one is the loop's length
    numbered = roles([head for head in found if head.unit is None], {"loop": COLUMNS["loop"]})
    timing = {role: words for role, words in COLUMNS.items() if role != "loop"}
    given = roles([head for head in found if head not in numbered.values()], timing)
    given |= numbered
    if "time" in given and _is_interval(given["time"], dialect):
        given.setdefault("period", given.pop("time"))
        given.pop("time", None)
    if "time" not in given and "period" not in given:
        return None
    return given


def _is_interval(head: Head, dialect: Dialect) -> bool:
    """Whether a column called time holds lengths: it goes up and down about one value."""
    values = numbers(dialect, head.index)
    known = values[np.isfinite(values)]
    return (
        len(known) >= 5
        and bool((known >= 0).all())
        and not rises(known)
        and _level(known)
        and not in_16_bits(known)
        and not _falls(known)
    )


def _falls(values: NDArray[np.float64]) -> bool:
    """Whether values fall from row to row all along, as times do where the newest comes first."""
    return len(values) >= 10 and bool((np.diff(values) < 0).all())


def _level(values: NDArray[np.float64]) -> bool:
    """Whether values stay about one level; those of a clock climb, even across restarts."""
    low, high = np.quantile(values, [0.1, 0.9])
    return bool((np.diff(values) >= 0).mean() < 0.75 and high <= 20 * max(low, 1e-12))


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read a `stamps` log."""
    head = given.get("time") or given["period"]
    unit = _unit(head, source, dialect, given, options)
    wants = []
    for role, one in given.items():
        if role == "phase":
            wants.append(Want(role, one.index, "word"))
        elif role == "loop":
            wants.append(Want(role, one.index, "count"))
        else:
            own = unit
            if one is not head and (one.unit or unit.stamp is not None):
                own = _own(one, source, dialect, options)
            elif one is not head:
                own = _beside(one, head, unit, dialect)
            wants.append(time_want(role, dialect, one, own, required=one is head))
    second, given = want_second(dialect, given, unit, wants)
    table = read_table(source, dialect, [*wants, *signal_wants(signal_columns(dialect, given))])
    unit, other = use_steadier(table, "time", given, second, unit)
    outcast = Outcast()
    rows, notes = _rows(table, outcast, given)
    steps = np.diff(rows.start) if rows.period is None else rows.period
    if rows.period is None and _falls(rows.start.astype(float)):
        raise LogError("its times fall from row to row: put the oldest row first", source.path)
    if len(steps):
        check_periods(float(np.median(steps) or steps.mean()), unit, source.path)
    ticks = rows.start if rows.period is None else np.cumsum(rows.period)
    clock = Clock(unit.name, unit.said, tick_of(ticks, unit.ns), notes=notes, other=other)
    return [Parsed(NAME, table, clock, loops=rows, outcast=outcast)]


def _unit(
    head: Head, source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> Unit:
    if "time" in given:
        asked = (options.unit, options.unit_from)
        return clock_unit(dialect, head, head.unit, asked, source.path)
    return _own(head, source, dialect, options)


def _beside(one: Head, head: Head, unit: Unit, dialect: Dialect) -> Unit:
    """The unit of lengths without one: that which makes them no longer than a step or two."""
    times = numbers(dialect, head.index)
    steps, lengths = np.diff(times[np.isfinite(times)]), numbers(dialect, one.index)
    steps, lengths = steps[steps > 0], lengths[lengths > 0]
    if not len(steps) or not len(lengths):
        return unit
    ratio = float(np.median(lengths)) / (float(np.median(steps)) * unit.ns)
    # units are a thousand apart, and so are these bounds: one fits at most
    fits = [name for name, ns in UNITS.items() if 0.002 < ratio * ns <= 2]
    return Unit(fits[0], UNITS[fits[0]], unit.said) if fits else unit


def _own(head: Head, source: Source, dialect: Dialect, options: Options) -> Unit:
    """The unit of a column of lengths."""
    if head.unit is not None and options.unit is None:
        return Unit(head.unit, UNITS[head.unit], "header")
    values = numbers(dialect, head.index)
    values = values[np.isfinite(values)]
    return find_unit(head.unit, options.unit, options.unit_from, values, source.path)


def _rows(
    table: Table, outcast: Outcast, given: dict[str, Head]
) -> tuple[LoopRows, tuple[str, ...]]:
    at = table.columns
    time, interval = at.get("time"), at.get("period")
    keep = np.ones(len(table), bool)
    notes: tuple[str, ...] = ()
    said = "the rows, one a loop"
    by_interval = time is None
    if time is None:
        assert interval is not None
        early = first_rows(interval)
        outcast.add(np.flatnonzero(early), "first interval")
        outcast.add(np.flatnonzero((interval < 0) & ~early), "negative duration")
        keep = ~early & (interval >= 0)
        said = "the rows, one a loop, with its period"
    elif len(time) > 3:
        steps = np.diff(time)
        typical = float(np.median(steps))
        if time[0] == 0 and steps[0] > max(20 * typical, NS_PER_S):  # a first row of zeros
            keep[0] = False
            outcast.add(np.array([0]), "first interval")
        if interval is not None and given["period"].word in _INTERVALS:
            usual = float(np.median(interval[1:]))
            if 0 < usual < typical / 1.5:
                by_interval = True
                early = first_rows(interval, time) & keep
                outcast.add(np.flatnonzero(early), "first interval")
                outcast.add(np.flatnonzero((interval < 0) & ~early & keep), "negative duration")
                keep &= ~early & (interval >= 0)
                said = "the rows, further apart than loops, with the period of some"
                notes = (
                    f"rows are {typical / 1e6:.4g} ms apart, but the log gives a loop "
                    f"{usual / 1e6:.4g} ms: it holds some loops only",
                )
    row = np.flatnonzero(keep)
    period = interval[row] if by_interval and interval is not None else None
    if time is not None:
        start = time[row]
    else:
        assert period is not None
        start = np.concatenate([[0], np.cumsum(period)[:-1]]).astype(np.int64)
    body = None
    if not by_interval and interval is not None and given["period"].word not in _INTERVALS:
        body = interval[row]
    phases = table.words.get("phase", [])
    rows = LoopRows(
        row, start, period, {
            key.removeprefix("signal "): column[row]
            for key, column in at.items() if key.startswith("signal ")
        },
        at["phase"][row] if any(phases) else None, phases,
        at["loop"][row] if "loop" in at else None, None, body,
        None if by_interval else loops_after(table, row, at), said,
    )  # fmt: skip
    return rows, notes
