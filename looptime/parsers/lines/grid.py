"""Rows and columns made of lines: a cell for each value, and each line accounted for."""

import re
from collections.abc import Collection, Iterable
from dataclasses import field
from functools import lru_cache
from itertools import pairwise

import numpy as np

from looptime.parsers.text.dialect import Dialect, is_number, is_remark
from looptime.parsers.text.rewritten import Rewritten
from looptime.records import dataclass
from looptime.units import UNITS, split_unit

__all__ = [
    "DELIMITER", "Grid", "counts", "fit_cell", "is_stamp", "is_text", "mostly_numbers",
    "spliced",
]  # fmt: skip

#: Between the cells of a row; lines that are no rows have none.
DELIMITER = ";"
_SAMPLE = 2000
#: Columns that any log may have, and cells from which one of many short lines has room for no more.
_ROOM, _MOST_CELLS = 200, 1_000_000
#: Names of a column of stamps.
_STAMPS = frozenset(
    ("time", "t", "timestamp", "ts", "stamp", "clock", "elapsed", "uptime", "millis", "micros",
     "date", "datetime", "epoch", "when", "at", "unixtimestamp", "timestamputc", "utc",
     "timeelapsed", "elapsedtime", "systemtime", "hosttime", "devicetime", "boardtime")
)  # fmt: skip
_SQUEEZE = re.compile(r"[^a-z0-9]+")
_UNFIT = re.compile(r'[;"\t\r\n]+')


def is_text(line: str) -> bool:
    """Whether a line may hold values: it is neither blank nor a comment nor a title.

    Examples
    --------
    >>> is_text("812 imu=9"), is_text("# robot: tray carrier"), is_text(" ")
    (True, False, False)
    """
    return not is_remark(line)


@lru_cache(maxsize=1 << 16)
def is_stamp(name: str) -> bool:
    """Whether a name is that of a column of stamps.

    Examples
    --------
    >>> is_stamp("Time stamp [ms]"), is_stamp("t_us"), is_stamp("imu_us")
    (True, True, False)
    """
    return _SQUEEZE.sub("", split_unit(name)[0].lower()) in _STAMPS


def mostly_numbers(cells: Iterable[str]) -> bool:
    """Whether at least half of the cells that are not empty hold a number.

    Examples
    --------
    >>> mostly_numbers(["2.5", "", "late"]), mostly_numbers(["imu", "arm", "3"])
    (True, False)
    """
    given = [c for c in cells if c]
    return sum(is_number(c) for c in given) >= 0.5 * len(given)


#: A line and its values by column.
Entry = tuple[int, dict[int, str]]


