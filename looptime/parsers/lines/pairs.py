"""Lines that are ``key=value`` pairs and nothing else, with values that are no plain words."""

import re

from looptime.parsers.lines.grid import Grid, fit_cell, is_text
from looptime.parsers.text.dialect import is_number
from looptime.units import split_unit

__all__ = ["read_pairs"]

_SAMPLE = 400
#: Of the lines, this part must be pairs.
_MOST = 0.95
#: A value without quotes may be of several words, the first of which is no number.
_WORDS = r"[^\W\d][^\s,;\"'=]*(?: +[^\s,;\"'=]+(?![^\s,;]*=))*"
_PAIR = rf"([A-Za-z_][\w.]*)=(?:\"([^\"]*)\"|'([^']*)'|({_WORDS}|[^\s,;\"']*))"
_ONE = re.compile(rf"{_PAIR}(?:[\s,;]+|$)")
_ALL = re.compile(rf"\s*(?>{_ONE.pattern}){{2,}}")
#: A number and the unit that follows it.
_IN_UNIT = re.compile(r"([+-]?[\d.]+)([^\W\d_]+)")
#: A word that any sentence may hold.
_PLAIN = re.compile(r"[A-Za-z][A-Za-z_./-]*")


def read_pairs(lines: list[str]) -> Grid | None:
    """Cells of a log of pairs alone, some of them empty or names such as ``imu::read``; else None.

    Lines that hold numbers and plain words are left to those who read sentences, which tell more.

    Examples
    --------
    >>> grid = read_pairs([f"t={k} call=imu::read ms=2.5" for k in range(3)])
    >>> grid.names, grid.rows[2]
    (['t', 'call', 'ms'], ['2', 'imu::read', '2.5'])
    >>> read_pairs(["t=1 call=imu ms=2.5", "t=5 call=imu ms=2.4"]) is None
    True
    """
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    alike = [line for line in sample if _ALL.fullmatch(line)]
    if len(alike) < max(2, _MOST * len(sample)):
        return None
    told = [value for line in alike for _, value in _pairs(line)]
    if all(is_number(v) or _PLAIN.fullmatch(v) or _IN_UNIT.fullmatch(v) for v in told):
        return None
    grid = Grid(lines)
    grid.rows = [_cells(grid, line) if _ALL.fullmatch(line) else None for line in lines]
    return grid


def _pairs(line: str) -> list[tuple[str, str]]:
    return [(one[1], one[2] or one[3] or one[4] or "") for one in _ONE.finditer(line)]


def _cells(grid: Grid, line: str) -> list[str]:
    """The values of a line by column, numbers in the unit of theirs."""
    row = [""] * len(grid.names)
    for key, value in _pairs(line):
        found = _IN_UNIT.fullmatch(value)
        unit = split_unit(f"x [{found[2]}]")[1] if found else None
        at = grid.column(key, unit)
        if at < 0:
            continue
        row += [""] * (at + 1 - len(row))
        if found and unit:
            row[at] = found[1] if unit == grid.units[at] else repr(
                float(found[1]) * grid.scale(at, unit))  # fmt: skip
        else:
            row[at] = fit_cell(value)
    return row
