"""Parts of one log worked on by a few threads, and handed on in their order."""

import os
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

__all__ = ["abreast", "threads_for_a_log"]

#: More threads than this wait for memory, and for each other.
_MOST = 4

Part = TypeVar("Part")
Made = TypeVar("Made")


def threads_for_a_log() -> int:
    """How many threads work on one log: one in a process that was started to read logs.

    Such a process has a processor to itself at best, and threads that take turns on it cost a
    fifth more than one.
    """
    process = sys.modules.get("multiprocessing.process")
    if process is not None and process.parent_process() is not None:
        return 1
    return min(_MOST, os.cpu_count() or 1)


def abreast(work: Callable[[Part], Made], parts: Iterable[Part], threads: int) -> Iterator[Made]:
    """What `work` makes of each part, in order; a part more than there are threads is under way.

    Examples
    --------
    >>> list(abreast(len, ["ab", "", "c"], 1)), list(abreast(len, ["ab", "", "c"], 2))
    ([2, 0, 1], [2, 0, 1])
    """
    if threads == 1:
        yield from map(work, parts)
        return
    from concurrent.futures import Future, ThreadPoolExecutor

    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        for part in parts:
            waiting.append(pool.submit(work, part))
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
