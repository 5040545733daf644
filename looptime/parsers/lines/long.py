"""Long tables: a row is one value, with its name in one column and its time in another."""

import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.evidence import scatter
from looptime.parsers.columns.headers import is_bare_unit, named_unit
from looptime.parsers.columns.lexicon import PHASES, THREADS
from looptime.parsers.lines.grid import Entry, Grid, fit_cell, is_stamp
from looptime.parsers.text.dialect import is_clock_text, is_missing, is_number
from looptime.records import dataclass
from looptime.units import UNITS, split_unit, word_unit

__all__ = ["LOOPS", "LongTable", "check_order", "find_long", "lie_anywhere", "long_entries"]

_FIRST_ROWS = 2000
#: Names in a column: no more than this many, each met again.
_MOST_KEYS = 200
#: Share of values that are the only ones of their names in their loops.
_HARDLY_EVER = 0.95
#: Share of empty cells from which on a column holds remarks.
_SELDOM_SAID = 0.8
#: Headers of words that are no names of values.
_NO_KEYS = frozenset(
    (*PHASES, *THREADS, "level", "unit", "units", "agent", "robot", "tag", "device", "node", "id",
     "group", "edge", "type", "kind")
)  # fmt: skip

#: Rows of each name by which tasks are told, and the chance at which one place is still any.
_TURNS, _CHANCE = 12, 0.01
#: How unlike the steps of a name that keeps a pace are at most.
_EVEN = 0.25
#: Headers of names and values, in a table whose first column is a time.
_KEYS = frozenset(("key", "name", "signal", "channel", "field", "metric"))
_VALUES = frozenset(("value", "val", "reading"))
#: Headers of a loop's number.
LOOPS = ("loop", "cycle", "iteration", "iter", "frame", "loop number", "loop_number", "pass")


@dataclass(frozen=True)
class LongTable:
    """Places of the columns of a long table; `unit` and `loop` are -1 where none is given."""

    time: int
    key: int
    value: int
    unit: int = -1
    loop: int = -1


def find_long(
    header: Sequence[str] | None, rows: Sequence[Sequence[str]], decimal: str = "."
) -> LongTable | None:
    """The columns of a long table; None where rows are none of one.

    Parameters
    ----------
    header : sequence of str or None
        Names of the columns.
    rows : sequence of sequences of str
        Cells of the first rows.
    decimal : str
        ``.`` or ``,``.

    Examples
    --------
    >>> rows = [("0.10", "imu_ms", "2"), ("0.12", "loop_ms", "9"), ("0.20", "imu_ms", "3")]
    >>> find_long(None, [*rows, ("0.22", "loop_ms", "8")])
    LongTable(time=0, key=1, value=2, unit=-1, loop=-1)
    """
    rows = rows[:_FIRST_ROWS]
    if len(rows) < 4 or len(rows[0]) < 3:
        return None
    columns = list(zip(*rows, strict=True))
    stems = [split_unit(text)[0].strip().lower() for text in header or [""] * len(columns)]
    words = [at for at, cells in enumerate(columns) if _wordy(cells, decimal)]
    units = [at for at in words if _are_units(columns[at])]
    keys = [at for at in words if at not in units and stems[at] not in _NO_KEYS
            and _are_keys(columns[at])]  # fmt: skip
    numeric = [at for at in range(len(columns)) if at not in words]
    names = len(set(columns[keys[0]])) if keys else 1
    times = [at for at in numeric if _is_clock(columns[at], decimal, names)]
    if header is not None:  # a header says which column is the time, or the loop's number
        timed = sum(named_unit(text) is not None for text in header)
        stamps = [at for at in times
                  if is_stamp(header[at]) or (timed == 1 and is_bare_unit(header[at]))]  # fmt: skip
        valued = [named_unit(text) for s, text in zip(stems, header, strict=True) if s in _VALUES]
        of_time = [split_unit(key)[1] is not None for key in set(columns[keys[0]])] if keys else []
        lengths = keys and (units or any(valued) or all(of_time) or (valued and any(of_time)))
        times = stamps or [at for at in times if lengths and stems[at] in LOOPS
                           and _once(columns[at], columns[keys[0]])]  # fmt: skip
    elif keys and not any(split_unit(key)[1] for key in set(columns[keys[0]])):
        return None  # a duration with a name looks the same
    if len(keys) != 1 or not times:
        return None
    time = times[0]
    loops = [at for at in numeric if stems[at] in LOOPS and at != time]
    rest = [at for at in numeric if at not in (*times, *loops)
            and (len(set(columns[at])) > 1 or stems[at] in _VALUES)]  # fmt: skip
    if header is not None:  # beside a column of that name other signals may stand in each row
        named = [at for at in rest if stems[at] in _VALUES]
        signals = all(named_unit(header[at]) is None for at in rest if at not in named)
        rest = named if len(named) == 1 and signals else rest
    remarks = [at for at in words if _mostly_empty(columns[at])]
    if len(rest) != 1 or any(
        len(set(columns[at])) > 1 for at in words if at not in [*keys, *units, *remarks]
    ):
        return None
    if header is not None:
        scale = _longer(header[time], header[rest[0]])
        pair = columns[keys[0]], columns[rest[0]]
        if not (scale == 0 and _are_signals(*pair, decimal)) and _tasks(
            columns[time], *pair, decimal, scale
        ):
            return None
    return LongTable(
        time, keys[0], rest[0], units[0] if units else -1, loops[0] if loops else -1
    )  # fmt: skip


