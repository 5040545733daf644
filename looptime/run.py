"""The canonical run: one recording, as every parser yields it and everything later sees it.

A `Run` holds what was recorded and never what was concluded. Times are int64 nanoseconds on
the log's own clock. Columns are NumPy arrays; names, threads and phases are coded as small
integers. `Run.loops` and `Run.calls` give the same tables as DataFrames.
"""

from __future__ import annotations

from dataclasses import field, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypedDict

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.schema import ONE_IN, REASONS, SUMMED, CallName

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CallColumns",
    "Clock",
    "LoopColumns",
    "MarkColumns",
    "MissingLoops",
    "OtherClock",
    "Run",
    "SelfPieces",
    "SetAside",
    "Signals",
    "stated",
]


#: Calls added up at once: to copy all of them to 64 bits takes memory.
_AT_ONCE = 1 << 18


@dataclass(frozen=True)
class LoopColumns:
    """The loops of a run, in time order."""

    loop: Int  #: Number as logged, else 0, 1, 2, ...; int32 or int64 array, shape (n,)
    #: Start, and start to start of the next loop, shape (n,).
    start_ns: Int
    period_ns: Int
    #: Length of the row that encloses the loop, where the log has one, shape (n,).
    body_ns: Int | None = None
    phase: Int | None = None  #: Codes into `phase_names`, int16 array, shape (n,)
    phase_names: tuple[str, ...] = ()  #: Phases in the log's own words
    #: Line of the log where each loop begins, int32 or int64 array, shape (n,).
    line: Int | None = None

    def __len__(self) -> int:
        return len(self.start_ns)


@dataclass(frozen=True)
class CallColumns:
    """Calls of a run; each thread's in start order, an enclosing call before its parts."""

    loop: Int  #: Index (0 .. n-1) of the loop in which the call starts; int32 array, shape (m,)
    thread: Int  #: Codes into `Run.thread_names`; integer array, shape (m,)
    name: Int  #: Codes into `Run.names`; integer array, shape (m,)
    start_ns: Int  #: As recorded, shape (m,)
    #: As recorded; 32 bits may be used where no call takes 2^30 ns or more; int32 or int64 array,
    #: shape (m,).
    duration_ns: Int
    self_ns: Int  #: Duration minus the calls nested in it, int32 or int64 array, shape (m,)
    depth: Int  #: Number of calls that enclose it, int8 or int16 array, shape (m,)
    seq: Int | None = None  #: The logger's sequence number, int32 or int64 array, shape (m,)
    cpu_ns: Int | None = None  #: Processor time spent in the call, shape (m,)
    #: Calls of the loop's thread that run on past the end of their loop, shape (k,).
    spill_row: Int = field(default_factory=lambda: np.empty(0, np.int64))
    #: A later loop into which that call reaches, int32 array, shape (k,).
    spill_loop: Int = field(default_factory=lambda: np.empty(0, np.int32))
    #: The part of its self time that belongs to that later loop, shape (k,).
    spill_ns: Int = field(default_factory=lambda: np.empty(0, np.int64))

    def __len__(self) -> int:
        return len(self.start_ns)

    @classmethod
    def empty(cls) -> CallColumns:
        """No calls, as in a log of bare time stamps."""
        i64 = np.empty(0, np.int64)
        return cls(
            loop=np.empty(0, np.int32), thread=np.empty(0, np.int16),
            name=np.empty(0, np.int32), start_ns=i64, duration_ns=i64, self_ns=i64,
            depth=np.empty(0, np.int16),
        )  # fmt: skip


@dataclass(frozen=True)
class MarkColumns:
    """Instants at which a reading was handed from one thread to another."""

    time_ns: Int  #: shape (k,)
    loop: Int  #: Index of the loop in which it falls, int32 array, shape (k,)
    thread: Int  #: Codes into `Run.thread_names`; int16 array, shape (k,)
    name: Int  #: Codes into `Run.names`: the call that took the reading; int32 array, shape (k,)
    #: False where the reading was published, True where it was used, shape (k,).
    used: Bool

    def __len__(self) -> int:
        return len(self.time_ns)


@dataclass(frozen=True)
class Signals:
    """Values that the robot logged beside its timing."""

    time_ns: Int  #: When each row of values was logged, shape (k,)
    loop: Int  #: Index of the loop in which it falls, int32 array, shape (k,)
    values: dict[str, Float]  #: NaN where a row has no value, shape (k,)

    def __len__(self) -> int:
        return len(self.time_ns)


