"""Events of locks: who asks for one, has it and lets it go; told as waits and as what is held."""

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Int
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import THREADS, tokens
from looptime.parsers.layouts.edges_by_values import clock_of
from looptime.parsers.layouts.pairing import BEGIN, END, is_nested
from looptime.parsers.text.dialect import Dialect, is_missing
from looptime.records import dataclass

__all__ = [
    "FREED",
    "HAD",
    "MISSED",
    "WANTED",
    "LockEdges",
    "lock_columns",
    "lock_edges",
    "lock_names",
    "lock_side",
    "lock_word",
    "with_owners",
]

#: Sides of a lock's events, beside those of calls.
WANTED, HAD, FREED, MISSED = 3, 4, 5, 6
_VERBS: dict[str, int] = {
    **dict.fromkeys(("want", "wants", "wanted", "request", "requests", "requested", "waiting",
                     "wait", "waits", "asks", "asked", "try", "tries", "tried", "trying",
                     "attempt", "attempts"), WANTED),
    **dict.fromkeys(("got", "acquire", "acquires", "acquired", "granted", "obtained", "locked",
                     "lock", "take", "taken", "took"), HAD),
    **dict.fromkeys(("release", "releases", "released", "unlock", "unlocks", "unlocked", "give",
                     "given", "free", "frees", "freed"), FREED),
    **dict.fromkeys(("timeout", "timedout", "failed", "fails", "denied", "missed"), MISSED),
}  # fmt: skip
_LOCKS = frozenset(("lock", "mutex", "semaphore", "sem", "spinlock", "bus", "monitor"))
_OBJECTS = _LOCKS | {"object", "obj", "resource", "name", "lockname", "what"}
#: Share of the events that may be where it is the thread's column.
_IN_TURN = 0.9


def lock_side(word: str) -> int | None:
    """What an event's word says of a lock, alone or beside a word for it.

    Examples
    --------
    >>> lock_side("got") == lock_side("mutex_acquired") == lock_side("LockTaken") == HAD
    True
    >>> lock_side("wait for bus") == WANTED, lock_side("gyro_wait"), lock_side("imu")
    (True, None, None)
    """
    parts = tokens(word)
    said = [_VERBS[part] for part in parts if part in _VERBS]
    if MISSED in said:  # "acquire_timeout"
        said = [MISSED]
    if len(said) > 1 and "lock" in parts:  # "lock_wait"
        said = [_VERBS[part] for part in parts if part in _VERBS and part != "lock"]
    rest = [part for part in parts if part not in _VERBS and part not in ("for", "on", "of")]
    return said[0] if len(said) == 1 and all(part in _LOCKS for part in rest) else None


def lock_word(word: str) -> str:
    """What an event of a lock says of which lock it is, where no column does.

    Examples
    --------
    >>> lock_word("mutex_acquired"), lock_word("got"), lock_word("lock_wait")
    ('mutex', 'lock', 'lock')
    """
    return next((part for part in tokens(word) if part in _LOCKS), "lock")


def lock_columns(found: list[Head], dialect: Dialect, edge: Head) -> dict[str, Head]:
    """Time, lock and thread of a log of such events: what may be of threads, by name or by order.

    Parameters
    ----------
    found : list of Head
        All columns.
    dialect : Dialect
        How the log is written, with its first rows.
    edge : Head
        The column of the events.
    """
    time = clock_of(found, dialect)
    told: dict[str, Head] = {} if time is None else {"time": time}
    of_locks = [row for row in dialect.sample if lock_side(row[edge.index]) is not None]
    others = [h for h in found if h not in (edge, time) and wordy(dialect, h.index)
              and not all(is_missing(row[h.index]) for row in of_locks)]  # fmt: skip
    named = [h for h in others if h.word in THREADS]
    objects = [h for h in others if h.word in _OBJECTS and h not in named]
    pairs = [(who, what) for who in named or others for what in objects or others if who != what]
    share = {pair: _may_be(dialect, edge, *pair) for pair in pairs}
    best = max(pairs, key=lambda pair: share[pair], default=None)
    if best is not None and share[best] >= _IN_TURN:
        return told | {"thread": best[0], "name": best[1]}
    rest = objects or [head for head in others if head not in named]
    return told | dict(zip(["name"], rest, strict=False))


def lock_names(dialect: Dialect) -> tuple[str, ...] | None:
    """Names for the columns of a log of such events without a header; None for other logs."""
    names = [f"column_{index + 1}" for index in range(dialect.fields)]
    found = heads(tuple(names))
    for edge in found:
        said = {lock_side(row[edge.index]) for row in dialect.sample}
        told = lock_columns(found, dialect, edge) if said >= {HAD, FREED} else {}
        if None not in said and {"time", "name"} <= set(told):
            for part, head in {**told, "event": edge}.items():
                names[head.index] = part
            return tuple(names)
    return None


