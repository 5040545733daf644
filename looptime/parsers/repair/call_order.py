"""The order in which timed calls stand in a log, and what breaks it."""

from bisect import bisect_right
from dataclasses import replace

import numpy as np

from looptime.array_types import Int
from looptime.parsers.clock.steps import (
    JUMP_NS,
    JUMP_STEPS,
    Step,
    Steps,
    Way,
    find_steps,
)
from looptime.parsers.layouts.contract import CallRows
from looptime.records import dataclass

__all__ = [
    "NO_ORDER",
    "CallOrder",
    "back_steps",
    "call_steps",
    "in_sequence",
    "period_of",
    "repeated_calls",
]

_CHUNK = 1 << 18
#: Where more than this part of the rows step back, they stand in no order.
NO_ORDER = 0.2
#: A log has fewer call names than this.
_MOST_NAMES = 2000


class CallOrder:
    """Where calls step back, looked for in passes over short stretches of the columns.

    Each thread's rows stand in the order in which calls start or in which they end. Whichever
    fits is taken; `smooth` says that neither the clock nor the order is in doubt, and then
    `longest` how far apart [ns] two calls end, or start, at most.

    Parameters
    ----------
    rows : CallRows
        In the order of the log.
    tolerance : int
        Steps back that rounding explains [ns].
    """

    def __init__(self, rows: CallRows, tolerance: int) -> None:
        self.rows = rows
        self.tolerance = tolerance
        self.by_end = True
        self.longest = 0
        self.smooth = self._rising(True, None)
        if not self.smooth:
            self.by_end = False
            self.smooth = self._rising(False, None)
        if not self.smooth and rows.thread is not None and len(rows.threads) > 1:
            codes = range(len(rows.threads))
            self.smooth = all(self._rising(True, c) or self._rising(False, c) for c in codes)

    def _rising(self, by_end: bool, thread: int | None) -> bool:
        """Whether the starts or ends never step back, nor far ahead."""
        rows = self.rows
        last_key = last_end = None
        for low in range(0, len(rows), _CHUNK):
            part = slice(low, low + _CHUNK)
            start, duration = rows.start[part], rows.duration[part]
            if thread is not None:
                assert rows.thread is not None
                mine = rows.thread[part] == thread
                start, duration = start[mine], duration[mine]
            if not len(start):
                continue
            end = start + duration
            key = end if by_end else start
            behind = last_key is not None and key[0] - last_key < -self.tolerance
            if behind or (last_end is not None and start[0] - last_end > JUMP_NS):
                return False
            step = np.diff(key)
            if len(step) and (step.min() < -self.tolerance or duration.min() < 0):
                return False
            longest = int(step.max()) if len(step) else 0
            if longest > JUMP_NS and _longest_gap(start, end) > JUMP_NS:
                return False
            apart = 0 if last_key is None else int(key[0] - last_key)
            self.longest = max(self.longest, longest, apart)
            last_key, last_end = key[-1], end[-1]
        return True


def _longest_gap(start: Int, end: Int) -> int:
    """Longest time in which nothing ran [ns]."""
    return int((start[1:] - np.maximum.accumulate(end)[:-1]).max())


def repeated_calls(rows: CallRows) -> Int:
    """Rows that repeat the row before them.

    One thread cannot make the same call twice at one instant, unless it takes no time.
    """
    found = []
    for low in range(0, len(rows) - 1, _CHUNK):
        part, after = slice(low, low + _CHUNK), slice(low + 1, low + _CHUNK + 1)
        start = rows.start[after]
        same = np.flatnonzero(start == rows.start[part][: len(start)])
        if not len(same):
            continue
        same += low + 1
        columns = [rows.duration, rows.name, rows.thread, rows.seq, rows.loop]
        for column in columns:
            if column is not None:
                same = same[column[same] == column[same - 1]]
        numbered = rows.seq is not None and bool((rows.seq[same] >= 0).all())
        if rows.hidden is not None:
            same = same[~rows.hidden[same]]
        found.append(same if numbered else same[rows.duration[same] > 0])
    return np.concatenate(found) if found else np.empty(0, np.int64)


