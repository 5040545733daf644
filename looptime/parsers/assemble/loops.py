"""Loop finding: where each pass of the control loop begins in a log of timed calls.

In this order: a column that numbers the loops, the call that the caller names, a call that
encloses the loop, else the call that recurs once a cycle. Which one it was is always stated.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.call_words import guess_name, of_locks
from looptime.errors import LogError, nearest
from looptime.parsers.clock.loop_numbers import as_logged
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.lexicon import meaning, tokens
from looptime.parsers.layouts.contract import CallRows
from looptime.parsers.layouts.merged import merged_loops
from looptime.parsers.layouts.nesting import nest, parents_first
from looptime.records import dataclass
from looptime.schema import CallName
from looptime.stats.arrays import distinct, median
from looptime.stats.numbering import number_steps

__all__ = ["BY_NUMBER", "FoundLoops", "find_loops"]

#: How loops are found that are numbered.
BY_NUMBER = "the loop column"

#: Rows on which the choice of the loop's call rests.
SAMPLE_ROWS = 30_000
#: A number that falls by no more than this belongs to rows out of order.
_OUT_OF_ORDER = 4
_MAIN_WORDS = ("main", "loop", "control", "robot")
#: Threads with this share of the names that another has may be the loop's as well: the one that
#: alone keeps a beat and is the fastest; steps that tell it, and the share of one they lie within.
_NEAR, _BEATS, _EVEN = 0.7, 50, 0.02


@dataclass(frozen=True)
class FoundLoops:
    """Where the loops begin."""

    start: Int  #: Start of every loop, in order, shape (n,) [ns]
    #: Start of the next loop, or the end of the row that encloses the loop where rows were lost,
    #: shape (n,) [ns].
    end: Int
    number: Int  #: As logged, else 0, 1, 2, ...; shape (n,)
    thread: int  #: Code of the loop's thread
    #: Code of the call that encloses the loop and is no call of its own; -1 for none.
    enclosing: int
    body: Int | None  #: Length of the enclosing call, shape (n,) [ns]
    said: str  #: How the loops were found, in plain words


@dataclass(frozen=True)
class _FirstRows:
    """First calls on the loop's thread, by their starts, shape (m,)."""

    start: Int  #: [ns]
    name: Int
    depth: NDArray[np.int16]
    span: Int  #: [ns]
    has_parts: Bool


def find_loops(rows: CallRows, loop_call: str | None, source: str) -> FoundLoops:
    """Find the loops of one run.

    Parameters
    ----------
    rows : CallRows
        Calls in the order of the log.
    loop_call : str or None
        Name of the call whose start begins a loop, where the caller says so.
    source : str
        The log, for messages.

    Raises
    ------
    LogError
        If the named call is not in the log, or fewer than two loops are found.
    """
    thread = _loop_thread(rows, loop_call, source)
    chosen = None if rows.thread is None else rows.thread == thread
    if rows.hidden is not None:
        chosen = ~rows.hidden if chosen is None else chosen & ~rows.hidden
    mine = rows if chosen is None or chosen.all() else rows.take(chosen)
    if not len(mine):
        raise LogError("holds no call that can be used", source)
    sample, code = _sample(mine), -1
    if loop_call is None and mine.loop is not None and mine.loop.max() >= 0:
        enclosing = _enclosing(sample, mine.names, len(distinct(mine.loop[:SAMPLE_ROWS])))
        start, number = _by_number(mine)
        said = BY_NUMBER
    else:
        if loop_call is not None:
            code = mine.names.index(loop_call)
            enclosing = code if _enclosing(sample, mine.names) == code else -1
            said = f"each start of {loop_call!r}, as asked"
        else:
            enclosing = _enclosing(sample, mine.names)
            code, said = enclosing, f"{mine.names[enclosing]!r}, which encloses the loop"
            if enclosing < 0:
                code, said = _recurring(sample, mine.names)
        start = np.sort(mine.start[mine.name == code])
        if loop_call is None and enclosing < 0:
            start = _begun(mine, start)
        number = np.arange(len(start))
    found = _with_ends(mine, start, number, thread, code, enclosing, said, source)
    if code < 0 and rows.loop_first is not None:
        return replace(found, number=as_logged(found.number, rows.loop_first))
    return found


