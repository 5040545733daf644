"""What a layout hands on: timed calls, or loops with parts, in the order of the log."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.text.table import Rejects, Table
from looptime.run import Clock
from looptime.schema import REASONS

__all__ = ["CallRows", "LoopRows", "Options", "Outcast", "Parsed", "Parts"]

Int = NDArray[np.int64]


@dataclass(frozen=True)
class Options:
    """How the caller wants a log read.

    Parameters
    ----------
    unit, layout, columns, loop_call : str or None
        As on the command line; None where the log is to speak for itself.
    unit_from : str
        Who gave the unit: ``option`` or ``project``.
    """

    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    unit_from: str = "option"


@dataclass
class Outcast:
    """Rows set aside after the text was read: row of the table and index of the reason."""

    row: list[Int] = field(default_factory=list)
    reason: list[NDArray[np.int16]] = field(default_factory=list)

    def add(self, rows: NDArray[np.integer], reason: str) -> None:
        """Set rows aside."""
        if len(rows):
            self.row.append(np.asarray(rows, np.int64))
            self.reason.append(np.full(len(rows), REASONS.index(reason), np.int16))


@dataclass(frozen=True)
class CallRows:
    """Timed calls in the order of the log.

    Parameters
    ----------
    start, duration : int64 array, shape (m,) [ns]
    name : int array, shape (m,)
        Codes into `names`.
    thread : int array, shape (m,), or None
        Codes into `threads`; None where there is one thread.
    loop : int array or None
        Number of the loop as logged, -1 where a row has none.
    seq, cpu : int64 array or None
    phase : int array or None
        Codes into `phases`.
    labels : dict of str to (codes, words)
        ``kind``, ``subsystem``, ``device``, ``bus``, where the log has such columns.
    hidden : bool array, shape (m,), or None
        Rows that are no calls: signals, marks, rows set aside.
    signals : dict of str to (time [ns], value)
        Values logged between the calls.
    marks : tuple of arrays or None
        Time [ns], thread, name, and True for used: readings handed between threads.
    row : int64 array, shape (m,), or None
        Row of the table that each call comes from; None where they are `first`, `first` + 1, ...
    by_end : bool
        Whether the log is known to be written as the calls ended.
    """

    start: Int
    duration: Int
    name: NDArray[Any]
    names: list[str]
    thread: NDArray[Any] | None = None
    threads: list[str] = field(default_factory=lambda: [""])
    loop: NDArray[Any] | None = None
    seq: NDArray[Any] | None = None
    cpu: Int | None = None
    phase: NDArray[Any] | None = None
    phases: list[str] = field(default_factory=list)
    labels: dict[str, tuple[NDArray[Any], list[str]]] = field(default_factory=dict)
    hidden: NDArray[np.bool_] | None = None
    signals: dict[str, tuple[Int, NDArray[np.float64]]] = field(default_factory=dict)
    marks: tuple[Int, NDArray[Any], NDArray[Any], NDArray[np.bool_]] | None = None
    row: Int | None = None
    first: int = 0
    by_end: bool = False

    def __len__(self) -> int:
        return len(self.start)

    def table_row(self, at: NDArray[Any]) -> NDArray[Any]:
        """Rows of the table from which the calls at the given places come."""
        return at + self.first if self.row is None else self.row[at]

    def take(self, rows: NDArray[Any] | slice) -> CallRows:
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
            first, row = 0, self.table_row(np.arange(len(self))[rows])
        labels = {key: (codes[rows], words) for key, (codes, words) in self.labels.items()}
        return replace(self, labels=labels, row=row, first=first, **columns)


@dataclass(frozen=True)
class Parts:
    """The timed parts of loops, loop after loop, an enclosing part before what lies in it.

    Parameters
    ----------
    loop : int array, shape (m,)
        Place in `LoopRows` of the loop to which each belongs, never falling.
    name : int array, shape (m,)
        Codes into `names`.
    offset, duration, self_ns : int64 array, shape (m,) [ns]
        Start after the loop's start, length, and length without the parts in it.
    depth : int16 array, shape (m,)
    names : list of str
    """

    loop: Int
    name: NDArray[Any]
    offset: Int
    duration: Int
    self_ns: Int
    depth: NDArray[np.int16]
    names: list[str]


@dataclass(frozen=True)
class LoopRows:
    """Loops in the order of the log, each with values and, in some layouts, parts.

    Parameters
    ----------
    row : int64 array, shape (n,)
        Row of the table that each loop comes from, or begins with.
    start : int64 array, shape (n,) [ns]
        Start of each loop.
    period : int64 array, shape (n,) or None [ns]
        Where the log gives the period; without it each loop lasts until the next one, and the
        last is unfinished.
    signals : dict of str to float64 array, shape (n,)
    phase : int32 array or None
        Codes into `phases`.
    number : int64 array or None
        Number of the loop as logged.
    parts : Parts or None
    body : int64 array, shape (n,) or None [ns]
        Length of the work, where the log gives it beside the period.
    lost : bool array, shape (n,) or None
        Loops after which rows are missing: they do not last until the next row.
    said : str
        How the loops were found, in plain words.
    """

    row: Int
    start: Int
    period: Int | None = None
    signals: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    phase: NDArray[Any] | None = None
    phases: list[str] = field(default_factory=list)
    number: Int | None = None
    parts: Parts | None = None
    body: Int | None = None
    lost: NDArray[np.bool_] | None = None
    said: str = "the rows, one a loop"

    def __len__(self) -> int:
        return len(self.start)

    def take(self, rows: NDArray[Any] | slice) -> LoopRows:
        """The loops at the given places (a mask, indices or a slice)."""
        columns: dict[str, Any] = {
            key: None if getattr(self, key) is None else getattr(self, key)[rows]
            for key in ("row", "start", "period", "phase", "number", "body", "lost")
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

    @property
    def rejects(self) -> Rejects:
        """Rows that the text itself ruled out."""
        return self.table.rejects