@dataclass(frozen=True)
class SetAside:
    """Rows of the log that were not used."""

    #: Line of the log, counted from 1, shape (k,).
    line: Int = field(default_factory=lambda: np.empty(0, np.int64))
    #: Index into `looptime.schema.REASONS`; int16 array, shape (k,).
    reason: Int = field(default_factory=lambda: np.empty(0, np.int16))
    #: The rows as they stand in the log (the first few thousand; later ones are read again from the
    #: log when they are asked for).
    text: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.line)

    @property
    def counts(self) -> dict[str, int]:
        """Number of rows by reason, most frequent first.

        Examples
        --------
        >>> SetAside(np.array([2]), np.array([0]), ("a,b",)).counts
        {'before first loop': 1}
        """
        n = np.bincount(self.reason, minlength=len(REASONS))
        return {REASONS[i]: int(n[i]) for i in np.argsort(-n, kind="stable") if n[i]}

    @property
    def table(self) -> pd.DataFrame:
        """The same as a DataFrame with the columns `line`, `reason` and `text`."""
        import pandas as pd

        text = list(self.text) + [""] * (len(self) - len(self.text))
        reasons = [REASONS[code] for code in self.reason]
        return pd.DataFrame({"line": self.line, "reason": reasons, "text": text})


class OtherClock(TypedDict):
    """What is known of a clock that was not used, and of the one that was."""

    column: str
    skew_ppm: dict[str, float]  #: By how much it runs faster: `value`, `low`, `high`
    jitter_ns: int  #: Standard deviation of its steps about those of the one in use
    used_column: str
    used_jitter_ns: int


class MissingLoops(TypedDict):
    """Loops that the numbers of those left pass over."""

    count: int
    column: str  #: Of the numbers


@dataclass(frozen=True)
class Clock:
    """How the log's clock was read."""

    unit: str = "ns"  #: ``ns``, ``us``, ``ms``, ``s`` or the name of a date-time format
    #: ``header``, ``log`` (beside a value), ``option``, ``project`` or ``inferred: REASON``
    unit_from: str = "header"
    tick_ns: int = 1  #: Smallest step that the clock shows [ns]
    #: Each with `line`, `size_ns` and a `note`.
    wraps: tuple[dict[str, object], ...] = ()
    jumps: tuple[dict[str, object], ...] = ()
    #: Lines at which the clock began anew, where this file was cut into runs.
    restarts: tuple[int, ...] = ()
    other: OtherClock | None = None  #: The clock that was not used, where a row has two
    notes: tuple[str, ...] = ()  #: Cautions in plain words
    #: ``log`` where each call's start was recorded; ``column order`` where only durations were and
    #: calls are laid one after another.
    starts_from: str = "log"
    #: What bounds every figure of the run, to be said with the first of them.
    limits: tuple[str, ...] = ()
    #: What every figure rests on though little shows it, as it would follow an "if".
    supposed: tuple[str, ...] = ()
    #: Columns that may be lengths of time though nothing says so, where the log has no other.
    unsaid: tuple[str, ...] = ()
    #: Headings and turn rates whose unit nothing tells, and the one that they are taken to be in.
    angles: dict[str, str] = field(default_factory=dict)
    missing: MissingLoops | None = None

    def told(self) -> tuple[str, ...]:
        """All that is to be said of the clock in plain words, the one not used included.

        Examples
        --------
        >>> skew = {"value": 48.2, "low": 44.0, "high": 52.4}
        >>> other = {"column": "host_s", "used_column": "board_us", "skew_ppm": skew,
        ...          "jitter_ns": 1_300_000, "used_jitter_ns": 90_000}
        >>> print(Clock(other=other).told()[0].partition("; ")[0])
        host_s is a second clock: it gains 48.2 ppm (44 to 52.4) and scatters by 1.3 ms
        """
        if self.other is None:
            return self.notes
        skew = self.other["skew_ppm"]
        verb, low, value, high = "gains", skew["low"], skew["value"], skew["high"]
        if value < 0 and high <= 0:
            verb, low, value, high = "loses", abs(high), abs(value), abs(low)
        return (
            f"{self.other['column']} is a second clock: it {verb} {value:.3g} ppm ({low:.3g} to "
            f"{high:.3g}) and scatters by {self.other['jitter_ns'] / 1e6:.3g} ms; "
            f"{self.other['used_column']} is used",
            *self.notes,
        )


@dataclass(frozen=True)
class SelfPieces:
    """Self time on the loop's thread, each piece within one loop."""

    #: Rows of `CallColumns` that the pieces come from; a slice of all where each call is one;
    #: integer array, shape (p,), or slice.
    row: Int | slice
    loop: Int  #: int32 array, shape (p,)
    name: Int  #: int32 array, shape (p,)
    self_ns: Int  #: int32 or int64 array, shape (p,)


