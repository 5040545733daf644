"""Timed calls of a log of events, as lines or as a table of instants and words."""

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import clocklike
from looptime.parsers.columns.headers import heads, named_unit
from looptime.parsers.columns.lexicon import PHASES
from looptime.parsers.layouts.contract import Options
from looptime.parsers.layouts.edge_words import WORDS
from looptime.parsers.layouts.pairing import BEGIN
from looptime.parsers.lines.cell_rows import header_lines, plain_cells
from looptime.parsers.lines.counted import stamps_in_ns
from looptime.parsers.lines.event_calls import calls_of
from looptime.parsers.lines.events import Event, find_events, without_states
from looptime.parsers.lines.grid import Grid, is_stamp, mostly_numbers
from looptime.parsers.lines.groups import names_sender
from looptime.parsers.lines.other_times import remarks_of
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.units import word_unit

__all__ = ["event_table", "names_clock", "timed_calls"]

#: Names that come in turn, rows of them, and how often one follows another.
_LEAST, _ENOUGH, _OFTEN = 3, 12, 0.95


def event_table(lines: list[str], like: Dialect, options: Options) -> Grid | None:
    """Calls of a table of instants and words, where some names only end, or none says a side."""
    columns = list(zip(*like.sample[:400], strict=True))
    words = [at for at, cells in enumerate(columns) if not mostly_numbers(cells)]
    clocks = [at for at in range(len(columns)) if clocklike(like, at)]
    words = [at for at in words if at not in clocks]
    counts = [at for at in range(len(columns)) if at not in words and _stays(numbers(like, at))]
    clocks = [at for at in clocks if at not in counts]
    known = len(words) + len(clocks) + len(counts)
    same = [at for at in words if _says_begin(set(columns[at]))]
    words = [at for at in words if at not in same]  # all begin: that tells none from another
    if len(clocks) != 1 or len(counts) > 1 or not 1 <= len(words) <= 2 or known != len(columns):
        return None
    cells = [plain_cells(line, like, at) for at, line in enumerate(lines, 1)]
    found = [(at, row) for at, row in enumerate(cells) if row is not None]
    texts = [tuple(row[at] for at in words) for _, row in found]
    events = find_events(
        [row[clocks[0]].strip() for _, row in found], texts, [at for at, _ in found]
    )
    sided = any(e.side is not None for e in events)
    if len(set(texts)) > 200 or (counts and sided):
        return None
    named = [like.header[at] for at in words if like.header[at]] if like.header else []
    others = any(names_sender(one) or heads((one,))[0].word in PHASES for one in named)
    if not sided and (others or not _in_turn([e.name for e in events])):
        return None
    clock = like.header is None or _is_clock(like, clocks[0])
    if sided and not (clock and (like.header is None or _needs_pairs(events))):
        return None
    events = without_states(events, [" ".join(map(str.strip, text)) for text in texts])
    made = timed_calls(lines, events, options)
    made.headers |= header_lines(lines, like)
    if like.header:
        name = like.header[clocks[0]]
        made.units[:2] = [named_unit(name)] * 2
    return made


def _says_begin(cells: set[str]) -> bool:
    """Whether all rows say of what they name that it begins, as where rises of pins are recorded.

    Examples
    --------
    >>> _says_begin({"rising"}), _says_begin({"rising", "falling"}), _says_begin({"gyro"})
    (True, False, False)
    """
    return {WORDS.get(cell.strip().lower()) for cell in cells} == {BEGIN}


def _stays(values: Float) -> bool:
    """Whether numbers go up by one at most, and mostly stay, as those of loops of several rows."""
    step = np.diff(values)
    return len(step) >= _ENOUGH and bool(np.isin(step, (0, 1)).all() and (step == 0).mean() >= 0.5)


def _in_turn(names: list[str]) -> bool:
    """Whether at least three names come one after the other in ever the same order.

    So the marks of a loop do; senders with clocks of their own overtake each other.

    Examples
    --------
    >>> _in_turn(["gyro", "pose", "drive"] * 10), _in_turn(["a", "b", "c", "b", "a", "c"] * 5)
    (True, False)
    """
    follows = Counter(pairwise(names))
    uses = Counter(names[:-1])
    usual = {one: other for (one, other), n in follows.items() if n >= _OFTEN * uses[one]}
    cycle = len(usual) == len(uses) == len(set(usual.values()))
    cycle &= all(name[:1].isalpha() for name in uses)
    return cycle and len(usual) >= _LEAST and len(names) >= max(_ENOUGH, 3 * len(usual))


def names_clock(like: Dialect) -> bool:
    """Whether a table's header names a clock: by a word for one, or by nothing but its unit."""
    return any(_is_clock(like, at) for at in range(len(like.header or ())))


def _is_clock(like: Dialect, at: int) -> bool:
    name = (like.header or ())[at]
    alone = word_unit(name.strip(" []()")) is not None and "_" not in name
    return is_stamp(name) or (alone and clocklike(like, at))


def _needs_pairs(events: list[Event]) -> bool:
    """Whether some names only end: they began when the event before them did its work."""
    begun = {e.name for e in events if e.side == BEGIN}
    return any(e.side != BEGIN and e.name not in begun for e in events)


def timed_calls(lines: list[str], events: list[Event], options: Options) -> Grid:
    """Timed calls between events, in ns where a remark says how fast their stamps count."""
    stamps, said = None, ""
    if options.unit is None and events[0].unit is None:
        every = [event.stamp for event in events]
        stamps, said = stamps_in_ns(every, remarks_of(lines), _step(events))
    if stamps is not None:
        events = [replace(event, stamp=stamp, unit="ns")
                  for event, stamp in zip(events, stamps, strict=True)]  # fmt: skip
    made = calls_of(lines, events)
    made.notes += [said] if said else []
    return made


def _step(events: list[Event]) -> float:
    """Usual step of the stamps from one event to the next of its name."""
    first = events[0].name, events[0].side
    same = [event.stamp for event in events if (event.name, event.side) == first]
    at = [float(stamp) for stamp in same if is_number(stamp)]
    return float(np.median(np.abs(np.diff(at)))) if len(at) > 1 else 0.0
