"""A run's loop thread as a chain of stretches of time, each owned by one call.

Between two neighbouring events (a call begins or ends, a loop begins or ends) time belongs to the
innermost call that is open, to no call (unattributed), or to no loop at all (between loops that
do not adjoin). A change alters lengths, drops calls or sets copies of calls elsewhere; times are
rounded once, when the chain is turned into a `Run` again, so that the books of every predicted
run balance by construction.
"""

from dataclasses import field
from functools import cached_property

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.errors import LooptimeError
from looptime.records import dataclass
from looptime.run import Run

__all__ = [
    "BETWEEN",
    "NOBODY",
    "Arranged",
    "Chain",
    "Copies",
    "Laid",
    "arrange",
    "chain",
    "lay",
    "parts",
]

#: Owner of time that no call covers.
NOBODY = -1
#: Owner of time between loops that do not adjoin.
BETWEEN = -2


@dataclass
class Chain:
    """The loop thread of one run."""

    n: int  #: Number of loops
    row: Int  #: Row of the run's call columns, shape (m,)
    #: Of each call, shape (m,).
    loop: Int
    depth: Int
    name: Int
    size: Int  #: Number of calls in the call, itself included, shape (m,)
    #: Its first and last stretch, shape (m,).
    first: Int
    last: Int
    tail: Float  #: Part of the call that lies beyond the loops kept, shape (m,) [ns]
    #: Loop `j` holds the stretches ``begin[j] + 1 .. end[j]``; shape (n,).
    begin: Int
    end: Int
    owner: Int  #: Call that owns each stretch, `NOBODY` or `BETWEEN`, int32 array, shape (e,)
    length: Float  #: shape (e,) [ns]

    @cached_property
    def nested(self) -> bool:
        """Whether any call encloses another or runs on into a later loop."""
        return bool(len(self.first)) and not np.array_equal(self.first, self.last)


@dataclass
class Copies:
    """Calls set into the chain a second time."""

    #: Which call is copied, with all that it encloses, shape (k,).
    call: Int = field(default_factory=lambda: np.empty(0, np.int64))
    #: Stretch after which the copy comes; not falling; shape (k,).
    after: Int = field(default_factory=lambda: np.empty(0, np.int64))
    #: Loop in which it then is, shape (k,).
    loop: Int = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass
class Laid:
    """A chain laid out in time: whole nanoseconds, calls in start order.

    `call` says which call of the chain each row was made from.
    """

    loop_start: Int
    loop_end: Int
    call: Int
    loop: Int
    depth: Int
    start: Int
    end: Int
    self_ns: Int
    spill_row: Int
    spill_loop: Int
    spill_ns: Int


def parts(first: Int, last: Int) -> tuple[Int, Int]:
    """Every stretch from `first` to `last` of several calls, and which call each belongs to.

    Examples
    --------
    >>> parts(np.array([2, 7]), np.array([4, 7]))
    (array([2, 3, 4, 7]), array([0, 0, 0, 1]))
    """
    count = last - first + 1
    which = np.repeat(np.arange(len(first)), count)
    offset = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    return first[which] + offset, which


def chain(run: Run) -> Chain:
    """The loop thread of a run as a chain of stretches.

    Returns
    -------
    Chain
        Laid out again without a change it gives the recorded times to the nanosecond.
    """
    calls = run.call_columns
    row = np.flatnonzero(run.on_loop_thread) if len(calls) else np.empty(0, np.int64)
    loop = calls.loop[row].astype(np.int64)
    start = calls.start_ns[row].astype(np.int64)
    loop_start = run.loop_columns.start_ns.astype(np.int64)
    marks = (loop_start, loop_start + run.loop_columns.period_ns)
    ends = (start + calls.duration_ns[row]).astype(np.int64)
    end, tail, until = _within_loops(loop, ends, marks)
    depth: Int = calls.depth[row].astype(np.int64)
    name = calls.name[row].astype(np.int64)
    if not len(depth) or (depth[0] == 0 and (np.diff(depth) <= 1).all()):
        end = _rounded_back(depth, loop, start, end, run.clock.tick_ns)
        made = _linked((row, loop, depth, name), (start, end, tail, until), marks)
        if made is not None and not (made.length[1:][made.owner[1:] != BETWEEN] < 0).any():
            return made
    made = _linked((row, loop, _depths(start, end), name), (start, end, tail, until), marks)
    if made is None:  # calls that cross each other over several loops: each stays in its own
        end = np.minimum(ends, marks[1][loop])
        times = start, end, (ends - end).astype(np.float64), loop
        made = _linked((row, loop, _depths(start, end), name), times, marks)
    if made is None:
        raise LooptimeError("calls begin and end in an order that no thread can have made")
    return made


