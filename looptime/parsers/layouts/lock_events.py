"""Events of locks: who asks for one, has it and lets it go; told as waits and as what is held."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Int
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import THREADS, tokens
from looptime.parsers.layouts.edges_by_values import clock_of
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.text.dialect import Dialect
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
]

#: Sides of a lock's events, beside those of calls.
WANTED, HAD, FREED, MISSED = 3, 4, 5, 6
_VERBS: dict[str, int] = {
    **dict.fromkeys(("want", "wants", "wanted", "request", "requests", "requested", "waiting",
                     "wait", "waits", "asks", "asked"), WANTED),
    **dict.fromkeys(("got", "acquire", "acquires", "acquired", "granted", "obtained", "locked",
                     "lock", "take", "taken", "took"), HAD),
    **dict.fromkeys(("release", "releases", "released", "unlock", "unlocks", "unlocked", "give",
                     "given", "freed"), FREED),
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
    others = [h for h in found if h not in (edge, time) and wordy(dialect, h.index)]
    named = [h for h in others if h.word in THREADS]
    objects = [h for h in others if h.word in _OBJECTS and h not in named]
    pairs = [(who, what) for who in named or others for what in objects or others if who != what]
    share = {pair: _may_be(dialect, edge, *pair) for pair in pairs}
    best = max(pairs, key=lambda pair: share[pair], default=None)
    if best is not None and share[best] >= _IN_TURN:
        return told | {"thread": best[0], "name": best[1]}
    return told | dict(zip(["name"], objects or others, strict=False))


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


@dataclass(frozen=True)
class LockEdges:
    """Edges of calls, among them waits for locks and what is held of them."""

    order: NDArray[Any]  #: Row of each
    name: Int
    side: Int
    names: list[str]


def lock_edges(
    order: NDArray[Any], name: Int, side: NDArray[np.int8], thread: Int | None, names: list[str]
) -> LockEdges:
    """The edges in their order, where having a lock ends a wait and begins what is held.

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
    if not (side[order] >= WANTED).any():
        return LockEdges(order, name[order], side[order].astype(np.int64), names)
    order = order[~_again(name[order], side[order], None if thread is None else thread[order])]
    mine = side[order]
    waited = (mine == HAD) & (_before(name[order], mine, thread, order) == WANTED)
    times = 1 + waited
    order2, had = np.repeat(order, times), np.repeat(mine, times)
    second = np.append(False, (np.diff(np.repeat(np.arange(len(mine)), times)) == 0))
    ends_wait = (np.repeat(waited, times) & ~second) | (had == MISSED)
    is_wait = (had == WANTED) | ends_wait
    is_held = ((had == HAD) & ~ends_wait) | (had == FREED)
    code = name[order2] + len(names) * (is_wait + 2 * is_held)
    every = [*names, *(f"{one} wait" for one in names), *(f"{one} held" for one in names)]
    used, code = np.unique(code, return_inverse=True)
    begins = (had == WANTED) | ((had == HAD) & ~ends_wait)
    is_end = ends_wait | (had == FREED)
    made = np.where(begins, BEGIN, np.where(is_end, END, had)).astype(np.int64)
    return LockEdges(order2, code.astype(np.int64), made, [every[k] for k in used.tolist()])


def _again(name: Int, side: NDArray[np.int8], thread: Int | None) -> NDArray[np.bool_]:
    """Whether an event is of a lock that its thread has already and takes once more.

    It neither waits for it nor lets it go. Where a row was lost, what is had and let go does not
    come out even, and nobody can tell.
    """
    keys = (name,) if thread is None else (name, thread)
    by = np.lexsort(keys)
    begins = np.append(True, np.any([np.diff(key[by]) != 0 for key in keys], axis=0))
    had = np.cumsum((side[by] == HAD).astype(np.int64) - (side[by] == FREED))
    first = np.maximum.accumulate(np.where(begins, np.arange(len(by)), 0))
    depth = had - np.where(first > 0, had[first - 1], 0)
    lock = np.cumsum(begins) - 1
    even = np.bincount(lock[depth < 0], minlength=lock[-1] + 1) == 0
    even &= depth[np.append(np.flatnonzero(begins)[1:] - 1, -1)] <= 1
    found = np.zeros(len(by), bool)
    inner = np.where(side[by] == HAD, depth > 1, depth > 0) & (side[by] >= WANTED)
    found[by] = inner & even[lock]
    return found


def _before(name: Int, side: Int, thread: Int | None, order: NDArray[Any]) -> Int:
    """Side of the event before each, of the same lock on the same thread; -1 for none."""
    keys = (name,) if thread is None else (name, thread[order])
    by = np.lexsort(keys)
    same = np.append(False, np.all([np.diff(key[by]) == 0 for key in keys], axis=0))
    found = np.full(len(side), -1, np.int64)
    found[by] = np.where(same, np.append(-1, side[by][:-1]), -1)
    return found