def _loop_thread(rows: CallRows, loop_call: str | None, source: str) -> int:
    """The thread of the named call, else of a row that is the loop, else with most call names."""
    if loop_call is not None:
        if loop_call not in rows.names:
            said = f"no call is named {loop_call!r}; {nearest(loop_call, rows.names)}"
            raise LogError(said, source)
        if rows.thread is None:
            return 0
        named = rows.thread[rows.name == rows.names.index(loop_call)]
        return int(np.bincount(named).argmax()) if len(named) else 0
    if rows.thread is None or len(rows.threads) == 1:
        return 0
    thread, name = rows.thread[:SAMPLE_ROWS], rows.name[:SAMPLE_ROWS]
    mine = [thread == code for code in range(len(rows.threads))]
    names = [distinct(name[rows_of]) for rows_of in mine]
    loop_names = [code for code, text in enumerate(rows.names) if LOOP_WORD.search(text.lower())]
    marked = [int(np.isin(own, loop_names).sum()) for own in names]
    if any(marked):
        return int(np.argmax(marked))
    variety = np.array([len(own) for own in names])
    if rows.loop is not None:  # other threads may miss loops: a loop's own is met in each
        loop = rows.loop[:SAMPLE_ROWS]
        loops = np.array([len(distinct(loop[rows_of & (loop >= 0)])) for rows_of in mine])
        variety = np.where(loops >= 0.9 * loops.max(), variety, 0)
    best = np.flatnonzero(variety == variety.max())
    called = [t for t in best if rows.threads[t].lower() in _MAIN_WORDS]
    if called:
        return int(called[0])
    about: list[int] = np.flatnonzero(variety >= _NEAR * variety.max()).tolist()
    beats = {t: _beat(rows.start[:SAMPLE_ROWS][mine[t]], name[mine[t]]) for t in about}
    even = [t for t, (step, spread) in beats.items() if spread < _EVEN * step < np.inf]
    if len(even) == 1 and beats[even[0]][0] == min(step for step, _ in beats.values()):
        return int(even[0])
    return int(best[0])


def _beat(start: Int, name: Int) -> tuple[float, float]:
    """Usual step of the call that comes back most evenly, and between which its steps lie [ns]."""
    found = []
    for code in distinct(name).tolist():
        step = np.diff(start[name == code])
        if len(step) >= _BEATS:
            low, middle, high = np.percentile(step, [25, 50, 75])
            found.append((float(middle), float(high - low)))
    least = (np.inf, np.inf)
    return min(found, key=lambda one: one[1] / max(one[0], 1.0), default=least)


def _sample(mine: CallRows) -> _FirstRows:
    part = mine.take(slice(0, SAMPLE_ROWS))
    start, end = part.start, part.start + part.duration
    order = parents_first(start, end, part.by_end)
    if order is not None:
        start, end, part = start[order], end[order], part.take(order)
    found = nest(start, end)
    has_parts = np.zeros(len(part), bool)
    has_parts[found.parent[(found.parent >= 0) & (end > start)]] = True
    return _FirstRows(start, part.name.astype(np.int64), found.depth, end - start, has_parts)