def _rounded_back(depth: Int, loop: Int, start: Int, end: Int, tick_ns: int) -> Int:
    """Ends that reach a tick into the next call beside them, cut to where that one begins.

    Start and length are rounded by themselves: without this the next call would lie within.

    Examples
    --------
    >>> depth, loop = np.array([0, 0]), np.array([0, 0])
    >>> _rounded_back(depth, loop, np.array([0, 900]), np.array([1000, 1900]), 100)
    array([ 900, 1900])
    """
    following = np.arange(len(depth)) + _sizes(depth)[0]
    there = np.flatnonzero(following < len(depth))
    there = there[loop[following[there]] == loop[there]]
    over = end[there] - start[following[there]]
    slight = there[(over > 0) & (over <= tick_ns)]
    end = end.copy()
    end[slight] = start[following[slight]]
    return end


def _within_loops(loop: Int, end: Int, marks: tuple[Int, Int]) -> tuple[Int, Float, Int]:
    """Cut what reaches beyond loops that adjoin; returns ends, what was cut, the last loop."""
    loop_start, loop_end = marks
    tail = np.zeros(len(end))
    until = loop.copy()
    over = np.flatnonzero(end > loop_end[loop]) if len(loop) else loop
    if len(over):
        stop = np.flatnonzero(~np.append(loop_start[1:] == loop_end[:-1], False))
        cut = np.minimum(end[over], loop_end[stop[np.searchsorted(stop, loop[over])]])
        tail[over] = end[over] - cut
        end[over] = cut
        until[over] = np.maximum(np.searchsorted(loop_start, cut) - 1, loop[over])
    return end, tail, until


def _depths(start: Int, end: Int) -> Int:
    """Depth of each call from times alone; calls in start order, an enclosing one first.

    Examples
    --------
    >>> _depths(np.array([0, 2, 5, 9]), np.array([9, 4, 7, 12]))
    array([0, 1, 1, 0])
    """
    over = np.searchsorted(np.sort(end), start, side="right")
    # a call without length does not come before itself
    none = np.append(0, np.cumsum(start == end))
    over -= none[np.searchsorted(start, start, side="right")] - none[:-1]
    return np.arange(len(start)) - over


def _sizes(depth: Int) -> tuple[Int, Int]:
    """Number of calls in each call, itself included, and the call that encloses it or `NOBODY`."""
    m = len(depth)
    size = np.ones(m, np.int64)
    parent = np.full(m, NOBODY, np.int64)
    index = np.arange(m)
    for level in range(int(depth.max(initial=0)) + 1):
        if level == 0 and not depth.any():
            break
        outer = np.flatnonzero(depth <= level)
        after = np.append(outer[1:], m)
        here = depth[outer] == level
        size[outer[here]] = after[here] - outer[here]
        if level:
            last_outer = np.maximum.accumulate(np.where(depth == level - 1, index, -1))
            mine = depth == level
            parent[mine] = last_outer[mine]
    return size, parent


