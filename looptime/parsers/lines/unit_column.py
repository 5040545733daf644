"""Tables of which one column holds the unit of the number that stands beside it."""

from looptime.parsers.columns.evidence import counts_rows, wordy
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.long import find_long
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.units import UNITS, split_unit, word_unit

__all__ = ["by_unit_column"]

#: What a header may say that names a length.
_LENGTHS = ("duration", "busy", "whole", "period")


def by_unit_column(grid: Grid, like: Dialect) -> str:
    r"""Bring lengths to one unit whose own stands in each row, in place; what was done.

    Values of a long table keep theirs until each of its names has a column.

    Examples
    --------
    >>> from looptime.parsers.lines.cell_rows import table_grid
    >>> from looptime.parsers.text.sniff import sniff
    >>> log = ["call,took,unit", *(f"imu,{k}.5,ms\ndrive,{900 + k},us" for k in range(1, 9))]
    >>> lines = "\n".join(log).split("\n")
    >>> grid = table_grid(lines, sniff("\n".join(lines), "a.csv"))
    >>> by_unit_column(grid, sniff("\n".join(lines), "a.csv")), grid.names[1], grid.rows[1:3]
    ("'unit' is the unit of 'took'", 'took [us]', [['imu', '1500', ''], ['drive', '901', '']])
    """
    for at, name in enumerate(grid.names):
        first = {row[at] for row in like.sample} if wordy(like, at) else {""}
        if not all(map(word_unit, first)):
            continue
        near = [k for k in (at - 1, at + 1) if 0 <= k < len(grid.names) and not wordy(like, k)]
        near = [k for k in near if not split_unit(grid.names[k])[1]
                and not counts_rows(numbers(like, k))]  # fmt: skip
        if not near or (
            meaning(grid.names[near[0]]) not in _LENGTHS
            and find_long(like.header, like.sample, like.decimal) is not None
        ):
            continue
        units = [word_unit(cell) for cell in grid.cells(at)]
        finest = min({unit for unit in units if unit}, key=lambda unit: UNITS[unit])
        whose = grid.names[near[0]]
        grid.put(near[0], [_in(cell, unit, finest) for cell, unit
                           in zip(grid.cells(near[0]), units, strict=True)])  # fmt: skip
        grid.put(at, [""] * len(units))
        grid.names[near[0]] = f"{whose} [{finest}]"
        return f"{name!r} is the unit of {whose!r}"
    return ""


def _in(cell: str, unit: str | None, finest: str) -> str:
    """A length in another unit; nothing where it has none."""
    if unit is None or not is_number(cell):
        return ""
    return cell if unit == finest else f"{float(cell) * UNITS[unit] / UNITS[finest]:.15g}"
