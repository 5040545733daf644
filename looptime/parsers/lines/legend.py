"""Codes that a comment above the rows names: the names take their place."""

import re
from collections.abc import Sequence

from looptime.parsers.lines.grid import Grid

__all__ = ["by_legend", "legend_of"]

#: A code and its name, as in "1=loop, 2 = imu" or "0x10: grab".
_NAMED = re.compile(
    r"(?<![\w.+-])(0x[0-9a-f]+|\d+)\s*(?:=>?|:|->)\s*([^\W\d_][\w./-]*)", re.IGNORECASE
)
_CODE = re.compile(r"^([+-]?)(0x[0-9a-f]+|\d+)$", re.IGNORECASE)
#: Cells of a column that must have a name.
_MOSTLY = 0.95
#: Headers of codes that name calls.
_CALLS = frozenset(("code", "codes", "id", "event", "eventid", "ev", "call", "callid", "fn", "func",
                    "section", "stage", "task", "point", "mark", "marker", "tag"))  # fmt: skip


def legend_of(remarks: Sequence[str]) -> dict[int, str]:
    """Codes by number and their names, as the comments state two and more.

    Examples
    --------
    >>> legend_of(["# t in us", "# 1=loop, 2=imu, 0x10 = grab"])
    {1: 'loop', 2: 'imu', 16: 'grab'}
    >>> legend_of(["# robot: 7", "# started 10:32"])
    {}
    """
    found = {_number(code): name for line in remarks for code, name in _NAMED.findall(line)}
    return found if len(found) > 1 else {}


def _number(code: str) -> int:
    return int(code, 16 if code[1:2] in ("x", "X") else 10)


def by_legend(grid: Grid, remarks: Sequence[str]) -> str:
    """Put names for codes, in place; what was done, "" where nothing was.

    A sign before the code stays: it says that a call begins or ends.
    """
    named = legend_of(remarks)
    for at in range(len(grid.names)) if named else ():
        cells = grid.cells(at)
        told = [_CODE.match(cell.strip()) for cell in cells]
        names = [named.get(_number(one[2])) if one else None for one in told]
        if len(set(names) - {None}) < 2 or names.count(None) > (1 - _MOSTLY) * len(names):
            continue
        grid.put(at, [f"{one[1]}{name}" if one and name else cell
                      for cell, one, name in zip(cells, told, names, strict=True)])  # fmt: skip
        header = grid.names[at]
        if re.sub(r"[^a-z]", "", header.lower()) in _CALLS:
            grid.names[at] = "name"
        return f"{header!r} holds codes: their names are those of the comment above"
    return ""
