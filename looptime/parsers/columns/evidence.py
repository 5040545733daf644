"""What a column's first values say of it: a clock, an index, instants of one loop, durations."""

import re
from collections.abc import Collection

import numpy as np

from looptime.array_types import Bool, Float
from looptime.errors import LogError
from looptime.parsers.columns.headers import Head
from looptime.parsers.text.dialect import Dialect, is_clock_text, is_missing, is_number, numbers
from looptime.records import dataclass
from looptime.units import UNITS, word_unit

__all__ = [
    "BEGIN_WORDS",
    "CLOCK_WORDS",
    "END_WORDS",
    "NOT_PARTS",
    "Marked",
    "are_units",
    "check_spoilt",
    "clocklike",
    "counts_anew",
    "counts_rows",
    "counts_some",
    "goes_level",
    "in_between",
    "lie_within_loops",
    "marked",
    "rises",
    "scaled",
    "scatter",
    "shown",
    "without_binding",
    "wordy",
]

#: No more of anything are counted in a loop.
_FEW_OF_THEM = 100
#: Words in a header for the instant at which something begins, and at which it is over.
BEGIN_WORDS = (
    "start", "begin", "began", "started", "enter", "before", "beginn", "anfang", "vor", "début",
    "debut", "avant", "inicio", "comienzo", "antes", "inizio", "prima", "início", "voor", "före",
)  # fmt: skip
END_WORDS = (
    "end", "stop", "done", "finish", "finished", "after", "exit", "ended", "complete", "post",
    "ende", "nach", "fertig", "fin", "après", "apres", "fini", "tras", "después", "despues",
    "hecho", "fine", "dopo", "fatto", "fim", "após", "apos", "depois", "feito", "einde", "na",
    "klaar", "slut", "efter",
)  # fmt: skip
#: Headers of a clock that is no stage of the loop.
CLOCK_WORDS = (
    "time", "timestamp", "t", "ts", "clock", "host", "device", "hosttime", "devicetime", "epoch",
    "walltime", "wall", "utc", "uptime", "systemtime", "robottime", "micros", "millis", "nanos",
    "boardtime", "hostclock", "deviceclock", "sensortime", "elapsed", "elapsedtime",
    "datetime", "date", "received", "sent",
)  # fmt: skip
#: Headers of times that are no part of a loop's length.
NOT_PARTS = (
    "age", "latency", "delay", "staleness", "lag", "timeout", "ping", "offset", "target", "budget",
    "setpoint", "nominal", "deadline", "limit", "skew", "tick", "resolution",
)  # fmt: skip
#: What a header says whose column holds units.
_OF_UNITS = re.compile(r"(?<![a-z])(?:units?|uom|einheit|unidad|unité)(?![a-z])", re.IGNORECASE)
_SPLIT = re.compile(r"[\W_]+|(?<=[a-z0-9])(?=[A-Z])")
#: What binds such a word to the name behind it.
_BOUND = re.compile(r"^[\s_.-]*(?:(?:of|the|de|del|della|du|des|da|do|la|le)[\s_.-]+)*")
_SPOILT = re.compile(r"^[+-]?(\d)(?:[.,](\d{1,5}))?[eE]\+?0*(\d{1,3})$")


@dataclass(frozen=True)
class Marked:
    """A header taken apart: what it names, and ``begin``, ``end`` or nothing."""

    stem: str
    side: str


#: A log holds no more further recordings than these, none of them of fewer rows.
_RECORDINGS, _LONG = 3, 50
#: Share of the rows that hold lengths and of those that hold none, and fewest of the latter.
_FEW_BETWEEN, _LEAST_BETWEEN = 0.05, 10


def marked(head: Head) -> Marked:
    """Tell the word for begin or end in a header from the rest.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> [marked(head) for head in heads(("gyro_end_us", "afterDrive"))]
    [Marked(stem='gyro', side='end'), Marked(stem='Drive', side='end')]
    >>> [marked(head) for head in heads(("t_start_us", "después de leer"))]
    [Marked(stem='t', side='begin'), Marked(stem='leer', side='end')]
    >>> marked(*heads(("gyro_done_at",)))
    Marked(stem='gyro', side='end')
    """
    from looptime.units import split_unit

    stem = split_unit(head.text)[0]
    pieces = [piece for piece in _SPLIT.split(stem) if piece]
    if len(pieces) > 2 and pieces[-1].lower() == "at":  # "gyro_done_at"
        stem = stem[: stem.rfind(pieces.pop())]
    for at in (-1, 0):
        word = pieces[at].lower() if pieces else ""
        side = "begin" if word in BEGIN_WORDS else "end" if word in END_WORDS else ""
        if side:
            cut = stem.rfind(pieces[at]) if at else len(pieces[0]) + stem.find(pieces[0])
            rest = stem[:cut] if at else without_binding(stem[cut:])
            return Marked(rest.strip(" _-."), side)
    return Marked(stem, "")


