"""Loops in rows without a clock: they follow from the section that repeats."""

import re

import numpy as np

from looptime.array_types import Bool, Int
from looptime.errors import LogError, nearest
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.layouts.like_runs import begins_at
from looptime.parsers.layouts.merged import merged_loops
from looptime.records import dataclass

__all__ = ["Cycles", "find_cycles"]

#: A total of the whole run is at least this many loops long.
_MANY = 10
#: A section that is met less often than this share of those met equally often marks no loop.
_RARE = 0.02
_TOTAL = re.compile(r"total|whole|overall|run time|runtime|sum", re.IGNORECASE)
_STARTUP = re.compile(r"init|start[ _.-]?up|setup|boot|construct|calibrat|load", re.IGNORECASE)


@dataclass(frozen=True)
class Cycles:
    """Loops found in a row of sections."""

    row: Int  #: Rows that belong to whole loops, rising, shape (m,)
    loop: Int  #: Loop of each, shape (m,)
    first: Int  #: Place in `row` of each loop's first, shape (n,)
    aside: dict[str, Int]  #: Rows that belong to none, by reason
    said: str  #: How the loops were found


def find_cycles(
    name: Int,
    duration: Int,
    names: list[str],
    number: Int | None,
    damaged: Int,
    loop_call: str | None,
    path: str,
) -> Cycles:
    """Find the loops.

    Parameters
    ----------
    name : int array, shape (m,)
        Codes into `names`.
    duration : int64 array, shape (m,) [ns]
        Lengths.
    names : list of str
        Names of the sections.
    number : int array, shape (m,), or None
        Loop numbers, where the log has them.
    damaged : int64 array
        Places before which a row was lost.
    loop_call : str or None
        Section that begins a loop, where the caller says so.
    path : str
        The log, for messages.

    Examples
    --------
    >>> import numpy as np
    >>> rows = np.array([2, 0, 1, 0, 1, 0, 1])
    >>> found = find_cycles(rows, np.full(7, 5), ["a", "b", "boot"], None, rows[:0], None, "")
    >>> found.loop.tolist(), {why: at.tolist() for why, at in found.aside.items()}
    ([0, 0, 1, 1, 2, 2], {'start-up section': [0]})
    """
    again = _starts_up(name, names)
    totals = _totals(name, duration, names) & ~again
    aside = {"whole-run total": np.flatnonzero(totals)}
    rest = np.flatnonzero(~(totals | again))
    if number is not None and (number >= 0).any():
        begins = np.concatenate([[True], np.diff(number[rest]) != 0])
        said = "the loop column"
    else:
        leader = _leader(name[rest], names, loop_call, path)
        begins = name[rest] == leader
        said = f"{names[leader]!r}, which begins each loop"
        if loop_call is not None:
            said += ", as asked"
    if not begins.any():
        raise LogError("holds no loop: name the section that begins one with --loop-call", path)
    loop = np.cumsum(begins) - 1
    early = loop < 0
    aside["start-up section"] = np.sort(np.concatenate([rest[early], np.flatnonzero(again)]))
    rest, loop = rest[~early], loop[~early]
    spoilt = np.union1d(_spoilt(rest, loop, damaged), _merged(name[rest], begins[~early]))
    if _unfinished(name[rest], loop):
        last = loop == loop[-1]
        aside["unfinished last loop"] = rest[last]
        rest, loop = rest[~last], loop[~last]
    torn = np.isin(loop, spoilt)
    aside["rows lost around it"] = rest[torn]
    rest, loop = rest[~torn], loop[~torn]
    first = np.flatnonzero(np.concatenate([[True], np.diff(loop) > 0])) if len(loop) else loop
    renumbered = np.cumsum(np.concatenate([[0], np.diff(loop) > 0])) if len(loop) else loop
    kept: dict[str, Int] = {reason: rows for reason, rows in aside.items() if len(rows)}
    return Cycles(rest, renumbered.astype(np.int64), first, kept, said)


