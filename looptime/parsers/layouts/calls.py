"""Layout `calls`: one row is a timed call with a name, a start, and an end or a duration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from looptime.errors import LogError
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.second_clock import use_steadier, want_second
from looptime.parsers.columns.unit import Unit, clock_unit, find_unit, tick_of, time_want
from looptime.parsers.layouts.contract import CallRows, Options, Outcast, Parsed
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Table, Want, read_table
from looptime.run import Clock
from looptime.units import UNITS

__all__ = ["COLUMNS", "NAME", "finish", "fit", "parse"]

NAME = "calls"

#: Column map: what plays a part, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "name": ("name", "call", "callname", "function", "func", "section", "stage", "operation",
             "op", "label", "span", "task", "event", "what"),
    "start": ("start", "starttime", "begin", "begintime", "tstart", "timestart", "startedat",
              "from", "enter", "time", "timestamp", "t", "ts"),
    "end": ("end", "endtime", "stop", "stoptime", "tend", "timeend", "finish", "finished",
            "endedat", "to", "exit"),
    "duration": ("duration", "dur", "elapsed", "took", "length", "cost", "runtime", "dt", "time"),
    "loop": ("loop", "loopnumber", "loopindex", "loopid", "loopcount", "iteration", "iter",
             "cycle", "pass", "tick"),
    "thread": ("thread", "threadname", "threadid", "tid"),
    "seq": ("seq", "sequence", "seqno", "sequencenumber", "index"),
    "phase": ("phase", "mode", "period", "state"),
    "kind": ("kind", "category"),
    "subsystem": ("subsystem", "system", "component", "module"),
    "device": ("device", "dev", "sensor"),
    "bus": ("bus", "port"),
    "cpu": ("cpu", "cputime", "cpuduration"),
    "mark": ("mark",),
    "value": ("value",),
}  # fmt: skip
_WORDS = ("name", "thread", "phase", "kind", "subsystem", "device", "bus", "mark")
_COUNTS = ("loop", "seq")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> dict[str, Head] | None:
    """The parts that the columns play if this is a `calls` log, None if it is not one."""
    given = roles(found, COLUMNS)
    if not {"name", "start"} <= set(given) or not {"end", "duration"} & set(given):
        return None
    cells = [row[given["name"].index] for row in dialect.sample[:200]]
    if not asked and cells and all(is_number(cell, dialect.decimal) for cell in cells):
        return None
    return given


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read a `calls` log."""
    unit = _unit(source, dialect, given, options)
    wants = _wants(source, dialect, given, unit, options)
    second, given = want_second(dialect, given, unit, wants, "start")
    table = read_table(source, dialect, wants)
    unit, other = _steadier(table, given, second, unit)
    rows, outcast = _rows(table)
    if not len(rows):
        raise LogError("holds no call that can be used", source.path)
    clock = Clock(
        unit.name,
        unit.said,
        tick_of(np.concatenate([rows.start[:100_000], rows.duration[:100_000]]), unit.ns),
        other=other,
    )
    return [Parsed(NAME, table, clock, calls=rows, outcast=outcast)]


def _steadier(
    table: Table, given: dict[str, Head], second: tuple[Head, Unit] | None, unit: Unit
) -> tuple[Unit, dict[str, object] | None]:
    """Use the steadier of two clocks that tell when a call began."""
    if second is None:
        return unit, None
    at = table.columns
    if "duration" not in at:
        at["duration"] = at.pop("end") - at["start"]
    apart = (at["start 2"] - at["start"]).astype(np.float64)
    if np.std(apart - at["duration"]) < 0.5 * np.std(apart):  # it tells when the call was over
        return unit, None
    commonest = np.bincount(at["name"]).argmax()
    return use_steadier(table, "start", given, second, unit, at["name"] == commonest)


