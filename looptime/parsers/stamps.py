"""Layout `stamps`: one row is a loop with one instant, or the time since the one before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.clock import Unit, check_periods, find_unit, tick_of
from looptime.parsers.columns import Head, roles
from looptime.parsers.dialect import Dialect, is_missing, is_number
from looptime.parsers.rows import LoopRows, Options, Outcast, Parsed
from looptime.parsers.source import Source
from looptime.parsers.table import Table, Want, read_table
from looptime.run import Clock
from looptime.units import UNITS

__all__ = ["COLUMNS", "NAME", "SIGNAL_WORDS", "fit", "parse"]

NAME = "stamps"

#: Column map: what plays a part, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "t", "ts", "stamp", "clock", "systemtime", "devicetime",
             "elapsed", "elapsedtime", "uptime", "runtime", "micros", "millis", "nanos", "epoch",
             "starttime", "start", "loopstart", "now", "datetime", "date"),
    "period": ("dt", "delta", "deltatime", "period", "looptime", "cycletime", "interval", "step",
               "timestep", "loopperiod", "duration"),
    "loop": ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle"),
    "phase": ("phase", "mode", "state"),
}  # fmt: skip

#: Signals that the models know, by their spellings.
SIGNAL_WORDS: dict[str, tuple[str, ...]] = {
    "heading_deg": ("heading", "headingdeg", "yaw", "yawdeg", "gyroangle", "angle"),
    "turn_rate_deg_s": ("turnrate", "turnratedegs", "yawrate", "gyrorate", "angularvelocity",
                        "omega", "ratedegs"),
    "x_m": ("x", "xm", "posx", "positionx"),
    "y_m": ("y", "ym", "posy", "positiony"),
    "battery_v": ("battery", "batteryv", "voltage", "batteryvoltage"),
}  # fmt: skip


def fit(found: list[Head], dialect: Dialect) -> dict[str, Head] | None:
    """The parts that the columns play if this is a `stamps` log, None if it is not one."""
    given = roles(found, COLUMNS)
    if "time" not in given and "period" not in given:
        return None
    if "time" in given:
        given.pop("period", None)
    return given


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read a `stamps` log."""
    head = given.get("time") or given["period"]
    unit = _unit(head, source, dialect, given, options)
    signals = _signal_columns(dialect, given)
    whole = all(cell[head.index].lstrip("+-").isdigit() for cell in dialect.sample[:500])
    wants = [Want("time", head.index, "time", unit.ns, True, whole)]
    wants += [Want(f"signal {name}", index, "number") for name, index in signals.items()]
    if "loop" in given:
        wants.append(Want("loop", given["loop"].index, "count"))
    if "phase" in given:
        wants.append(Want("phase", given["phase"].index, "word"))
    table = read_table(source, dialect, wants)
    rows = _rows(table, "time" in given)
    steps = np.diff(rows.start) if rows.period is None else rows.period
    if len(steps):
        check_periods(float(np.median(steps)), unit, source.path)
    ticks = rows.start if rows.period is None else np.cumsum(rows.period)
    clock = Clock(unit.name, unit.said, tick_of(ticks, unit.ns))
    return [Parsed(NAME, table, clock, loops=rows, outcast=Outcast())]


def _unit(
    head: Head, source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> Unit:
    cells = [row[head.index].replace(",", ".") for row in dialect.sample]
    values = np.array([float(cell) for cell in cells if is_number(cell)])
    steps = np.diff(values) if "time" in given else values
    unit = head.unit or {"micros": "us", "millis": "ms", "nanos": "ns"}.get(head.word)
    if unit is not None and unit not in UNITS:
        unit = None
    return find_unit(unit, options.unit, options.unit_from, steps, source.path)


def _signal_columns(dialect: Dialect, given: dict[str, Head]) -> dict[str, int]:
    """Every other column of numbers, under the name that the models know it by, else its own."""
    from looptime.parsers.columns import heads

    taken = {head.index for head in given.values()}
    header = dialect.header or tuple(f"column_{i + 1}" for i in range(dialect.fields))
    named: dict[str, int] = {}
    for head in heads(header):
        if head.index in taken or head.index >= dialect.fields or not head.text:
            continue
        cells = [row[head.index] for row in dialect.sample[:200]]
        if not any(is_number(c, dialect.decimal) for c in cells):
            continue
        if not all(is_number(c, dialect.decimal) or is_missing(c) for c in cells):
            continue
        word = head.word
        known = next((name for name, words in SIGNAL_WORDS.items() if word in words), head.text)
        named.setdefault(known, head.index)
    return named


def _rows(table: Table, is_time: bool) -> LoopRows:
    at = table.columns
    time: NDArray[np.int64] = at["time"]
    row = np.arange(len(table))
    signals = {
        key.removeprefix("signal "): column
        for key, column in at.items()
        if key.startswith("signal ")
    }
    start = time if is_time else np.concatenate([[0], np.cumsum(time)[:-1]]).astype(np.int64)
    phases = table.words.get("phase", [])
    return LoopRows(
        row,
        start,
        None if is_time else time,
        signals,
        at.get("phase") if any(phases) else None,
        phases,
        at.get("loop"),
    )
