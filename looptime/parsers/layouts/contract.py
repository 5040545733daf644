"""What a layout says of itself, and what it hands on: timed calls, or loops with parts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Float, Int
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.role import Role, Stamped
from looptime.parsers.columns.unit import Unit
from looptime.parsers.options import Options
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Key, Member, Rejects, Table
from looptime.records import dataclass
from looptime.run import Clock
from looptime.schema import REASONS
from looptime.units import UNITS

__all__ = [
    "SECOND",
    "UNSEEN",
    "CallRows",
    "Column",
    "Content",
    "Found",
    "Given",
    "Layout",
    "LoopRows",
    "Options",
    "Outcast",
    "Parsed",
    "Parts",
    "Reading",
    "own_unit",
    "said_by_name",
    "spellings",
]  # fmt: skip

#: What the column of a second clock is known by.
SECOND = Member("clock", "second")


@dataclass
class Outcast:
    """Rows set aside after the text was read: row of the table and index of the reason."""

    row: list[Int] = field(default_factory=list)
    reason: list[NDArray[np.int16]] = field(default_factory=list)

    def add(self, rows: Int, reason: str) -> None:
        """Set rows aside."""
        if len(rows):
            self.row.append(np.asarray(rows, np.int64))
            self.reason.append(np.full(len(rows), REASONS.index(reason), np.int16))

    def count(self, reason: str) -> int:
        """How many rows were set aside for a reason."""
        return sum(int((one == REASONS.index(reason)).sum()) for one in self.reason)


@dataclass(frozen=True)
class CallRows:
    """Timed calls in the order of the log."""

    #: shape (m,) [ns]
    start: Int
    duration: Int
    name: Int  #: Codes into `names`, shape (m,)
    names: list[str]
    #: Codes into `threads`; None where there is one thread; shape (m,).
    thread: Int | None = None
    threads: list[str] = field(default_factory=lambda: [""])
    loop: Int | None = None  #: Number of the loop as logged, -1 where a row has none
    seq: Int | None = None
    cpu: Int | None = None
    phase: Int | None = None  #: Codes into `phases`
    phases: list[str] = field(default_factory=list)
    #: ``kind``, ``subsystem``, ``device``, ``bus``, where the log has such columns.
    labels: dict[str, tuple[Int, list[str]]] = field(default_factory=dict)
    #: Rows that are no calls: signals, marks, rows set aside; shape (m,).
    hidden: Bool | None = None
    #: Values logged between the calls, dict of str to (time [ns], value).
    signals: dict[str, tuple[Int, Float]] = field(default_factory=dict)
    #: Time [ns], thread, name, and True for used: readings handed between threads.
    marks: tuple[Int, Int, Int, Bool] | None = None
    #: Instants [ns] of the calls before and after rows that are missing, as their numbers tell.
    missing: tuple[Int, Int] | None = None
    #: Row of the table that each call comes from; None where they are `first`, `first` + 1, ...;
    #: shape (m,)
    row: Int | None = None
    first: int = 0
    #: What was taken away from the numbers of a counter that goes below zero.
    loop_first: int | None = None
    #: Whether the log is known to be written as the calls ended.
    by_end: bool = False
    ended: bool = False
    #: By how much neighbours may overlap: starts and lengths are rounded unlike each other [ns].
    rounding: int = 0

    def __len__(self) -> int:
        return len(self.start)

    def table_row(self, at: Int) -> Int:
        """Rows of the table from which the calls at the given places come."""
        return at + self.first if self.row is None else self.row[at]

    def take(self, rows: Int | Bool | slice) -> CallRows:
        """The calls at the given places (a mask, indices or a slice)."""
        columns: dict[str, Any] = {
            key: None if getattr(self, key) is None else getattr(self, key)[rows]
            for key in ("start", "duration", "name", "thread", "loop", "seq", "cpu", "phase",
                        "hidden")
        }  # fmt: skip
        plain = isinstance(rows, slice) and self.row is None and rows.step is None
        if plain:
            assert isinstance(rows, slice)
            first, row = self.first + (rows.start or 0), None
        else:
            numbered = isinstance(rows, np.ndarray) and rows.dtype.kind == "i"
            places: Int = np.asarray(rows) if numbered else np.arange(len(self))[rows]
            first, row = 0, self.table_row(places)
        labels = {key: (codes[rows], words) for key, (codes, words) in self.labels.items()}
        return replace(self, labels=labels, row=row, first=first, **columns)


@dataclass(frozen=True)
class Parts:
    """The timed parts of loops, loop after loop, an enclosing part before what lies in it."""

    loop: Int  #: Place in `LoopRows` of the loop to which each belongs, never falling, shape (m,)
    name: Int  #: Codes into `names`, shape (m,)
    #: Start after the loop's start, length, and length without the parts in it, shape (m,) [ns].
    offset: Int
    duration: Int
    self_ns: Int
    depth: NDArray[np.int16]  #: int16 array, shape (m,)
    names: list[str]


def said_by_name(name: Int, codes: Int, words: Sequence[str]) -> dict[int, str]:
    """What a column says of each call name: of several words the first, and none that is empty.

    Examples
    --------
    >>> said_by_name(np.array([0, 1, 0]), np.array([0, 1, 1]), ["", "can1"])
    {0: 'can1', 1: 'can1'}
    """
    pairs = np.unique(np.asarray(name, np.int64) * len(words) + codes)
    said: dict[int, str] = {}
    for of, code in zip((pairs // len(words)).tolist(), (pairs % len(words)).tolist(), strict=True):
        if words[code]:
            said.setdefault(of, words[code])
    return said


@dataclass(frozen=True)
class LoopRows:
    """Loops in the order of the log, each with values and, in some layouts, parts."""

    row: Int  #: Row of the table that each loop comes from, or begins with, shape (n,)
    start: Int  #: Start of each loop, shape (n,) [ns]
    #: Where the log gives the period; without it each loop lasts until the next one, and the last
    #: is unfinished; shape (n,) [ns].
    period: Int | None = None
    signals: dict[str, Float] = field(default_factory=dict)  #: shape (n,)
    phase: Int | None = None  #: Codes into `phases`, int32 array
    phases: list[str] = field(default_factory=list)
    #: `number`, `count`: Number of the loop, and of the row, as logged.
    number: Int | None = None
    count: Int | None = None
    numbered: str = ""  #: Header of the column that either comes from
    parts: Parts | None = None
    #: Length of the work, where the log gives it beside the period, shape (n,) [ns].
    body: Int | None = None
    #: Loops after which rows are missing: they do not last until the next row; shape (n,).
    lost: Bool | None = None
    said: str = "the rows, one a loop"  #: How the loops were found, in plain words
    #: Whether `start` holds the ends of the loops: each began where the one before ended.
    ended: bool = False
    #: What the evenness of the starts rests on where nothing shows it; follows an "if".
    supposed: str = ""
    labels: dict[str, dict[str, str]] = field(default_factory=dict)  #: By name: its device, bus

    def __len__(self) -> int:
        return len(self.start)

    def take(self, rows: Int | Bool | slice) -> LoopRows:
        """The loops at the given places (a mask, indices or a slice)."""
        columns: dict[str, Any] = {
            key: None if getattr(self, key) is None else getattr(self, key)[rows]
            for key in ("row", "start", "period", "phase", "number", "count", "body", "lost")
        }
        signals = {name: values[rows] for name, values in self.signals.items()}
        parts = self.parts
        if parts is not None:
            place = np.full(len(self), -1, np.int64)
            chosen = np.arange(len(self))[rows]
            place[chosen] = np.arange(len(chosen))
            kept = np.flatnonzero(place[parts.loop] >= 0)
            kept = kept[np.argsort(place[parts.loop[kept]], kind="stable")]
            parts = Parts(
                place[parts.loop[kept]], parts.name[kept], parts.offset[kept],
                parts.duration[kept], parts.self_ns[kept], parts.depth[kept], parts.names,
            )  # fmt: skip
        return replace(self, signals=signals, parts=parts, **columns)


@dataclass(frozen=True)
class Parsed:
    """What every layout hands to the assembly: its rows, the table behind them, and the clock.

    `partner` gives, for each row of the table, the other row that shares its fate (the end of a
    call for its begin), -1 for none. `span` bounds the rows of the table that belong to this run,
    where the log holds several.
    """

    layout: str
    table: Table
    clock: Clock
    calls: CallRows | None = None
    loops: LoopRows | None = None
    outcast: Outcast = field(default_factory=Outcast)
    partner: Int | None = None
    span: tuple[int, int] | None = None
    loops_from: str = ""  #: As in `looptime.parsers.text.rewritten.Rewritten`
    name_header: str = ""  #: Header of the column that names the calls

    @property
    def rounding_ns(self) -> int:
        """Overlap of two calls that counts as rounding [ns]."""
        return max(2 * self.clock.tick_ns, self.calls.rounding if self.calls else 0)

    @property
    def rejects(self) -> Rejects:
        """Rows that the text itself ruled out."""
        return self.table.rejects


@dataclass(frozen=True)
class Column:
    """What plays a part in a layout, and how it is read."""

    #: Headers without unit, blanks and punctuation, in order of preference.
    spellings: tuple[str, ...]
    #: ``word``, ``count``, ``number``, ``time``, or ``span``: a time that is a length, kept in 32
    #: bits where all of them fit.
    how: str = "word"
    required: bool = False  #: Whether a row without it is set aside


def spellings(columns: Mapping[str, Column]) -> dict[str, tuple[str, ...]]:
    """The headers of every part, as `looptime.parsers.columns.headers.roles` takes them."""
    return {part: column.spellings for part, column in columns.items()}


@dataclass(frozen=True)
class Given:
    """Which columns of a log play which parts."""

    one: dict[str, Head]  #: Parts that one column plays alone
    #: Parts that several columns play side by side: the instants of a loop, its durations.
    groups: dict[str, tuple[Head, ...]] = field(default_factory=dict)
    sure: bool = True  #: Whether the log can be no other layout that says less
    #: What every other column was judged to be, where columns are judged.
    roles: tuple[tuple[Head, Role], ...] = ()
    #: Which end of its loop a row is stamped at, by its first rows.
    stamped: Stamped = field(default_factory=Stamped)
    #: Why columns play the parts that no header names, by part.
    told: Mapping[str, str] = field(default_factory=dict)
    #: Words in the column of marks of rows that must hold a length; where empty, no word at all.
    timed: frozenset[str] = frozenset()

    def items(self) -> Iterator[tuple[Key, Head]]:
        """Every column with what it is known by."""
        yield from self.one.items()
        for name, heads in self.groups.items():
            yield from ((Member(name, place), head) for place, head in enumerate(heads))

    @property
    def lengths(self) -> set[int]:
        """Columns that hold lengths of time, whatever of."""
        judged = {head.index for head, role in self.roles if role.unit_ns or head.unit}
        return judged | {head.index for part in self.groups.values() for head in part}

    def first(self, part: str) -> Head | None:
        """The column of a part, the first one of a group."""
        group = self.groups.get(part)
        return group[0] if group else self.one.get(part)


@dataclass(frozen=True)
class Reading:
    """A log whose columns are known, before its rows are read."""

    source: Source
    dialect: Dialect
    given: Given
    options: Options

    @property
    def asked(self) -> tuple[str | None, str]:
        """The unit that the caller gives, and who says so."""
        return self.options.unit, self.options.unit_from

    def known(self, head: Head) -> Float:
        """The numbers among the first values of a column."""
        values = numbers(self.dialect, head.index)
        return values[np.isfinite(values)]


@dataclass(frozen=True)
class Content:
    """The rows of a log as a layout gets them, wraps undone where it asks for that."""

    log: Reading
    table: Table  #: Columns by `Key`; rows that the layout cannot use go to `outcast`
    unit: Unit  #: Of the clock, or of the lengths where there is none
    units: dict[Key, Unit]  #: Of every column
    outcast: Outcast = field(default_factory=Outcast)


#: What bounds the figures of a log without a clock whose loops are the sum of their parts.
UNSEEN = "no clock in the log: what passes outside the parts is not seen, a loop may be longer"


@dataclass(frozen=True)
class Found:
    """What a layout makes of the rows."""

    rows: CallRows | LoopRows
    ticks: Int  #: Times whose smallest step is the clock's [ns]
    finest_ns: int | None = None  #: Unit of the finest of them; None where that is the clock's
    notes: tuple[str, ...] = ()  #: For `looptime.run.Clock.notes`
    partner: Int | None = None  #: As in `Parsed`
    limits: tuple[str, ...] = ()  #: For `looptime.run.Clock.limits`
    supposed: tuple[str, ...] = ()  #: For `looptime.run.Clock.supposed`
    grain_ns: int = 1  #: What the loops' work is told to, however fine the times are [ns]


def own_unit(log: Reading, key: Key, head: Head, unit: Unit) -> Unit:
    """The unit of one column: its header's, unless the caller gave another."""
    if head.unit and unit.said == "header":
        return Unit(head.unit, UNITS[head.unit], unit.said)
    return unit


