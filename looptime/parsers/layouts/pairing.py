"""Begins and ends of calls paired, thread by thread, with those that have no partner told."""

from itertools import pairwise

import numpy as np

from looptime.array_types import Int
from looptime.records import dataclass

__all__ = ["BEGIN", "END", "POINT", "Pairs", "is_nested", "pair"]

BEGIN, END, POINT = 0, 1, 2


@dataclass(frozen=True)
class Pairs:
    """Places of the edges that belong together."""

    #: Equal for an instant without length, shape (p,).
    begin: Int
    end: Int
    #: Begins without end, ends without begin.
    open: Int
    stray: Int
    #: Of `open`, the outermost call of each thread that was under way when its log ended.
    running: Int


def pair(side: Int, name: Int, thread: Int | None = None) -> Pairs:
    """Pair the edges of calls that lie within each other.

    An end belongs to the latest begin of its name that is still open on its thread; calls begun
    since then and not ended have lost their end.

    Parameters
    ----------
    side : int array, shape (m,)
        `BEGIN`, `END` or `POINT`, in the order in which they happened on each thread.
    name : int array, shape (m,)
        Which call.
    thread : int array, shape (m,), or None
        Each thread's edges in one stretch.

    Examples
    --------
    >>> import numpy as np
    >>> found = pair(np.array([0, 0, 1, 1, 1]), np.array([7, 8, 8, 7, 9]))
    >>> found.begin.tolist(), found.end.tolist(), found.stray.tolist()
    ([1, 0], [2, 3], [4])
    """
    point = np.flatnonzero(side == POINT)
    place = np.flatnonzero(side != POINT)
    side, name = side[place], name[place]
    cuts = np.array([0, len(place)])
    if thread is not None:
        change = np.flatnonzero(np.diff(thread[place])) + 1
        cuts = np.concatenate([[0], change, [len(place)]])
    found = [_thread(side[lo:hi], name[lo:hi], lo) for lo, hi in pairwise(cuts)]
    begin, end, still, stray, running = (
        place[np.concatenate(column)] for column in zip(*found, strict=True)
    )
    return Pairs(
        np.concatenate([begin, point]), np.concatenate([end, point]), still, stray, running
    )


def _thread(side: Int, name: Int, offset: int) -> tuple[Int, Int, Int, Int, Int]:
    empty = np.empty(0, np.int64)
    if not len(side):
        return empty, empty, empty, empty, empty
    pairs = _clean(side, name)
    if pairs is None:
        found = _damaged(side.tolist(), name.tolist(), _recursive(side, name))
    else:
        found = (*pairs, empty, empty, empty)
    begin, end, still, stray, running = (places + offset for places in found)
    return begin, end, still, stray, running


def is_nested(side: Int, name: Int) -> bool:
    """Whether edges of one thread lie within each other, and each has its partner."""
    at = side != POINT
    return not at.any() or _clean(side[at], name[at]) is not None


def _clean(side: Int, name: Int) -> tuple[Int, Int] | None:
    """Pairs of edges that lie within each other without fault, None where they do not."""
    level = np.cumsum(np.where(side == BEGIN, 1, -1))
    if level[-1] != 0 or level.min() < 0:
        return None
    depth = np.where(side == BEGIN, level, level + 1)
    order = np.argsort(depth, kind="stable")  # on each level begins and ends take turns
    begin, end = order[::2], order[1::2]
    if (side[begin] != BEGIN).any() or (side[end] != END).any() or (name[begin] != name[end]).any():
        return None
    return begin, end


def _recursive(side: Int, name: Int) -> set[int]:
    """Calls that call themselves: two begins followed by two ends, time and again."""
    found = set()
    for code in np.unique(name).tolist():
        mine = side[name == code]
        if len(mine) < 4:
            continue
        opened = (mine[:-3] == BEGIN) & (mine[1:-2] == BEGIN)
        twice = opened & (mine[2:-1] == END) & (mine[3:] == END)
        if twice.sum() > max(1, 0.02 * (mine == BEGIN).sum()):
            found.add(code)
    return found


def _damaged(
    side: list[int], name: list[int], recursive: set[int]
) -> tuple[Int, Int, Int, Int, Int]:
    stack: list[int] = []
    begin: list[int] = []
    end: list[int] = []
    still: list[int] = []
    stray: list[int] = []
    open_count: dict[int, int] = {}
    for at, (edge, code) in enumerate(zip(side, name, strict=True)):
        if edge == BEGIN:
            if open_count.get(code) and code not in recursive:  # its end was lost
                _close(stack, name, code, open_count, still)
                still.append(stack.pop())
                open_count[code] -= 1
            stack.append(at)
            open_count[code] = open_count.get(code, 0) + 1
        elif open_count.get(code):
            _close(stack, name, code, open_count, still)
            begin.append(stack.pop())
            end.append(at)
            open_count[code] -= 1
        else:
            stray.append(at)
    still += stack
    lists = (begin, end, still, stray, stack[:1])
    begins, ends, opens, strays, running = (np.array(places, np.int64) for places in lists)
    return begins, ends, opens, strays, running


def _close(
    stack: list[int], name: list[int], code: int, open_count: dict[int, int], still: list[int]
) -> None:
    """Give up what was begun within the latest open call of a name."""
    while name[stack[-1]] != code:
        lost = stack.pop()
        open_count[name[lost]] -= 1
        still.append(lost)
