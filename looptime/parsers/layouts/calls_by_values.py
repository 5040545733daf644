"""Columns of timed calls, told by values where no header names them."""

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.evidence import counts_rows, rises, wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.refusals import words_change
from looptime.parsers.columns.unit import instants
from looptime.parsers.layouts import from_begin
from looptime.parsers.layouts.by_values import (
    CLOSE,
    ENOUGH,
    LENGTHS,
    MOST_LENGTHS,
    MOST_NAMES,
    NO_NAMES,
    ODD,
    fit_of,
    names_of,
    threads_of,
)
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.units import UNITS

__all__ = ["CALLS", "call_columns", "stamped_at_once"]

#: Why columns are those of calls, whatever they are called.
CALLS = "what lasts so long follows closely upon the rows before or lies within one"
#: Share of rows that begin or end when the one before did: their stamps are of one printing.
_AT_ONCE = 0.5
#: How often the name that usually follows must follow, also where calls are far apart, and how
#: unlike the usual lengths of two names must be that take turns.
_FOLLOWS, _ALWAYS, _UNLIKE = 0.6, 0.9, 1.5
#: Units of time in another, and the shares of the log that calls fill, also within each other.
_RATIOS, _SOME, _DEEP = (1.0, 1e-3, 1e3, 1e-6, 1e6, 1e-9), 0.02, 5.0
#: Headers of numbers that stand for calls, and what a header says that names no length of one.
_NUMBERED = ("id", "code", "callid", "taskid", "task", "call", "section", "fn", "func", "function")
_NO_LENGTHS = ("whole", "period", "latency", "deviation", "setting", "counter", "group")
#: Shares of the rows that are in the stretch of the row before, and that begin the next one.
_STRETCH, _NEXT = 0.3, 0.02


def call_columns(
    found: list[Head], dialect: Dialect, known: tuple[str, ...] = (), by: Head | None = None
) -> dict[str, Head] | None:
    """Name, start and end or duration, and perhaps thread, of a log of calls; None for others.

    Rows are calls if what lasts as long as they say, from their stamps on or up to them, lies
    within each other or side by side, most of it without a gap, and their names come in an order.

    Parameters
    ----------
    found : list of Head
        Columns that may be any of these.
    dialect : Dialect
        How the log is written, with its first rows.
    known : tuple of str
        Headers of names of calls.
    by : Head, optional
        The column of the threads, where a header names it.
    """
    if len(dialect.sample) < ENOUGH:
        return None
    words = {head for head in found if head.word in _NUMBERED or wordy(dialect, head.index)}
    numbered = [h for h in found if h not in words and _numbers_loops(h, dialect)]
    timed = [h for h in found if h not in words and h not in numbered]
    intervals = list(_intervals(timed, dialect)) if words else []
    intervals += list(_from_begin(timed, dialect)) if words else []
    threads = threads_of(found if by is None else [by], dialect)
    threads = {head: code for head, code in threads.items() if by in (None, head)}
    best: tuple[float, dict[str, Head]] | None = None
    by_header = sorted(found, key=lambda head: (head.word in NO_NAMES, head.word not in known))
    for name_head in by_header if intervals else []:
        name = names_of(dialect, name_head, name_head.word in _NUMBERED, whatever=True)
        if name is None or not words_change(dialect, name_head.index):  # phases last
            continue
        for given, start, end in intervals:
            if _has_parts(found, list(given.values())):
                continue
            if name_head.word in NO_NAMES and "base" not in given:  # else of one loop's calls
                continue
            named = _named(name_head, given, known)
            for thread_head, thread in threads.items():
                taken = {head.index for head in (name_head, *given.values())}
                if thread_head is not None and thread_head.index in taken:
                    continue
                close = _as_calls(start, end, name, thread, named)
                if close is not None and (best is None or close > best[0] + 0.05):
                    best = close, {"name": name_head, **given}
                    best[1].update({"thread": thread_head} if thread_head is not None else {})
    if best is not None and numbered:
        best[1].setdefault("loop", numbered[0])
    return None if best is None else best[1]


def _numbers_loops(head: Head, dialect: Dialect) -> bool:
    """Whether cells number stretches of rows, one after another: the loops of the calls."""
    values = numbers(dialect, head.index)
    values = values[np.isfinite(values)]  # calls of another thread may have none
    step = np.diff(values)
    if head.unit or not len(step) or (values != np.rint(values)).any():
        return False
    same, next_ = float((step == 0).mean()), float((step == 1).mean())
    return same >= _STRETCH and next_ >= _NEXT and same + next_ > 1 - ODD


def _has_parts(found: list[Head], given: list[Head]) -> bool:
    """Whether a row holds more lengths than that of one call: it is a loop with its parts."""
    taken = {head.index for head in given}
    return sum(meaning(h.text) == "duration" for h in found if h.index not in taken) >= 2


def _intervals(
    timed: list[Head], dialect: Dialect
) -> Iterator[tuple[dict[str, Head], Float, Float]]:
    """What rows may last: from one column to another, or so long from or up to one."""
    clocks = [h for h in timed if _may_time(h, dialect)]
    lengths = _lengths([h for h in timed if h not in clocks], dialect)
    for clock in clocks:
        at = instants(dialect, clock)
        text = bool(np.isnan(numbers(dialect, clock.index)).all())
        ns = 1 if text else UNITS[clock.unit] if clock.unit else 0
        for head in clocks:
            end = instants(dialect, head)
            apart = end - at  # the same in each row of two clocks
            if (
                head is not clock
                and (apart >= 0).mean() > 0.99
                and np.ptp(apart) > np.median(apart)
            ):
                yield {"start": clock, "end": head}, at, end
        for head in lengths:
            if text and not head.unit:
                continue
            length = _in_units_of(at, ns, head, dialect)
            if _at_once(at, length):
                continue
            given = {"start": clock, "duration": head}
            if rises(at) or rises(at + length):
                yield given, at, at + length
            if rises(at):
                yield given, at - length, at


