"""Columns of begins and ends of calls, told by values where no header names them."""

from collections import Counter

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.evidence import counts_rows, rises
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import CLOCKS, of_a_clock
from looptime.parsers.columns.refusals import words_change
from looptime.parsers.columns.unit import instants
from looptime.parsers.layouts.by_values import (
    CLOSE,
    ENOUGH,
    LENGTHS,
    ODD,
    THREAD_WORDS,
    Fit,
    fit_of,
    names_of,
    threads_of,
)
from looptime.parsers.layouts.pairing import BEGIN, END, Pairs, pair
from looptime.parsers.text.dialect import Dialect, is_number, numbers

__all__ = ["EDGES", "begins_first", "clock_of", "edge_columns", "paired"]

#: Why columns are those of begins and ends, whatever they are called.
EDGES = "name by name one follows the other, and what they enclose lies within each other"
#: Shares of the rows that hold one of the two edges, and of the calls that lie within another.
_TWO_WORDS, _WITHIN = 0.95, 0.25
#: What counts against a column of edges whose words begin a name each, as two names' would.
_UNLIKE_FIRSTS = 0.05


def edge_columns(
    found: list[Head],
    dialect: Dialect,
    edge: Head | None,
    known: dict[str, int],
    called: tuple[str, ...] = (),
) -> dict[str, Head] | None:
    """Time, name and edge, and perhaps thread, of a log of begins and ends; None for others.

    Two words of a column are begin and end if the rows that hold them lie within each other name
    by name, and follow closely upon each other: what opens and closes by itself does not.

    Parameters
    ----------
    found : list of Head
        Columns that may be any of these.
    dialect : Dialect
        How the log is written, with its first rows.
    edge : Head or None
        The column whose words are known to be begin and end.
    known : dict of str to int
        Those words, in lower case.
    called : tuple of str
        Headers of names of calls: of columns that fit as well, one called so is taken.
    """
    if any(head.word in LENGTHS for head in found) or len(dialect.sample) < ENOUGH:
        return None
    time = clock_of(found, dialect)
    if time is None:
        return None
    at = instants(dialect, time)
    rest = [head for head in found if head is not time]
    by_header = sorted(rest, key=lambda head: head.word not in called)
    names = {head: names_of(dialect, head, numbers_too=True) for head in by_header}
    threads = threads_of(rest, dialect)
    best: tuple[float, dict[str, Head]] | None = None
    for side_head in [edge] if edge is not None else _no_threads(rest):
        if edge is None and not words_change(dialect, side_head.index):
            continue  # phases, one after the other
        side = _sides(dialect, side_head, known if edge is not None else {})
        for name_head, name in names.items():
            if side is None or name is None or name_head is side_head:
                continue
            for thread_head, thread in threads.items():
                if thread_head in (side_head, name_head) or not _by_turns(side, name, thread):
                    continue
                if thread is not None and _a_name_each(name, thread):
                    continue
                lost = _unmatched(at, side, name, thread, edge is not None)
                if lost is not None and (best is None or lost < best[0] - 0.01):
                    best = lost, {"time": time, "name": name_head, "edge": side_head}
                    best[1].update({"thread": thread_head} if thread_head is not None else {})
    return None if best is None else best[1]


def _by_turns(side: Int, name: Int, thread: Int | None) -> bool:
    """Whether the two words take turns for each name, or nearly so; rows of others lie between."""
    mine = side >= 0
    side, name, thread = side[mine], name[mine], None if thread is None else thread[mine]
    order = np.lexsort((name,) if thread is None else (thread, name))
    same = np.diff(name[order]) == 0
    if thread is not None:
        same &= np.diff(thread[order]) == 0
    turns = np.diff(side[order]) != 0
    return bool(same.any()) and bool(turns[same].mean() > 1 - 2 * ODD)


def _a_name_each(name: Int, thread: Int) -> bool:
    """Whether more threads than there are names have one each: those are the names."""
    names, threads = len(np.unique(name)), len(np.unique(thread))
    return names < threads == len(np.unique(np.stack([name, thread]), axis=1).T)


