"""Columns of calls, or of their begins and ends, told by values where no header names them."""

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.evidence import counts_rows, rises, wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import CLOCKS, PHASES, meaning, of_a_clock
from looptime.parsers.columns.refusals import words_change
from looptime.parsers.columns.unit import instants
from looptime.parsers.layouts.pairing import BEGIN, END, Pairs, pair
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.records import dataclass
from looptime.units import UNITS

__all__ = [
    "CALLS",
    "EDGES",
    "MOST_THREADS",
    "Fit",
    "begins_first",
    "call_columns",
    "codes_of",
    "edge_columns",
    "fit_of",
    "paired",
    "stamped_at_once",
]

#: Why columns are those of calls, and of begins and ends, whatever they are called.
CALLS = "what lasts so long follows closely upon the rows before or lies within one"
EDGES = "name by name one follows the other, and what they enclose lies within each other"
#: Rows from which on values tell anything, and the most words of a column of names, of threads.
_ENOUGH, _MOST_NAMES, MOST_THREADS = 30, 200, 16
#: Of so many columns each may be a length, or a thread: a log of calls has no more of them.
_MOST_LENGTHS = 6
#: Shares of the rows: that hold one of the two edges, that may lack their other edge or cut
#: across another call, that must follow closely upon another or lie within one.
_TWO_WORDS, _ODD, _CLOSE, _WITHIN = 0.95, 0.05, 0.4, 0.25
#: A gap counts as close up to this share of the call before it.
_GAP = 0.25
#: Share of rows that begin or end when the one before did: their stamps are of one printing.
_AT_ONCE = 0.5
#: How often the name that usually follows must follow, also where calls are far apart, and how
#: unlike the usual lengths of two names must be that take turns.
_FOLLOWS, _ALWAYS, _UNLIKE = 0.6, 0.9, 1.5
#: What counts against a column of edges whose words begin a name each, as two names' would.
_UNLIKE_FIRSTS = 0.05
#: Headers of words that are no names of calls: states, those who send rows, names of values.
_NO_NAMES = frozenset(
    (*PHASES, "robot", "agent", "tag", "device", "node", "sender", "source", "sensor", "level",
     "key", "signal", "channel", "field", "metric")
)  # fmt: skip
#: Units of time in another, and the shares of the log that calls fill, also within each other.
_RATIOS, _SOME, _DEEP = (1.0, 1e-3, 1e3, 1e-6, 1e6, 1e-9), 0.02, 5.0
#: Headers of numbers that stand for calls.
_NUMBERED = ("id", "code", "callid", "taskid", "task", "call", "section", "fn", "func", "function")
#: Headers of lengths and ends, beside which no column says begin or end, and of threads.
_LENGTHS = ("duration", "dur", "elapsed", "took", "spent", "end", "stop")
_THREADS = ("thread", "threadname", "threadid", "tid", "core", "pid")
_NO_LENGTHS = ("whole", "period", "latency", "deviation", "setting", "counter", "group")


@dataclass(frozen=True)
class Fit:
    """How well intervals do as the calls of one thread: shares of them."""

    odd: float  #: That cut across others
    close: float  #: That begin with the one around them, or closely after the one before
    within: float  #: That lie within another


def fit_of(start: Float, end: Float) -> Fit:
    """How well intervals do as the calls of one thread.

    Parameters
    ----------
    start, end : float64 array, shape (m,)
        In one unit.

    Examples
    --------
    >>> import numpy as np
    >>> at = np.arange(40.0) * 10
    >>> fit_of(at, at + 9), fit_of(at, at + 19).odd
    (Fit(odd=0.0, close=1.0, within=0.0), 1.0)
    """
    order = np.lexsort((-end, start))
    begin, stop = start[order], end[order]
    usual = float(np.median(stop - begin))
    reach = np.maximum.accumulate(stop)[:-1]
    last, length, now = stop[:-1], (stop - begin)[:-1], begin[1:]
    tick = np.diff(np.unique(np.concatenate([begin, stop]))).min(initial=0.5 * usual)
    slack = max(0.02 * usual, tick)
    beside = now >= reach - slack
    inside_last = now < last - slack
    odd = ~beside & ((stop[1:] > reach + slack) | (inside_last & (stop[1:] > last + slack)))
    odd &= now > begin[:-1] + slack  # of two that begin together either may stand first
    behind = np.where(beside, now - reach, np.where(inside_last, now - begin[:-1], now - last))
    close = behind <= _GAP * np.maximum(length, 0.25 * usual)
    return Fit(float(odd.mean()), float(close.mean()), float((~beside).mean()))