def call_steps(rows: CallRows, order: CallOrder, way: Way) -> tuple[Steps, Int | None]:
    """Steps of the clock behind timed calls.

    Parameters
    ----------
    rows : CallRows
        In the order of the log.
    order : CallOrder
        Of these rows.
    way : Way
        What is known of the clock; `number` is taken from the rows, thread by thread.

    Returns
    -------
    found : Steps
        Places are those of the rows; a step that several threads show is told once.
    shift : int64 array, shape (m,), or None
        What must be added to the starts.
    """
    found = Steps()
    shift = np.zeros(len(rows), np.int64)
    cuts: list[_Window] = []
    every = np.arange(len(rows))
    codes = _by_size(rows)
    for code in codes:
        mine = every if rows.thread is None else np.flatnonzero(rows.thread == code)
        own = _thread_steps(rows, mine, order, way, busiest=code == codes[0])
        for at, ns in own.shift:
            shift[mine[at:]] += ns
            found.shift.append((int(mine[at]), ns))
        found.corrupt += mine[own.corrupt].tolist() if own.corrupt else []
        told = any(step.kind == "wrap" for step in found.steps)
        found.steps += [
            replace(step, at=int(mine[step.at]))
            for step in own.steps
            if step.kind == "corrupt" or (step.kind == "wrap" and not told)
        ]
        for step in own.cuts:
            _add(cuts, _Window(int(mine[step.at - 1]), int(mine[step.at]), step))
    started = rows.start + shift
    found.steps += [replace(cut.step, at=_place(cut, started, way.broken)) for cut in cuts]
    found.steps.sort(key=lambda step: step.at)
    return found, shift if found.shift else None


@dataclass
class _Window:
    """A cut lies after one row and at or before another."""

    before: int
    after: int
    step: Step


def _place(cut: _Window, start: Int, broken: Int) -> int:
    """The first row of the later run, which may be of a thread that only starts there.

    A header or a remark in between marks it; else each row belongs to the run whose row at the
    edge of the window is nearer in time, with as few exceptions as can be.
    """
    if cut.after - cut.before < 2:
        return cut.after
    marks = broken[(broken > cut.before) & (broken <= cut.after)]
    if len(marks) == 1:
        return int(marks[0])
    between = start[cut.before + 1 : cut.after]
    later = np.abs(between - start[cut.after]) < np.abs(between - start[cut.before])
    # rows of the later run that a cut leaves before it, and of the earlier one behind it
    wrong = np.append(0, np.cumsum(later)) + np.append(np.cumsum(~later[::-1])[::-1], 0)
    return cut.before + 1 + int(np.argmin(wrong))


def _add(cuts: list[_Window], new: _Window) -> None:
    """Threads that begin anew together are cut at one row; cuts stay sorted and apart."""
    place = bisect_right(cuts, new.before, key=lambda cut: cut.after)
    if place < len(cuts) and cuts[place].before < new.after:
        known = cuts[place]
        known.before = max(known.before, new.before)
        known.after = min(known.after, new.after)
    else:
        cuts.insert(place, new)


def _by_size(rows: CallRows) -> list[int]:
    """Threads, the busiest first."""
    if rows.thread is None:
        return [0]
    count = np.bincount(rows.thread, minlength=len(rows.threads))
    return [int(code) for code in np.argsort(-count, kind="stable") if count[code]]


