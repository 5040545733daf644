"""Layout `stamps`: one row is a loop with one instant, or the time since the one before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.columns.evidence import rises
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.signals import first_rows, loops_after
from looptime.parsers.columns.unit import Unit, clock_unit, find_unit, in_16_bits
from looptime.parsers.layouts.contract import (
    Column,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
    Reading,
    spellings,
)
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.table import Key
from looptime.units import NS_PER_S, UNITS

__all__ = ["LAYOUT"]

#: Column map.
COLUMNS: dict[str, Column] = {
    "time": Column(
        ("time", "timestamp", "t", "ts", "stamp", "clock", "systemtime", "devicetime", "elapsed",
         "elapsedtime", "uptime", "runtime", "micros", "millis", "nanos", "epoch", "starttime",
         "start", "loopstart", "now", "datetime", "date"), "time",
    ),
    "period": Column(
        ("dt", "delta", "deltatime", "period", "looptime", "cycletime", "interval", "step",
         "timestep", "loopperiod", "loop", "duration", "total", "work"), "time",
    ),
    "loop": Column(
        ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle"), "count",
    ),
    "phase": Column(("phase", "mode", "state")),
}  # fmt: skip
#: Of the spellings of a period, those that mean start to start; others may mean the work alone.
_INTERVALS = ("dt", "delta", "deltatime", "period", "interval", "step", "timestep", "loopperiod")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `stamps` log, None if it is not one."""
    # a loop number has no unit; what is called loop and has one is the loop's length
    timing = spellings(COLUMNS)
    counted = {"loop": timing.pop("loop")}
    numbered = roles([head for head in found if head.unit is None], counted)
    given = roles([head for head in found if head not in numbered.values()], timing)
    given |= numbered
    if "time" in given and _is_interval(given["time"], dialect):
        given.setdefault("period", given.pop("time"))
        given.pop("time", None)
    if "time" not in given and "period" not in given:
        return None
    return Given(given)


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


def unit(log: Reading) -> Unit:
    """The unit of the clock if there is one, else of the periods."""
    head = log.given.one.get("time")
    if head is None:
        return _of_lengths(log, log.given.one["period"])
    return clock_unit(log.dialect, head, head.unit, log.asked, log.source.path)


def own(log: Reading, key: Key, head: Head, unit: Unit) -> Unit:
    """The unit of one column; that of periods beside a clock may be another."""
    if key != "period" or "time" not in log.given.one:
        return unit
    if head.unit or unit.stamp is not None:
        return _of_lengths(log, head)
    steps, lengths = np.diff(log.known(log.given.one["time"])), numbers(log.dialect, head.index)
    steps, lengths = steps[steps > 0], lengths[lengths > 0]
    if not len(steps) or not len(lengths):
        return unit
    ratio = float(np.median(lengths)) / (float(np.median(steps)) * unit.ns)
    # units are a thousand apart, and so are these bounds: one fits at most
    fits = [name for name, ns in UNITS.items() if 0.002 < ratio * ns <= 2]
    return Unit(fits[0], UNITS[fits[0]], unit.said) if fits else unit


def _of_lengths(log: Reading, head: Head) -> Unit:
    if head.unit is not None and log.options.unit is None:
        return Unit(head.unit, UNITS[head.unit], "header")
    return find_unit(head.unit, *log.asked, log.known(head), log.source.path)


def needed(given: Given) -> set[str]:
    """A row needs its time, else its period."""
    return {"time"} & set(given.one) or {"period"}


def rows(content: Content) -> Found:
    """Loops with one instant each, or the length of each."""
    found, notes = _loops(content)
    if found.period is None and _falls(found.start.astype(float)):
        path = content.log.source.path
        raise LogError("its times fall from row to row: put the oldest row first", path)
    ticks = found.start if found.period is None else np.cumsum(found.period)
    return Found(found, ticks, notes=notes)


def _loops(content: Content) -> tuple[LoopRows, tuple[str, ...]]:
    table, at, outcast = content.table, content.table.columns, content.outcast
    given = content.log.given.one
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
    lost = None if by_interval else loops_after(table, row, at)
    return LoopRows(row, start, period, body=body, lost=lost, said=said), notes


LAYOUT = Layout(
    "stamps", "each row a loop with one time", COLUMNS, fit, unit, rows, clock="time", own=own,
    needed=needed, signals=True, empty="holds a single loop: record at least two",
)  # fmt: skip
