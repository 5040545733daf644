"""``[[columns]]`` of the project file: what the columns of a team's logs are, stated once."""

from collections.abc import Mapping, Sequence
from typing import Any

from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.signal_names import ANGLE_UNITS
from looptime.units import UNITS

__all__ = ["STATED_ROLES", "StatedColumns", "matching", "state_columns"]

#: What a column can be stated to be; a unit may stand behind (``part ms``, ``turn rate rad/s``).
STATED_ROLES = (
    "clock", "loop number", "phase", "part", "whole", "period", "latency", "deviation", "setting",
    "run timer", "start-up timer", "beside", "signal", "heading", "turn rate", "skip",
)  # fmt: skip

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
        if key not in ("header", "roles", "stamped"):
            raise UsageError(f"key {key!r} is not known: use header, roles, stamped")
    header, roles, stamped = (entry.get(key) for key in ("header", "roles", "stamped"))
    if not isinstance(header, str) or not header:
        raise UsageError(
            'has no header: add header = "time,gyro,..." (looptime columns LOG --write)'
        )
    if not isinstance(roles, list) or not all(isinstance(role, str) and role for role in roles):
        raise UsageError('has no roles: add roles = ["clock s", "part ms", ...], one a column')
    if stamped not in (None, "start", "end"):
        raise UsageError(f"stamped = {stamped!r}: use start or end")
    made = StatedColumns(header, tuple(roles), stamped)
    for index, text in enumerate(roles):
        if made.role(index)[0] not in STATED_ROLES:
            known = ", ".join(STATED_ROLES)
            raise UsageError(f"role {text!r} is not known: use one of {known}, with a unit behind")
    if not header.endswith(" columns") and header.count(",") + 1 != len(roles):
        raise UsageError(f"names {header.count(',') + 1} columns but {len(roles)} roles")
    return made


def matching(
    stated: Sequence[StatedColumns], header: Sequence[str] | None, fields: int
) -> StatedColumns | None:
    """The table for a log with this header, or of this many columns without one.

    Examples
    --------
    >>> one = StatedColumns("t,gyro", ("clock", "part"))
    >>> matching([one], ("t", "gyro"), 2) is one, matching([one], ("t", "drive"), 2)
    (True, None)
    """
    shown = f"{fields} columns" if header is None else ",".join(header)
    return next((one for one in stated if one.header == shown and len(one.roles) == fields), None)