def _thread_steps(rows: CallRows, mine: Int, order: CallOrder, way: Way, busiest: bool) -> Steps:
    """Steps of one thread's calls; places count within the thread."""
    if len(mine) < 3:
        return Steps()
    start, duration = rows.start[mine], np.maximum(rows.duration[mine], 0)
    end = start + duration
    falls = [(np.diff(key) < -order.tolerance).sum() for key in (end, start)]
    key = end if falls[0] <= falls[1] else start
    period = period_of(rows, mine)
    events = np.flatnonzero(np.diff(key) < -max(order.tolerance, 2 * period)) + 1
    if len(events) > NO_ORDER * len(key):  # sorting is all that can be done
        return Steps()
    if len(events) < _MOST_NAMES:  # rows that stand name by name step back between the names
        events = events[np.array([_alike(rows.name[mine], at) for at in events.tolist()], bool)]
    if len(events) and _each_rises(rows.name[mine], start, order.tolerance):
        events = events[:0]
    if busiest:
        events = np.union1d(events, _gaps(start, end, period))
    if not len(events):
        return Steps()
    number = None if rows.loop is None else rows.loop[mine]
    broken = np.searchsorted(mine, way.broken)
    return find_steps(key, replace(way, number=number, broken=broken), events, period)


def _each_rises(name: Int, start: Int, tolerance: int) -> bool:
    """Whether each name's own calls stand in the order of time: some are written later than others.

    A clock that begins anew, or is set back, goes back for every name.
    """
    order = np.argsort(name, kind="stable")
    same = name[order[1:]] == name[order[:-1]]
    return bool((np.diff(start[order])[same] >= -tolerance).all())


def period_of(rows: CallRows, mine: Int | None = None) -> float:
    """Typical time between two calls of the commonest name [ns], of the rows `mine` alone."""
    part = np.arange(min(len(rows), 100_000)) if mine is None else mine[:100_000]
    name = rows.name[part]
    often = int(np.bincount(name).argmax())
    times = rows.start[part[name == often]]
    step = np.diff(times)
    if len(step) and (step < 0).mean() > NO_ORDER:
        step = np.diff(np.sort(times))
    step = step[step > 0]
    return float(np.median(step)) if len(step) else 1.0


def _gaps(start: Int, end: Int, period: float) -> Int:
    """Places before which nothing ran for so long that the clock must have been set."""
    reach = np.maximum.accumulate(end)[:-1]
    # after a step back the reach is stale; only steps ahead of it count here
    return np.flatnonzero(start[1:] - reach > max(JUMP_NS, JUMP_STEPS * period)) + 1


def _alike(names: Int, at: int) -> bool:
    """Whether the same names are called on both sides of a place."""
    before, after = names[max(0, at - 2000) : at], names[at : at + 2000]
    return bool(np.isin(after, before).any())


def back_steps(rows: CallRows, tolerance: int) -> int:
    """Steps back within the threads, in the order of starts or of ends, whichever has fewer.

    Parameters
    ----------
    rows : CallRows
        In the order of the log.
    tolerance : int
        Steps back that rounding explains [ns].
    """
    count = 0
    for code in _by_size(rows):
        mine = slice(None) if rows.thread is None else np.flatnonzero(rows.thread == code)
        start = rows.start[mine]
        end = start + np.maximum(rows.duration[mine], 0)
        count += min(int((np.diff(key) < -tolerance).sum()) for key in (end, start))
    return count


def in_sequence(rows: CallRows) -> tuple[CallRows, int]:
    """Rows in the order of their sequence numbers, thread by thread, and how many were not.

    Without sequence numbers, or where they are met twice, the order of the log stands; the
    assembly sorts by time, stably.
    """
    if rows.seq is None or not len(rows) or rows.seq.min() < 0:
        return rows, 0
    if rows.thread is None and (rows.seq[1:] > rows.seq[:-1]).all():
        return rows, 0
    thread = np.zeros(len(rows), np.int16) if rows.thread is None else rows.thread
    order = np.lexsort((rows.seq, thread))
    twice = (np.diff(rows.seq[order]) == 0) & (np.diff(thread[order]) == 0)
    if twice.any():
        return rows, 0
    back = int((np.diff(order)[np.diff(thread[order]) == 0] < 0).sum())
    if not back:
        return rows, 0
    sorted_rows = np.empty(len(rows), np.int64)
    # each thread keeps the places it has; only its rows change among them
    place = np.lexsort((np.arange(len(rows)), thread))
    sorted_rows[place] = order
    return rows.take(sorted_rows), back
