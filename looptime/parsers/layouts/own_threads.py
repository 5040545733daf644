"""The column that tells threads apart, whatever its header: calls overlap across its words only."""

from collections import Counter
from collections.abc import Callable

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.unit import instants
from looptime.parsers.layouts.by_values import MOST_THREADS, codes_of, fit_of
from looptime.parsers.layouts.contract import Given
from looptime.parsers.layouts.from_begin import starts_of
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.signal_names import words_of
from looptime.stats.arrays import distinct
from looptime.units import UNITS

__all__ = ["OVERLAP", "call_spans", "named_thread", "refuse_alike", "thread_column"]

#: Why a column is that of the threads.
OVERLAP = "calls of two of its words overlap, those of one never do"
#: Begins and ends of calls, their threads, and how many edges lack their other one.
_Spans = tuple[Float, Float, Int, int]
#: Calls that must overlap, and their share; what may be left of them; how much rarer than by
#: chance calls of two threads may meet.
_ENOUGH, _LEAST, _LEFT, _RARER = 5, 0.005, 0.02, 0.1
#: What a system calls its threads, too, and how many calls must overlap beneath such a header.
_TASKS, _FEW = frozenset(("task", "taskname", "process", "proc")), 3
#: The same where the rows of some words are in no loop: others than those of the loop's thread.
_AT_ALL = 1


def thread_column(
    likely: list[Head],
    dialect: Dialect,
    spans: list[Callable[[Int], _Spans]],
    loop: Head | None = None,
) -> Head | None:
    """The column by whose words calls overlap that do not within one word; None without one.

    Parameters
    ----------
    likely : list of Head
        Columns that may be it.
    dialect : Dialect
        How the log is written, with its first rows.
    spans : list of functions
        Each gives the calls of the first rows in one way of reading them, for a thread each row.
    loop : Head, optional
        The column of the loop's number: where it is empty in every row of one word and in none of
        another, fewer calls need to overlap.
    """
    found = {head: _codes(dialect, head) for head in likely}
    few = {head: code for head, code in found.items() if code.max(initial=0) + 1 >= 2}
    few = {head: code for head, code in few.items() if code.max() < MOST_THREADS}
    if not few:
        return None
    one = np.zeros(len(dialect.sample), np.int64)
    wrong = [_odd(*way(one)) for way in spans]
    if not wrong:
        return None
    enough = max(_ENOUGH, _LEAST * len(one))
    best: tuple[int, Head] | None = None
    for head, code in few.items():
        called = head.word in _TASKS
        least = _FEW if called else enough
        if min(wrong) < (_AT_ALL if _unnumbered(code, dialect, loop) else least):
            continue
        for way, before in zip(spans, wrong, strict=True):
            made = way(code)
            left = _odd(*made) - called * min(made[3], int(code.max()) + 1)  # cut off at the end
            if left <= _LEFT * before and _meet(*made[:3]) and (best is None or left < best[0]):
                best = left, head
    return None if best is None else best[1]


def named_thread(likely: list[Head], dialect: Dialect) -> Head | None:
    """The one column of a few words whose header has the word thread in it; None without one.

    Parameters
    ----------
    likely : list of Head
        Columns that may be it.
    dialect : Dialect
        How the log is written, with its first rows.
    """
    called = [head for head in likely if "thread" in words_of(head.text)]
    few = [head for head in called if len(np.unique(_codes(dialect, head))) <= MOST_THREADS]
    return few[0] if len(few) == 1 else None