@dataclass(frozen=True)
class Run:
    """One recording.

    Parameters
    ----------
    loop_columns, call_columns : LoopColumns, CallColumns
        The canonical tables as arrays; `loops` and `calls` give DataFrames.
    names : tuple of CallName
        What is known of each call name; codes index it.
    thread_names : tuple of str
        Codes index it.
    loop_thread : int
        Code of the thread that runs the loop; -1 in a log without calls.
    layout, source : str
        Layout of the log and where it was read from.
    rows_read, rows_used : int
        Rows of the log that belong to this run; `rows_used` + ``len(set_aside)`` equals
        `rows_read`.
    loop_from : str
        How the loops were found, in plain words; it ends with `schema.SUMMED` where a loop is as
        long as its parts together for want of a clock.
    dropped : int
        Rows that the recorder reports as lost.
    meta : dict of str to str
        ``# key: value`` lines of the log.
    signals, marks : Signals, MarkColumns or None
        Where the log has them.
    """

    loop_columns: LoopColumns
    call_columns: CallColumns = field(default_factory=CallColumns.empty)
    names: tuple[CallName, ...] = ()
    thread_names: tuple[str, ...] = ()
    loop_thread: int = -1
    layout: str = "calls"
    source: str = ""
    rows_read: int = 0
    rows_used: int = 0
    set_aside: SetAside = field(default_factory=SetAside)
    clock: Clock = field(default_factory=Clock)
    loop_from: str = ""
    dropped: int = 0
    meta: dict[str, str] = field(default_factory=dict)
    signals: Signals | None = None
    marks: MarkColumns | None = None

    @property
    def averaged(self) -> bool:
        """Whether the length of a loop is the mean of several, of which one is logged."""
        return ONE_IN in self.loop_from

    @property
    def summed(self) -> bool:
        """Whether a loop is as long as its parts together, for want of a clock."""
        return self.loop_from.endswith(SUMMED)

    def __len__(self) -> int:
        return len(self.loop_columns)

    @cached_property
    def loops(self) -> pd.DataFrame:
        """Loops as a DataFrame: `loop, start_ns, period_ns` and, where logged, `body_ns, phase`."""
        import pandas as pd

        at = self.loop_columns
        table: dict[str, object] = {
            "loop": at.loop.astype(np.int64),
            "start_ns": at.start_ns,
            "period_ns": at.period_ns,
        }
        if at.body_ns is not None:
            table["body_ns"] = at.body_ns
        frame = pd.DataFrame(table)
        if at.phase is not None:
            frame["phase"] = pd.Categorical.from_codes(at.phase, list(at.phase_names))
        return frame

    @cached_property
    def calls(self) -> pd.DataFrame:
        """Calls as a DataFrame: the fields of `CallColumns`, in the same integers for all logs."""
        import pandas as pd

        at = self.call_columns
        frame = pd.DataFrame(
            {
                "loop": self.loop_columns.loop.astype(np.int64)[at.loop],
                "thread": pd.Categorical.from_codes(at.thread, list(self.thread_names)),
                "name": pd.Categorical.from_codes(at.name, [n.name for n in self.names]),
                "start_ns": at.start_ns,
                "duration_ns": at.duration_ns.astype(np.int64),
                "self_ns": at.self_ns.astype(np.int64),
                "depth": at.depth.astype(np.int16),
            }
        )
        if at.seq is not None:
            frame["seq"] = at.seq.astype(np.int64)
        if at.cpu_ns is not None:
            frame["cpu_ns"] = at.cpu_ns
        return frame

    @property
    def duration_s(self) -> float:
        """Sum of the periods [s]."""
        return float(self.loop_columns.period_ns.sum()) / 1e9

    @cached_property
    def on_loop_thread(self) -> Bool:
        """Which calls ran on the loop's thread; bool array, shape (m,)."""
        thread = self.call_columns.thread
        if len(thread) > 1 and thread.strides == (0,):  # one for all of them
            return np.broadcast_to(thread[0] == self.loop_thread, len(thread))
        return thread == self.loop_thread

    def self_pieces(self) -> SelfPieces:
        """Self time on the loop's thread, cut at the loops' boundaries.

        Returns
        -------
        SelfPieces
            One piece a call, and one more for each later loop into which a call reaches. For
            every loop, the pieces and `unattributed_ns` add up to the period.
        """
        at = self.call_columns
        if not len(at.spill_row) and self.on_loop_thread.all():  # then nothing needs copying
            return SelfPieces(slice(None), at.loop, at.name, at.self_ns)
        row = np.flatnonzero(self.on_loop_thread)
        own = at.self_ns[row].astype(np.int64)
        if not len(at.spill_row):
            return SelfPieces(row, at.loop[row], at.name[row], own)
        place = np.searchsorted(row, at.spill_row)
        np.subtract.at(own, place, at.spill_ns)
        return SelfPieces(
            np.concatenate([row, at.spill_row]),
            np.concatenate([at.loop[row], at.spill_loop]),
            np.concatenate([at.name[row], at.name[at.spill_row]]),
            np.concatenate([own, at.spill_ns]),
        )

    def unattributed_ns(self) -> Int:
        """Part of each period that no call on the loop's thread covers; shape (n,) [ns]."""
        pieces = self.self_pieces()
        left = self.loop_columns.period_ns.astype(np.int64)
        for low in range(0, len(pieces.loop), _AT_ONCE):
            loop, own = pieces.loop[low : low + _AT_ONCE], pieces.self_ns[low : low + _AT_ONCE]
            if np.abs(own).sum(dtype=np.float64) < 2**53:  # as long as 104 days
                first = int(loop.min())
                covered = np.bincount(loop - first, own).astype(np.int64)
                left[first : first + len(covered)] -= covered
            else:  # float64 is not exact
                np.subtract.at(left, loop, own)
        return left

    def select(self, keep: Bool) -> Run:
        """The run with only the loops that are kept, and what falls into them.

        Parameters
        ----------
        keep : bool array, shape (n,)
            Which loops to keep.

        Returns
        -------
        Run
            Starts and periods are as recorded; row counts and `set_aside` stay the log's. Of one
            stretch of loops, nothing is copied that need not be.
        """
        new_index = np.cumsum(keep) - 1
        at, where = self.loop_columns, _places(keep)
        return replace(
            self,
            loop_columns=LoopColumns(
                at.loop[where],
                at.start_ns[where],
                at.period_ns[where],
                _picked(at.body_ns, where),
                _picked(at.phase, where),
                at.phase_names,
                _picked(at.line, where),
            ),
            call_columns=_select_calls(self.call_columns, keep, new_index),
            signals=_select_signals(self.signals, keep, new_index),
            marks=_select_marks(self.marks, keep, new_index),
        )

    def with_names(self, names: tuple[CallName, ...]) -> Run:
        """The run with other labels for its call names (same order, same length)."""
        return replace(self, names=names)


