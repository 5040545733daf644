"""A table of cells as rows of a grid, and one whose time stands in two columns."""

import re
from collections.abc import Callable, Sequence
from itertools import pairwise

from looptime.parsers.lines.grid import Grid, fit_cell
from looptime.parsers.lines.keyed import STAMP
from looptime.parsers.text.dialect import Dialect, is_number, is_remark, split_line

__all__ = [
    "header_lines", "join_seconds", "plain_cells", "table_grid", "two_columns", "undrawn",
]  # fmt: skip

_SECONDS = re.compile(r"(^|[^a-z])(s|secs?|seconds?)$")
_FRACTION = {
    re.compile(r"(^|[^a-z])(ns|n(ano)?secs?|nanoseconds?|nanos)$"): 9,
    re.compile(r"(^|[^a-z])(us|u?secs?|microsecs?|microseconds?|micros)$"): 6,
    re.compile(r"(^|[^a-z])(ms|millisecs?|msecs?|milliseconds?|millis)$"): 3,
}

_SAMPLE = 400
#: What draws the frame of a table on a terminal, and what is typed instead.
_DRAWN = str.maketrans(
    dict.fromkeys("│┃║┆┊┌┐└┘├┤┬┴┼┏┓┗┛┣┫┳┻╋╔╗╚╝╠╣╦╩╬╞╡╪╒╕╘╛╭╮╰╯", "|") | dict.fromkeys("─━═╌┄", "-")
)


def undrawn(lines: list[str]) -> list[str]:
    """Lines with bars and dashes for the frames of a table that was drawn; others as they are.

    Examples
    --------
    >>> undrawn(["┌──┬───┐", "│ t│imu│", "├──┼───┤", "│ 0│2.5│"])
    ['|--|---|', '| t|imu|', '|--|---|', '| 0|2.5|']
    >>> lines = ["0,2.5"]
    >>> undrawn(lines) is lines
    True
    """
    told = [line for line in lines[:_SAMPLE] if line.strip()]
    if not told or 2 * sum(line.lstrip()[:1] in "│┃║" for line in told) < len(told):
        return lines
    return [line.translate(_DRAWN) for line in lines]


def table_grid(lines: list[str], like: Dialect) -> Grid:
    """The rows of a table as a grid."""
    header = like.header or ("time", *(f"column_{at + 2}" for at in range(like.fields - 1)))
    grid = Grid(lines, headers=header_lines(lines, like))
    for text in header[: like.fields]:
        grid.names.append(fit_cell(text))
        grid.units.append(None)
    for at, line in enumerate(lines, 1):
        cells = plain_cells(line, like, at)
        grid.rows.append(None if cells is None else [fit_cell(c) for c in cells])
    return grid


def header_lines(lines: list[str], like: Dialect) -> set[int]:
    """Lines, from 0, that name the columns or their units, also where they come again."""
    if not (like.head or like.header) or not like.header_line:
        return set()
    text = lines[like.header_line - 1].strip()
    again = {at for at, line in enumerate(lines) if line.strip() == text}
    return again | ({like.units_line - 1} if like.units_line else set())


def plain_cells(line: str, like: Dialect, number: int) -> Sequence[str] | None:
    """Cells of a line that is a row, with a decimal point, else None."""
    if is_remark(line) or number in (like.header_line, like.units_line):
        return None
    cells = split_line(line, like.delimiter)
    if len(cells) != like.fields or not any(c.isdecimal() for c in line):
        return None
    if like.decimal == ",":
        return [c.replace(",", ".") if is_number(c, ",") else c for c in cells]
    return cells


def two_columns(lines: list[str], written: Callable[[], Dialect | None]) -> Grid | None:
    """A table whose time stands in two columns, whole seconds and their fraction, with one.

    `written` tells how the lines are written, None where they are no table.
    """
    if not any(pattern.search(word) for pattern in list(_FRACTION)[:2] for line in lines[:20]
               for word in re.split(r"[,;|\s)\]]+", line.lower())):  # fmt: skip
        return None
    like = written()
    if like is None or not any(_SECONDS.search(text) for text in map(_bare, like.header or ())):
        return None
    grid = table_grid(lines, like)
    return grid if join_seconds(grid) else None


def _bare(name: str) -> str:
    return name.strip().lower().rstrip(")]")


def join_seconds(grid: Grid) -> bool:
    """Join whole seconds and their fraction, where they stand in two columns; whether they did."""
    stems = [_bare(name) for name in grid.names]
    whole = next((at for at, text in enumerate(stems) if _SECONDS.search(text)), None)
    for pattern, digits in _FRACTION.items():
        part = next((at for at, text in enumerate(stems) if pattern.search(text)), None)
        if whole is None or part is None:
            continue
        pairs = list(zip(grid.cells(whole)[:2000], grid.cells(part)[:2000], strict=True))
        if not _is_fraction(pairs, 10**digits):
            continue
        grid.names[whole], grid.units[whole] = STAMP, "s"
        grid.names[part], grid.units[part] = "", None
        for row in grid.rows:
            if row is not None and len(row) > max(whole, part) and row[part].strip().isdecimal():
                row[whole] = f"{row[whole].strip()}.{int(row[part]):0{digits}d}"
                row[part] = ""
        return True
    return False


def _is_fraction(pairs: list[tuple[str, str]], most: int) -> bool:
    """Whether one column holds whole seconds that never fall and another what is below them."""
    pairs = [(a.strip(), b.strip()) for a, b in pairs]
    if not all(a.isdecimal() and b.isdecimal() and int(b) < most for a, b in pairs):
        return False
    times = [int(a) * most + int(b) for a, b in pairs]
    back = sum(b < a for a, b in pairwise(times))
    fell = sum(int(b[1]) < int(a[1]) for a, b in pairwise(pairs))
    return (
        len(times) > 2
        and back <= 0.05 * len(times)
        and max(int(b) for _, b in pairs) > 0
        and (fell > 0 or int(pairs[-1][0]) == int(pairs[0][0]))
    )
