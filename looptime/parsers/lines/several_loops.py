"""Lines of several loops among each other, told by what they hold and by the pace of each kind."""

import re
from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import scatter
from looptime.parsers.lines.grid import Entry, Grid, is_stamp
from looptime.parsers.lines.long import lie_anywhere
from looptime.parsers.text.dialect import is_number

__all__ = ["leave_out_others", "told_by_tags"]

#: Lines of a kind, and how unlike their steps may be, by which a pace is told.
_ENOUGH, _EVEN = 30, 0.5
#: Share of the columns of its kind that a line holds.
_FULL = 0.75
_MAIN = re.compile(r"\b(main|loop|control|robot)", re.IGNORECASE)


def leave_out_others(
    grid: Grid, entries: Sequence[Entry], common: set[int], stamp: int | None
) -> None:
    """Set the lines of other loops aside, in place.

    Lines of one kind hold the same columns, and no kind shares one with another. Those of one loop
    follow each other at about the same distance; where two kinds keep a pace each and lie anywhere
    between each other, they are of two loops. The one that is called so is kept, else the one
    whose lines hold most.

    Parameters
    ----------
    grid : Grid
        A row for each line.
    entries : sequence of (int, dict)
        Lines, and what they hold by column.
    common : set of int
        Columns that all kinds have: stamps, words, numbers of the loop.
    stamp : int or None
        Column of the lines' stamps.
    """
    kinds = _kinds([(line, set(values) - common) for line, values in entries])
    if stamp is None or len(kinds) < 2:
        return
    stamps = {line: values.get(stamp, "") for line, values in entries}
    if not all(map(is_number, stamps.values())):
        return
    times = [np.array([float(stamps[line]) for line in lines]) for _, lines in kinds]
    called = [at for at, (_, lines) in enumerate(kinds) if _MAIN.search(grid.lines[lines[0]])]
    own = max(called or range(len(kinds)), key=lambda at: len(kinds[at][0]))
    aside = [line for at in _others(times, own) for line in kinds[at][1]]
    if not aside or len(kinds[own][0]) < 2:  # a loop with a value a line is told by its tags
        return
    for line in aside:
        grid.rows[line] = None
    grid.aside += [(line, "other thread") for line in aside]
    held = ", ".join(grid.names[at] for at in sorted(kinds[own][0])[:3])
    grid.notes.append(
        f"{len(aside):,} lines of another loop are set aside: they keep a pace of their own beside "
        f"those that hold {held}"
    )


def told_by_tags(grid: Grid, tags: Sequence[str]) -> bool:
    """Whether lines of unlike tags are of loops of their own; then a column ``tag`` tells them.

    Parameters
    ----------
    grid : Grid
        A row for each line, with its stamp.
    tags : sequence of str
        Of each line, "" where it has none.
    """
    stamp = next((at for at, name in enumerate(grid.names) if is_stamp(name)), None)
    if stamp is None or "tag" in grid.names:
        return False
    lines = [at for at in grid.found() if tags[at] and is_number((grid.rows[at] or [""])[stamp])]
    held = {tag: np.array([float((grid.rows[at] or [])[stamp]) for at in lines if tags[at] == tag])
            for tag in dict.fromkeys(tags[at] for at in lines)}  # fmt: skip
    times = sorted(held.values(), key=len, reverse=True)
    if len(times) < 2 or len(times[-1]) < _ENOUGH or len(_others(times, 0)) < len(times) - 1:
        return False
    place = grid.column("tag")
    width = place + 1
    grid.rows = [
        None if row is None else [*row, *[""] * (width - len(row) - 1), tag]
        for row, tag in zip(grid.rows, tags, strict=True)
    ]
    return True


def _kinds(held: list[tuple[int, set[int]]]) -> list[tuple[frozenset[int], list[int]]]:
    """Columns of each kind of line, and its lines; none where lines hold but part of theirs."""
    kinds: list[frozenset[int]] = []
    for mine in {frozenset(columns) for _, columns in held}:
        kinds = [
            *(kind for kind in kinds if not kind & mine),
            mine.union(*(kind for kind in kinds if kind & mine)),
        ]
    found = [(kind, [line for line, columns in held if columns and columns <= kind])
             for kind in kinds]  # fmt: skip
    cells = sum(len(columns) for _, columns in held)
    whole = sum(len(kind) * len(lines) for kind, lines in found)
    often = all(kind and len(lines) >= _ENOUGH for kind, lines in found)
    return found if often and cells >= _FULL * whole else []


def _others(times: list[Float], own: int) -> list[int]:
    """Kinds that keep a pace each and lie anywhere between the lines of one."""
    steps = [np.diff(one) for one in times]
    if any(scatter(step) > _EVEN or np.median(step) <= 0 for step in steps):
        return []
    pace = float(np.median(steps[own]))
    return [at for at, one in enumerate(times) if at != own and lie_anywhere(one, times[own], pace)]
