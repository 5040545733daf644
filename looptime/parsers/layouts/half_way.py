"""What changes half-way in a log: the unit of its clock, the spelling of a name, stamps of zero."""

import re
from bisect import bisect_left
from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.text.table import Table
from looptime.stats.arrays import tally
from looptime.stats.quantiles import percentiles

__all__ = ["check_clock_unit", "respelled", "zero_stamps"]

#: By how much a clock goes ahead or back where its unit changes, and how nearly.
_FACTORS, _NEAR = (1e3, 1e-3, 1e6, 1e-6), 0.2
#: No smaller leap is near one of these; rows that are looked at together.
_LEAP, _BLOCK = 500.0, 1 << 13
#: Steps on each side that must change alike, and by what they may differ from the factor.
_STEPS, _STEPS_NEAR = 40, 3.0
_FEWEST = 8
#: So many names that are each the beginning of one that is this many times as frequent were cut.
_FEWEST_CUT, _FULL = 3, 20
_SPELLING = re.compile(r"[\s._/-]+")
_MOST_TOLD, _SPELLED = 5, 3
#: A stamp of zero is none where the clock is this many usual steps further.
_BEYOND = 5
#: A name met so often has gone where it is missing for so many times its usual distance, and for
#: this part of the log.
_OFTEN, _FAR, _REST = 20, 12, 0.1
#: Rows of which fewer than this share go on in time stand in no order.
_IN_ORDER = 0.6


def check_clock_unit(time: Int, table: Table) -> None:
    """Refuse a clock whose numbers and steps both become a thousand or a million times others.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        In the order of the log, as printed.
    table : Table
        Whose rows they are.

    Raises
    ------
    LogError
        With the line from which on another unit is written.
    """
    leap = _leaps(time)
    times = time[leap + 1].astype(float) / time[leap]
    for factor in _FACTORS:
        for at in leap[np.abs(times / factor - 1) < _NEAR][:_MOST_TOLD].tolist():
            near = time[max(0, at - _STEPS) : at + 1], time[at + 1 : at + 2 + _STEPS]
            sides = [np.diff(side) for side in near]
            there = [side[side > 0] for side in sides]
            if min(map(len, there)) < _FEWEST:
                continue
            ratio = float(np.median(there[1]) / np.median(there[0])) / factor
            if 1 / _STEPS_NEAR < ratio < _STEPS_NEAR:
                line = int(table.line_of(np.array([at + 1]))[0])
                raise LogError(
                    "from this line on times and their steps are "
                    f"{max(factor, 1 / factor):,.0f} times {'larger' if factor > 1 else 'smaller'}:"
                    " they are written in another unit: cut the log there",
                    line=line,
                )


def _leaps(time: Int) -> Int:
    """Rows after which a stamp above 0 is hundreds of times larger or smaller, block by block."""
    found = [np.empty(0, np.int64)]
    for low in range(0, len(time) - 1, _BLOCK):
        part = time[low : low + _BLOCK + 1]
        least, most = float(part.min()), float(part.max())
        if least > 0 and most < _LEAP * least:
            continue
        before, after = part[:-1].astype(float), part[1:].astype(float)
        far = (after > _LEAP * before) | (before > _LEAP * after)
        found.append(low + np.flatnonzero(far & (before > 0) & (after > 0)))
    return np.concatenate(found)


def zero_stamps(time: Int, length: Float | None = None) -> Int:
    """Rows whose stamp is 0 while the clock goes on around them: it was not read.

    A row with a `length` may be written when it ends: it began at 0 if it lasted until then.

    Examples
    --------
    >>> zero_stamps(np.array([550, 555, 560, 0, 0, 575, 580, 585])).tolist()
    [3, 4]
    >>> zero_stamps(np.array([55, 60, 65, 70, 0, 5, 10, 15])).tolist()  # it wraps
    []
    """
    zero = np.flatnonzero(time == 0)
    zero = zero[zero > 0]
    if not len(zero) or 2 * len(zero) > len(time) or len(time) < _FEWEST:
        return zero[:0]
    there = np.flatnonzero(time != 0)
    place = np.searchsorted(there, zero)
    inside = (place > 0) & (place < len(there))
    zero, place = zero[inside], place[inside]
    before, after = time[there[place - 1]], time[there[place]]
    unread = after >= before
    if length is not None:
        unread &= length[zero] < before
    if unread.any():
        (usual,) = percentiles(np.abs(np.diff(time[there])), [95])
        unread &= before > _BEYOND * usual
    found: Int = zero[unread]
    return found


