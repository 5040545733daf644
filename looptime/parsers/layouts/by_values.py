"""What values tell of columns of calls, or of their begins and ends, where no header does."""

from collections import Counter

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import PHASES, THREADS
from looptime.parsers.text.dialect import Dialect, is_number
from looptime.records import dataclass

__all__ = [
    "CLOSE", "ENOUGH", "LENGTHS", "MOST_LENGTHS", "MOST_NAMES", "MOST_THREADS",
    "NO_NAMES", "ODD",
    "THREAD_WORDS", "Fit", "codes_of", "fit_of", "names_of", "threads_of",
]  # fmt: skip

#: Rows from which on values tell anything, and the most words of a column of names, of threads.
ENOUGH, MOST_NAMES, MOST_THREADS = 30, 200, 16
#: Of so many columns each may be a length, or a thread: a log of calls has no more of them.
MOST_LENGTHS = 6
#: Shares of the rows: that may lack their other edge or cut across another call, and that must
#: follow closely upon another.
ODD, CLOSE = 0.05, 0.4
#: A gap counts as close up to this share of the call before it.
_GAP = 0.25
#: Headers of words that are no names of calls: states, those who send rows, names of values.
NO_NAMES = frozenset(
    (*PHASES, "robot", "agent", "tag", "device", "node", "sender", "source", "sensor", "level",
     "key", "signal", "channel", "field", "metric")
)  # fmt: skip
#: Headers of lengths and ends, beside which no column says begin or end, and of threads.
LENGTHS = ("duration", "dur", "elapsed", "took", "spent", "end", "stop")
THREAD_WORDS = (*THREADS, "core", "pid")


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


def names_of(
    dialect: Dialect, head: Head, numbers_too: bool = False, whatever: bool = False
) -> Int | None:
    """Codes of a column of names, -1 for none; None where it is none of names of calls.

    Parameters
    ----------
    dialect : Dialect
        How the log is written, with its first rows.
    head : Head
        The column.
    numbers_too : bool
        Whether whole numbers may stand for calls.
    whatever : bool
        Whether they may be names under a header, too, that speaks of a device, a state or a sender.
    """
    cells = [row[head.index] for row in dialect.sample]
    whole = numbers_too and all(cell.isdecimal() for cell in cells if cell)
    if (head.word in NO_NAMES and not whatever) or not (whole or wordy(dialect, head.index)):
        return None
    uses = Counter(cells)
    again = sum(count for cell, count in uses.items() if count > 2 and cell)
    if not 2 <= len(uses) <= MOST_NAMES or again < 0.9 * len(cells):
        return None
    return codes_of(cells, list(uses))


def threads_of(found: list[Head], dialect: Dialect) -> dict[Head | None, Int | None]:
    """Codes of the columns that may be of threads; None is that of a log that has but one."""
    made: dict[Head | None, Int | None] = {}
    for head in found:
        cells = [row[head.index] for row in dialect.sample]
        words = list(dict.fromkeys(cells[:200]))
        if len(words) <= MOST_THREADS < len(cells):
            words = list(dict.fromkeys(cells))
        if 2 <= len(words) <= MOST_THREADS and not any(is_number(w) and "." in w for w in words):
            made[head] = codes_of(cells, words)
    few = len(made) <= MOST_LENGTHS
    return {None: None} | {h: c for h, c in made.items() if few or (h and h.word in THREAD_WORDS)}


def codes_of(cells: list[str], words: list[str]) -> Int:
    """Place of each cell among some words, -1 where it is empty.

    Examples
    --------
    >>> codes_of(["b", "", "a"], ["a", "b"]).tolist()
    [1, -1, 0]
    """
    place = {word: at for at, word in enumerate(words)}
    return np.array([place[cell] if cell else -1 for cell in cells], np.int64)
