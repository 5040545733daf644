"""``[[columns]]`` of the project file: what the columns of a team's logs are, stated once."""

import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import PurePath
from typing import Any

from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.signal_names import ANGLE_UNITS
from looptime.units import UNITS

__all__ = ["STATED_ROLES", "StatedColumns", "files_like", "matching", "state_columns"]

#: What a column can be stated to be; a unit may stand behind (``part ms``, ``turn rate rad/s``).
STATED_ROLES = (
    "clock", "loop number", "phase", "part", "whole", "period", "latency", "deviation", "setting",
    "run timer", "start-up timer", "beside", "signal", "heading", "turn rate", "skip",
)  # fmt: skip

#: What may stand in a table.
_KEYS = ("header", "roles", "stamped", "files")
#: Roles in units of an angle.
_ANGLES = ("heading", "turn rate")


@dataclass(frozen=True)
class StatedColumns:
    """One table of ``[[columns]]``."""

    #: The header as it stands in the log, its names set apart by commas; of a log without one the
    #: number of its columns (``4 columns``).
    header: str
    #: What each column is, in order, one of `STATED_ROLES` with or without a unit.
    roles: tuple[str, ...]
    stamped: str | None = None  #: ``start`` or ``end``: at which end of its loop a row is stamped
    files: str | None = None  #: Names of the logs that it is about (``run_*.csv``); None for any

    def role(self, index: int) -> tuple[str, str | None]:
        """What a column is, and the unit of its times.

        Examples
        --------
        >>> StatedColumns("t,gyro", ("clock s", "part ms")).role(1)
        ('part', 'ms')
        """
        words = self.roles[index].split()
        unit = words[-1] if words[-1] in (*UNITS, *ANGLE_UNITS) else None
        word = " ".join(words[:-1] if unit else words)
        if unit in ANGLE_UNITS:
            return (word if word in _ANGLES else self.roles[index]), None
        return word, unit

    def quantity(self, index: int) -> str:
        """A column's heading or turn rate with its unit, as a header would say it; else empty.

        Examples
        --------
        >>> stated = StatedColumns("t,w", ("clock s", "turn rate rad/s"))
        >>> stated.quantity(0), stated.quantity(1)
        ('', 'turn rate rad/s')
        """
        return self.roles[index] if self.role(index)[0] in _ANGLES else ""


def state_columns(entry: Mapping[str, Any]) -> StatedColumns:
    """Check one table of ``[[columns]]``.

    Raises
    ------
    UsageError
        With what is wrong and what may stand there.

    Examples
    --------
    >>> state_columns({"header": "t,gyro", "roles": ["clock s", "part ms"]}).stamped is None
    True
    """
    for key in entry:
        if key not in _KEYS:
            raise UsageError(f"key {key!r} is not known: use {', '.join(_KEYS)}")
    header, roles, stamped, files = (entry.get(key) for key in _KEYS)
    if not isinstance(header, str) or not header:
        raise UsageError(
            'has no header: add header = "time,gyro,..." (looptime columns LOG --write)'
        )
    if not isinstance(roles, list) or not all(isinstance(role, str) and role for role in roles):
        raise UsageError('has no roles: add roles = ["clock s", "part ms", ...], one a column')
    if stamped not in (None, "start", "end"):
        raise UsageError(f"stamped = {stamped!r}: use start or end")
    if files is not None and not (isinstance(files, str) and files):
        raise UsageError(f'files = {files!r}: use the names of logs, as "run_*.csv"')
    made = StatedColumns(header, tuple(roles), stamped, files)
    for index, text in enumerate(roles):
        if made.role(index)[0] not in STATED_ROLES:
            known = ", ".join(STATED_ROLES)
            raise UsageError(f"role {text!r} is not known: use one of {known}, with a unit behind")
    if not header.endswith(" columns") and header.count(",") + 1 != len(roles):
        raise UsageError(f"names {header.count(',') + 1} columns but {len(roles)} roles")
    return made


def matching(
    stated: Sequence[StatedColumns], header: Sequence[str] | None, fields: int, name: str = ""
) -> StatedColumns | None:
    """The table for a log with this header, or of this many columns without one.

    Parameters
    ----------
    stated : sequence of StatedColumns
        What the project file states.
    header, fields : sequence of str or None, int
        Of the log.
    name : str
        The log's path; which folder it is in does not matter.

    Examples
    --------
    >>> one = StatedColumns("t,gyro", ("clock", "part"))
    >>> matching([one], ("t", "gyro"), 2) is one, matching([one], ("t", "drive"), 2)
    (True, None)
    >>> bare = StatedColumns("2 columns", ("clock us", "period us"), files="arm_*.txt")
    >>> matching([bare], None, 2, "logs/arm_12.txt") is bare, matching([bare], None, 2, "lift.txt")
    (True, None)
    """
    shown, own = f"{fields} columns" if header is None else ",".join(header), PurePath(name).name
    mine = [one for one in stated if one.header == shown and len(one.roles) == fields]
    named = (one for one in mine if one.files is not None and fnmatchcase(own, one.files))
    return next(named, None) or next((one for one in mine if one.files is None), None)


def files_like(path: str) -> str | None:
    """Names of logs like this one, whose numbers may be others; None where it has no name.

    Examples
    --------
    >>> files_like("logs/run_0412.csv"), files_like("arm.txt"), files_like("0412.csv")
    ('run_*.csv', 'arm.txt', '0412.csv')
    >>> files_like("-") is None
    True
    """
    name = PurePath(path).name
    if path == "-" or not name:
        return None
    stem, dot, suffix = name.partition(".")
    like = re.sub(r"\d+", "*", stem)
    made = f"{like}{dot}{suffix}" if any(map(str.isalpha, like)) else name
    return made if fnmatchcase(name, made) else None  # "[" in a name is a set of letters
