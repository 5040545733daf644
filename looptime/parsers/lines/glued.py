"""Lines of letters with the number of each glued to it: ``T00072 S33 M42``."""

import re
from collections import Counter

from looptime.parsers.lines.grid import Grid
from looptime.parsers.text.dialect import is_remark

__all__ = ["glued"]

#: Lines looked at, the share of them that must be alike, and the fewest.
_FIRST, _MOSTLY, _FEWEST = 200, 0.9, 4
_PAIR = re.compile(r"([A-Za-z_]{1,12})([+-]?\d+(?:\.\d+)?)")
_APART = re.compile(r"[\s,;|]+")
_WORD = re.compile(r"[A-Za-z!*]+")


def glued(lines: list[str]) -> Grid | None:
    """A table of numbers by the letters that they are glued to; None where lines are none such.

    Examples
    --------
    >>> grid = glued(["# board 3", *(f"T{70 * k:05d} S{3 + k % 2} M42" for k in range(6))])
    >>> grid.names, grid.rows[1]
    (['T', 'S', 'M'], ['00000', '3', '42'])
    """
    rows = [line for line in lines[: 2 * _FIRST] if not is_remark(line)][:_FIRST]
    if len(rows) < _FEWEST or not any(map(_PAIR.match, rows[:_FEWEST])):
        return None
    found = [_pairs(line) for line in rows]
    (keys, often), *_ = Counter(tuple(key for key, _ in pairs) for pairs in found).most_common(1)
    if len(set(keys)) < max(2, len(keys)) or often < _MOSTLY * len(rows):
        return None
    values = zip(*((value for _, value in pairs) for pairs in found if len(pairs) == len(keys)),
                 strict=True)  # fmt: skip
    if sum(len(set(cells)) > 1 for cells in values) < 2:  # names that end in a digit
        return None
    grid = Grid(lines)
    for key in keys:
        grid.column(key)
    for line in lines:
        pairs = [] if is_remark(line) else _pairs(line)
        whole = tuple(key for key, _ in pairs) == keys
        grid.rows.append([value for _, value in pairs] if whole else None)
    return grid


def _pairs(line: str) -> list[tuple[str, str]]:
    """Letters and numbers of a line that holds nothing else but words; else none."""
    made = []
    for token in _APART.split(line.strip()):
        pair = _PAIR.fullmatch(token)
        if pair is not None:
            made.append((pair[1], pair[2]))
        elif not _WORD.fullmatch(token):
            return []
    return made
