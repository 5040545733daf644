"""What a column of durations can be taken for, and what is seen of it before it is judged."""

from dataclasses import field

from looptime.array_types import Float
from looptime.records import dataclass

__all__ = [
    "ABOVE", "BY_NAME", "EITHER", "FALSE_UNIT", "IN_LIST", "IN_NO_LIST", "MADE_UP", "MAYBE",
    "ROLES", "ROUND", "Judged", "Role", "Seen", "Stamped",
]  # fmt: skip

#: How it is said that a column is not in the unit of its header.
FALSE_UNIT = "its header says "
#: Why a column is no part although it is named like a call and would fit into the loop.
MAYBE = "it may be a length of time, but nothing says so: a unit in its header would"
#: Why a column is a part though nothing but its name and its room in the loop says so.
BY_NAME = "its name says that it is timed, and it fits into the loop beside the others"
#: Why a column is a part though the unit of the list in which it stands is behind the last alone.
IN_LIST = "the unit behind the last of the list is its own, in which all fit into the loop"
#: Why a column is none though its list says so.
IN_NO_LIST = "some of its values are below zero, though the unit behind its list may be its own"
#: Why a column is a part though nothing but the others says so.
MADE_UP = "one of them is shorter by as much as each other is longer, and all fill the clock's step"
#: Why a column is a length whose unit lines above the rows state, and one that may be a reading.
ABOVE = "a line above the rows states its unit"
EITHER = (
    "a line above the rows states a unit of lengths, and its values may be some: it is named like "
    "a reading as well, and a unit in its header would settle it"
)
#: Why a column is no part although its header says that it is a length.
ROUND = "it goes on evenly and round, as a counter that wraps, and is no length"
#: What a column can be taken for.
ROLES = (
    "part", "whole", "period", "latency", "deviation", "setting", "run timer", "start-up timer",
    "beside", "signal",
)  # fmt: skip


@dataclass(frozen=True)
class Seen:
    """A column before it is judged."""

    meaning: str  #: What its header says, one of `looptime.parsers.columns.lexicon.MEANINGS`
    values: Float  #: As they stand; NaN where there is none; shape (n,)
    unit_ns: int | None = None  #: Nanoseconds in one unit, where the header says
    words: tuple[str, ...] = ()  #: Words of its header that say of what it tells
    name: str = ""  #: Its header, for messages
    #: Nanoseconds in the unit behind the last of its list; 0 where others of that are no lengths.
    listed_ns: int | None = None
    above: str = ""  #: How it is said that its unit stands above the rows, and not in its header


@dataclass(frozen=True)
class Role:
    """What a column is taken for."""

    taken_as: str  #: One of `ROLES`
    unit_ns: int | None = None  #: Nanoseconds in one unit; None where it holds no time
    unit_from: str = ""  #: ``header``, or what the unit was inferred from
    why: str = ""  #: The reason in plain words
    sure: str = "sure"  #: ``sure``, ``likely`` or ``unsure``
    inside: int = -1  #: The column in which it lies, -1 for none
    #: ``after`` or ``before``: the clock's step beside the row that a period or a whole goes with.
    step: str = ""
    moved: int = 0  #: By how many rows a whole stands below the parts that it goes with
    #: The column in the row from which it counts on, -1 for the loop's start; -2 for a length.
    lap_of: int = -2
    left_of: int = 0  #: The length of which a whole's column holds what it leaves [ns]; 0 for none


@dataclass(frozen=True)
class Stamped:
    """Which end of its loop a row is stamped at."""

    side: str = ""  #: ``start``, ``end``, or nothing where the values do not tell
    why: str = ""


@dataclass(frozen=True)
class Judged:
    """The roles of columns, in their order, and which end of its loop a row is stamped at."""

    roles: tuple[Role, ...]
    stamped: Stamped = field(default_factory=Stamped)
