"""What logs of one loop a row have in common: values beside the times, first rows, lost rows."""

from collections.abc import Collection
from typing import Any

import numpy as np

from looptime.array_types import Bool, Int
from looptime.parsers.columns.evidence import counts_anew
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.text.dialect import Dialect, is_missing, is_number, numbers
from looptime.parsers.text.table import Key, Member, Table, Want, lost_after
from looptime.signal_names import (
    AGE,
    ANGLE_UNITS,
    Quantity,
    assumed,
    known_as,
    of_battery,
    quantity_of,
)
from looptime.stats.numbering import number_steps
from looptime.stats.quantiles import percentiles
from looptime.units import NS_PER_S

__all__ = [
    "count_column",
    "first_rows",
    "in_degrees",
    "loops_after",
    "quantity_in",
    "row_numbers",
    "signal_columns",
    "signal_wants",
    "signals_beside",
]

#: Steps of the clock that show how short a loop can be.
_FEWEST_STEPS = 50
#: A first interval longer than this is no loop but the time since the clock's zero.
_LONGEST_FIRST = 5 * NS_PER_S
#: Words that number rows, and rows from which on a column that goes up by one in each does.
_FEWEST_COUNTED = 20
_ROW_COUNTS = (
    "index", "row", "line", "rownumber", "linenumber", "no", "n", "id", "count", "nr", "idx", "num",
    "number", "lfd", "lfdnr", "nummer", "zyklus", "durchlauf",
)  # fmt: skip


def signal_columns(dialect: Dialect, taken: Collection[int]) -> dict[str, int]:
    """Every other column of numbers, under the name that the models know it by, else its own.

    A column that is taken already, or counts the rows, is no signal.
    """
    header = dialect.header or tuple(f"column_{i + 1}" for i in range(dialect.fields))
    named: dict[str, int] = {}
    # a compass beside another heading is the slower one
    for head in sorted(heads(header), key=lambda one: "compass" in one.text.lower()):
        if head.index in taken or head.index >= dialect.fields:
            continue
        stated = "" if dialect.stated is None else dialect.stated.role(head.index)[0]
        if stated == "skip":
            continue
        cells = [row[head.index] for row in dialect.sample[:200]]
        if not any(is_number(c, dialect.decimal) for c in cells):
            continue
        if not all(is_number(c, dialect.decimal) or is_missing(c) for c in cells):
            continue
        if _counts(head, dialect):
            continue
        found = quantity_in(dialect, head.index)
        name = known_as(head.text)[0] if found is None else found.name
        named.setdefault(head.text if name in named else name, head.index)
    return named


def signals_beside(dialect: Dialect, taken: Collection[int]) -> dict[str, int]:
    """Those of them beside timed calls: heading, turn rate, battery, ages, and any with gaps."""
    found = signal_columns(dialect, taken)
    cells = {name: [row[index] for row in dialect.sample[:200]] for name, index in found.items()}
    return {name: index for name, index in found.items()
            if name.endswith(AGE) or quantity_in(dialect, index) or of_battery(name)
            or any(map(is_missing, cells[name]))}  # fmt: skip


def quantity_in(dialect: Dialect, index: int) -> Quantity | None:
    """The robot's heading or turn rate that a column holds, as stated or by its header."""
    stated = "" if dialect.stated is None else dialect.stated.quantity(index)
    return quantity_of(stated or ("" if dialect.header is None else dialect.header[index]))


def in_degrees(
    table: Table, dialect: Dialect, named: dict[str, int], time: Int | None = None
) -> tuple[tuple[str, ...], dict[str, str]]:
    """Bring headings and turn rates to degrees, ages to ms.

    One whose unit nobody states is held against how it moves over time [ns].

    Returns
    -------
    notes : tuple of str
        What is said of those whose unit is not degrees, or not stated.
    unsure : dict of str to str
        Signals whose unit nothing tells, and the one that they are taken to be in.
    """
    notes, header = [], dialect.header or ()
    unstated: dict[str, str] = {}
    for head in heads(header):
        name, factor = known_as(head.text)
        if name.endswith(AGE) and named.get(name) == head.index and factor != 1:
            table.columns[Member("signal", name)] = table.columns[Member("signal", name)] * factor
        found = quantity_in(dialect, head.index)
        if found is None or named.get(found.name) != head.index:
            continue
        if found.unit is None:
            unstated[found.name] = head.text
        elif found.factor != 1:
            _scaled(table, found.name, found.factor)
            notes.append(f"{head.text!r} is read as the {found.word} in {found.unit}")
    made, unsure = _unstated(table, dialect, named, unstated, time)
    return (*notes, *made), unsure


def _scaled(table: Table, name: str, factor: float) -> None:
    """Bring a signal of the table to another unit."""
    table.columns[Member("signal", name)] = table.columns[Member("signal", name)] * factor


def _unstated(
    table: Table, dialect: Dialect, named: dict[str, int], unstated: dict[str, str],
    time: Int | None,
) -> tuple[list[str], dict[str, str]]:  # fmt: skip
    """Bring a heading and a turn rate whose headers state no unit to degrees, as for the others."""
    notes: list[str] = []
    unsure: dict[str, str] = {}
    if not unstated:
        return notes, unsure
    from looptime.parsers.columns.turning import heading_unit

    heading, rate = unstated.get("heading_deg"), unstated.get("turn_rate_deg_s")
    if heading is not None:
        values = table.columns[Member("signal", "heading_deg")]
        of_rate = table.columns.get(Member("signal", "turn_rate_deg_s"))
        stated = "deg/s" if of_rate is not None and rate is None else None
        found = None if time is None else heading_unit(time, values, of_rate, stated)
        if found is None:
            unsure["heading_deg"] = "deg"
            notes.append(assumed(heading, "heading", "deg"))
        else:
            _scaled(table, "heading_deg", found[0])
            notes.append(f"{heading!r} is read as the heading in {found[1]}: {found[2]}")
    if rate is not None:
        said = _unstated_rate(table, dialect, named, rate, time, "heading_deg" not in unsure)
        if said is None:
            unsure["turn_rate_deg_s"] = "deg/s"
        notes.append(said or assumed(rate, "turn rate", "deg/s"))
    return notes, unsure