def respelled(table: Table, time: Int | None) -> tuple[str, ...]:
    """Take names for one that are spelled alike but for case and dots, one after the other.

    The table's codes are changed in place; `time` is its clock, where it has one. Also told is
    which names stand in no row of the rest.

    Returns
    -------
    tuple of str
        Cautions.
    """
    words = table.words.get("name", [])
    alike: dict[str, list[int]] = {}
    for code, word in enumerate(words):
        alike.setdefault(_SPELLING.sub("", word.lower()), []).append(code)
    several = [codes for key, codes in alike.items() if key and len(codes) > 1]
    notes: list[str] = []
    for codes in several:
        name = np.asarray(table.columns["name"])
        rows = sorted((np.flatnonzero(name == code) for code in codes), key=lambda r: int(r[0]))
        if min(map(len, rows)) < _SPELLED:  # no spelling that the rest of the log has
            continue
        if any(one[-1] > other[0] for one, other in pairwise(rows)):
            continue  # both at a time: two calls
        first = int(name[rows[0][0]])
        line = int(table.line_of(rows[1][:1])[0])
        notes.append(
            f"line {line}: {words[first]!r} is written {words[int(name[rows[1][0]])]!r} from here "
            "on: taken for the same"
        )
        table.columns["name"] = np.where(np.isin(name, codes), name.dtype.type(first), name)
    if not words:
        return ()
    count = tally(np.asarray(table.columns["name"]), len(words))
    return (*notes, *_cut_off(words, count), *_gone(table, time, count))[:_MOST_TOLD]


def _cut_off(words: list[str], count: Int) -> list[str]:
    """Names that end within a word of a far more frequent one; a few may be names of their own."""
    if len(words) <= _FEWEST_CUT:
        return []
    often = sorted((word, n) for word, n in zip(words, count.tolist(), strict=True) if n >= _FULL)
    found: list[tuple[str, str, int]] = []
    for word, rows in zip(words, count.tolist(), strict=True):
        at = bisect_left(often, (word, 0))
        full, usual = often[at] if at < len(often) else ("", 0)
        inside = full.startswith(word) and full[len(word) :][:1].isalpha()
        if word and inside and usual >= _FULL * rows > 0:
            found.append((word, full, rows))
    if len(found) < _FEWEST_CUT:
        return []
    (word, full, _), rows = found[0], sum(rows for *_, rows in found)
    return [
        f"{rows:,} rows have names that end within a word of another, such as {word!r} of "
        f"{full!r}: cut off as they were written? They are counted apart"
    ]


def _gone(table: Table, time: Int | None, count: Int) -> list[str]:
    """Names of which no row stands in the rest of the log, often as they were met before."""
    if any(table.words.get("phase", [])):  # each phase has calls of its own
        return []
    words, name = table.words["name"], np.asarray(table.columns["name"])
    last, first = _ends(name, len(words))
    apart = (last - first) / np.maximum(count - 1, 1)
    left = len(name) - 1 - last
    gone = (count >= _OFTEN) & (left > _FAR * apart) & (left > _REST * len(name))
    if time is not None and gone.any():  # rows sorted by name, or by anything else, say nothing
        if (np.diff(time) >= 0).mean() < _IN_ORDER:
            return []
        gone[gone] = [np.median(time[at:]) > time[at] for at in last[gone].tolist()]
    lines = table.line_of(last[gone]).tolist()
    return [
        f"{words[code]!r} stands in no row after line {line}"
        for code, line in zip(np.flatnonzero(gone), lines, strict=True)
    ]


def _ends(name: Int, names: int) -> tuple[Int, Int]:
    """Last and first row of each name; 0 for one that is not there."""
    last, first = len(name) - 1 - _met(name[::-1], names), _met(name, names)
    return np.where(first < len(name), last, 0), np.where(first < len(name), first, 0)


def _met(name: Int, names: int) -> Int:
    """The first row of each name, looked for until all are met; past the end if never."""
    first = np.full(names, len(name))
    for low in range(0, len(name), _BLOCK):
        code, place = np.unique(name[low : low + _BLOCK], return_index=True)
        first[code] = np.minimum(first[code], low + place)
        if (first < len(name)).all():
            break
    return first