def _wordy(cells: Sequence[str], decimal: str) -> bool:
    given = [c for c in cells if not is_missing(c)]
    plain = [c for c in given if is_number(c, decimal) or is_clock_text(c)]
    return len(plain) < 0.5 * len(given)


def _mostly_empty(cells: Sequence[str]) -> bool:
    return sum(map(is_missing, cells)) > _SELDOM_SAID * len(cells)


def _are_units(cells: Sequence[str]) -> bool:
    return any(c.isalpha() and word_unit(c) for c in set(cells))


def _are_keys(cells: Sequence[str]) -> bool:
    """Whether words are names that come in turn."""
    uses = Counter(cells)
    changes = sum(a != b for a, b in pairwise(cells))
    again = sum(count for count in uses.values() if count > 1)
    return (
        1 < len(uses) <= _MOST_KEYS
        and changes > 0.2 * (len(cells) - 1)
        and again > 0.9 * len(cells)
    )


def _once(loops: Sequence[str], keys: Sequence[str]) -> bool:
    """Whether a loop has hardly ever two values of one name, as of a call that it makes twice."""
    met = Counter(zip(loops, keys, strict=True))
    return len(met) > _HARDLY_EVER * len(keys)


def _longer(time: str, value: str) -> float:
    """Units of a table's time in one of its values, where the value is a length of time; else 0."""
    unit = split_unit(value)[1]
    return UNITS[unit] / UNITS[split_unit(time)[1] or "s"] if unit in UNITS else 0.0


def _are_signals(keys: Sequence[str], values: Sequence[str], decimal: str) -> bool:
    """Whether values are no lengths: one is below 0, or several senders have the same parts."""
    if any(is_number(cell, decimal) and cell.strip().startswith("-") for cell in values):
        return True
    parts: dict[str, set[str]] = {}
    for key in set(keys):
        whose, _, part = re.sub(r"[/:_ ]", ".", key).rpartition(".")
        parts.setdefault(whose, set()).add(part)
    some = parts.pop(next(iter(parts)))
    return bool(parts) and len(some) > 1 and all(one == some for one in parts.values())


def _tasks(
    stamps: Sequence[str], keys: Sequence[str], values: Sequence[str], decimal: str, scale: float
) -> bool:
    """Whether each name keeps a pace of its own, beside that of the commonest.

    Values of one loop follow its begin at about the same distance, be it in each loop or in some,
    and take no longer than it does.
    """
    if not all(is_number(cell, decimal) for cell in (*stamps, *values)):
        return False
    times, took = (np.array([float(c.replace(",", ".")) for c in cells])
                   for cells in (stamps, values))  # fmt: skip
    (common, _), *others = Counter(keys).most_common()
    names = np.array(keys)
    own = {key: times[names == key] for key in (common, *(key for key, _ in others))}
    if min(map(len, own.values())) <= _TURNS or any(
        scatter(np.diff(one)) > _EVEN for one in own.values()
    ):
        return False
    marks = own[common]
    pace = float(np.median(np.diff(marks)))
    if any(np.median(np.diff(own[key])) <= 1.5 * pace for key, _ in others):
        return False
    outlasts = (np.median(took[names == key]) * scale > 1.05 * _around(own[key], marks)
                for key, _ in others)  # fmt: skip
    return any(outlasts) or all(lie_anywhere(own[key], marks, pace) for key, _ in others)