def _unstated_rate(
    table: Table, dialect: Dialect, named: dict[str, int], header: str, time: Int | None,
    told: bool,
) -> str | None:  # fmt: skip
    """Bring a turn rate without a unit to deg/s; what tells its unit, if anything does.

    ``told`` says whether a heading beside it is known to be in degrees.
    """
    from looptime.parsers.columns.turning import FASTEST_RAD_S, rate_unit

    rate = table.columns[Member("signal", "turn_rate_deg_s")]
    texts = dialect.header or ()
    for name, index in named.items():
        angle = quantity_of(texts[index]) or quantity_of(f"{texts[index]} [deg]")
        if time is None or angle is None or angle.name != "heading_deg":
            continue
        in_deg = name == "heading_deg" and told
        unit = rate_unit(time, table.columns[Member("signal", name)], rate, in_deg)
        if unit is not None:
            _scaled(table, "turn_rate_deg_s", ANGLE_UNITS[unit])
            return (
                f"{header!r} is read as the turn rate in {unit}: so it goes with {texts[index]!r}"
            )
    known = np.abs(rate[np.isfinite(rate)])
    if len(known) and np.quantile(known, 0.99) > FASTEST_RAD_S:
        return f"{header!r} is read as the turn rate in deg/s: too fast for rad/s"
    return None


def count_column(dialect: Dialect, taken: Collection[int]) -> Head | None:
    """The column that numbers the rows, where no layout uses it."""
    found = heads((dialect.header or ())[: dialect.fields])
    mine = (head for head in found if head.index not in taken and _counts(head, dialect))
    return next(mine, None)


def row_numbers(found: list[Head], taken: Collection[Head], dialect: Dialect) -> dict[str, Head]:
    """The column that numbers rows under another name, as the part ``seq``; nothing without one."""
    mine = [head for head in found if head not in taken and _counts(head, dialect)]
    return {"seq": mine[0]} if mine else {}


def _counts(head: Head, dialect: Dialect) -> bool:
    """Whether a column numbers the rows, some of which may be lost or from another recording.

    One whose header says nothing of it must go up by one in each row, or begin anew.
    """
    values = numbers(dialect, head.index)
    step = np.diff(values)
    if head.word in _ROW_COUNTS:
        return len(step) > 1 and float((step == 1).mean()) > 0.7
    many = len(step) >= _FEWEST_COUNTED and (bool((step == 1).all()) or counts_anew(values))
    return many and not head.unit and meaning(head.text) != "signal"


def signal_wants(named: dict[str, int]) -> list[Want]:
    """Columns to read for `signal_columns`."""
    return [Want(Member("signal", name), index, "number") for name, index in named.items()]


def first_rows(interval: Int, time: Int | None = None) -> Bool:
    """Which rows at the top hold no interval between two loops.

    A logger that starts from "last time = 0" writes 0, or the whole time since the board was
    switched on, as its first interval.

    Parameters
    ----------
    interval : int64 array, shape (n,) [ns]
        Periods as logged.
    time : int64 array, shape (n,) [ns], or None
        The clock, where the log has one.

    Returns
    -------
    bool array, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> first_rows(np.array([0, 10, 11, 10]) * 10**6).tolist()
    [True, False, False, False]
    >>> first_rows(np.array([86_000_000, 10, 11, 10]) * 10**6).tolist()
    [True, False, False, False]
    """
    early = np.zeros(len(interval), bool)
    if len(interval) < 3:
        return early
    typical = float(np.median(interval[1:]))
    first = int(interval[0])
    gigantic = first > max(_LONGEST_FIRST, 100 * typical)
    if time is not None and first == time[0] and first > 5 * typical:
        gigantic = True
    early[0] = gigantic or (first <= 0 < typical)
    return early


def loops_after(table: Table, row: Int, at: dict[Key, Any], time: Int | None = None) -> Bool | None:
    """Rows after which others are missing: damaged ones, or loop numbers that were passed over.

    Of a line that was ruled out none is missing where the numbers go on across it as usual, or
    where the clock does not leave room for two loops of the shorter kind.

    Parameters
    ----------
    table : Table
        Where the rows come from.
    row : int64 array, shape (n,)
        Rows of the table, rising.
    at : dict
        Columns by the part that they play.
    time : int64 array, shape (rows of the table,) [ns], optional
        The clock.
    """
    lost = lost_after(row, table)
    if len(row) < 3:
        return lost
    if lost is not None and time is not None and len(row) >= _FEWEST_STEPS:
        step = np.diff(time[row])
        room = 2 * percentiles(step[step > 0], [1])[0] if (step > 0).any() else 0.0
        lost[:-1] &= ~((step > 0) & (step < room))
    number = at.get("loop", at.get("count"))
    if number is None:
        return lost
    logged = number[row].astype(np.int64)
    step = number_steps(logged, None if time is None else time[row])
    there = (logged[1:] >= 0) & (logged[:-1] >= 0)
    usual = int(np.median(step[there])) if there.any() else 0
    counted = there & (usual >= 1)
    if lost is not None:
        lost[:-1] &= ~(counted & (step == usual))
    passed = np.append(counted & (step > usual), False)
    if not passed.any():
        return lost
    return passed if lost is None else lost | passed
