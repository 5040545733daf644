"""Tables of which one column holds the unit of the number that stands beside it."""

from dataclasses import replace

from looptime.parsers.columns.evidence import are_units, counts_rows, wordy
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.stated_lengths import lengths_in
from looptime.parsers.layouts import calls
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.long import find_long
from looptime.parsers.text.dialect import Dialect, is_missing, is_number, numbers
from looptime.records import dataclass
from looptime.units import UNITS, split_unit, word_unit

__all__ = ["by_unit_column", "in_said_unit"]

#: What a header may say that names a length.
_LENGTHS = ("duration", "busy", "whole", "period")
#: Names of a unit, and of how many lengths it is that of all where words may name the lengths.
_UNITS, _SEVERAL = ("unit", "units", "time_unit", "time_units", "timeunit"), 2
#: Names of what is left out that are listed.
_LISTED = 3


def by_unit_column(grid: Grid, like: Dialect) -> str:
    r"""Bring lengths to one unit whose own stands in each row, in place; what was done.

    Rows in a unit of something else are values beside the calls, and never lengths. Values of a
    long table keep their units until each of its names has a column, unless its rows are calls.

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
    if said := in_said_unit(grid, like):
        return said
    for at, name in enumerate(grid.names):
        if not wordy(like, at) or not are_units(name, {row[at] for row in like.sample}):
            continue
        near = [k for k in (at - 1, at + 1) if 0 <= k < len(grid.names) and not wordy(like, k)]
        near = [k for k in near if not split_unit(grid.names[k])[1]
                and not counts_rows(numbers(like, k))]  # fmt: skip
        if not near:
            continue
        units = [word_unit(cell) for cell in grid.cells(at)]
        finest = min({unit for unit in units if unit}, key=lambda unit: UNITS[unit])
        places = _Places(near[0], at, _names_beside(like, at), finest)
        if (
            meaning(grid.names[near[0]]) not in _LENGTHS
            and find_long(like.header, like.sample, like.decimal) is not None
            and not places.holds_calls(like)
        ):
            continue
        return places.put_into(grid)
    return ""


def in_said_unit(grid: Grid, like: Dialect | None = None) -> str:
    r"""Name the unit of lengths beside which every row says it, in place; what was done.

    It is that of all that stand in the same object, or in the row, and name none; the clock beside
    them may be in another one.

    Examples
    --------
    >>> from looptime.parsers.lines.objects import read_objects
    >>> log = [f'{{"t": {k}, "took": {{"imu": {k%3}, "arm": 7}}, "unit": "us"}}' for k in range(9)]
    >>> grid = read_objects(log)
    >>> in_said_unit(grid), grid.header()
    ("'unit' is the unit of the lengths beside it", ['t', 'took.imu [us]', 'took.arm [us]', 'unit'])
    """
    for at, name in enumerate(grid.names):
        above, joint, own = name.rpartition(".")
        if own.strip().lower() not in _UNITS:
            continue
        words = {cell.strip() for cell in grid.cells(at)} - {""}
        unit = word_unit(next(iter(words))) if len(words) == 1 else None
        if unit is None:
            continue
        like = like or grid.rewritten()[1]
        open_ = [k for k, one in enumerate(grid.names)
                 if one.startswith(above + joint) and not grid.units[k]
                 and split_unit(one)[1] is None and not wordy(like, k)]  # fmt: skip
        lengths = lengths_in(like, open_, unit, {})
        others = any(wordy(like, k) for k in range(len(grid.names)) if k != at and grid.names[k])
        if len(lengths) < (_SEVERAL if others else 1):
            continue
        for k in lengths:
            grid.units[k] = unit
        grid.put(at, [""] * len(grid.cells(at)))
        return f"{name!r} is the unit of the lengths beside it"
    return ""


def _names_beside(like: Dialect, at: int) -> int | None:
    """The column of words that tells which rows are in units of time; None where there is none."""
    timed = [word_unit(row[at]) is not None for row in like.sample]
    for k in range(like.fields):
        cells = [row[k] for row in like.sample]
        told = {cell for cell, ours in zip(cells, timed, strict=True) if ours}
        others = {cell for cell, ours in zip(cells, timed, strict=True) if not ours}
        if k != at and wordy(like, k) and others and not told & others:
            return k
    return None


@dataclass(frozen=True)
class _Places:
    """Places of columns: of lengths, of their units, and of the names that some of them have."""

    length: int
    unit: int
    name: int | None
    finest: str

    def parted(self, row: list[str]) -> list[str]:
        """A row with its length in the finest unit, its mark, and the value if it is no length."""
        unit, cell = row[self.unit], row[self.length]
        made = [*row, ""]
        known = word_unit(unit)
        made[self.length] = _in(cell, known, self.finest)
        made[self.unit] = ""
        if known is None and self.name is not None and not is_missing(unit):
            made[self.unit], made[-1] = "signal", cell
            made[self.name] = f"{row[self.name]} [{unit}]"
        return made

    def header(self, names: list[str]) -> list[str]:
        """Names of the columns, with those of the mark and the value where some are no lengths."""
        made = list(names)
        own = names[self.length]
        if self.name is not None:
            own = "reading" if own.strip().lower() == "value" else own
            made[self.unit] = "mark"
        made[self.length] = f"{own} [{self.finest}]"
        return [*made, "value"] if self.name is not None else made

    def holds_calls(self, like: Dialect) -> bool:
        """Whether rows with lengths in one unit are calls, side by side or within each other."""
        header = self.header(list(like.header or ()))
        width = len(header)
        rows = tuple(tuple(self.parted(list(row))[:width]) for row in like.sample)
        one = replace(like, header=tuple(header), fields=width, sample=rows)
        return calls.LAYOUT.fit(heads(tuple(header)), one, False) is not None

    def put_into(self, grid: Grid) -> str:
        """Bring a table's rows to one unit, in place; what was done, and what is no length."""
        whose, unit, width = grid.names[self.length], grid.names[self.unit], len(grid.names)
        others: dict[str, str] = {}
        header = self.header(grid.names)
        for at, row in enumerate(grid.rows):
            if row is None:
                continue
            whole = [*row, *[""] * (width - len(row))]
            made = self.parted(whole)[: len(header)]
            if self.name is not None and made[self.unit]:
                others.setdefault(whole[self.name], whole[self.unit])
            grid.rows[at] = made
        grid.names[:] = header
        grid.units += [None] * (len(header) - width)
        said = f"{unit!r} is the unit of {whose!r}"
        return f"{said}; {_no_lengths(others)}" if others else said


def _no_lengths(others: dict[str, str]) -> str:
    """What is said of names whose values are in a unit of something else."""
    some = [f"{name} ({unit})" for name, unit in list(others.items())[:_LISTED]]
    more = f" and {len(others) - _LISTED} more" if len(others) > _LISTED else ""
    return f"{', '.join(some)}{more}: in no unit of time, so values and no calls"


def _in(cell: str, unit: str | None, finest: str) -> str:
    """A length in another unit; nothing where it has none."""
    if unit is None or not is_number(cell):
        return ""
    return cell if unit == finest else f"{float(cell) * UNITS[unit] / UNITS[finest]:.15g}"