def _linked(
    calls: tuple[Int, Int, Int, Int], times: tuple[Int, Int, Float, Int], marks: tuple[Int, Int]
) -> Chain | None:
    """Order the events of calls and loops, and find whose time lies between them.

    None where two events would have one place: calls cross each other.
    """
    row, loop, depth, name = calls
    start, end, tail, until = times
    loop_start, loop_end = marks
    n, m = len(loop_start), len(row)
    size, parent = _sizes(depth)
    begin_event = 2 * np.arange(m) - depth + 2 * loop + 1
    end_event = begin_event + 2 * size - 1 + 2 * (until - loop)
    begin = 2 * np.searchsorted(loop, np.arange(n)) + 2 * np.arange(n)
    spilt = np.flatnonzero(until > loop)
    for i in spilt.tolist():  # few: calls that are open where a loop begins
        begin[loop[i] + 1 : until[i] + 1] -= 1
    close = np.append(begin[1:] - 1, 2 * m + 2 * n - 1)[:n]
    total = 2 * (m + n)
    places = np.concatenate([begin_event, end_event, begin, close])
    if not (np.bincount(places[places < total], minlength=total) == 1).all():
        return None
    time = np.empty(total, np.int64)
    owner = np.full(total, NOBODY, np.int32)
    time[begin_event], time[end_event] = start, end
    time[begin], time[close] = loop_start, loop_end
    owner[begin_event], owner[end_event] = parent, np.arange(m)
    owner[begin] = BETWEEN
    for i in spilt.tolist():  # an outer call comes before the inner one, which then prevails
        owner[close[loop[i] : until[i]]] = i
    length = np.empty(total, np.float64)
    if total:
        length[0] = time[0]
        np.subtract(time[1:], time[:-1], out=length[1:])
    return Chain(
        n, row, loop, depth, name, size, begin_event + 1, end_event, tail, begin, close, owner,
        length,
    )  # fmt: skip


@dataclass
class _Copied:
    place: Int
    stretch: Int
    source: Int
    owner: Int
    call: Int
    first: Int
    last: Int
    loop: Int


@dataclass
class Arranged:
    """A chain in its new order, before it is laid out in time."""

    line: Chain
    whole: Int  #: Length of each stretch, rounded, shape (e,) [ns]
    #: Each call that is made: which call of the chain it was, its stretches, its loop, shape (k,).
    call: Int
    first: Int
    last: Int
    loop: Int
    #: Loop `j` holds the stretches ``begin[j] + 1 .. end[j]``; shape (n,).
    begin: Int
    end: Int
    copied: _Copied | None = None  #: What copies add; None where the order is the chain's
    #: False for the stretches of copies, shape (e,); empty where there are none.
    original: Bool = field(default_factory=lambda: np.empty(0, bool))

    @cached_property
    def after(self) -> Int:
        """When each stretch ends, shape (e,) [ns]."""
        return np.cumsum(self.whole)

    @property
    def period_ns(self) -> Int:
        """Length of each loop, shape (n,) [ns]."""
        return self.after[self.end] - self.after[self.begin]

    @cached_property
    def owner(self) -> Int:
        """Call of the chain that owns each stretch, int32 array, shape (e,)."""
        if self.copied is None:
            return self.line.owner
        made = np.empty(len(self.original), self.line.owner.dtype)
        made[self.original], made[~self.original] = self.line.owner, self.copied.owner
        return made

    @cached_property
    def source(self) -> Int:
        """Which stretch of the chain each was, shape (e,)."""
        made = np.cumsum(self.original) - 1
        if self.copied is not None:
            made[~self.original] = self.copied.source
        return made

    @cached_property
    def depth(self) -> Int:
        """How many others each call is in, shape (k,)."""
        if self.copied is None:
            return self.line.depth[self.call]
        over = np.cumsum(np.bincount(self.last, minlength=len(self.whole)))[self.first - 1]
        return np.arange(len(self.first)) - over


