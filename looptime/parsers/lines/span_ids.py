"""Begins and ends that a number of their own holds together, where the ends have no name."""

from collections import Counter
from collections.abc import Callable, Sequence

from looptime.parsers.layouts.edge_words import WORDS
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid, fit_cell
from looptime.parsers.text.dialect import is_missing, is_number, is_remark, split_line
from looptime.units import word_unit

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
        plain = any(map(is_number, names))  # no header
        if plain:
            names = [f"column_{k + 1}" for k in range(len(names))]
        if len(names) < 4 or len(set(names)) < len(names):
            continue
        if name_ends(_grid(shown, names, delimiter)) is not None:
            made = _grid(every(), names, delimiter)
            places = name_ends(made)
            told = places is not None and (not plain or _name_columns(made, places))
            return made if told else None
    return None


def _name_columns(grid: Grid, places: tuple[int, int, int]) -> bool:
    """Give the columns of a table without header their names; whether one of them is a clock."""
    for name, at in zip(("edge", "name", "span"), places, strict=True):
        grid.names[at] = name
    for at in range(len(grid.names)):
        cells = [cell for cell in grid.cells(at) if cell]
        if at in places or not cells:
            continue
        if len(set(cells)) == 1 and word_unit(cells[0]) and at and grid.names[at - 1] == "time":
            grid.names[at], grid.units[at - 1] = "", word_unit(cells[0])
        elif "time" not in grid.names and all(map(is_number, cells)) and cells[0] != cells[-1]:
            grid.names[at] = "time"
    return "time" in grid.names


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


def name_ends(grid: Grid) -> tuple[int, int, int] | None:
    """Give ends the names of their begins, in place, by what both hold.

    Returns
    -------
    tuple of int, or None
        The columns that say begin and end, hold the names, and pair them; None where none do.
    """
    found = grid.found()
    rows = [[*(grid.rows[at] or []), *[""] * len(grid.names)][: len(grid.names)] for at in found]
    columns = [list(column) for column in zip(*rows, strict=True)]
    if len(rows) < _ROWS:
        return None
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
            for line, row, begin, one in zip(found, rows, begun, side, strict=True):
                if begin >= 0:
                    row[named[0]] = rows[begin][named[0]]
                if len(row[at]) == 1 and one in (BEGIN, END):  # a sign alone could be a number's
                    row[at] = ("begin", "end")[one == END]
                grid.rows[line] = row
            return at, named[0], by
    return None


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