def begins_first(side: Int, name: Int, thread: Int | None = None) -> bool:
    """Whether code 0 of two is that of begins: by what lies within each other, else what is first.

    Parameters
    ----------
    side, name : int array, shape (m,)
        One of two words, and which call, row for row.
    thread : int array, shape (m,), or None
        Each row's, where there are several.

    Examples
    --------
    >>> import numpy as np
    >>> begins_first(np.tile([1, 0, 1, 0, 1, 0], 4), np.tile([7, 8, 8, 9, 9, 7], 4))
    True
    """
    one, other = (len(paired(each, name, thread).begin) for each in (side, 1 - side))
    if abs(one - other) > 0.02 * max(one, other) + 2:
        return one > other
    return 2 * int(_firsts(side, name).sum()) <= len(np.unique(name))


def _firsts(side: Int, name: Int) -> Int:
    """The first word of each name."""
    return side[np.unique(name, return_index=True)[1]]


def paired(side: Int, name: Int, thread: Int | None) -> Pairs:
    """Begins and ends that belong together, each row on its thread."""
    if thread is None:
        return pair(side, name)
    order = np.argsort(thread, kind="stable")
    found = pair(side[order], name[order], thread[order])
    return Pairs(*(order[getattr(found, key)] for key in ("begin", "end", "open", "stray",
                                                          "running")))  # fmt: skip


def _unmatched(at: Float, side: Int, name: Int, thread: Int | None, sure: bool) -> float | None:
    """Share of the edges that have no other one, and more where names begin with unlike words.

    None where the edges are none of calls.
    """
    kept = np.flatnonzero((side >= 0) & (name >= 0) & np.isfinite(at))
    if thread is not None:
        kept = kept[thread[kept] >= 0]
        thread = thread[kept]
    at, side, name = at[kept], side[kept], name[kept]
    if len(kept) < ENOUGH or len(np.unique(name)) < 2:
        return None
    if not sure and not begins_first(side, name, thread):
        side = 1 - side
    pairs = paired(side, name, thread)
    lost = 1 - 2 * len(pairs.begin) / len(kept)
    if lost > ODD or not len(pairs.begin):
        return None
    start, end = at[pairs.begin], at[pairs.end]
    mine = np.ones(len(start), bool)
    if thread is not None:  # those of the busiest are looked at
        own = thread[pairs.begin]
        mine = own == np.bincount(own).argmax()
    fit = fit_of(start[mine], end[mine]) if mine.sum() > 1 else Fit(1, 0, 0)
    calls = fit.odd <= ODD and (fit.close >= CLOSE or fit.within >= _WITHIN)
    return lost + _UNLIKE_FIRSTS * float(_firsts(side, name).mean()) if calls else None


def clock_of(found: list[Head], dialect: Dialect) -> Head | None:
    """The column that tells the time: called so, with a unit of time, or the first that rises."""
    likely = [h for h in found if not counts_rows(numbers(dialect, h.index)) and _rises(h, dialect)]
    named = [h for h in likely if h.word in CLOCKS or of_a_clock(h.text)]
    return next(iter(named or [h for h in likely if h.unit] or likely), None)


def _rises(head: Head, dialect: Dialect) -> bool:
    return rises(instants(dialect, head))


def _no_threads(found: list[Head]) -> list[Head]:
    return [head for head in found if head.word not in THREAD_WORDS]


def _sides(dialect: Dialect, head: Head, known: dict[str, int]) -> Int | None:
    """Codes of a column of two words that are met equally often, -1 for others."""
    cells = [row[head.index].lower() for row in dialect.sample]
    if known:
        return np.array([known.get(cell, -1) for cell in cells])
    uses = Counter(cells).most_common(3)
    if len(uses) < 2 or any(is_number(word) and "." in word for word, _ in uses):
        return None
    (one, often), (other, count) = uses[:2]
    if often + count < _TWO_WORDS * len(cells) or count < 0.8 * often:
        return None
    return np.array([BEGIN if cell == one else END if cell == other else -1 for cell in cells])
