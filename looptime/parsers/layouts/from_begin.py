"""Instants that are counted from the begin of their loop, told by values, and that begin beside."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Float
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.unit import instants
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.units import UNITS

__all__ = [
    "ANEW",
    "BEGIN",
    "OFFSET",
    "Counted",
    "begin_of",
    "begins_beside",
    "counted",
    "starts_of",
]

#: Why columns are taken for the instants of calls within their loop, and for the loop's begin.
OFFSET = "it begins anew near 0 with every loop and rises within it"
BEGIN = "it stays through the rows of a loop and goes on where the instants begin anew"
#: Falls from which on, and the share of the rows, in which instants begin anew.
_ENOUGH, ANEW = 30, 0.02
#: Share of the rows, or of the loops, in which that must hold; and of a loop's length that its
#: first instant lies from nought at most.
_MOSTLY, _NOUGHT = 0.9, 0.1
#: A loop lasts at least so much of the way to its last instant, and at most so many times that.
_LEAST, _MOST = 0.98, 200.0


@dataclass(frozen=True)
class Counted:
    """A column of instants within loops, and what they count from."""

    head: Head
    base: Head | None  #: With its unit; None where no column holds it
    at: Float  #: As they stand, after `begin`, shape (n,)
    begin: Float  #: Of each row's loop, in the unit of `head`; 0 where nothing holds it

    def laid(self, length: Float) -> Float:
        """Instants of calls that last so long; loops follow each other where no begin is known."""
        if self.base is not None:
            return self.begin + self.at
        anew = _falls(self.at)
        first = np.flatnonzero(np.append(True, anew))
        ends = np.fmax.reduceat(self.at + np.fmax(length, 0), first)
        loop = np.append(0, np.cumsum(anew))
        return np.asarray((np.cumsum(np.nan_to_num(ends)) - np.nan_to_num(ends))[loop] + self.at)

    def until(self, head: Head, dialect: Dialect) -> Float | None:
        """How long calls last whose ends are counted from the same begin; None for no such column.

        In the unit of the instants.
        """
        end = numbers(dialect, head.index)
        if head.unit and self.head.unit:
            end = end * (UNITS[head.unit] / UNITS[self.head.unit])
        length = end - self.at
        anew = (_falls(end) == _falls(self.at)).mean() >= _MOSTLY
        holds = bool(anew and (length >= 0).mean() >= 1 - ANEW and np.nanmax(length) > 0)
        return length if holds and float(np.nanstd(length)) > 0 else None


def counted(found: list[Head], dialect: Dialect) -> list[Counted]:
    """Columns whose values begin anew near 0 with every loop and rise within it.

    Parameters
    ----------
    found : list of Head
        Columns that may be one, or the one of the loops' begins.
    dialect : Dialect
        How the log is written, with its first rows.
    """
    made = []
    for head in found:
        at = numbers(dialect, head.index)
        if not _begins_anew(at):
            continue
        base = begin_of(head, [one for one in found if one is not head], dialect)
        own = head if base is None or head.unit else _as_base(head, base, dialect)
        begin = np.zeros(len(at)) if base is None else _in_unit_of(own, base, dialect)
        made.append(Counted(own, base, at, begin))
    return made


def begins_beside(start: Head, found: list[Head], dialect: Dialect) -> bool:
    """Whether what a header calls a start is that of the loop, from which another column counts.

    Parameters
    ----------
    start : Head
        The column that is called so.
    found : list of Head
        All columns.
    dialect : Dialect
        How the log is written, with its first rows.
    """
    step = np.diff(instants(dialect, start))
    if len(step) < _ENOUGH or (step == 0).mean() < ANEW:
        return False
    rest = [head for head in found if head is not start and not wordy(dialect, head.index)]
    within = [head for head in rest if _begins_anew(numbers(dialect, head.index))]
    return any(begin_of(head, [start], dialect) is not None for head in within)


def begin_of(head: Head, free: list[Head], dialect: Dialect) -> Head | None:
    """The column of the loop's begin, which goes on just where instants begin anew.

    Where its header names no unit, it has the one in which loops last until their last instants.
    """
    at = numbers(dialect, head.index)
    fall = _falls(at)
    if fall.sum() < _ENOUGH or fall.mean() < ANEW:
        return None
    for one in free:
        step = np.diff(instants(dialect, one))
        known = np.isfinite(step)
        if known.mean() < _MOSTLY or (not one.unit and np.isin(step[known], (0, 1)).all()):
            continue
        goes_on = ((step > 0) == fall)[known].mean() >= _MOSTLY
        if goes_on and (step[known] >= 0).mean() >= 1 - ANEW:
            return _with_unit(one, head, step[fall & known], at[:-1][fall & known])
    return None


def _as_base(head: Head, base: Head, dialect: Dialect) -> Head:
    """Instants without a unit in that of the begins beside them, if loops then last so long."""
    if not base.unit:
        return head
    at, begin = numbers(dialect, head.index), instants(dialect, base)
    fall = _falls(at) & (np.diff(begin) > 0)
    step = np.diff(begin)[fall] * UNITS[base.unit]
    likely = [word for word, ns in UNITS.items() if _lasts(step, at[:-1][fall] * ns)]
    return replace(head, unit=base.unit if base.unit in likely or not likely else likely[0])


def _with_unit(one: Head, head: Head, step: Float, last: Float) -> Head:
    """The column of begins in a unit in which a loop lasts at least until its last instant."""
    if one.unit or not head.unit:
        return one
    reach = last * UNITS[head.unit]
    likely = [word for word, ns in UNITS.items() if _lasts(step * ns, reach)]
    return replace(one, unit=head.unit if head.unit in likely or not likely else likely[0])


def _lasts(step: Float, last: Float) -> bool:
    """Whether loops may last so long whose last calls begin at these instants."""
    reach = float(median(last))
    return _LEAST * reach <= float(median(step)) <= _MOST * reach


def _in_unit_of(head: Head, base: Head, dialect: Dialect) -> Float:
    """Begins in the unit of the instants that count from them."""
    begin = instants(dialect, base)
    text = bool(np.isnan(numbers(dialect, base.index)).all())
    if text:
        return begin / UNITS[head.unit] if head.unit else begin
    return begin * (UNITS[base.unit] / UNITS[head.unit] if base.unit and head.unit else 1.0)


def starts_of(given: dict[str, Head], dialect: Dialect) -> Float:
    """Starts of calls as they stand, after those of their loops; loops laid where none are known.

    Parameters
    ----------
    given : dict of str to Head
        The columns of `start` and `duration`, and of `base` where there is one.
    dialect : Dialect
        How the log is written, with its first rows.
    """
    head = given["start"]
    at = numbers(dialect, head.index)
    if "base" in given:
        return at + _in_unit_of(head, given["base"], dialect)
    if "duration" not in given or not _begins_anew(at):
        return at
    length = numbers(dialect, given["duration"].index)
    return Counted(head, None, at, np.zeros(len(at))).laid(length)


def _falls(at: Float) -> Bool:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.diff(at) < 0)


def _begins_anew(at: Float) -> bool:
    """Whether values fall to about nought again and again, as instants within loops do."""
    fall = _falls(at)
    if fall.sum() < _ENOUGH or np.isfinite(at).mean() < _MOSTLY:
        return False
    first, last = at[1:][fall], at[:-1][fall]
    near = (first >= 0) & (first <= _NOUGHT * median(last))
    rising = float((np.diff(at) > 0).mean()) + float(fall.mean())
    return bool(fall.mean() >= ANEW and near.mean() >= _MOSTLY and rising >= _MOSTLY)
