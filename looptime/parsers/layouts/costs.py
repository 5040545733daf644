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
from looptime.parsers.columns.signals import first_rows, loops_after
from looptime.parsers.columns.unit import Unit, clock_unit, find_unit
from looptime.parsers.layouts.contract import (
    Column,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
    Parts,
    Reading,
    spellings,
)
from looptime.parsers.layouts.inside import enclosing
from looptime.parsers.layouts.laid import lay_out
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.table import Key, Member, Table
from looptime.units import UNITS

__all__ = ["LAYOUT"]

Int = NDArray[Any]

#: Column map; the durations of the parts are told by their values.
COLUMNS: dict[str, Column] = {
    "time": Column(
        ("time", "timestamp", "t", "ts", "stamp", "clock", "loopstart", "start", "starttime",
         "elapsed", "elapsedtime", "uptime", "epoch", "now", "datetime", "micros", "millis",
         "nanos"), "time",
    ),
    "period": Column(
        ("endtoend", "e2e", "period", "loopperiod", "dt", "delta", "deltatime", "interval",
         "cycletime", "cycle", "timestep"), "time",
    ),
    "total": Column(
        ("total", "totaltime", "sum", "looptotal", "looptime", "loop", "all", "whole", "overall",
         "work", "worktime", "busy"), "time",
    ),
    "loop": Column(
        ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle", "pass"),
        "count",
    ),
    "phase": Column(("phase", "mode", "state")),
    "part": Column((), "number"),
}  # fmt: skip
#: A column that rises over so many rows is a clock.
_ROWS_OF_A_CLOCK = 20
#: Headers of a total that are one even where no column names a unit.
_PLAIN_TOTALS = ("total", "totaltime", "sum", "looptotal", "all", "whole", "overall")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
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
    return Given(given, {"part": tuple(parts)})


def _given(found: list[Head], dialect: Dialect) -> dict[str, Head]:
    """Columns that are no parts. A count has no unit; a sum of times may have one."""
    counts = [h for h in found if h.unit is None and h.word in COLUMNS["loop"].spellings]
    whole = [h for h in counts if rises(numbers(dialect, h.index))]
    words = spellings({part: column for part, column in COLUMNS.items() if part != "loop"})
    given = roles([h for h in found if h not in whole], words)
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


def _refuse_clock(log: Reading) -> None:
    """Refuse a part that does nothing but rise: a clock whose header is in no column map."""
    for head in log.given.groups["part"]:
        values = numbers(log.dialect, head.index)
        if len(values) >= _ROWS_OF_A_CLOCK and bool((np.diff(values) > 0).all()):
            name = shown(head)
            raise LogError(
                f"column {name!r} rises from row to row as a clock does, and no part of a loop "
                'does: name it "time" in the header, or all columns with --columns '
                '"time_ms,gyro_ms,..."',
                log.source.path,
                log.dialect.header_line or None,
            )


def unit(log: Reading) -> Unit:
    """The unit of the clock if there is one, else of the durations."""
    given, parts, path = log.given.one, log.given.groups["part"], log.source.path
    if "time" not in given and log.options.columns is None:
        _refuse_clock(log)
    of_parts = next((head.unit for head in parts if head.unit), None)
    for part in ("time", "period", "total"):
        if part in given and part == "time":
            return clock_unit(log.dialect, given[part], given[part].unit, log.asked, path)
        if part in given:
            named = given[part].unit or of_parts
            return find_unit(named, *log.asked, log.known(given[part]), path)
    total = np.nansum([numbers(log.dialect, head.index) for head in parts], axis=0)
    return find_unit(of_parts, *log.asked, total, path, "durations")


def own(log: Reading, key: Key, head: Head, unit: Unit) -> Unit:
    """The unit of one column: its header's; what the caller gives is the clock's."""
    if key == "time" and (unit.stamp is not None or log.options.unit is not None):
        return unit
    return Unit(unit.name, UNITS[head.unit] if head.unit else unit.ns, unit.said)


def needed(given: Given) -> set[str]:
    """A row needs its time and period, else its total, else every part."""
    return {"time", "period"} & set(given.one) or {"total"} & set(given.one) or {"part"}


def rows(content: Content) -> Found:
    """Loops with their parts, laid one after another."""
    given, units = content.log.given, content.units
    parts = given.groups["part"]
    ns = [units[Member("part", place)].ns for place in range(len(parts))]
    values, known = _durations(content.table, ns)
    found = _loops(content, values, known, [shown(head) for head in parts])
    ticks = np.unique(values[:100_000].ravel())
    finest = min(unit.ns for unit in units.values())
    return Found(found, ticks, finest, _notes(found, given))


def _durations(table: Table, unit_ns: list[int]) -> tuple[Int, NDArray[np.bool_]]:
    """Durations of the parts [ns], one row a loop, and which of them were logged."""
    columns = table.group("part").values()
    with np.errstate(over="ignore"):  # what is too large for a number is not known
        raw = np.stack([column * ns for column, ns in zip(columns, unit_ns, strict=True)], axis=1)
    known = np.isfinite(raw) & (np.abs(raw) < 9e18)
    return np.rint(np.where(known, raw, 0)).astype(np.int64), known


def _loops(content: Content, values: Int, known: NDArray[np.bool_], names: list[str]) -> LoopRows:
    table, at, outcast = content.table, content.table.columns, content.outcast
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
    lost = loops_after(table, row, at)
    return LoopRows(row, start, period, parts=parts, body=body, lost=lost, said=said)


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
    at: dict[Key, Any], row: Int, values: Int, parent: Int, total: Int | None, period: Int | None
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


def _notes(rows: LoopRows, given: Given) -> tuple[str, ...]:
    notes = []
    if "time" not in given.one:
        notes.append("no clock in the log: loops are laid one after another")
    if rows.said.endswith("sum of its parts"):
        notes.append("no total in the log: the period is the sum of the parts")
    if "further apart" in rows.said:
        notes.append(
            "rows are further apart than the period they give: the log holds some loops only"
        )
    return tuple(notes)


LAYOUT = Layout(
    "costs", "each row a loop with durations", COLUMNS, fit, unit, rows, clock="time", own=own,
    needed=needed, signals=True, starts_from="column order", beats=("stamps",),
)  # fmt: skip