def _enclosing(sample: _FirstRows, names: list[str], loops: int | None = None) -> int:
    """The call that encloses the loop, -1 for none.

    It holds other calls more often than not, nothing stands beside it but waiting, and where
    the log numbers its loops there is one in each. To hold a lock is no loop, whatever is done
    meanwhile.
    """
    top = sample.depth == 0
    count = np.bincount(sample.name[top], minlength=len(names))
    parts = np.bincount(sample.name[top], weights=sample.has_parts[top], minlength=len(names))
    spans = np.bincount(sample.name[top], weights=sample.span[top], minlength=len(names))
    holds = (count > 1) & (parts > 0.5 * count) & ~_are_locks(tuple(names))
    for code in np.flatnonzero(count > 1):
        if not holds[code] and (LOOP_WORD.search(names[code].lower()) or _is_work(names[code])):
            holds[code] = loops is None or abs(count[code] - loops) <= 0.1 * loops + 2
    if not holds.any():
        return -1
    best = int(np.argmax(np.where(holds, spans, -1)))
    if LOOP_WORD.search(names[best].lower()):
        return best
    busy = np.zeros(len(names), bool)
    for code in np.flatnonzero(count):
        busy[code] = guess_name(CallName(names[code])).kind not in ("pacing", "wait")
    beside = busy & (count >= 0.5 * count[best])
    beside[best] = False
    if beside.any() or spans[best] < 0.5 * spans[busy].sum():
        return -1
    if loops is not None and abs(count[best] - loops) > 0.1 * loops + 2:
        return -1
    return best


@lru_cache(maxsize=4)  # the runs of a log share their names
def _are_locks(names: tuple[str, ...]) -> Bool:
    return np.array(list(map(bool, of_locks(names))), bool)


def _is_work(name: str) -> bool:
    """Whether a call's name says that it is all the work of a loop, as "work" does."""
    return meaning(name) == "busy" and len(tokens(name)) == 1


def _recurring(sample: _FirstRows, names: list[str]) -> tuple[int, str]:
    """The call that recurs once a cycle, and what is said of that."""
    from looptime.parsers.assemble.recurring import recurring

    top = sample.depth == 0
    start = sample.start[top]
    code, rival = recurring(sample.name[top], start, start + sample.span[top], names)
    other = "another" if rival < 0 else f"another, such as {names[rival]!r}"
    return code, f"{names[code]!r}, which recurs once a cycle (--loop-call names {other})"


def _begun(mine: CallRows, marks: Int) -> Int:
    """Begins of the loops of which a call marks each: another call may come first in some."""
    from looptime.parsers.assemble.recurring import after_waits

    order = np.argsort(mine.start, kind="stable")
    start = mine.start[order]
    begun = after_waits(start, start + mine.duration[order], marks)
    return marks if begun is None else begun


def _by_number(mine: CallRows) -> tuple[Int, Int]:
    """Start of each numbered loop: the earliest start among its rows."""
    loop = mine.loop
    assert loop is not None
    number, start = loop, mine.start
    if loop.min() < 0:
        numbered = loop >= 0
        number, start = loop[numbered], mine.start[numbered]
    cut = np.flatnonzero(number[1:] != number[:-1]) + 1
    first = np.concatenate([[0], cut])
    starts, numbers = np.minimum.reduceat(start, first), number[first]
    if len(numbers) > 1 and not (numbers[1:] > numbers[:-1]).all():
        going_on = numbers + _restarts(starts, numbers)
        order = np.argsort(going_on, kind="stable")
        going_on, numbers, starts = going_on[order], numbers[order], starts[order]
        first = np.concatenate([[0], np.flatnonzero(going_on[1:] != going_on[:-1]) + 1])
        starts, numbers = np.minimum.reduceat(starts, first), numbers[first]
    order = np.argsort(starts, kind="stable")
    return starts[order], numbers[order]


def _restarts(start: Int, number: Int) -> Int:
    """What must be added to numbers that began anew, or wrapped, while the clock went on."""
    fall = _falls(number)
    anew = (fall > 0) & (start[1:] > start[:-1])
    return np.cumsum(np.concatenate([[0], np.where(anew, fall + 1, 0)]))


def _falls(number: Int) -> Int:
    """By how much the numbers fall from one to the next where they begin anew, else 0."""
    fall = number[:-1].astype(np.int64) - number[1:]
    return np.where(fall > _OUT_OF_ORDER, fall, 0)