def stated(meta: dict[str, str], key: str) -> int:
    """The count that a log states in a line ``# key: N``; 0 where it states none.

    Examples
    --------
    >>> stated({"dropped": "12"}, "dropped"), stated({"dropped": "many"}, "dropped")
    (12, 0)
    """
    text = meta.get(key, "0")
    return int(text) if text.isdecimal() and len(text) <= 18 else 0


def _places(keep: Bool) -> slice | Bool:
    """The same places, as a slice where they are one stretch: it takes no copy."""
    count = int(np.count_nonzero(keep))
    first = int(keep.argmax()) if count else 0
    return slice(first, first + count) if keep[first : first + count].all() else keep


def _picked(column: Int | None, where: slice | Bool) -> Int | None:
    return None if column is None else column[where]


def _select_calls(calls: CallColumns, keep: Bool, new_index: Int) -> CallColumns:
    part = _places(keep)
    if isinstance(part, slice):  # a comparison is quicker than a look at each call's loop
        kept = (calls.loop >= part.start) & (calls.loop < part.stop)
    else:
        kept = keep[calls.loop]
    stays = kept[calls.spill_row]
    reaches = keep[calls.spill_loop]
    spilt, lost = stays & reaches, stays & ~reaches
    self_ns = calls.self_ns
    if lost.any():  # what reached into a loop that is left out goes with it
        self_ns = self_ns.copy()
        np.subtract.at(self_ns, calls.spill_row[lost], calls.spill_ns[lost])
    where = _places(kept)
    spill_row = calls.spill_row[spilt]
    if len(spill_row):
        spill_row = (np.cumsum(kept) - 1)[spill_row]
    return CallColumns(
        loop=(
            calls.loop[where] - np.int32(part.start)
            if isinstance(part, slice)
            else new_index.astype(np.int32)[calls.loop[where]]
        ),
        thread=calls.thread[where],
        name=calls.name[where],
        start_ns=calls.start_ns[where],
        duration_ns=calls.duration_ns[where],
        self_ns=self_ns[where],
        depth=calls.depth[where],
        seq=_picked(calls.seq, where),
        cpu_ns=_picked(calls.cpu_ns, where),
        spill_row=spill_row,
        spill_loop=new_index[calls.spill_loop[spilt]].astype(np.int32),
        spill_ns=calls.spill_ns[spilt],
    )


def _select_signals(signals: Signals | None, keep: Bool, new_index: Int) -> Signals | None:
    if signals is None:
        return None
    kept = keep[signals.loop]
    return Signals(
        signals.time_ns[kept],
        new_index[signals.loop[kept]].astype(np.int32),
        {name: values[kept] for name, values in signals.values.items()},
    )


def _select_marks(marks: MarkColumns | None, keep: Bool, new_index: Int) -> MarkColumns | None:
    if marks is None:
        return None
    kept = keep[marks.loop]
    return MarkColumns(
        marks.time_ns[kept],
        new_index[marks.loop[kept]].astype(np.int32),
        marks.thread[kept],
        marks.name[kept],
        marks.used[kept],
    )
