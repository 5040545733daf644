"""Ends what waits in vain: by the time in which nobody wanted the processor, not by the clock."""

import faulthandler
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

__all__ = ["Guard", "Hung", "Idle", "family", "wants_processor"]

_PROC = Path("/proc")
_EVERY_S = 0.5


class Hung(Exception):  # noqa: N818 - it ends a test
    """A test waited in vain."""


class Idle:
    """Seconds for which nobody wanted the processor, less those in which somebody did.

    A slow or starved machine is busy with what is waited for, so that it never gets there; a wait
    for what never comes does, though pages ask now and then whether there is anything new.
    """

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._idle_s = 0.0

    def passed(self, seconds: float, wanted: bool) -> bool:
        """Whether the limit is reached with these seconds; then it begins anew."""
        self._idle_s = max(self._idle_s + (-seconds if wanted else seconds), 0.0)
        if self._idle_s < self._limit_s:
            return False
        self._idle_s = 0.0
        return True


def family(root: int) -> dict[int, str]:
    """A process and all below it, with their names."""
    parents, names = {}, {}
    for place in _PROC.glob("[0-9]*/stat"):
        try:
            text = place.read_text(encoding="utf-8", errors="replace")
        except OSError:  # it has ended
            continue
        head, _, tail = text.rpartition(")")
        one = int(place.parent.name)
        names[one], parents[one] = head.partition("(")[2], int(tail.split()[1])
    mine = {root}
    while more := {one for one, parent in parents.items() if parent in mine} - mine:
        mine |= more
    return {one: names.get(one, "") for one in mine}


def wants_processor(processes: list[int], but: int = -1) -> bool:
    """Whether a thread of these runs, or waits for a processor or a disk; one may be left out."""
    for one in processes:
        for place in _PROC.glob(f"{one}/task/[0-9]*/stat"):
            try:
                text = place.read_text(encoding="utf-8", errors="replace")
            except OSError:
                continue
            if int(place.parent.name) != but and text.rpartition(")")[2].split()[0] in "RD":
                return True
    return False


class Guard:
    """Watches one test: browsers that wait in vain are ended first, then the test itself.

    Parameters
    ----------
    limit_s : float [s]
        How long nobody may want the processor.
    """

    def __init__(self, limit_s: float, log: Callable[[str], object] = sys.__stderr__.write) -> None:
        self._limit_s = limit_s
        self._log = log
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="guard", daemon=True)

    def __enter__(self) -> Self:
        if _PROC.joinpath("self", "task").is_dir():
            self._before = signal.signal(signal.SIGUSR2, _end_test)
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()
            signal.signal(signal.SIGUSR2, self._before)

    def _watch(self) -> None:
        idle, last = Idle(self._limit_s), time.monotonic()
        while not self._over.wait(min(_EVERY_S, self._limit_s / 4)):
            all_of_us = family(os.getpid())
            wanted = wants_processor(list(all_of_us), threading.get_native_id())
            now = time.monotonic()
            if idle.passed(now - last, wanted):
                self._end(all_of_us)
            last = now

    def _end(self, all_of_us: dict[int, str]) -> None:
        self._log(f"\nnobody wanted the processor for {self._limit_s:.0f} s: the test hangs\n")
        faulthandler.dump_traceback(sys.__stderr__)
        browsers = [one for one, name in all_of_us.items() if name.startswith("chrom")]
        for one in browsers:
            os.kill(one, signal.SIGKILL)
        if not browsers:
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGUSR2)


def _end_test(*_: object) -> None:
    raise Hung("it waited for what never came; the stacks of all threads are above")
