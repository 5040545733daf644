"""Work that may take longer than a page may: done in the background, kept for the next request."""

import contextlib
import ctypes
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor, TimeoutError
from functools import cache
from typing import Any, TypeVar, cast

__all__ = ["Pending", "Work"]

T = TypeVar("T")


class Pending(Exception):  # noqa: N818 - not an error: the answer is on its way
    """The answer is not there yet.

    Parameters
    ----------
    text : str
        What is being done, for the person who waits.
    share : float, optional
        How much of it is done, 0 to 1, where that is known.
    """

    def __init__(self, text: str, share: float | None = None) -> None:
        super().__init__(text)
        self.text = text
        self.share = share


def _and_give_back(make: Callable[[], T]) -> T:
    """Do heavy work, then give the memory that it took for a while back to the system."""
    try:
        return make()
    finally:
        trim = _trimmer()
        if trim is not None:
            trim(0)


@cache
def _trimmer() -> Callable[[int], int] | None:
    """What gives freed memory back, where the C library would keep it otherwise."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        trim: Callable[[int], int] = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None
    return trim


class Work:
    """Answers by key: each is worked out once, however many pages ask for it.

    Parameters
    ----------
    keep : int
        How many answers are kept.
    patience_s : float [s]
        How long a request waits for one before it is told that it is on its way.
    rest_s : float [s]
        How long a quick answer stands before the full one is begun.
    """

    def __init__(self, keep: int = 48, patience_s: float = 0.12, rest_s: float = 0.5) -> None:
        self._keep = keep
        self._patience_s = patience_s
        self._rest_s = rest_s
        # what a page waits for is not kept waiting by what refines it later
        self._quick = ThreadPoolExecutor(max_workers=2, thread_name_prefix="looptime-quick")
        self._pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="looptime-work")
        self._lock = threading.Lock()
        self._answers: OrderedDict[Hashable, Future[Any]] = OrderedDict()
        self._share: dict[Hashable, float] = {}
        self._since: dict[Hashable, float] = {}

    def get(self, key: Hashable, make: Callable[[], T], text: str = "Working",
            patience_s: float | None = None, quick: bool = False) -> T:  # fmt: skip
        """The answer; raises what the work raised, or `Pending`.

        Parameters
        ----------
        key : hashable
            Says what is asked.
        make : callable
            Works it out, in another thread.
        text : str
            What is being done.
        patience_s : float, optional [s]
            How long to wait.
        quick : bool
            Whether it is short work that a page waits for.
        """
        with self._lock:
            future = self._answers.get(key)
            if future is None:
                if quick or (patience_s or 0) > 1:
                    future = self._quick.submit(make)
                else:
                    future = self._pool.submit(_and_give_back, make)
                self._answers[key] = future
                self._since[key] = time.monotonic()
                self._forget()
            self._answers.move_to_end(key)
        try:
            found: T = future.result(self._patience_s if patience_s is None else patience_s)
        except TimeoutError:
            if future.done():  # just now, or the work itself ran into one
                return cast("T", future.result())
            share = self._share.get(key)  # once: it grows meanwhile
            raise Pending(text + self._so_far(key, share), share) from None
        return found

    def twice(self, key: tuple[Hashable, ...], make: Callable[[], T], quick: Callable[[], T],
              text: str = "Working") -> tuple[T, bool]:  # fmt: skip
        """A quick answer first, the full one when it is there; and whether it is the quick one.

        The full answer is not begun before somebody asks again after a while, as a page does that
        still shows the quick one: whoever goes on to something else is not kept waiting by it.

        Parameters
        ----------
        key : tuple
            Says what is asked.
        make, quick : callable
            Work the two out.
        text : str
            What is being done.
        """
        short = ("quick", *key)
        with self._lock:
            begun, asked = key in self._answers, short in self._answers
            rested = asked and time.monotonic() - self._since.get(short, 0.0) >= self._rest_s
        if begun or rested:
            with contextlib.suppress(Pending):
                return self.get(key, make, text, 0.0), False
        return self.get(short, quick, text, 1.0, True), True

    def share(self, key: Hashable) -> float | None:
        """Share of the work for an answer that is done, where it tells."""
        return self._share.get(key)

    def put(self, key: Hashable, answer: object) -> None:
        """Keep an answer that is at hand."""
        future: Future[object] = Future()
        future.set_result(answer)
        with self._lock:
            self._answers[key] = future
            self._forget()

    def peek(self, key: Hashable) -> Any | None:
        """The answer if it is there, else None."""
        with self._lock:
            future = self._answers.get(key)
        if future is None or not future.done() or future.exception() is not None:
            return None
        return future.result()

    def has(self, key: Hashable) -> bool:
        """Whether an answer is kept, or on its way."""
        with self._lock:
            return key in self._answers

    def tell(self, key: Hashable) -> Callable[[float], None]:
        """A function that takes note of the share that is done."""

        def told(share: float) -> None:
            self._share[key] = share

        return told

    def drop(self, which: Callable[[Hashable], bool]) -> None:
        """Forget the answers whose key is meant."""
        with self._lock:
            for key in [k for k, f in self._answers.items() if which(k) and f.done()]:
                self._lose(key)

    def _lose(self, key: Hashable) -> None:
        del self._answers[key]
        self._share.pop(key, None)
        self._since.pop(key, None)

    def _forget(self) -> None:
        for key in list(self._answers):
            if len(self._answers) <= self._keep:
                return
            if self._answers[key].done():
                self._lose(key)

    def _so_far(self, key: Hashable, share: float | None) -> str:
        """How far the work is, where it tells; else how long it has taken, where that is long."""
        if share is not None:
            return f": {100 * share:.0f} %"
        taken = time.monotonic() - self._since.get(key, time.monotonic())
        return f", for {taken:.0f} s" if taken >= 2 else ""
