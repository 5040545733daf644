"""Letters with a number glued to each: whole lines, ``T072 S33``, or a stamp, ``T072 imu:3``."""

import re
from collections import Counter
from itertools import pairwise

from looptime.parsers.lines.grid import Grid
from looptime.parsers.text.dialect import is_remark

__all__ = ["glued", "unglued"]

#: Lines looked at, the share of them that must be alike, and the fewest.
_FIRST, _MOSTLY, _FEWEST = 200, 0.9, 4
_PAIR = re.compile(r"([A-Za-z_]{1,12})([+-]?\d+(?:\.\d+)?)")
_APART = re.compile(r"[\s,;|]+")
_WORD = re.compile(r"[A-Za-z!*]+")
#: A number with letters before it, and a unit behind it or none, before the values of a line.
_HEAD = re.compile(
    r"(?<![\w.:=+-])([A-Za-z]{1,6})(\d+(?:\.\d+)?)(?=(?:[num]?s)?(?:[\s,;|\])]|:(?!\S)))"
)
#: How much of a line is looked at; of its numbers so many may begin anew, and so many differ.
_BEGINNING, _ANEW, _OWN = 40, 0.1, 0.2


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


def unglued(lines: list[str]) -> list[str]:
    """Lines in which a stamp, or a number that counts, is set off from the letters before it.

    Such numbers go on from line to line; those of names, as ``m1``, do not.

    Examples
    --------
    >>> unglued([f"L{k} T{20 * k} m1 gyro:3" for k in range(6)])[2]
    'L=2 T=40 m1 gyro:3'
    >>> unglued(["T20 m1 gyro:3", "T20 m2 gyro:3"] * 3)[1]
    'T20 m2 gyro:3'
    """
    rows = [line for line in lines[: 2 * _FIRST] if not is_remark(line)][:_FIRST]
    if len(rows) < _FEWEST or not any(_HEAD.search(line, 0, _BEGINNING) for line in rows[:_FEWEST]):
        return lines
    found: dict[str, list[float]] = {}
    for line in rows:
        for key, value in dict(_HEAD.findall(line[:_BEGINNING])).items():
            found.setdefault(key, []).append(float(value))
    keys = {key for key, values in found.items()
            if len(values) >= _MOSTLY * len(rows) and _goes_on(values)}  # fmt: skip
    if not keys:
        return lines
    head = re.compile(rf"(?<![\w.:=+-])({'|'.join(keys)})(?=\d)")
    return [head.sub(r"\1=", line[:_BEGINNING]) + line[_BEGINNING:] for line in lines]


def _goes_on(values: list[float]) -> bool:
    """Whether numbers rise along the lines, but for where they begin anew; names take turns."""
    falls = sum(after < before for before, after in pairwise(values))
    return falls <= _ANEW * len(values) and len(set(values)) >= max(_OWN * len(values), 2)
