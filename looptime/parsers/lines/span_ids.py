"""Begins and ends that a number of their own holds together, where the ends have no name."""

from collections import Counter
from collections.abc import Callable, Sequence

from looptime.parsers.layouts.edge_words import WORDS
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid, fit_cell
from looptime.parsers.text.dialect import is_missing, is_number, is_remark, split_line

__all__ = ["by_span_ids", "name_ends"]

#: Rows that tell, and the share of them that must agree.
_ROWS, _MOSTLY = 10, 0.95
_FIRST = 250


def by_span_ids(first: Sequence[str], every: Callable[[], list[str]]) -> Grid | None:
    r"""A table of begins and ends with the names of the begins at their ends; None of other logs.

    Where the name comes last, rows of ends may be shorter by its cell.

    Parameters
    ----------
    first : sequence of str
        The first lines.
    every : function
        All lines.

    Examples
    --------
    >>> lines = ["t_ms,ev,span,name"]
    >>> for k in range(9):
    ...     lines += [f"{20 * k},open,{k},imu", f"{20 * k + 3},close,{k}"]
    >>> grid = by_span_ids(lines, lambda: lines)
    >>> grid.rows[1], grid.rows[2]
    (['0', 'open', '0', 'imu'], ['3', 'close', '0', 'imu'])
    """
    shown = [line for line in first[:_FIRST] if not is_remark(line)]
    if len(shown) < _ROWS or not any(word in WORDS for word in _words(shown[1])):
        return None
    for delimiter in sorted("\t;,| ", key=shown[0].strip().count, reverse=True):
        names = [name.strip() for name in split_line(shown[0], delimiter)]
        if len(names) < 4 or any(map(is_number, names)) or len(set(names)) < len(names):
            continue
        if name_ends(_grid(shown, names, delimiter)):
            made = _grid(every(), names, delimiter)
            return made if name_ends(made) else None
    return None


def _words(line: str) -> list[str]:
    for mark in "\t;,|":
        line = line.replace(mark, " ")
    return line.lower().split()


def _grid(lines: list[str], names: list[str], delimiter: str) -> Grid:
    """Rows as wide as the names, or shorter by a cell."""
    made = Grid(lines, names=[fit_cell(name) for name in names], units=[None] * len(names))
    for at, line in enumerate(lines):
        cells = [] if is_remark(line) else [fit_cell(c) for c in split_line(line, delimiter)]
        if cells == made.names:
            made.headers.add(at)
            cells = []
        short = len(names) - len(cells)
        made.rows.append([*cells, *[""] * short] if short in (0, 1) else None)
    return made


def name_ends(grid: Grid) -> bool:
    """Give ends the names of their begins, in place, by what both hold; whether that was done."""
    found = grid.found()
    rows = [[*(grid.rows[at] or []), *[""] * len(grid.names)][: len(grid.names)] for at in found]
    columns = [list(column) for column in zip(*rows, strict=True)]
    if len(rows) < _ROWS:
        return False
    for at, cells in enumerate(columns):
        side = [WORDS.get(cell.strip().lower(), -1) for cell in cells]
        uses = Counter(side)
        if min(uses[BEGIN], uses[END]) < _ROWS // 3 or (
            uses[BEGIN] + uses[END] < _MOSTLY * len(rows)
        ):
            continue
        named = [k for k, one in enumerate(columns) if k != at and _names_begins(one, side)]
        if len(named) != 1:
            continue
        for by, ids in enumerate(columns):
            begun = _begins_of(ids, side) if by not in (at, named[0]) else None
            if begun is None:
                continue
            for line, row, begin in zip(found, rows, begun, strict=True):
                if begin >= 0:
                    row[named[0]] = rows[begin][named[0]]
                grid.rows[line] = row
            return True
    return False


def _names_begins(cells: list[str], side: list[int]) -> bool:
    """Whether a column names what begins, and is empty where it ends."""
    begins = [cell for cell, one in zip(cells, side, strict=True) if one == BEGIN]
    ends = [cell for cell, one in zip(cells, side, strict=True) if one == END]
    empty = sum(map(is_missing, ends))
    words = sum(not is_missing(cell) and not is_number(cell) for cell in begins)
    return words >= _MOSTLY * len(begins) and empty >= _MOSTLY * len(ends)


def _begins_of(ids: list[str], side: list[int]) -> list[int] | None:
    """For each row the one that began what it ends, -1 for none; None where ids tell of none.

    Each is met at a begin and at its end, and anew for another call thereafter.
    """
    open_: dict[str, int] = {}
    made, good, ends = [-1] * len(ids), 0, 0
    for at, (cell, one) in enumerate(zip(ids, side, strict=True)):
        if is_missing(cell):
            return None
        if one == BEGIN:
            good -= cell in open_  # it was not ended
            open_[cell] = at
        elif one == END:
            ends += 1
            made[at] = open_.pop(cell, -1)
            good += made[at] >= 0
    several = len(set(ids)) > 1
    return made if several and good >= _MOSTLY * ends else None
