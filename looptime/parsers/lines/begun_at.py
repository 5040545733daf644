"""Lines that tell the name, begin and length of each call, and others the begin of each loop."""

import re
from dataclasses import field

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import rises
from looptime.parsers.lines.grid import Grid, fit_cell, is_text
from looptime.records import dataclass
from looptime.units import UNITS, split_unit

__all__ = ["read_begun"]

#: Lines looked at, the share of them that must be such lines, and the fewest calls.
_FIRST, _MOSTLY, _FEWEST = 400, 0.9, 6
_NUMBER = r"\d+(?:\.\d+)?"
_UNIT = r"ns|[u\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]s|ms|s(?:ec)?"
_BEGAN = (
    r"(?:[\s:=,|@(-]|(?<![a-z])(?:begin|begins|began|begun|start|starts|started|from|at|t|t0)"
    r"(?![a-z]))*?"
)
_LASTED = (
    r"(?:[\s:=,|+(;-]|(?<![a-z])(?:took|takes|for|dur|duration|lasted|len|length|in|needed|"
    r"elapsed)(?![a-z]))+?"
)
_LOOP = re.compile(
    rf"\W*(?:(?P<no>\d+)[\s:,|]+)?(?:loop|cycle|pass|iteration|iter|frame|lap|turn)\b"
    rf"(?:[\s#:=]*(?P<own>\d+)(?![.\d])(?=\D+\d))?{_BEGAN}(?P<at>{_NUMBER})\s*(?P<unit>{_UNIT})?\W*",
    re.IGNORECASE,
)
_CALL = re.compile(
    rf"\W*(?:(?P<no>\d+)[\s:,|]+)?(?P<name>[a-z_][\w./-]*(?: [a-z_][\w./-]*)*?){_BEGAN}"
    rf"(?P<at>{_NUMBER})\s*(?P<unit>{_UNIT})?{_LASTED}(?P<took>{_NUMBER})\s*(?P<in>{_UNIT})\W*",
    re.IGNORECASE,
)
#: Letters of a line that tells one call; of a longer one each look may take the square.
_LONGEST = 400
#: A length as a share of the step to the next line: most are no longer than it, nor next to none.
_ROOM, _LEAST = 1.02, 0.02


@dataclass
class _Told:
    """What lines tell: of each the line, the instant, its unit, and of a call the name and more."""

    line: list[int] = field(default_factory=list)
    at: list[str] = field(default_factory=list)
    units: set[str | None] = field(default_factory=set)
    name: list[str] = field(default_factory=list)  #: Empty for the begin of a loop
    took: list[str] = field(default_factory=list)
    within: list[str | None] = field(default_factory=list)  #: Unit of each length


def read_begun(lines: list[str]) -> Grid | None:
    """Calls of lines that tell the begin and the length of each, and the loops between; else None.

    Examples
    --------
    >>> log = [line for k in range(6) for line in (f"pass {k} at {5 + k / 50:.3f}",
    ...        f"  gyro: {5.001 + k / 50:.3f} + 1.5 ms", f"  arm: {5.003 + k / 50:.3f} + 9.0 ms")]
    >>> grid = read_begun(log)
    >>> grid.header(), grid.rows[:2]
    (['start [s]', 'duration [ns]', 'name', 'loop'], [['5.000', '0', 'loop', '0'], \
['5.001', '1500000', 'gyro', '0']])
    """
    sample = [line for line in lines[:_FIRST] if is_text(line)]
    first = _told(sample)
    if len(first.line) < _MOSTLY * len(sample) or sum(map(bool, first.name)) < _FEWEST:
        return None
    told = _told(lines)
    at = np.array(told.at, np.float64)
    begins = [k for k, name in enumerate(told.name) if not name]
    if len(begins) < 2 or len(told.units) != 1 or not rises(at):
        return None
    took = np.array([float(t) * UNITS[u] if u else 0.0
                     for t, u in zip(told.took, told.within, strict=True)])  # fmt: skip
    unit = next(iter(told.units)) or _unit(at, took)
    return None if unit is None else _grid(lines, told, begins, took, unit)


def _told(lines: list[str]) -> _Told:
    made = _Told()
    for line, text in enumerate(lines):
        if len(text) > _LONGEST:
            continue
        loop = _LOOP.fullmatch(text)
        found = loop or _CALL.fullmatch(text)
        if found is None:
            continue
        made.line.append(line)
        made.at.append(found["at"])
        made.units.add(_known(found["unit"]))
        made.name.append("" if loop else fit_cell(found["name"]))
        made.took.append("0" if loop else found["took"])
        made.within.append(None if loop else _known(found["in"]))
    return made


def _known(unit: str | None) -> str | None:
    return split_unit(f"x [{unit.lower()}]")[1] if unit else None


def _unit(at: Float, took: Float) -> str | None:
    """The unit of instants in which most calls end before the next line, and fill some of it."""
    step, length = np.diff(at), took[:-1]
    timed = (length > 0) & (step > 0)
    for unit, ns in UNITS.items() if timed.any() else ():
        share = length[timed] / (step[timed] * ns)
        if (share <= _ROOM).mean() >= _MOSTLY and np.median(share) >= _LEAST:
            return unit
    return None


def _grid(lines: list[str], told: _Told, begins: list[int], took: Float, unit: str) -> Grid:
    """A call a row; the begin of a loop is a row too, of no length, as nothing tells its end."""
    grid = Grid(lines, [None] * len(lines), ["start", "duration", "name", "loop"])
    grid.units = [unit, "ns", None, None]
    grid.loops_from = "lines that tell the begin of each"
    grid.aside += [(line, "before first loop") for line in told.line[: begins[0]]]
    number = -1
    for k in range(begins[0], len(told.line)):
        number += not told.name[k]
        grid.rows[told.line[k]] = [
            told.at[k],
            f"{took[k]:.0f}",
            told.name[k] or "loop",
            f"{number}",
        ]
    return grid