def lie_anywhere(times: Float, marks: Float, pace: float) -> bool:
    """Whether instants lie anywhere between marks, by Rayleigh's test of their phases."""
    before = np.maximum(np.searchsorted(marks, times, "right") - 1, 0)
    phase = 2j * np.pi * (times - marks[before]) / pace
    return bool(len(times) * abs(np.exp(phase).mean()) ** 2 < -np.log(_CHANCE))


def _around(times: Float, marks: Float) -> float:
    """How long the steps between marks are in which instants lie."""
    at = np.searchsorted(marks, times, "right")
    at = at[(at > 0) & (at < len(marks))]
    return float(np.median(np.diff(marks)[at - 1])) if len(at) else np.inf


def _is_clock(cells: Sequence[str], decimal: str, names: int) -> bool:
    """Whether cells go on like a clock, which may stand still for one value of each name."""
    if sum(is_clock_text(c) and not is_number(c, decimal) for c in cells) > 0.9 * len(cells):
        return True
    values = np.array([float(c.replace(",", ".")) for c in cells if is_number(c, decimal)])
    values = values[np.abs(values) < 1e300]  # no time, and too much to reckon with
    if len(values) < 0.9 * len(cells):
        return False
    step = np.diff(values)
    return bool((step >= 0).mean() >= 0.9 and (step > 0).mean() >= min(0.1, 0.5 / names))


def check_order(
    header: Sequence[str] | None, rows: Sequence[Sequence[str]], decimal: str = "."
) -> None:
    """Refuse a table of times, keys and values whose times do not go on from row to row.

    Its times would else be taken for how long each key took.

    Raises
    ------
    LogError
        With what to do.

    Examples
    --------
    >>> rows = [("0.3", "imu_ms", "2"), ("0.2", "imu_ms", "9"), ("0.1", "imu_ms", "3")]
    >>> check_order(("time_s", "key", "value"), rows)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    looptime.errors.LogError: 'time_s' does not go on from row to row, ...
    """
    stems = [split_unit(text)[0].strip().lower() for text in header or ()]
    if len(stems) < 3 or len(rows) < 3 or not is_stamp(stems[0]):
        return
    if stems[1] not in _KEYS or stems[2] not in _VALUES:
        return
    column = [row[0] for row in rows[:_FIRST_ROWS]]
    if not _is_clock(column, decimal, len({row[1] for row in rows})):
        raise LogError(
            f"{header[0] if header else ''!r} does not go on from row to row, as the time of a "
            "key and its value does: rows in no order, or a counter that wraps. Sort the rows, or "
            "say --layout sections if it is how long each took"
        )


def long_entries(
    lines: list[str],
    cells: Sequence[Sequence[str] | None],
    found: LongTable,
    header: Sequence[str] | None,
) -> tuple[Grid, list[Entry], int]:
    """Values of a long table by name, and the column of their stamps.

    Parameters
    ----------
    lines : list of str
        The log.
    cells : list
        Cells of each line, None where it is no row.
    found : LongTable
        Its columns.
    header : sequence of str or None
        Their names.
    """
    grid = Grid(lines)
    own = named_unit(header[found.value]) if header else None
    stem = split_unit(header[found.time])[0] if header else ""
    of_time = named_unit(header[found.time]) if header else None
    stamp = grid.column("loop" if stem.strip().lower() in LOOPS else "time", of_time)
    entries: list[Entry] = []
    for line, row in enumerate(cells):
        if row is None:
            continue
        key = row[found.key].strip()
        if not key:
            continue
        unit = own
        if found.unit >= 0:
            unit = word_unit(row[found.unit])
            said = row[found.unit].strip()  # a heading may be in radians
            key = f"{key} [{said}]" if unit is None and not is_missing(said) else key
        at = grid.column(fit_cell(key), unit)
        value = row[found.value].strip()
        if at < 0:
            continue
        scale = grid.scale(at, unit)
        if scale != 1.0 and is_number(value):
            value = repr(float(value) * scale)
        values = {stamp: row[found.time].strip(), at: value}
        if found.loop >= 0:
            values[grid.column("loop")] = row[found.loop].strip()
        entries.append((line, values))
    return grid, entries, stamp