def arrange(
    line: Chain,
    length: Float,
    keep: Bool,
    copies: Copies | None = None,
    absent: Bool | None = None,
) -> Arranged:
    """Put copies in their places and round every length, once.

    Parameters
    ----------
    line : Chain
        The recorded loop thread.
    length : float64 array, shape (e,) [ns]
        Length of each stretch after the changes.
    keep : bool array, shape (m,)
        Calls that are still made where they were.
    copies : Copies, optional
        What is set elsewhere.
    absent : bool array, shape (e,), optional
        Stretches that count only where they are copied to.
    """
    whole = np.rint(length).astype(np.int64)
    calls = np.flatnonzero(keep)
    first, last = line.first[calls], line.last[calls]
    if copies is None or not len(copies.call):
        if absent is not None:
            whole[absent] = 0
        return Arranged(line, whole, calls, first, last, line.loop[calls], line.begin, line.end)
    extra = _copied(line, copies, len(whole))
    copied = whole[extra.source]
    if absent is not None:
        whole[absent] = 0
    where = extra.place + np.arange(len(extra.place))
    original = np.ones(len(whole) + len(where), bool)
    original[where] = False
    place = np.concatenate([np.flatnonzero(original), where])
    both = np.empty(len(original), np.int64)
    both[place] = np.concatenate([whole, copied])
    first, last = place[np.append(first, extra.first)], place[np.append(last, extra.last)]
    sort = np.argsort(first, kind="stable")  # two runs in order already
    return Arranged(
        line, both, np.append(calls, extra.call)[sort], first[sort], last[sort],
        np.append(line.loop[calls], extra.loop)[sort], place[line.begin], place[line.end],
        extra, original,
    )  # fmt: skip


def lay(line: Chain, at: Arranged) -> Laid:
    """Lay a chain out in time.

    Returns
    -------
    Laid
        Self times and time that no call covers add up to each period exactly.
    """
    after = at.after
    start, stop = after[at.first] - at.whole[at.first], after[at.last]
    none = np.empty(0, np.int64)
    laid = Laid(
        after[at.begin], after[at.end], at.call, at.loop, at.depth, start, stop, stop - start,
        none, none, none,
    )  # fmt: skip
    if not np.array_equal(at.first, at.last):
        _nested_self(laid, at)
    if line.tail.any():
        tail = np.rint(line.tail[at.call]).astype(np.int64)
        laid.end, laid.self_ns = laid.end + tail, laid.self_ns + tail
    return laid


def _copied(line: Chain, copies: Copies, total: int) -> _Copied:
    """The stretches and calls that the copies add, numbered on from those of the chain."""
    source, which = parts(line.first[copies.call], line.last[copies.call])
    stretch = total + np.arange(len(source))
    own = line.owner[source]
    call, of = parts(copies.call, copies.call + line.size[copies.call] - 1)
    block = np.searchsorted(which, np.arange(len(copies.call)))
    shift = total + block - line.first[copies.call]
    return _Copied(
        copies.after[which] + 1,
        stretch,
        source,
        own,
        call,
        line.first[call] + shift[of],
        line.last[call] + shift[of],
        copies.loop[of],
    )


def _nested_self(laid: Laid, at: Arranged) -> None:
    """Self time where calls enclose calls, and the part of it that falls into later loops."""
    _, parent = _sizes(laid.depth)
    inside = np.flatnonzero(parent >= 0)
    span = laid.self_ns.copy()
    np.subtract.at(laid.self_ns, parent[inside], span[inside])
    rows, loops, amounts = [], [], []
    for i in np.flatnonzero(at.last > at.end[laid.loop]).tolist():
        final = int(np.searchsorted(at.begin, at.last[i])) - 1
        for j in range(int(laid.loop[i]) + 1, final + 1):
            inner = slice(int(at.begin[j]) + 1, min(int(at.end[j]), int(at.last[i])) + 1)
            rows.append(i)
            loops.append(j)
            amounts.append(int(at.whole[inner][at.owner[inner] == laid.call[i]].sum()))
    laid.spill_row = np.array(rows, np.int64)
    laid.spill_loop = np.array(loops, np.int64)
    laid.spill_ns = np.array(amounts, np.int64)