def _may_be(dialect: Dialect, edge: Head, thread: Head, lock: Head) -> float:
    """Share of the events that may be if these are threads and locks; 0 where one is the only one.

    A thread that asks does nothing else until it has the lock, nobody has what another has, and
    who lets a lock go has had it.
    """
    asked: dict[str, str] = {}
    owner: dict[str, str] = {}
    threads, good, count = set(), 0, 0
    for row in dialect.sample:
        now, who, what = lock_side(row[edge.index]), row[thread.index], row[lock.index]
        if now is None:
            continue
        if now == FREED and is_missing(who):
            who = owner.get(what, who)
        waits = asked.pop(who, what)
        fits = waits == what and owner.get(what, who) == who
        if now == WANTED:
            asked[who], fits = what, waits == what
        elif now == HAD:
            owner[what] = who
        elif now == FREED:
            fits = owner.pop(what, None) == who
        threads.add(who)
        good, count = good + fits, count + 1
    return good / count if len(threads) > 1 else 0.0


def with_owners(thread: Int, name: Int, side: NDArray[np.int8], words: list[str]) -> Int:
    """Threads of all rows: who lets a lock go without a name is the one that has it.

    Examples
    --------
    >>> side = np.array([HAD, FREED, HAD, FREED], np.int8)
    >>> with_owners(np.array([1, 0, 2, 0]), np.zeros(4, int), side, ["", "main", "camera"])
    array([1, 1, 2, 2])
    """
    nobody = [code for code, word in enumerate(words) if is_missing(word)]
    if not (np.isin(thread, nobody) & (side == FREED)).any():
        return thread
    made, has = thread.copy(), dict[int, int]()
    for row in np.flatnonzero((side == HAD) | (side == FREED)).tolist():
        lock, own = int(name[row]), int(thread[row])
        if side[row] == HAD:
            has[lock] = own
        elif own in nobody:
            made[row] = has.pop(lock, own)
    return made


@dataclass(frozen=True)
class LockEdges:
    """Edges of calls, among them waits for locks and what is held of them."""

    order: NDArray[Any]  #: Row of each
    name: Int
    side: Int
    names: list[str]
    #: Rows at which a lock is asked for or had, with no end; and those that end nothing.
    lost: Int
    stray: Int


def lock_edges(
    order: NDArray[Any],
    name: Int,
    side: NDArray[np.int8],
    thread: Int | None,
    names: list[str],
    time: Int | None = None,
) -> LockEdges:
    """The edges in their order, where having a lock ends a wait and begins what is held.

    Waits and what is held are paired lock by lock, so that locks may be let go in any order. Names
    of which each is one thread's alone are no locks, which nobody would need, but calls that take
    them: each lasts from asking to letting go, with its wait in it.

    Parameters
    ----------
    order : int array, shape (m,)
        Rows in the order in which they happened on each thread.
    name, side : int array, shape (n,)
        Of every row: which lock or call, and one of `BEGIN`, `END`, `WANTED`, `HAD`, `FREED`,
        `MISSED`.
    thread : int array, shape (n,), or None
        Of every row.
    names : list of str
        Of locks and calls.
    time : int array, shape (n,), or None
        Of every row; the rows in their order where it is not given.

    Examples
    --------
    >>> rows = np.arange(3)
    >>> made = lock_edges(rows, 0 * rows, np.array([3, 4, 5], np.int8), None, ["bus"])
    >>> [made.names[k] for k in made.name], made.side.tolist(), made.order.tolist()
    (['bus wait', 'bus wait', 'bus held', 'bus held'], [0, 1, 0, 1], [0, 1, 1, 2])
    >>> twice = np.array([4, 3, 4, 5, 5], np.int8)  # a thread takes what it has already
    >>> lock_edges(np.arange(5), np.zeros(5, int), twice, None, ["bus"]).order.tolist()
    [0, 4]
    """
    mine, none = side[order], np.empty(0, np.int64)
    if not (mine >= WANTED).any():
        return LockEdges(order, name[order], mine.astype(np.int64), names, none, none)
    instants = np.arange(len(side)) if time is None else time
    threads = np.zeros(len(side), np.int64) if thread is None else thread
    calls = _are_calls(mine, name[order], threads[order], names)
    if calls:
        order = order[_let_go_first(mine, threads[order], instants[order])]
        mine = side[order]
    of = _Events(mine, name[order], threads[order], instants[order])
    plain = np.flatnonzero(mine < WANTED)
    waits, held, lost, stray = of.paired()
    if calls:  # what was asked for is had when its wait ends
        asked = dict(zip(waits[1].tolist(), waits[0].tolist(), strict=True))
        held[0] = np.array([asked.get(at, at) for at in held[0].tolist()], np.int64)
    size = len(names)
    place = np.concatenate([plain, *waits, *held])
    code = of.name[place] + size * np.repeat(
        [0, 1, 2], [len(plain), 2 * len(waits[0]), 2 * len(held[0])]
    )
    kinds = [BEGIN, END, BEGIN, END]
    made = np.concatenate(
        [mine[plain], *(np.full(len(p), k) for p, k in zip((*waits, *held), kinds, strict=True))]
    )
    # a wait ends before what was waited for is held, and begins within the call that waits
    second = np.repeat([0, -1 if calls else 1], [len(plain) + 2 * len(waits[0]), 2 * len(held[0])])
    by = np.lexsort((second, place))
    ways = ("{}", "{}.lock.wait", "{}") if calls else ("{}", "{} wait", "{} held")
    every = [way.format(one) for way in ways for one in names]
    used, code = np.unique(code, return_inverse=True)
    words = [every[k] for k in used.tolist()]
    place, code, made = place[by], code[by].astype(np.int64), made[by].astype(np.int64)
    holds = {k for k, one in enumerate(used.tolist()) if one >= 2 * size}
    at, code, made = _within_each_other(of.thread[place], code, made, holds)
    return LockEdges(order[place[at]], code, made, words, order[lost], order[stray])