def shown(head: Head) -> str:
    """What a header names, without its unit.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> [shown(head) for head in heads(("gyro.read_ms", "Drive time (ms)"))]
    ['gyro.read', 'Drive time']
    """
    from looptime.units import split_unit

    return split_unit(head.text)[0].strip(" _") or head.text


def rises(values: Float) -> bool:
    """Whether values climb from row to row as a clock's do, a restart or two apart.

    Examples
    --------
    >>> import numpy as np
    >>> rises(np.array([1.0, 2, 3, 3, 4])), rises(np.array([5.0, 4, 6, 5]))
    (True, False)
    """
    known = values[np.isfinite(values)]
    if len(known) < 2:
        return False
    step = np.diff(known)
    up = (step >= 0).mean()
    return bool(up >= (0.9 if len(step) >= 10 else 0.75) and (step > 0).mean() >= 0.1)


def scatter(steps: Float, tail: float = 0.1) -> float:
    """How unlike steps are; a clock that goes back now and then is as unlike as can be.

    Parameters
    ----------
    steps : float64 array, shape (n,), n > 0
        In any unit.
    tail : float
        Share of the steps that is left out at each end.

    Examples
    --------
    >>> import numpy as np
    >>> scatter(np.array([9.0, 10, 10, 11]), 0.0), scatter(np.array([-5.0, 5]))
    (0.2, inf)
    """
    if (steps < 0).mean() > 0.1:
        return np.inf
    low, middle, high = np.quantile(steps, [tail, 0.5, 1 - tail])
    return float((high - low) / middle) if middle > 0 else np.inf


def counts_rows(values: Float) -> bool:
    """Whether values count 0, 1, 2, ...: an index of the rows.

    Examples
    --------
    >>> import numpy as np
    >>> counts_rows(np.arange(5.0)), counts_rows(np.array([0.0, 10, 21]))
    (True, False)
    """
    return len(values) > 2 and bool((np.diff(values) == 1).all()) and values[0] in (0, 1)


def counts_anew(values: Float) -> bool:
    """The same where the count may begin again, as that of another recording in the same log.

    Recordings are few, long and of different lengths; what goes round is another index.

    Examples
    --------
    >>> import numpy as np
    >>> counts_anew(np.append(np.arange(300.0), np.arange(120.0)))
    True
    >>> counts_anew(np.arange(900.0) % 24), counts_anew(np.arange(900.0) % 256)
    (False, False)
    """
    step = np.diff(values)
    back = np.flatnonzero(step < 0) + 1
    begins = np.append(0, back)
    long = np.diff(begins, append=len(values))
    return (
        len(values) > 2 and bool((np.delete(step, back - 1) == 1).all())
        and bool(np.isin(values[begins], (0, 1)).all()) and len(back) <= _RECORDINGS
        and (not len(back) or (int(long.min()) >= _LONG and len(np.unique(long)) == len(long)))
    )  # fmt: skip


def counts_some(said: str, values: Float, dialect: Dialect) -> bool:
    """Whether small whole numbers count what their header names, though a group says lengths.

    `said` is what `looptime.parsers.columns.lexicon.names_count` makes of it: a word that may be a
    call's as well names a count where lengths beside it have decimals.
    """
    known = values[np.isfinite(values)]
    if not said or not len(known) or (known % 1 != 0).any():
        return False
    if known.min() < 0 or known.max() >= _FEW_OF_THEM:
        return False
    beside = (cell.strip() for row in dialect.sample for cell in row)
    return said == "sure" or any(re.fullmatch(r"\d+[.,]\d+", cell) for cell in beside)


def goes_level(values: Float) -> bool:
    """Whether values stay about one level; those of a clock climb, even across restarts.

    Examples
    --------
    >>> import numpy as np
    >>> goes_level(np.array([20.0, 22, 19, 21, 20])), goes_level(np.array([0.0, 90, 180, 5, 95]))
    (True, False)
    """
    if len(values) < 5:
        return False
    low, high = np.quantile(values, [0.1, 0.9])
    level = (np.diff(values) >= 0).mean() < 0.75 and high <= 20 * max(low, 1e-12)
    return bool(level and values.min() >= 0)