def edge_columns(
    found: list[Head], dialect: Dialect, edge: Head | None, known: dict[str, int]
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
    """
    if any(head.word in _LENGTHS for head in found) or len(dialect.sample) < _ENOUGH:
        return None
    time = _clock(found, dialect)
    if time is None:
        return None
    at = instants(dialect, time)
    rest = [head for head in found if head is not time]
    names = {head: _names(dialect, head, numbers_too=True) for head in rest}
    threads = _threads(rest, dialect)
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
                lost = _unmatched(at, side, name, thread, edge is not None)
                if lost is not None and (best is None or lost < best[0] - 0.01):
                    best = lost, {"time": time, "name": name_head, "edge": side_head}
                    best[1].update({"thread": thread_head} if thread_head is not None else {})
    return None if best is None else best[1]


def _by_turns(side: Int, name: Int, thread: Int | None) -> bool:
    """Whether the two words take turns for each name, or nearly so."""
    order = np.lexsort((name,) if thread is None else (thread, name))
    same = np.diff(name[order]) == 0
    if thread is not None:
        same &= np.diff(thread[order]) == 0
    turns = np.diff(side[order]) != 0
    return bool(same.any()) and bool(turns[same].mean() > 1 - 2 * _ODD)


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
    return 2 * _firsts(side, name).sum() <= len(np.unique(name))


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
    if len(kept) < _ENOUGH or len(np.unique(name)) < 2:
        return None
    if not sure and not begins_first(side, name, thread):
        side = 1 - side
    pairs = paired(side, name, thread)
    lost = 1 - 2 * len(pairs.begin) / len(kept)
    if lost > _ODD or not len(pairs.begin):
        return None
    start, end = at[pairs.begin], at[pairs.end]
    mine = np.ones(len(start), bool)
    if thread is not None:  # those of the busiest are looked at
        own = thread[pairs.begin]
        mine = own == np.bincount(own).argmax()
    fit = fit_of(start[mine], end[mine]) if mine.sum() > 1 else Fit(1, 0, 0)
    calls = fit.odd <= _ODD and (fit.close >= _CLOSE or fit.within >= _WITHIN)
    return lost + _UNLIKE_FIRSTS * float(_firsts(side, name).mean()) if calls else None


#: Shares of the rows that are in the stretch of the row before, and that begin the next one.
_STRETCH, _NEXT = 0.3, 0.02


def call_columns(
    found: list[Head], dialect: Dialect, known: tuple[str, ...] = ()
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
    """
    if len(dialect.sample) < _ENOUGH:
        return None
    words = {head for head in found if head.word in _NUMBERED or wordy(dialect, head.index)}
    numbered = [h for h in found if h not in words and _numbers_loops(h, dialect)]
    timed = [h for h in found if h not in words and h not in numbered]
    intervals = list(_intervals(timed, dialect)) if words else []
    threads = _threads(found, dialect)
    best: tuple[float, dict[str, Head]] | None = None
    for name_head in found if intervals else []:
        name = _names(dialect, name_head, numbers_too=name_head.word in _NUMBERED)
        if name is None or not words_change(dialect, name_head.index):  # phases last
            continue
        for given, start, end in intervals:
            if _has_parts(found, list(given.values())):
                continue
            named = _named(name_head, given, known)
            for thread_head, thread in threads.items():
                if thread_head in (name_head, *given.values()):
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
    step = np.diff(values)
    if head.unit or not len(step) or (values != np.rint(values)).any():
        return False
    same, next_ = float((step == 0).mean()), float((step == 1).mean())
    return same >= _STRETCH and next_ >= _NEXT and same + next_ > 1 - _ODD


def _has_parts(found: list[Head], given: list[Head]) -> bool:
    """Whether a row holds more lengths than that of one call: it is a loop with its parts."""
    return sum(meaning(h.text) == "duration" for h in found if h not in given) >= 2


def _intervals(
    timed: list[Head], dialect: Dialect
) -> Iterator[tuple[dict[str, Head], Float, Float]]:
    """What rows may last: from one column to another, or so long from or up to one."""
    clocks = [h for h in timed if _may_time(h, dialect)]
    lengths = [h for h in timed if h not in clocks and _is_length(h, dialect)]
    lengths = sorted(lengths, key=lambda h: h.word not in _LENGTHS)[:_MOST_LENGTHS]
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
        return _MOST_NAMES + 1
    return 2 if name.word in known else 3


def _as_calls(start: Float, end: Float, name: Int, thread: Int | None, named: int) -> float | None:
    """Share of the rows that follow closely upon others; None where rows are no calls."""
    known = np.isfinite(start) & np.isfinite(end) & (name >= 0)
    if thread is not None:
        known &= thread >= 0
        kinds = {code: len(np.unique(name[known & (thread == code)])) for code in set(thread)}
        known &= thread == max(kinds, key=kinds.__getitem__)
    start, end, name = start[known], end[known], name[known]
    if len(start) < _ENOUGH or (end < start).any() or not (end > start).any():
        return None
    fit, codes = fit_of(start, end), np.unique(name)
    follows = _follows(name[np.argsort(start, kind="stable")])
    usual = [float(np.median((end - start)[name == code])) for code in codes]
    close = fit.close >= _CLOSE and follows >= _FOLLOWS
    close &= len(codes) > 2 or max(usual) >= _UNLIKE * min(usual)
    apart = follows >= _ALWAYS and len(codes) >= named
    calls = len(codes) > 1 and fit.odd <= _ODD and (close or apart)
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


def _clock(found: list[Head], dialect: Dialect) -> Head | None:
    """The column that tells the time: called so, with a unit of time, or the first that rises."""
    likely = [h for h in found if not counts_rows(numbers(dialect, h.index)) and _rises(h, dialect)]
    named = [h for h in likely if h.word in CLOCKS or of_a_clock(h.text)]
    return next(iter(named or [h for h in likely if h.unit] or likely), None)


def _rises(head: Head, dialect: Dialect) -> bool:
    return rises(instants(dialect, head))


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
    named = meaning(head.text)
    if named == "clock" and head.unit and not rises(values):
        named = "duration"  # "ms" and no more
    return (
        len(known) > 0.9 * len(values)
        and bool((known >= 0).all())
        and len(np.unique(known)) > 1
        and named not in _NO_LENGTHS
    )


def _names(dialect: Dialect, head: Head, numbers_too: bool = False) -> Int | None:
    """Codes of a column of names, -1 for none; None where it is none of names of calls."""
    cells = [row[head.index] for row in dialect.sample]
    whole = numbers_too and all(cell.isdecimal() for cell in cells if cell)
    if head.word in _NO_NAMES or not (whole or wordy(dialect, head.index)):
        return None
    uses = Counter(cells)
    again = sum(count for cell, count in uses.items() if count > 2 and cell)
    if not 2 <= len(uses) <= _MOST_NAMES or again < 0.9 * len(cells):
        return None
    return codes_of(cells, list(uses))


def _no_threads(found: list[Head]) -> list[Head]:
    return [head for head in found if head.word not in _THREADS]


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


def _threads(found: list[Head], dialect: Dialect) -> dict[Head | None, Int | None]:
    """Codes of the columns that may be of threads; None is that of a log that has but one."""
    made: dict[Head | None, Int | None] = {}
    for head in found:
        cells = [row[head.index] for row in dialect.sample]
        words = list(dict.fromkeys(cells[:200]))
        if len(words) <= MOST_THREADS < len(cells):
            words = list(dict.fromkeys(cells))
        if 2 <= len(words) <= MOST_THREADS and not any(is_number(w) and "." in w for w in words):
            made[head] = codes_of(cells, words)
    few = len(made) <= _MOST_LENGTHS
    return {None: None} | {h: c for h, c in made.items() if few or (h and h.word in _THREADS)}


def codes_of(cells: list[str], words: list[str]) -> Int:
    """Place of each cell among some words, -1 where it is empty.

    Examples
    --------
    >>> codes_of(["b", "", "a"], ["a", "b"]).tolist()
    [1, -1, 0]
    """
    place = {word: at for at, word in enumerate(words)}
    return np.array([place[cell] if cell else -1 for cell in cells], np.int64)