def _totals(name: Int, duration: Int, names: list[str]) -> Bool:
    """Rows that hold the length of a whole run: rare, and about as long as all before together."""
    count = np.bincount(name, minlength=len(names))
    usual = np.flatnonzero(count >= max(2, 0.5 * count.max()))
    cycle = sum(float(np.median(duration[name == code])) for code in usual)
    rare = (count <= max(1, 0.02 * count.max())) & (count > 0)
    found = np.zeros(len(name), bool)
    since = np.concatenate([[0], np.cumsum(np.where(rare[name], 0, duration))])
    for at in np.flatnonzero(rare[name] & (duration > _MANY * cycle)):
        word = names[name[at]]
        named = _TOTAL.search(word) is not None or LOOP_WORD.search(word.lower()) is not None
        span = float(since[at])
        found[at] = named or (span > 0 and 0.5 * span <= duration[at] <= 2 * span)
    return found


def _starts_up(name: Int, names: list[str]) -> Bool:
    """Rows of sections that are named for a start, and rare beside those that run in loops."""
    count = np.bincount(name, minlength=len(names))
    rare = (count <= 0.02 * count.max()) & (count > 0)
    named = np.array([_STARTUP.search(word) is not None for word in names])
    found: Bool = (rare & named)[name]
    return found


def _leader(name: Int, names: list[str], loop_call: str | None, path: str) -> int:
    """The section that begins a cycle: the first to appear of those with the commonest count."""
    if loop_call is not None:
        if loop_call not in names:
            raise LogError(f"no section is named {loop_call!r}; {nearest(loop_call, names)}", path)
        return names.index(loop_call)
    count = np.bincount(name, minlength=len(names))
    steady = np.flatnonzero(count > 1)
    if not len(steady):
        raise LogError("no section repeats: a loop is found by the one that does", path)
    first = {int(code): int(np.argmax(name == code)) for code in steady}
    votes = alike_counts(count[steady])
    rare = count[steady] < _RARE * count[steady][votes > 1].max(initial=0)
    alike = dict(zip(first, np.where(rare, 0, votes).tolist(), strict=True))
    most = max(alike.values())
    likely = [code for code in first if alike[code] == most]
    if most == 1:  # a section timed several times a loop is no mark of the loop
        likely = [min(first, key=lambda code: int(count[code]))]
    likely = [c for c in likely if not _STARTUP.search(names[c])] or likely
    likely.sort(key=first.__getitem__)
    return likely[begins_at([names[code] for code in likely])]


def alike_counts(count: Int) -> Int:
    """How many of some counts are about as large as each, itself among them.

    Examples
    --------
    >>> import numpy as np
    >>> alike_counts(np.array([100, 400, 101, 7])).tolist()
    [2, 1, 2, 1]
    """
    room = 1 + 0.02 * count
    ordered = np.sort(count)
    high = np.searchsorted(ordered, count + room, side="right")
    return high - np.searchsorted(ordered, count - room, side="left")


def _spoilt(rest: Int, loop: Int, damaged: Int) -> Int:
    """Loops in which a row was lost."""
    at = np.searchsorted(rest, damaged) - 1
    at = at[(at >= 0) & (at < len(loop))]
    return np.unique(loop[at])


def _merged(name: Int, begins: Bool) -> Int:
    """Loops that look like one because the section that begins the second is missing."""
    edge = np.append(np.flatnonzero(begins), len(name))
    two = merged_loops(edge[:-1], edge[1:], np.arange(len(name)), name, int(name[0]))
    return np.flatnonzero(two)


def _unfinished(name: Int, loop: Int) -> bool:
    """Whether the last loop lacks a section that its like have."""
    if loop[-1] < 1:
        return True
    last = np.sort(name[loop == loop[-1]])
    before = np.sort(name[loop == loop[-1] - 1])
    loops, earlier = int(loop[-1]), loop < loop[-1]
    held = np.unique(name[earlier].astype(np.int64) * loops + loop[earlier]) // loops
    usual = np.flatnonzero(np.bincount(held) > 0.9 * loops)
    return bool(len(np.setdiff1d(usual, last)) or (len(last) < len(before) and len(usual) == 0))
