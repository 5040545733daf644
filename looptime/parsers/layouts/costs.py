"""Layout `costs`: one row is a loop with a duration for each part; a total and a time may be."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.columns.evidence import (
    CLOCK_WORDS,
    NOT_PARTS,
    counts_rows,
    lie_within_loops,
    rises,
    scaled,
    shown,
    wordy,
)
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.second_clock import use_steadier, want_second
from looptime.parsers.columns.signals import first_rows, loops_after, signal_columns, signal_wants
from looptime.parsers.columns.unit import (
    Unit,
    check_periods,
    clock_unit,
    find_unit,
    tick_of,
    time_want,
)
from looptime.parsers.layouts.contract import LoopRows, Options, Outcast, Parsed, Parts
from looptime.parsers.layouts.inside import enclosing
from looptime.parsers.layouts.laid import lay_out
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Table, Want, read_table
from looptime.run import Clock
from looptime.units import UNITS

__all__ = ["COLUMNS", "NAME", "fit", "parse"]

NAME = "costs"
Int = NDArray[Any]

#: Column map: what plays a part, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "t", "ts", "stamp", "clock", "loopstart", "start", "starttime",
             "elapsed", "elapsedtime", "uptime", "epoch", "now", "datetime", "micros", "millis",
             "nanos"),
    "period": ("endtoend", "e2e", "period", "loopperiod", "dt", "delta", "deltatime", "interval",
               "cycletime", "cycle", "timestep"),
    "total": ("total", "totaltime", "sum", "looptotal", "looptime", "loop", "all", "whole",
              "overall", "work", "worktime", "busy"),
    "loop": ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle", "pass"),
    "phase": ("phase", "mode", "state"),
}  # fmt: skip
#: A column that rises over so many rows is a clock.
_ROWS_OF_A_CLOCK = 20
#: Headers of a total that are one even where no column names a unit.
_PLAIN_TOTALS = ("total", "totaltime", "sum", "looptotal", "all", "whole", "overall")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> dict[str, Head] | None:
    """The parts that the columns play if this is a `costs` log, None if it is not one."""
    given = _given(found, dialect)
    rest = [h for h in found if all(h.index != g.index for g in given.values())]
    parts = [head for head in rest if _may_be_part(head, dialect)]
    timed = [head for head in parts if head.unit is not None]
    total = given.get("total")
    plain = total is not None and total.unit is None and total.word in _PLAIN_TOTALS
    if not asked and (timed or not plain or "time" in given):
        parts = timed  # without units, numbers beside a clock or a period are signals
    if "time" in given and not asked:
        clock = scaled(dialect, given["time"], None)
        pairs = [[clock, scaled(dialect, head, None)] for head in parts]
        parts = [h for h, pair in zip(parts, pairs, strict=True) if not lie_within_loops(pair)]
    if not parts:
        return None
    words = [wordy(dialect, h.index) for h in rest if h.word in ("name", "call", "section")]
    if any(words) and not asked:
        return None
    within = lie_within_loops([scaled(dialect, head, None) for head in parts])
    if within and len(parts) > 1 and not asked:
        return None
    for at, head in enumerate(parts):
        given[f"part {at}"] = head
    return given


def _given(found: list[Head], dialect: Dialect) -> dict[str, Head]:
    """Columns that are no parts. A count has no unit; a sum of times may have one."""
    counts = [h for h in found if h.unit is None and h.word in COLUMNS["loop"]]
    whole = [h for h in counts if rises(numbers(dialect, h.index))]
    given = roles(
        [h for h in found if h not in whole], {k: COLUMNS[k] for k in COLUMNS if k != "loop"}
    )
    if whole:
        given["loop"] = whole[0]
    if "time" in given and not _is_clock(given["time"], dialect):
        given.setdefault("total", given.pop("time"))
        given.pop("time", None)
    return given


def _is_clock(head: Head, dialect: Dialect) -> bool:
    values = numbers(dialect, head.index)
    return bool(np.isnan(values).all()) or rises(values) or len(values) < 3


def _may_be_part(head: Head, dialect: Dialect) -> bool:
    pieces = {head.word, *shown(head).lower().replace(".", " ").replace("_", " ").split()[-1:]}
    if pieces & set(NOT_PARTS) or head.word in ("index", "row", "line", "id", "no", "number"):
        return False
    values = numbers(dialect, head.index)
    known = values[np.isfinite(values)]
    if not len(known) or np.isfinite(values).mean() < 0.02 or wordy(dialect, head.index):
        return False
    if head.word in CLOCK_WORDS and rises(values):
        return False
    return not counts_rows(values)


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read a `costs` log."""
    parts = [head for role, head in given.items() if role.startswith("part ")]
    if "time" not in given and options.columns is None:
        _refuse_clock(parts, dialect, source.path)
    unit = _unit(source, dialect, given, parts, options)
    own = {role: UNITS[head.unit] if head.unit else unit.ns for role, head in given.items()}
    if options.unit is not None and "time" in given:
        own["time"] = unit.ns
    needed = {"time", "period"} & set(given) or {"total"} & set(given)
    wants = []
    for role, head in given.items():
        if role == "phase":
            wants.append(Want(role, head.index, "word"))
        elif role == "loop":
            wants.append(Want(role, head.index, "count"))
        elif role.startswith("part "):
            wants.append(Want(role, head.index, "number", required=not needed))
        else:
            is_clock = role == "time" and unit.stamp is not None
            read = unit if is_clock else Unit(unit.name, own[role], unit.said)
            wants.append(time_want(role, dialect, head, read, required=role in needed))
    second, given = want_second(dialect, given, unit, wants)
    signals = signal_columns(dialect, given)
    table = read_table(source, dialect, [*wants, *signal_wants(signals)])
    unit, other = use_steadier(table, "time", given, second, unit)
    names = [shown(head) for head in parts]
    values, known = _durations(table, [own[role] for role in given if role.startswith("part ")])
    rows, outcast = _loops(table, values, known, names)
    notes = _check(rows, unit, source, given)
    ticks = values[:100_000].ravel()
    tick = tick_of(np.unique(ticks), min(own.values()))
    clock = Clock(unit.name, unit.said, tick, notes=notes, starts_from="column order", other=other)
    return [Parsed(NAME, table, clock, loops=rows, outcast=outcast)]


