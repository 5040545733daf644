"""Words for the begin and the end of a call: in a column of their own, or at the end of a name."""

from collections import Counter

import numpy as np

from looptime.array_types import Int
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.layouts.by_values import ENOUGH, ODD
from looptime.parsers.layouts.contract import Column, spellings
from looptime.parsers.layouts.edges_by_values import paired
from looptime.parsers.layouts.lock_events import FREED, HAD, lock_side
from looptime.parsers.layouts.pairing import BEGIN, END, POINT
from looptime.parsers.text.dialect import Dialect, is_missing

__all__ = ["WORDS", "edge_column", "side_of", "split_edge"]

#: Words for the two edges, and for an instant that has no length.
WORDS: dict[str, int] = {
    **dict.fromkeys(("begin", "start", "enter", "b", "s", "open", "on", "+", "1", "true", "up",
                     ">", "begins", "starts", "started", "entry", "in", "rising"), BEGIN),
    **dict.fromkeys(("end", "stop", "exit", "e", "close", "off", "-", "0", "false", "down",
                     "<", "ends", "stops", "stopped", "finish", "finished", "leave", "done",
                     "return", "out", "falling"), END),
    **dict.fromkeys(("instant", "point", "mark", "i", "tick"), POINT),
}  # fmt: skip
#: A row or two may be garbled in a column that says begin and end.
_MOST_KNOWN = 0.95
#: How a name may carry its edge: `gyro.read begin`, `end:gyro.read`.
_JOINTS = (" ", ":", ".", "_", "/", "-")


def edge_column(
    found: list[Head], dialect: Dialect, columns: dict[str, Column], asked: bool = False
) -> Head | None:
    """The column that says begin or end: by its values, then by its header.

    Between begins and ends that pair name by name there may be events of other kinds.

    Parameters
    ----------
    found : list of Head
        All columns.
    dialect : Dialect
        How the log is written, with its first rows.
    columns : dict of str to Column
        The column map of begins and ends.
    asked : bool
        Whether the caller says that these are begins and ends.
    """
    likely, some = [], []
    for head in found:
        every = Counter(row[head.index] for row in dialect.sample[:400])
        known = [cell.lower() for cell in every if cell.lower() in WORDS]
        of_a_lock = {lock_side(cell) for cell in every} >= {HAD, FREED}
        of_calls = {WORDS[cell] for cell in known} >= {BEGIN, END}
        called = head.word in columns["edge"].spellings
        if not of_a_lock and not of_calls:
            continue
        if known and all(cell in "01+-<>" for cell in known) and not called:
            continue
        cells = {c: n for c, n in every.items() if not is_missing(c) or c == "-"}
        told = sum(n for cell, n in cells.items() if side_of(cell) is not None)
        bare = sum(n for cell, n in cells.items()
                   if cell.lower() in WORDS or lock_side(cell) is not None)  # fmt: skip
        if 2 * bare < told:
            continue
        if told >= _MOST_KNOWN * sum(cells.values()):
            likely.append(head)
        elif of_calls and called and (asked or _pair_by_name(head, found, dialect, columns)):
            some.append(head)
    named = [head for head in likely if head.word in columns["edge"].spellings]
    chosen = named or likely or some
    return chosen[0] if chosen else None


def _pair_by_name(
    edge: Head, found: list[Head], dialect: Dialect, columns: dict[str, Column]
) -> bool:
    """Whether nearly every row that says begin or end has its other one, whatever lies between."""
    given = roles([head for head in found if head is not edge],
                  spellings({key: columns[key] for key in ("time", "name", "thread")}))  # fmt: skip
    sides = [WORDS.get(row[edge.index].lower(), -1) for row in dialect.sample]
    side = np.array(sides)
    others = [head for head in found if head not in (edge, *given.values())]
    names = [given["name"]] if "name" in given else [h for h in others if wordy(dialect, h.index)]
    mine = np.flatnonzero((side == BEGIN) | (side == END))

    def code(head: Head) -> Int:
        return np.unique([dialect.sample[at][head.index] for at in mine], return_inverse=True)[1]

    def matched(name: Head) -> int:
        thread = code(given["thread"]) if "thread" in given else None
        return 2 * len(paired(side[mine], code(name), thread).begin)

    most = max(map(matched, names), default=0) if {BEGIN, END} <= set(sides) else 0
    return len(mine) >= ENOUGH and most >= (1 - ODD) * len(mine)


def split_edge(text: str) -> tuple[str, int | None]:
    """Take the edge off a name that carries it.

    Examples
    --------
    >>> split_edge("gyro.read begin") == ("gyro.read", BEGIN)
    True
    >>> split_edge("end:gyro.read") == ("gyro.read", END)
    True
    >>> split_edge("gyro.read"), split_edge("begin tick") == ("tick", BEGIN)
    (('gyro.read', None), True)
    """
    if text[:1] in "+-" and len(text) > 1:
        return text[1:].strip(), BEGIN if text[0] == "+" else END
    for joint in _JOINTS:
        told = [
            (name.strip(), side)
            for name, found, word in (text.rpartition(joint), text.partition(joint)[::-1])
            if found and len(word.strip()) > 2 and name.strip()
            and (side := WORDS.get(word.strip().lower())) is not None
        ]  # fmt: skip
        if told:  # of a loop called tick it is said that it begins
            return next((one for one in told if one[1] != POINT), told[0])
    return text, None


def side_of(word: str) -> int | None:
    """The side that a cell of a column of edges tells, also of a lock, or with a name of its own.

    Examples
    --------
    >>> side_of("Enter") == side_of("loop_begin") == BEGIN, side_of("got") == HAD, side_of("imu")
    (True, True, None)
    """
    known = WORDS.get(word.lower(), lock_side(word))
    return split_edge(word)[1] if known is None else known
