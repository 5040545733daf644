"""The vocabulary that every floor shares: columns with type, unit and meaning; closed lists."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "CALL_COLUMNS",
    "KINDS",
    "LAYOUTS",
    "LOOP_COLUMNS",
    "REASONS",
    "SCHEMA_VERSION",
    "SIGNALS",
    "TABLES",
    "UNATTRIBUTED",
    "CallName",
    "Column",
]

#: Version of the JSON output and of stored files; raised when a key changes its meaning.
SCHEMA_VERSION = 1

#: Kinds of call, in the order in which they are shown.
KINDS = (
    "sensor read",
    "actuator write",
    "wait",
    "compute",
    "telemetry",
    "pacing",
    "other",
)

#: Log layouts; see ``sample_logs/README.md``. Lines of values are brought to one of the tables.
TABLES = ("calls", "edges", "stages", "costs", "sections", "stamps")
LAYOUTS = (*TABLES, "values")

#: Name of the row that holds the part of a period that no call covers.
UNATTRIBUTED = "unattributed"

#: Why a row of a log was not used. The list is closed: parsers use these words only.
REASONS = (
    "before first loop",
    "unfinished last loop",
    "wrong number of fields",
    "unreadable number",
    "missing value",
    "not a row",
    "line too long",
    "duplicate row",
    "pasted again",
    "corrupt stamp",
    "negative duration",
    "begin without end",
    "end without begin",
    "overlaps another call",
    "first interval",
    "start-up section",
    "whole-run total",
    "rows lost around it",
)


@dataclass(frozen=True)
class Column:
    """One column of a canonical table: its name, NumPy type, unit and meaning."""

    name: str
    dtype: str
    unit: str
    meaning: str
    optional: bool = False


LOOP_COLUMNS = (
    Column("loop", "int64", "", "number of the loop as logged, else counted from 0"),
    Column("start_ns", "int64", "ns", "start of the loop on the log's clock"),
    Column("period_ns", "int64", "ns", "start of this loop to start of the next"),
    Column("body_ns", "int64", "ns", "length of the row that encloses the loop", True),
    Column("phase", "category", "", "phase in the log's own word", True),
    Column("line", "int64", "", "line of the log where the loop begins", True),
)

CALL_COLUMNS = (
    Column("loop", "int32", "", "index of the loop in which the call starts"),
    Column("thread", "category", "", "thread that made the call"),
    Column("name", "category", "", "name of the call"),
    Column("start_ns", "int64", "ns", "start of the call on the log's clock"),
    Column("duration_ns", "int64", "ns", "end minus start"),
    Column("self_ns", "int64", "ns", "duration minus the calls nested in it"),
    Column("depth", "int16", "", "number of calls that enclose it, 0 for none"),
    Column("seq", "int64", "", "the logger's sequence number", True),
    Column("cpu_ns", "int64", "ns", "processor time spent in the call", True),
)

#: Signals that the heading models and freshness know by name; others are kept as they are called.
SIGNALS = (
    Column("heading_deg", "float64", "deg", "heading, counter-clockwise positive", True),
    Column("turn_rate_deg_s", "float64", "deg/s", "rate of turn", True),
    Column("x_m", "float64", "m", "position along the field's first axis", True),
    Column("y_m", "float64", "m", "position along the field's second axis", True),
    Column("battery_v", "float64", "V", "battery voltage", True),
)


@dataclass(frozen=True)
class CallName:
    """What is known of a call by its name."""

    name: str  #: As logged
    kind: str = "other"  #: One of `KINDS`
    #: None where nobody said.
    subsystem: str | None = None
    device: str | None = None
    bus: str | None = None
    items: int | None = None  #: Readings that one call of this name fetches
    #: Whether it may share a transaction with others; None where nobody said.
    batchable: bool | None = None
    kind_from: str = "guessed"  #: ``log``, ``project`` or ``guessed``
    recurs: str | None = None  #: ``loop`` or ``time`` where the project file says so