def refuse_alike(given: Given, dialect: Dialect) -> None:
    """Refuse threads that all make the same calls: each is a program, or a robot, of its own.

    Parameters
    ----------
    given : Given
        The parts that the columns play; nothing is refused where a header names the threads.
    dialect : Dialect
        How the log is written, with its first rows.

    Raises
    ------
    LogError
        With the options by which the log is read.
    """
    if given.told.get("thread") != OVERLAP:
        return
    made: dict[str, Counter[str]] = {}
    thread, name = given.one["thread"], given.one["name"]
    for row in dialect.sample:
        made.setdefault(row[thread.index], Counter())[row[name.index]] += 1
    often = [{name for name, uses in own.items() if uses >= _ENOUGH} for own in made.values()]
    if len(often[0]) < 2 or any(own != often[0] for own in often):
        return
    shown = ", ".join(sorted(made)[:4])
    raise LogError(
        f"holds calls of the same names from {len(made)} senders at once, by its column "
        f"{thread.text!r} ({shown}): each has a loop of its own; read each by itself with --by "
        f"{thread.text}, or, if they are threads of one program, name that column thread",
        line=dialect.first_row,
    )


def call_spans(given: dict[str, Head], dialect: Dialect) -> list[Callable[[Int], _Spans]]:
    """The calls of a table of calls: from their stamps on or, where these may be ends, up to them.

    Nothing where it cannot be told in which unit they are.
    """
    start, length = given["start"], given.get("duration")
    at = starts_of(given, dialect) if "base" in given else instants(dialect, start)
    if "end" in given and "base" not in given:
        return [_fixed(at, instants(dialect, given["end"]))] if length is None else []
    if length is None:
        return []
    text = bool(np.isnan(numbers(dialect, start.index)).all())
    if (text or start.unit) and not length.unit:
        return []
    scale = 1.0
    if length.unit:
        scale = UNITS[length.unit] / (1 if text else UNITS[start.unit or length.unit])
    took = numbers(dialect, length.index) * scale
    return [_fixed(at, at + took), _fixed(at - took, at)]


def _fixed(start: Float, end: Float) -> Callable[[Int], _Spans]:
    known = np.isfinite(start) & np.isfinite(end) & (end >= start)
    return lambda thread: (start[known], end[known], thread[known], 0)


def _codes(dialect: Dialect, head: Head) -> Int:
    """Codes of a column's words; one code where it holds numbers with decimals."""
    cells = [row[head.index] for row in dialect.sample]
    words = list(dict.fromkeys(cells))
    if any(is_number(word, dialect.decimal) and not word.isdecimal() for word in words):
        return np.zeros(len(cells), np.int64)
    return codes_of(cells, words)


def _unnumbered(code: Int, dialect: Dialect, loop: Head | None) -> bool:
    """Whether the rows of some words all lack the number of a loop, and those of others have it."""
    if loop is None:
        return False
    rows = np.bincount(code + 1)
    numbered = np.bincount(code + 1, numbers(dialect, loop.index) >= 0)
    return set((numbered[rows > 0] / rows[rows > 0]).tolist()) == {0.0, 1.0}


def _odd(start: Float, end: Float, thread: Int, lost: int) -> int:
    """Calls that cut across another of their thread, and edges without their other one."""
    count = lost
    for code in distinct(thread):
        mine = thread == code
        if mine.sum() > 2:
            count += round(fit_of(start[mine], end[mine]).odd * (int(mine.sum()) - 1))
    return count


def _meet(start: Float, end: Float, thread: Int) -> bool:
    """Whether calls of any two words begin within each other about as often as by chance.

    Devices and parts of one thread do not: they take turns.
    """
    codes = distinct(thread)
    span = float(end.max() - start.min()) or 1.0
    for one in codes:
        order = np.argsort(start[thread == one], kind="stable")
        begin, stop = start[thread == one][order], end[thread == one][order]
        reach = np.maximum.accumulate(stop)
        busy = float((np.minimum(reach, np.append(begin[1:], np.inf)) - begin).sum()) / span
        for other in codes[codes != one]:
            at = start[thread == other]
            last = np.searchsorted(begin, at, side="left") - 1
            met = int(((last >= 0) & (at < reach[np.maximum(last, 0)])).sum())
            chance = busy * len(at)
            if chance >= 2 * _ENOUGH and met < _RARER * chance:
                return False
    return True
