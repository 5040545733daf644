"""Timed calls between events."""

import re
from collections import Counter

from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.event_order import out_of_turn
from looptime.parsers.lines.events import Event
from looptime.parsers.lines.grid import Grid

__all__ = ["calls_of"]

_LOOP_TEXT = re.compile(r"(^|[^a-z])(loop|cycle|iteration|frame|tick)([^a-z]|$)")


def calls_of(lines: list[str], events: list[Event]) -> Grid:
    """Timed calls between events, one a line.

    A name with both sides lasts from one to the other. A name that only ends began at the event
    before; a loop that only begins lasts until the last event before the next. Where nothing
    says begin, the time between two events is named by both.

    Examples
    --------
    >>> log = ["0 loop start", "9 imu done", "12 loop start", "15 imu done"]
    >>> from looptime.parsers.lines.events import read_events
    >>> calls_of(log, read_events(log)).rows[:2]
    [['0', '9', 'loop', '0'], ['0', '9', 'imu', '0']]
    """
    grid = Grid(lines, [None] * len(lines), ["start", "end", "name", "loop"])
    grid.units = [events[0].unit] * 2 + [None] * 2
    sides: dict[str, set[int | None]] = {}
    for event in events:
        sides.setdefault(event.name, set()).add(event.side)
    both = {name for name, own in sides.items() if {BEGIN, END} <= own}
    begun = any(BEGIN in own for own in sides.values())
    loop = _loop_event(events, begun)
    grid.loops_from = f"{loop[0]!r}, which begins each loop"
    grid.notes += out_of_turn(events)
    under_way: dict[str, list[str]] = {}  # rows whose end is not known yet
    number = -1 if begun else 0
    before: Event | None = None
    for event in events:
        starts = (event.name, event.side) == loop
        if begun and starts:
            number += 1
            _close(under_way, event.name, before)
        if number < 0 or (before is None and event.side != BEGIN):
            grid.aside.append((event.line, "before first loop"))
        elif event.name in both and event.side == END:
            _pair(grid, event, under_way)
        elif event.side == BEGIN:
            row = [event.stamp, "", event.name, str(number)]
            if event.name in under_way:
                _drop(grid, under_way.pop(event.name))
            grid.rows[event.line] = under_way[event.name] = row
        elif before is not None:
            name = event.name if begun else f"{before.name} to {event.name}"
            grid.rows[event.line] = [before.stamp, event.stamp, name, str(number)]
        for name in [n for n in under_way if n not in both and n not in (loop[0], event.name)]:
            under_way.pop(name)[1] = event.stamp  # what only begins lasts until the next event
        number += starts and not begun
        before = event
    _close(under_way, loop[0], before)
    if not begun:
        _name_waits(grid, [event.line for event in events if (event.name, event.side) == loop])
    for row in under_way.values():
        _drop(grid, row)
    _name_phases(grid, events)
    return grid


def _name_waits(grid: Grid, first: list[int]) -> None:
    """Say of the time up to the first event of a loop that no name tells what it is: the loop
    may have waited in it.
    """
    grid.column("kind")
    begin = set(first)
    for line, row in enumerate(grid.rows):
        if row is not None:
            row.append("other" if line in begin else "")


def _name_phases(grid: Grid, events: list[Event]) -> None:
    """Put the phase that a line named last into the rows from there on, where any did."""
    phase = next((event.phase for event in events if event.phase), "")
    if not phase:
        return
    grid.column("phase")
    for event in events:
        phase = event.phase or phase
        row = grid.rows[event.line]
        if row is not None:
            row.append(phase)


def _close(under_way: dict[str, list[str]], name: str, last: Event | None) -> None:
    """End what was under way with the last event before now."""
    row = under_way.pop(name, None)
    if row is not None and last is not None:
        row[1] = last.stamp


def _drop(grid: Grid, row: list[str]) -> None:
    """Set a begin aside that has no end."""
    line = next(at for at in range(len(grid.rows) - 1, -1, -1) if grid.rows[at] is row)
    grid.rows[line] = None
    grid.aside.append((line, "begin without end"))


def _pair(grid: Grid, event: Event, under_way: dict[str, list[str]]) -> None:
    """Join the end of a call to its begin; the begin's line holds the call."""
    row = under_way.pop(event.name, None)
    if row is None:
        grid.aside.append((event.line, "end without begin"))
        return
    row[1] = event.stamp
    line = next(at for at in range(event.line - 1, -1, -1) if grid.rows[at] is row)
    grid.folded.append((event.line, line))


def _loop_event(events: list[Event], any_begin: bool) -> tuple[str, int | None]:
    """The event that begins a loop: one that is called so, else the first of the commonest."""
    uses = Counter((e.name, e.side) for e in events if e.side == BEGIN or not any_begin)
    called = [key for key in uses if LOOP_WORD.search(key[0].lower())]
    called = called or [key for key in uses if _LOOP_TEXT.search(key[0].lower())]
    if called:
        return max(called, key=lambda key: uses[key])
    most = max(uses.values())
    return next(key for key, count in uses.items() if count >= 0.98 * most - 1)
