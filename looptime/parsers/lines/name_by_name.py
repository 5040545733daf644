"""Long tables that stand name by name: all values of one name, loop after loop, then the next's."""

from collections.abc import Callable
from itertools import pairwise

from looptime.parsers.columns.evidence import wordy
from looptime.parsers.lines.cell_rows import header_lines, plain_cells
from looptime.parsers.lines.fold import fold
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.long import LOOPS, find_long, long_entries
from looptime.parsers.text.dialect import Dialect, is_number

__all__ = ["name_by_name"]

#: Headers of the names of values: runs have names as well.
_NAMES = (
    "key", "name", "signal", "channel", "field", "metric", "variable", "quantity", "measure",
    "parameter", "measurement", "section", "call", "part", "stage", "what", "item",
)  # fmt: skip
#: Names of the table, and rows that are put in order to tell what it is.
_MOST, _FIRST = 200, 2000


def name_by_name(like: Dialect, every: Callable[[], list[str]]) -> Grid | None:
    r"""A row a loop of a table whose rows are sorted by their names; None of other logs.

    Parameters
    ----------
    like : Dialect
        How its first lines are written, which hold a single name.
    every : function
        All lines.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = [f"{k},{name},{k % 5 + 2}" for name in ("imu", "total") for k in range(40)]
    >>> lines = ["loop,variable,value_ms", *rows]
    >>> grid = name_by_name(sniff("\n".join(lines[:30]), "a.csv"), lambda: lines)
    >>> grid.names, grid.rows[41]
    (['loop', 'imu', 'total'], ['0', '2', '2'])
    """
    stems = [text.strip().lower() for text in like.header or ()]
    loop = next((at for at, stem in enumerate(stems) if stem in LOOPS), None)
    key = next((at for at, stem in enumerate(stems) if stem in _NAMES and wordy(like, at)), None)
    if loop is None or key is None or len({row[key] for row in like.sample}) > 1:
        return None
    lines = every()
    cells = [plain_cells(line, like, at) for at, line in enumerate(lines, 1)]
    rows = [row for row in cells if row is not None]
    turns = 1 + sum(a[key] != b[key] for a, b in pairwise(rows))
    again = len({row[loop] for row in rows})
    if not 2 <= turns <= _MOST or turns > len({row[key] for row in rows}) or again >= len(rows):
        return None
    if not all(is_number(row[loop]) for row in rows):
        return None
    in_order = sorted(rows, key=lambda row: float(row[loop]))[:_FIRST]
    table = find_long(like.header, in_order, like.decimal)
    if table is None or table.time != loop:
        return None
    grid, entries, stamp = long_entries(lines, cells, table, like.header)
    grid.headers |= header_lines(lines, like)
    entries.sort(key=lambda entry: float(entry[1][stamp]))
    return fold(grid, entries, stamp)