def _lengths(timed: list[Head], dialect: Dialect) -> list[Head]:
    """Columns that may be lengths of calls, those called so first."""
    lengths = [head for head in timed if _is_length(head, dialect)]
    return sorted(lengths, key=lambda h: h.word not in LENGTHS)[:MOST_LENGTHS]


def _from_begin(
    timed: list[Head], dialect: Dialect
) -> Iterator[tuple[dict[str, Head], Float, Float]]:
    """The same of instants that are counted from the begin of their loop."""
    clocks = from_begin.counted(timed, dialect)
    within = {clock.head.index for clock in clocks}
    for clock in clocks:
        given = {"start": clock.head} | ({"base": clock.base} if clock.base else {})
        taken = within | ({clock.base.index} if clock.base else set())
        rest = [head for head in timed if head.index not in taken]
        for head in _lengths(rest, dialect):
            length = numbers(dialect, head.index)
            if head.unit and clock.head.unit:
                length = length * (UNITS[head.unit] / UNITS[clock.head.unit])
            elif not clock.head.unit:
                length = length * _scale(clock.laid(length), length)
            start = clock.laid(length)
            yield {**given, "duration": head}, start, start + length
        for head in rest:
            if (apart := clock.until(head, dialect)) is not None:
                start = clock.laid(apart)
                yield {**given, "end": head}, start, start + apart


def _in_units_of(at: Float, ns: int, head: Head, dialect: Dialect) -> Float:
    """Lengths in the unit of a clock, of so many nanoseconds if anybody says it and else 0."""
    length = numbers(dialect, head.index)
    return length * (UNITS[head.unit] / ns if head.unit and ns else _scale(at, length))


def stamped_at_once(clock: Head, length: Head, dialect: Dialect) -> bool:
    """Whether rows are stamped together, as values are that are printed at the end of a loop."""
    at = instants(dialect, clock)
    text = bool(np.isnan(numbers(dialect, clock.index)).all())
    ns = 1 if text else UNITS[clock.unit] if clock.unit else 0
    return _at_once(at, _in_units_of(at, ns, length, dialect))


def _scale(at: Float, length: Float) -> float:
    """Units of a clock in one of lengths, where nobody says both: as they stand if they may.

    Calls that follow each other fill some of the time, and no more than all of it a few times over.
    """
    span, filled = float(np.nanmax(at) - np.nanmin(at)), float(np.nansum(length))
    likely = [one for one in _RATIOS if _SOME * span <= filled * one <= _DEEP * span]
    return likely[0] if likely else 1.0


def _named(name: Head, given: dict[str, Head], known: tuple[str, ...]) -> int:
    """From how many names on headers speak for calls, however far apart these are."""
    length = given.get("duration")
    if length is None or (not length.unit and meaning(length.text) != "duration"):
        return MOST_NAMES + 1
    return 2 if name.word in known else 3


def _as_calls(start: Float, end: Float, name: Int, thread: Int | None, named: int) -> float | None:
    """Share of the rows that follow closely upon others; None where rows are no calls."""
    known = np.isfinite(start) & np.isfinite(end) & (name >= 0)
    if thread is not None:
        known &= thread >= 0
        kinds = {code: len(np.unique(name[known & (thread == code)])) for code in set(thread)}
        known &= thread == max(kinds, key=kinds.__getitem__)
    start, end, name = start[known], end[known], name[known]
    if len(start) < ENOUGH or (end < start).any() or not (end > start).any():
        return None
    fit, codes = fit_of(start, end), np.unique(name)
    follows = _follows(name[np.argsort(start, kind="stable")])
    usual = [float(np.median((end - start)[name == code])) for code in codes]
    close = fit.close >= CLOSE and follows >= _FOLLOWS
    close &= len(codes) > 2 or max(usual) >= _UNLIKE * min(usual)
    apart = follows >= _ALWAYS and len(codes) >= named
    calls = len(codes) > 1 and fit.odd <= ODD and (close or apart)
    return fit.close if calls else None


def _at_once(stamps: Float, length: Float) -> bool:
    """Whether rows are stamped together, as values are that are printed at the end of a loop."""
    steps = np.abs(np.diff(stamps[np.isfinite(stamps)]))
    return bool((steps <= 0.02 * float(np.nanmedian(length))).mean() >= _AT_ONCE)


def _follows(name: Int) -> float:
    """Share of the calls that the usual one follows: names of calls come in an order."""
    most: dict[int, int] = {}
    for (one, _), count in Counter(pairwise(name.tolist())).items():
        most[one] = max(most.get(one, 0), count)
    return sum(most.values()) / max(len(name) - 1, 1)


def _may_time(head: Head, dialect: Dialect) -> bool:
    """Whether a column may hold instants at which calls began, in the order of their ends."""
    values = instants(dialect, head)
    if not np.isfinite(values).mean() > 0.9 or counts_rows(values):
        return False
    tenth = max(len(values) // 10, 2)
    return bool((values[tenth:] > values[:-tenth]).mean() > 0.95)


def _is_length(head: Head, dialect: Dialect) -> bool:
    values = numbers(dialect, head.index)
    known = values[np.isfinite(values)]
    return (
        len(known) > 0.9 * len(values)
        and bool((known >= 0).all())
        and len(np.unique(known)) > 1
        and meaning(head.text) not in _NO_LENGTHS
    )
