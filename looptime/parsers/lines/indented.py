"""Lines indented below the call that they lie in: their names say so."""

import re
from collections import Counter, defaultdict
from itertools import islice

from looptime.parsers.lines.fold import stands_for_loop
from looptime.parsers.lines.grid import Grid, is_stamp

__all__ = ["name_by_indent"]

_SAMPLE = 2000
#: A stamp in front, and the blanks before what is indented.
_INDENT = re.compile(r"(?:\s*[\[(]?[\d:.T/-]+(?:\s?(?:us|ms|s)\b)?[\])]?[,:|]?\s)?(\s*)\S")
#: Of the lines of a name, this part must stand below the same other one.
_MOST = 0.9


def name_by_indent(grid: Grid) -> None:
    r"""Put before each name that of the call it is indented below, where lines are so.

    Examples
    --------
    >>> log = ["sensors 3 ms", "  imu 2 ms", "drive 4 ms"] * 3
    >>> grid = Grid(log, rows=[["3"], ["", "2"], ["", "", "4"]] * 3,
    ...             names=["sensors", "imu", "drive"], units=["ms"] * 3)
    >>> name_by_indent(grid)
    >>> grid.names
    ['sensors', 'sensors.imu', 'drive']
    """
    above: defaultdict[int, Counter[int]] = defaultdict(Counter)
    told = [(k, at) for k in range(min(len(grid.rows), _SAMPLE)) if (at := _one(grid, k)) >= 0]
    depths = [len(found[1].expandtabs(4)) if (found := _INDENT.match(grid.lines[k])) else 0
              for k, _ in told]  # fmt: skip
    if len(set(depths)) < 2:
        return
    if depths[0] > min(depths):  # a call is told when it is over: after what lies in it
        told.reverse()
        depths.reverse()
    around: list[tuple[int, int]] = []
    for (_, at), depth in zip(told, depths, strict=True):
        while around and around[-1][0] >= depth:
            around.pop()
        above[at][around[-1][1] if around else -1] += 1
        around.append((depth, at))
    parent = {}
    for at, counts in above.items():
        (outer, often), *_ = counts.most_common(1)
        if outer >= 0 and often >= _MOST * counts.total():
            parent[at] = outer
    stem = dict(enumerate(grid.names))
    for at in parent:
        path, one = [stem[at]], at
        while one in parent and not stands_for_loop(stem[parent[one]]) and len(path) < 9:
            one = parent[one]
            path.append(stem[one])
        grid.names[at] = ".".join(reversed(path))


def _one(grid: Grid, line: int) -> int:
    """The one column but stamps that a line fills; -1 where it fills none or several."""
    row = grid.rows[line] or []
    every = (at for at, cell in enumerate(row) if cell and not is_stamp(grid.names[at]))
    filled = list(islice(every, 2))
    return filled[0] if len(filled) == 1 and grid.units[filled[0]] else -1