def every_row(table: Table) -> Bool | None:
    """All rows, where a layout has no better ones to judge two clocks by."""
    return np.ones(len(table), bool)


def as_found(parsed: Parsed) -> Parsed:
    """What was found, where nothing waits for the clock to be in order."""
    return parsed


@dataclass(frozen=True)
class Layout:
    """One way to write a log; `looptime.parsers.layouts.skeleton.parse` reads all of them."""

    #: What the layout is called, and what it takes a row for, in the words of an error.
    name: str
    row: str
    columns: Mapping[str, Column]  #: Every part, also those that several columns play
    #: ``fit(heads, dialect, asked)``: the `Given` columns, None where the log is none of this
    #: layout; `asked` where the caller named it.
    fit: Callable[[list[Head], Dialect, bool], Given | None]
    #: ``unit(reading)``: the unit of the clock, or of the lengths where there is none.
    unit: Callable[[Reading], Unit]
    #: ``rows(content)``: what was `Found`. Phase, loop number and signals are filled in later.
    rows: Callable[[Content], Found]
    #: The part that the clock plays, the first one of a group; empty where there is none.
    clock: str = ""
    #: ``own(reading, key, head, unit)``: the unit of one column. ``needed(reading)``: the columns
    #: without which a row is set aside, where `columns` does not tell.
    own: Callable[[Reading, Key, Head, Unit], Unit] = own_unit
    needed: Callable[[Reading], set[Key]] | None = None
    #: ``judged(table)``: rows by which two clocks are compared; None where the second is none.
    judged: Callable[[Table], Bool | None] = every_row
    #: Whether a second clock may take the first one's place, whether rows met again are set aside
    #: and wraps undone before the rows are looked at, and whether every other column of numbers is
    #: a signal.
    swaps: bool = True
    repeats: bool = True
    unwraps: bool = False
    signals: bool = False
    #: Whether another column is a signal that holds a heading, or numbers in some rows only.
    signals_beside: bool = False
    starts_from: str = "log"  #: As in `looptime.run.Clock`
    empty: str = "holds no loop that can be used"  #: What an error says where no row can be used
    beats: tuple[str, ...] = ()  #: Layouts that say less of the same log
    #: ``finish(parsed)``: the rest, once the clock is in order.
    finish: Callable[[Parsed], Parsed] = as_found