def without_binding(name: str) -> str:
    """A name without what bound a word for begin or end to it.

    Examples
    --------
    >>> without_binding("_de_leer"), without_binding(" of the scan"), without_binding("drive")
    ('leer', 'scan', 'drive')
    """
    return _BOUND.sub("", name)


def clocklike(dialect: Dialect, index: int) -> bool:
    """Whether a column without a name may be the log's clock."""
    if index not in dialect.clocks:
        dialect.clocks[index] = _is_clocklike(dialect, index)
    return dialect.clocks[index]


def _is_clocklike(dialect: Dialect, index: int) -> bool:
    cells = [row[index] for row in dialect.sample]
    texts = [cell for cell in cells if not is_missing(cell)]
    if texts and all(is_clock_text(cell) and not is_number(cell) for cell in texts):
        return True
    values = numbers(dialect, index)
    if not len(values) or np.isnan(values).mean() > 0.1:
        return False
    return rises(values) and not counts_rows(values)


def are_units(header: str, words: Collection[str]) -> bool:
    """Whether words of a column are units: all of time, or under a header for units some of them.

    Examples
    --------
    >>> are_units("in", ["ms", "us"]), are_units("unit", ["us", "degC"])
    (True, True)
    >>> are_units("unit", ["degC", "V"]), are_units("id", ["s", "a"])
    (False, False)
    """
    of_time = (word_unit(word) is not None for word in words)
    return all(of_time) or (_OF_UNITS.search(header) is not None and any(map(word_unit, words)))


def wordy(dialect: Dialect, index: int) -> bool:
    """Whether a column holds words rather than numbers."""
    cells = [row[index] for row in dialect.sample[:200] if not is_missing(row[index])]
    wordlike = [c for c in cells if not is_number(c, dialect.decimal) and not is_clock_text(c)]
    return bool(cells) and len(wordlike) > 0.5 * len(cells)


def scaled(dialect: Dialect, head: Head, default: str | None) -> Float:
    """First values of a time column in nanoseconds, or as they stand where nobody names a unit."""
    unit = head.unit or default
    return numbers(dialect, head.index) * (UNITS[unit] if unit else 1)


def lie_within_loops(columns: list[Float]) -> bool | None:
    """Whether columns hold instants of one loop each, in rows that follow one another.

    Parameters
    ----------
    columns : list of float64 array, shape (n,)
        In one unit.

    Returns
    -------
    bool or None
        None where there are too few rows to tell.

    Examples
    --------
    >>> import numpy as np
    >>> start, end = np.array([0.0, 10, 20, 30]), np.array([4.0, 15, 23, 36])
    >>> lie_within_loops([start, end]), lie_within_loops([start, end - start])
    (True, False)
    """
    table = np.stack(columns, axis=1)
    table = table[np.isfinite(table).all(axis=1)]
    again = (table[1:] == table[:-1]).all(axis=1)
    table = table[np.append(True, ~again)[: len(table)]]  # a row written twice says it once
    if len(table) < 3:
        return None
    first = table.min(axis=1)
    step = np.diff(first)
    forward = step > 0
    if forward.mean() < 0.75:
        return False
    inside = (table[:-1].max(axis=1) <= first[1:] + 0.5 * np.median(np.abs(step)))[forward]
    each = all(rises(column) for column in table.T)
    return bool(each and inside.mean() >= 0.9)


def check_spoilt(dialect: Dialect, head: Head, path: str) -> None:
    """Refuse times of which six digits are left.

    Raises
    ------
    LogError
        If most cells are written like ``1.34681E+12``, whose last digit is far above the unit.
    """
    cells = [row[head.index] for row in dialect.sample[:500]]
    found = [_SPOILT.match(cell) for cell in cells]
    lost = [m for m in found if m and int(m[3]) >= max(6, len(m[2] or "") + 1)]
    if cells and len(lost) > 0.5 * len(cells):
        example = next(cell for cell, m in zip(cells, found, strict=True) if m is not None)
        raise LogError(
            f"the times in column {head.text!r} are written as {example}: a spreadsheet or a "
            "print format kept six digits and the rest is lost for good; take the log as it came "
            "off the robot",
            path,
            dialect.first_row,
        )


def in_between(holds: Bool) -> bool:
    """Whether rows without any length stand between rows of loops, as those of slower signals do.

    `holds` says which rows have a length; the first row alone may have none yet.

    Examples
    --------
    >>> in_between(np.arange(100) % 5 > 0), in_between(np.arange(100) > 0)
    (True, False)
    """
    enough = int((~holds).sum()) >= _LEAST_BETWEEN
    return enough and _FEW_BETWEEN < float(holds.mean()) < 1 - _FEW_BETWEEN
