"""Values that are written when they change: they hold on until the next one."""

from collections import Counter
from itertools import pairwise

from looptime.parsers.lines.grid import Entry, Grid
from looptime.parsers.text.dialect import is_number

__all__ = ["carry"]

#: Share of the loops from which on a value is written in every one.
_EVERY = 0.9
#: So many values that repeat the one before would be met by chance, where none is.
_BY_CHANCE = 5.0


def carry(grid: Grid, groups: list[list[int]], entries: list[Entry], stamp: int | None) -> None:
    """Fill in what loops hold on from those before, in place, and say so.

    Parameters
    ----------
    grid : Grid
        One row a loop.
    groups : list of list of int
        The lines of each loop, from 0.
    entries : list of Entry
        All lines with their values.
    stamp : int or None
        Column of the lines' stamps.
    """
    written: dict[int, list[tuple[int, str]]] = {}
    for line, values in entries:
        for at, cell in values.items():
            written.setdefault(at, []).append((line, cell))
    loop_of = {line: k for k, group in enumerate(groups) for line in group}
    held = {at: cells for at, cells in written.items()
            if at != stamp and grid.names[at] and _on_change(cells, loop_of)}  # fmt: skip
    heads = [next(line for line in group if grid.rows[line] is not None) for group in groups]
    timed = {line for line, values in entries if len(set(values) - {stamp, *held}) > 0}
    for at, cells in held.items():
        _hold(grid, at, cells, groups, heads, timed)
    numbers = [grid.names[at] for at in held if is_number(held[at][0][1])]
    if numbers:
        grid.notes.append(f"{', '.join(numbers)}: written on change, so held until the next value")


def _on_change(cells: list[tuple[int, str]], loop_of: dict[int, int]) -> bool:
    """Whether no value repeats the one before, though it would if it were written otherwise.

    Numbers that come in every loop, or in every so many, are no such values.
    """
    if any(a == b for (_, a), (_, b) in pairwise(cells)):
        return False
    loops = [loop_of.get(line, -1) for line, _ in cells]
    if len(cells) > _EVERY * (loops[-1] - loops[0] + 1):
        return False
    if not any(is_number(cell) for _, cell in cells):
        return True
    apart = Counter(b - a for a, b in pairwise(loops))
    uses = Counter(cell for _, cell in cells)
    by_chance = sum(n * (n - 1) for n in uses.values()) / len(cells)
    return by_chance >= _BY_CHANCE and max(apart.values()) <= _EVERY * len(cells)


def _hold(
    grid: Grid, at: int, cells: list[tuple[int, str]], groups: list[list[int]], heads: list[int],
    timed: set[int],
) -> None:  # fmt: skip
    """Fill one column: what is written behind all else of a loop is of the next one."""
    k, last, number = 0, "", is_number(cells[0][1])
    for group, head in zip(groups, heads, strict=True):
        others = [line for line in group if line in timed]
        until = group[-1] if number or not others else others[-1]
        while k < len(cells) and cells[k][0] <= until:
            last = cells[k][1]
            k += 1
        row = grid.rows[head]
        if row is not None:
            row[at] = last