def _refuse_clock(parts: list[Head], dialect: Dialect, path: str) -> None:
    """Refuse a part that does nothing but rise: a clock whose header is in no column map."""
    for head in parts:
        values = numbers(dialect, head.index)
        if len(values) >= _ROWS_OF_A_CLOCK and bool((np.diff(values) > 0).all()):
            name = shown(head)
            raise LogError(
                f"column {name!r} rises from row to row as a clock does, and no part of a loop "
                'does: name it "time" in the header, or all columns with --columns '
                '"time_ms,gyro_ms,..."',
                path,
                dialect.header_line or None,
            )


def _unit(
    source: Source, dialect: Dialect, given: dict[str, Head], parts: list[Head], options: Options
) -> Unit:
    """The unit of the clock if there is one, else of the durations."""
    for role in ("time", "period", "total"):
        if role not in given:
            continue
        values = numbers(dialect, given[role].index)
        values = values[np.isfinite(values)]
        unit = given[role].unit or next((p.unit for p in parts if p.unit and role != "time"), None)
        asked = (options.unit, options.unit_from)
        if role == "time":
            return clock_unit(dialect, given[role], unit, asked, source.path)
        return find_unit(unit, *asked, values, source.path)
    unit = next((head.unit for head in parts if head.unit), None)
    total = np.nansum([numbers(dialect, head.index) for head in parts], axis=0)
    return find_unit(unit, options.unit, options.unit_from, total, source.path, "durations")


def _durations(table: Table, unit_ns: list[int]) -> tuple[Int, NDArray[np.bool_]]:
    """Durations of the parts [ns], one row a loop, and which of them were logged."""
    columns = [table.columns[f"part {at}"] for at in range(len(unit_ns))]
    with np.errstate(over="ignore"):  # what is too large for a number is not known
        raw = np.stack([column * ns for column, ns in zip(columns, unit_ns, strict=True)], axis=1)
    known = np.isfinite(raw) & (np.abs(raw) < 9e18)
    return np.rint(np.where(known, raw, 0)).astype(np.int64), known