def _with_ends(
    mine: CallRows,
    start: Int,
    number: Int,
    thread: int,
    code: int,
    enclosing: int,
    said: str,
    source: str,
) -> FoundLoops:
    """Where each loop ends: at the next start; the last only where its enclosing row says so.

    `code` is the call whose starts begin the loops, -1 where the log numbers them.
    """
    keep = np.ones(len(start), bool)
    keep[1:] = start[1:] > start[:-1]
    start, number = start[keep], number[keep]
    if len(start) < 2:
        raise LogError(
            "holds a single loop: record at least two"
            if len(start)
            else "holds no loop: name the call that begins one with --loop-call",
            source,
        )
    end = np.concatenate([start[1:], [start[-1]]])
    body = None
    if enclosing >= 0:
        lost = _lost_after(number, start)
        body, tiles = _bodies(mine, start, enclosing, lost)
        if tiles:
            lost[-1] = True
            lost[-2] |= body[-1] == 0  # of an unfinished loop only the calls are known
        whole = lost & (body > 0)
        end[whole] = np.minimum(start + body, np.append(start[1:], np.iinfo(np.int64).max))[whole]
    complete = end > start
    if enclosing < 0:
        complete &= ~_lost_after(number, start)
    complete[:-1] &= ~_paused(start, number)
    if code >= 0:
        two = merged_loops(start[:-1], start[1:], mine.start, mine.name, code)
        complete[:-1] &= ~two
        said += _said_of(int(two.sum()))
    if mine.missing is not None:
        complete &= ~_harmed(start, end, *mine.missing)
    if complete.sum() < 1:
        raise LogError("holds a single loop: record at least two", source)
    return FoundLoops(
        start[complete],
        end[complete],
        number[complete],
        thread,
        enclosing,
        None if body is None else body[complete],
        said,
    )


def _said_of(two: int) -> str:
    """That loops are left out whose second half lacks the row that begins it."""
    what = "2 loops are" if two == 1 else f"{two} times 2 loops are"
    return f"; {what} left out between which the row of that call is missing" if two else ""


def _bodies(mine: CallRows, start: Int, enclosing: int, lost: Bool) -> tuple[Int, bool]:
    """Length of the enclosing call of each loop, and whether those rows leave no gap.

    The gap after a loop behind which some were lost says nothing of that.
    """
    rows = np.flatnonzero(mine.name == enclosing)
    began = mine.start[rows]
    body = np.zeros(len(start), np.int64)
    if np.array_equal(began, start):
        body[:] = mine.duration[rows]
    else:
        at = np.searchsorted(start, began, side="right") - 1
        inside = at >= 0
        body[at[inside]] = mine.duration[rows[inside]]
    known = len(start) - (body[-1] == 0)  # an unfinished last loop starts before its first call
    gap = np.abs(start[:-1] + body[:-1] - start[1:])[: known - 1]
    near = np.maximum(2000, 1e-4 * (start[1:] - start[:-1]))[: known - 1]
    tiled = (gap <= near)[~lost[: known - 1]]
    return body, bool(len(tiled)) and float(np.mean(tiled)) > 0.9


def _harmed(start: Int, end: Int, before: Int, after: Int) -> Bool:
    """Loops in which rows are missing: between an instant before and one after them."""
    first = np.maximum(np.searchsorted(start, before, side="right") - 1, 0)
    stop = np.searchsorted(start, after, side="right")
    change = np.bincount(first, minlength=len(start) + 1) - np.bincount(
        np.maximum(stop, first), minlength=len(start) + 1
    )
    inside: Bool = (np.cumsum(change[:-1]) > 0) & (end >= before.min(initial=0))
    return inside


def _paused(start: Int, number: Int) -> Bool:
    """Loops after which the numbers began anew and time passed: no loop lasts so long."""
    anew: Bool = _falls(number) > 0
    if anew.any():
        step = np.diff(start)
        anew &= step > 3 * np.median(step)
    return anew


def _lost_after(number: Int, start: Int) -> Bool:
    """Loops after which numbers are missing: the logger lost whole loops there."""
    lost = np.zeros(len(number), bool)
    if len(number) > 2:
        step = number_steps(number, start)
        lost[:-1] = step > max(1, int(median(step)))
    return lost