def _are_calls(side: NDArray[np.int8], name: Int, thread: Int, names: list[str]) -> bool:
    """Whether each name of a lock's events is one thread's alone, of several, and says no lock."""
    of = side >= WANTED
    if any(_LOCKS.intersection(tokens(names[code])) for code in np.unique(name[of])):
        return False
    pairs = np.unique(np.stack([name[of], thread[of]]), axis=1)
    used, threads = (len(np.unique(column)) for column in pairs)
    return pairs.shape[1] == used and threads > 1


def _let_go_first(side: NDArray[np.int8], thread: Int, time: Int) -> Int:
    """Places of the events where a lock is let go before the next is asked for at that instant."""
    made = np.arange(len(side))
    swapped = (side[:-1] == WANTED) & (side[1:] == FREED) & (time[:-1] == time[1:])
    at = np.flatnonzero(swapped & (thread[:-1] == thread[1:]))
    made[at], made[at + 1] = at + 1, at
    return made


def _within_each_other(thread: Int, code: Int, side: Int, holds: set[int]) -> tuple[Int, Int, Int]:
    """Place, name and side of edges that lie within each other on each thread."""
    from looptime.parsers.layouts.untangled import untangled  # few logs are of locks

    cuts = [0, *(np.flatnonzero(np.diff(thread)) + 1).tolist(), len(thread)]
    found: list[tuple[Int, Int, Int]] = []
    for low, high in pairwise(cuts):
        mine, sides = code[low:high], side[low:high]
        if is_nested(sides, mine):
            found.append((np.arange(low, high), mine, sides))
            continue
        edges = untangled(list(zip(mine.tolist(), sides.tolist(), strict=True)), holds)
        at, name, made = np.array(edges, np.int64).T
        found.append((at + low, name, made))
    at, name, made = (np.concatenate(column) for column in zip(*found, strict=True))
    return at, name, made


@dataclass
class _Events:
    """Events of locks and edges of calls, shape (m,), each thread's in one stretch."""

    side: NDArray[np.int8]
    name: Int
    thread: Int
    time: Int

    def paired(self) -> tuple[list[Int], list[Int], Int, Int]:
        """Places of waits and of what is held, both begin and end; the lost, and the stray."""
        from looptime.parsers.layouts.lock_turns import turns  # few logs are of locks

        waits: list[list[Int]] = []
        held: list[list[Int]] = []
        lost: list[Int] = []
        stray: list[Int] = []
        of_locks = np.flatnonzero(self.side >= WANTED)
        for lock in np.unique(self.name[of_locks]).tolist():
            events = of_locks[self.name[of_locks] == lock]
            had = events[self.side[events] == HAD]
            for thread in np.unique(self.thread[events]).tolist():
                mine = events[self.thread[events] == thread]
                others = np.sort(self.time[had[self.thread[had] != thread]])
                holds = mine[(self.side[mine] == HAD) | (self.side[mine] == FREED)]
                found = turns(self.side[holds] == HAD, others, self.time[holds])
                held.append([holds[found.begin], holds[found.end]])
                begun, ended, alone, no_wait = self._waits(mine, holds[found.inner])
                waits.append([begun, ended])
                lost += [holds[found.lost], alone]
                stray += [holds[found.stray], no_wait]
        asked, had_all = (
            [np.concatenate(c) for c in zip(*rows, strict=True)] for rows in (waits, held)
        )
        return asked, had_all, np.concatenate(lost), np.concatenate(stray)

    def _waits(self, mine: Int, inner: Int) -> tuple[Int, Int, Int, Int]:
        """Begins and ends of the waits, those without end, and ends of none.

        Who has the lock already waits for nothing when it asks once more.
        """
        ends = np.isin(self.side[mine], (HAD, MISSED))
        asks = self.side[mine] == WANTED
        waits = asks & np.append(ends[1:], False)
        ended = np.append(False, waits[:-1])
        again = np.isin(mine, inner) & ended
        begun = mine[waits & ~np.append(again[1:], False)]
        no_wait = mine[(self.side[mine] == MISSED) & ~ended]
        return begun, mine[ended & ~again], mine[asks & ~waits], no_wait