@dataclass
class Grid:
    """Cells of a log, line by line."""

    lines: list[str]  #: The log
    #: For each line its cells, None where it is no row. A row may be shorter than others.
    rows: list[list[str] | None] = field(default_factory=list)
    names: list[str] = field(default_factory=list)  #: Of the columns
    units: list[str | None] = field(default_factory=list)  #: Time units of the columns
    #: Lines, from 0, whose values stand in the row of another line, and that line.
    folded: list[tuple[int, int]] = field(default_factory=list)
    #: Lines, from 0, that were set aside, and why.
    aside: list[tuple[int, str]] = field(default_factory=list)
    headers: set[int] = field(default_factory=set)  #: Lines, from 0, that name columns
    loops_from: str = ""  #: As in `Rewritten`
    notes: list[str] = field(default_factory=list)  #: Cautions
    left_out: list[str] = field(default_factory=list)  #: Names without a column
    #: By column the unit behind the last of its list; empty where others of that are no lengths.
    in_list: dict[int, str] = field(default_factory=dict)
    _place: dict[str, int] = field(default_factory=dict, repr=False)

    def column(self, name: str, unit: str | None = None) -> int:
        """Place of a column; a new one is added at the end, -1 where there is no room for it.

        Room is for any number of columns in a few long lines, and for `_ROOM` in many short ones:
        where each line has a name of its own, cells would grow with the square of the log.
        """
        at = self._place.get(name)
        if at is None:
            at = len(self.names)
            if at >= _ROOM and at * len(self.lines) > max(_MOST_CELLS, self._length()):
                at = -1
                self.left_out.append(name)
            else:
                self.names.append(name)
                self.units.append(unit)
            self._place[name] = at
        return at

    def _length(self) -> int:
        """Characters of the log."""
        return sum(map(len, self.lines))

    def room(self) -> str:
        """A caution of the names for which there was none; else empty."""
        if not self.left_out:
            return ""
        return (
            f"{len(self.left_out):,} names ({', '.join(self.left_out[:3])}, ...) are left out: "
            f"more than {_ROOM} names in short lines, so what they took stands under no name; "
            "where names hold numbers, log those beside the name"
        )

    def scale(self, at: int, unit: str | None) -> float:
        """What a value in `unit` is to be multiplied by in its column."""
        own = self.units[at]
        return UNITS[unit] / UNITS[own] if unit and own and unit != own else 1.0

    def found(self) -> list[int]:
        """Lines, from 0, that are rows."""
        return [at for at, row in enumerate(self.rows) if row is not None]

    def cells(self, at: int) -> list[str]:
        """Cells of one column in the rows, empty where a row has none."""
        return [row[at] if at < len(row) else "" for row in self.rows if row is not None]

    def put(self, at: int, cells: list[str]) -> None:
        """Put the cells of one column into the rows."""
        rows = [row for row in self.rows if row is not None]
        for row, cell in zip(rows, cells, strict=True):
            if at < len(row):
                row[at] = cell

    def header(self) -> list[str]:
        """Names of the columns with their units."""
        return [
            f"{name} [{unit}]" if unit and name and split_unit(name)[1] != unit else name
            for name, unit in zip(self.names, self.units, strict=True)
        ]

    def rewritten(self, decimal: str = ".") -> tuple[Rewritten, Dialect]:
        """The log as text in cells, line for line, and how that is written."""
        header = self.header()
        width = max(len(header), 2)
        header += [""] * (width - len(header))
        gone = {line for line, _ in [*self.folded, *self.aside]} | self.headers
        out = []
        sample: list[tuple[str, ...]] = []
        first = 0
        for at, row in enumerate(self.rows):
            if row is None:
                text = "" if at in gone else _UNFIT.sub(",", self.lines[at])
                out.append(text)
                continue
            cells = row + [""] * (width - len(row)) if len(row) < width else row
            if len(sample) < _SAMPLE:
                sample.append(tuple(cell.strip() for cell in cells))
                first = first or at + 1
            out.append(DELIMITER.join(cells))
        pairs = np.array(self.folded, np.int64).reshape(-1, 2)
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
        data = "\n".join(out).encode()
        made = Rewritten(data, pairs[:, 0], pairs[:, 1], sorted(self.aside),
                         loops_from=self.loops_from)  # fmt: skip
        like = Dialect(
            DELIMITER, decimal, tuple(header), 0, width, first, sample=tuple(sample),
            in_list={header[at]: unit for at, unit in self.in_list.items()
                     if self.units[at] is None},
        )  # fmt: skip
        return made, like


def fit_cell(text: str) -> str:
    """A cell's text without what would end the cell.

    Examples
    --------
    >>> fit_cell(' auto;"x" ')
    'auto x'
    """
    return _UNFIT.sub(" ", text).strip()


def counts(cells: list[str]) -> bool:
    """Whether cells count the lines."""
    values = [int(c) for c in cells if c.isdecimal()]
    steps = [b - a for a, b in pairwise(values)]
    return len(values) == len(cells) > 2 and sum(s == 1 for s in steps) > 0.8 * len(steps)


def spliced(name: str, known: Collection[str]) -> bool:
    """Whether a name is the beginning of a known one and the end of one.

    Examples
    --------
    >>> [spliced(name, ["gyro.read", "drive.write"]) for name in ("gyro.rite", "gyro", "arm")]
    [True, True, False]
    """
    return any(
        any(one.startswith(name[:at]) for one in known)
        and any(one.endswith(name[at:]) for one in known)
        for at in range(len(name) + 1)
    )