def _loops(
    table: Table, values: Int, known: NDArray[np.bool_], names: list[str]
) -> tuple[LoopRows, Outcast]:
    at = table.columns
    outcast = Outcast()
    keep = np.ones(len(table), bool)
    bad = (values < 0).any(axis=1)
    for role in ("period", "total"):
        if role in at:
            bad |= at[role] < 0
    outcast.add(np.flatnonzero(bad), "negative duration")
    keep &= ~bad
    sums = at["period"] if "period" in at else at["total"] if "total" in at else values.sum(axis=1)
    if "time" not in at:
        early = first_rows(np.where(bad, 1, sums), at.get("time"))
        outcast.add(np.flatnonzero(early & keep), "first interval")
        keep &= ~early
    row = np.flatnonzero(keep)
    values, known = values[row], known[row]
    parent = enclosing(values)
    total = at["total"][row] if "total" in at else None
    outer = np.flatnonzero(parent < 0)
    if total is None and len(outer) == 1 and len(parent) > 1:
        # one column around all others is the loop itself
        around = int(outer[0])
        total = values[:, around]
        parts = _without(values, known, parent, around, names)
    else:
        parts = lay_out(values, known, parent, names)
    given_period = at["period"][row] if "period" in at else None
    period, body, said = _period(at, row, values, parent, total, given_period)
    if period is not None:
        start = np.concatenate([[0], np.cumsum(period)[:-1]]).astype(np.int64)
    if "time" in at:
        start = at["time"][row]
    phases = table.words.get("phase", [])
    rows = LoopRows(
        row, start, period, {
            key.removeprefix("signal "): column[row]
            for key, column in at.items() if key.startswith("signal ")
        },
        at["phase"][row] if any(phases) else None, phases,
        at["loop"][row] if "loop" in at else None, parts, body, loops_after(table, row, at), said,
    )  # fmt: skip
    return rows, outcast


def _without(
    values: Int, known: NDArray[np.bool_], parent: Int, around: int, names: list[str]
) -> Parts:
    """Parts without the column that encloses them all."""
    rest = np.flatnonzero(np.arange(len(parent)) != around)
    place = np.full(len(parent) + 1, -1)
    place[rest] = np.arange(len(rest))
    up = parent[rest]
    up = np.where(up == around, -1, place[up])
    return lay_out(values[:, rest], known[:, rest], up, [names[at] for at in rest])


def _period(
    at: dict[str, Any], row: Int, values: Int, parent: Int, total: Int | None, period: Int | None
) -> tuple[Int | None, Int | None, str]:
    """Periods [ns] (None where they are steps of the clock), lengths of the work, and how known."""
    if "time" in at:
        steps = np.diff(at["time"][row])
        if period is not None and len(steps) and np.median(steps) > 1.5 * np.median(period):
            return (
                period,
                total,
                "the rows, further apart than loops, with the period of some",
            )
        return None, total, "the rows, one a loop"
    if period is not None:
        return period, total, "the rows, one a loop, with its period"
    if total is not None:
        return total, None, "the rows, one a loop, with its total"
    return values[:, parent < 0].sum(axis=1), None, "the rows, one a loop, the sum of its parts"


def _check(rows: LoopRows, unit: Unit, source: Source, given: dict[str, Head]) -> tuple[str, ...]:
    if not len(rows):
        raise LogError("holds no loop that can be used", source.path)
    lengths = np.diff(rows.start) if rows.period is None else rows.period
    if len(lengths):
        check_periods(float(np.median(lengths) or lengths.mean()), unit, source.path)
    notes = []
    if "time" not in given:
        notes.append("no clock in the log: loops are laid one after another")
    if rows.said.endswith("sum of its parts"):
        notes.append("no total in the log: the period is the sum of the parts")
    if "further apart" in rows.said:
        notes.append(
            "rows are further apart than the period they give: the log holds some loops only"
        )
    return tuple(notes)
