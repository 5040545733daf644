"""Codes that a comment above the rows names: the names take their place."""

import re
from collections.abc import Sequence

from looptime.parsers.layouts.edge_words import WORDS, split_edge
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid

__all__ = ["by_legend", "legend_of", "may_name"]

#: A code, a name, and a word for the begin or the end of what it names.
_A_CODE, _A_NAME = r"(0x[0-9a-f]+|\d+)", r"[^\W\d_][\w./-]*"
_EDGE = "|".join(
    sorted((word for word in WORDS if len(word) > 2 and word.isalpha()), key=len)[::-1]
)
#: A code and its name, as in "1=loop, 2 = imu", "0x10: grab" or "10 = gyro begin".
_NAMED = re.compile(
    rf"(?<![\w.+-]){_A_CODE}\s*(?:=>?|:|->)\s*({_A_NAME}(?:[ \t]+(?:{_EDGE})\b)?)", re.IGNORECASE
)
#: The same where nothing but blanks, or a mark, stands in between: of all that stands there.
_ALONE = re.compile(
    rf"{_A_CODE}(?:\s*(?:=>?|:|->|-)\s*|\s+)[(]?({_A_NAME}(?:[ \t]+{_A_NAME}){{0,3}})[)]?",
    re.IGNORECASE,
)
_NAME_FIRST = re.compile(
    rf"({_A_NAME}(?:[ \t]+{_A_NAME}){{0,3}})\s*(?:=>?|:|->|\s)\s*{_A_CODE}", re.IGNORECASE
)
_CODE = re.compile(r"^([+-]?)(0x[0-9a-f]+|\d+)$", re.IGNORECASE)
#: What a list is called before it begins.
_TITLE = re.compile(r"^[^\W\d_]+(?:\s[^\W\d_]+)?\s*:\s+(?=.*[,;|])")
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
    >>> legend_of(["# 1: loop begin, 2: loop end"])
    {1: 'loop begin', 2: 'loop end'}
    >>> legend_of(["# robot: 7", "# started 10:32"])
    {}
    """
    found = {_number(code): name for line in remarks for code, name in _NAMED.findall(line)}
    return found if len(found) > 1 else {}


def may_name(remarks: Sequence[str]) -> bool:
    """Whether comments state names of codes, if a column holds those."""
    return bool(legend_of(remarks) or _listed(remarks))


def _listed(remarks: Sequence[str]) -> dict[int, str]:
    """Codes and names that stand alone on lines or between commas, whatever is between the two.

    Examples
    --------
    >>> _listed(["# legend", "# 10 gyro begin", "# 11 - gyro end"])
    {10: 'gyro begin', 11: 'gyro end'}
    >>> _listed(["# codes: gyro_start = 7, gyro_stop = 8"])
    {7: 'gyro_start', 8: 'gyro_stop'}
    """
    pieces = [piece for line in remarks
              for piece in re.split("[,;|]", _TITLE.sub("", line.lstrip("#/%;!* ")))]  # fmt: skip
    ahead = [one.groups() for one in map(_ALONE.fullmatch, map(str.strip, pieces)) if one]
    behind = [one.groups() for one in map(_NAME_FIRST.fullmatch, map(str.strip, pieces)) if one]
    found = {_number(code): name for code, name in ahead}
    found = found or {_number(code): name for name, code in behind}
    return found if len(found) > 1 else {}


def _tells_edges(named: dict[int, str]) -> bool:
    """Whether names say for each of two and more what begins and what ends."""
    told = [split_edge(name) for name in named.values()]
    begun, ended = ({name for name, side in told if side == one} for one in (BEGIN, END))
    return len(begun & ended) > 1 and all(side is not None for _, side in told)


def _number(code: str) -> int:
    return int(code, 16 if code[1:2] in ("x", "X") else 10)


def by_legend(grid: Grid, remarks: Sequence[str]) -> str:
    """Put names for codes, in place; what was done, "" where nothing was.

    A sign before the code stays: it says that a call begins or ends.
    """
    sure, listed = legend_of(remarks), _listed(remarks)
    for at, header in enumerate(grid.names) if sure or listed else ():
        known = re.sub(r"[^a-z]", "", header.lower()) in _CALLS or _tells_edges(listed)
        named = listed if known and len(listed) >= len(sure) else sure
        cells = grid.cells(at)
        told = [_CODE.match(cell.strip()) for cell in cells]
        names = [named.get(_number(one[2])) if one else None for one in told]
        if len(set(names) - {None}) < 2 or names.count(None) > (1 - _MOSTLY) * len(names):
            continue
        grid.put(at, [f"{one[1]}{name}" if one and name else cell
                      for cell, one, name in zip(cells, told, names, strict=True)])  # fmt: skip
        if known:
            grid.names[at] = "name"
        return f"{header!r} holds codes: their names are those of the comment above"
    return ""
