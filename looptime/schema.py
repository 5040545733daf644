"""The vocabulary that every floor shares: columns with type, unit and meaning; closed lists."""

from looptime.records import dataclass

__all__ = [
    "CUT_SHORT",
    "KINDS",
    "LAYOUTS",
    "LIMITS",
    "ONE_IN",
    "REASONS",
    "SCHEMA_VERSION",
    "SUMMED",
    "TABLES",
    "UNATTRIBUTED",
    "CallName",
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

#: What is told of a compressed log whose end is missing.
CUT_SHORT = "the compressed file is cut short: what came before the cut was read"

#: Name of the row that holds the part of a period that no call covers.
UNATTRIBUTED = "unattributed"

#: Words by which a log states the time that a loop may take.
LIMITS = ("budget", "deadline")

#: How loops were found of which one in so many is logged.
ONE_IN = "one loop in"
#: How loops were found that last as long as their parts together, for want of a clock.
SUMMED = ("the sum of its parts", "the sum of its sections")

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
    "other thread",
    "rows lost around it",
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
