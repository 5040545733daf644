"""Lines indented below the call that they lie in, or below a title: those say what they are."""

import re
from collections import Counter, defaultdict
from itertools import islice

from looptime.parsers.lines.fold import stands_for_loop
from looptime.parsers.lines.grid import Grid, is_stamp
from looptime.units import split_unit

__all__ = ["name_by_indent", "units_of_titles"]

_SAMPLE = 2000
#: A stamp in front, and the blanks before what is indented.
_INDENT = re.compile(r"(?:\s*[\[(]?[\d:.T/-]+(?:\s?(?:us|ms|s)\b)?[\])]?[,:|]?\s)?(\s*)\S")
#: Of the lines of a name, this part must stand below the same other one.
_MOST = 0.9
#: A line that is a title of those indented below it.
_TITLE = re.compile(r"(\s*)[\"']?([^\W\d][\w .\[\]()/-]*?)[\"']?\s*:\s*")


def units_of_titles(grid: Grid) -> None:
    r"""Give numbers the unit that the title of their group names, where they have none, in place.

    Examples
    --------
    >>> log = ["loop: 7", "took_us:", "  imu: 900", "volts: 12"] * 3
    >>> grid = Grid(log, rows=[["7"], None, ["", "900"], ["", "", "12"]] * 3,
    ...             names=["loop", "imu", "volts"], units=[None] * 3)
    >>> units_of_titles(grid)
    >>> grid.units, sorted(grid.headers)
    ([None, 'us', None], [1, 5, 9])
    """
    below: defaultdict[int, Counter[str | None]] = defaultdict(Counter)
    titles = set()
    unit, depth, title = None, -1, -1
    for at, line in enumerate(grid.lines):
        row = grid.rows[at]
        found = _TITLE.fullmatch(line) if row is None else None
        if found is not None:
            unit, depth, title = split_unit(found[2])[1], len(found[1].expandtabs(4)), at
        elif row is not None:
            mine = len(line.expandtabs(4)) - len(line.expandtabs(4).lstrip()) > depth >= 0
            titles |= {title} if mine else set()
            depth = depth if mine else -1
            for k, cell in enumerate(row):
                below[k][unit if mine else None] += bool(cell)
    for at, counts in below.items():
        (told, often), *_ = counts.most_common(1)
        known = grid.units[at] or split_unit(grid.names[at])[1]
        if told and known is None and often >= _MOST * counts.total():
            grid.units[at] = told
    grid.headers |= titles


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