def _unit(source: Source, dialect: Dialect, given: dict[str, Head], options: Options) -> Unit:
    head = given["start"]
    values = numbers(dialect, head.index)
    known = np.isfinite(values)
    values = values[known]
    name = given["name"].index
    # the steps between calls of one name are loop periods or parts of them
    names = np.array([row[name] for row in dialect.sample])[known]
    steps = np.diff(values)
    if len(values):
        words, counts = np.unique(names, return_counts=True)
        steps = np.diff(values[names == words[np.argmax(counts)]])
    header = head.unit or next(
        (given[role].unit for role in ("duration", "end") if role in given and given[role].unit),
        None,
    )
    asked = (options.unit, options.unit_from)
    return clock_unit(dialect, head, header, asked, source.path, steps)


def _wants(
    source: Source, dialect: Dialect, given: dict[str, Head], unit: Unit, options: Options
) -> list[Want]:
    wants = []
    for role, head in given.items():
        if role in _WORDS:
            wants.append(Want(role, head.index, "word", required=role == "name"))
        elif role in _COUNTS:
            wants.append(Want(role, head.index, "count"))
        elif role == "value":
            wants.append(Want(role, head.index, "number"))
        else:
            own = unit
            if role in ("duration", "cpu") and unit.stamp is not None:  # beside a date, a number
                values = numbers(dialect, head.index)
                own = find_unit(
                    head.unit, options.unit, options.unit_from, values, source.path, role
                )
            elif head.unit and unit.said == "header":
                own = Unit(head.unit, UNITS[head.unit], unit.said)
            want = time_want(role, dialect, head, own, required=role != "cpu")
            wants.append(replace(want, span=role == "duration"))
    return wants


def _rows(table: Table) -> tuple[CallRows, Outcast]:
    """Tell calls from signals and marks."""
    at = table.columns
    outcast = Outcast()
    duration = at["duration"] if "duration" in at else at["end"] - at["start"]
    threads = table.words.get("thread", [""])
    rows = CallRows(
        start=at["start"],
        duration=duration,
        name=at["name"],
        names=table.words["name"],
        thread=at.get("thread") if len(threads) > 1 else None,
        threads=threads,
        loop=at.get("loop"),
        seq=at.get("seq"),
        cpu=at.get("cpu"),
        phase=at.get("phase") if any(table.words.get("phase", [])) else None,
        phases=table.words.get("phase", []),
        by_end="looptime-recorder" in table.meta,
        labels={
            key: (at[key], table.words[key])
            for key in ("kind", "subsystem", "device", "bus")
            if key in at and any(table.words[key])
        },
    )
    return rows, outcast


def finish(parsed: Parsed) -> Parsed:
    """Tell calls from signals and marks, once the clock is in order."""
    rows, table = parsed.calls, parsed.table
    assert rows is not None
    if len(rows) and rows.duration.min() < 0:
        hidden = rows.duration < 0
        parsed.outcast.add(rows.table_row(np.flatnonzero(hidden)), "negative duration")
        rows = replace(rows, hidden=hidden)
    if "mark" in table.columns and any(table.words["mark"]):
        rows = _with_marks(rows, table)
    return replace(parsed, calls=rows)


def _with_marks(rows: CallRows, table: Table) -> CallRows:
    """Take note of the signal rows and the marks between the calls."""
    words = table.words["mark"]
    at = slice(rows.first, rows.first + len(rows)) if rows.row is None else rows.row
    mark = table.columns["mark"][at]
    code = {word: words.index(word) for word in ("signal", "published", "used") if word in words}
    signals = {}
    if "signal" in code and "value" in table.columns:
        here = np.flatnonzero(mark == code["signal"])
        for name in np.unique(rows.name[here]):
            mine = here[rows.name[here] == name]
            value = table.columns["value"][at][mine]
            signals[rows.names[name]] = (rows.start[mine], value)
    handed = np.flatnonzero(
        np.isin(mark, [code[word] for word in ("published", "used") if word in code])
    )
    marks = None
    if len(handed):
        thread = np.zeros(len(handed), np.int16) if rows.thread is None else rows.thread[handed]
        used = mark[handed] == code.get("used", -1)
        marks = (rows.start[handed], thread, rows.name[handed], used)
    hidden = mark != words.index("") if "" in words else np.ones(len(mark), bool)
    if rows.hidden is not None:
        hidden |= rows.hidden
    return replace(rows, signals=signals, marks=marks, hidden=hidden)
