"""Work that runs beside other work, where a run is long enough for threads to pay."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import ParamSpec, Protocol, TypeVar

from looptime.run import Run

__all__ = ["Ask", "beside"]

#: Calls from which on threads pay: below, handing the interpreter to and fro takes longer.
_PAYS_FROM = 1 << 19
#: Calls from which on memory counts for more: what two threads work with lies side by side.
_TOO_MANY = 1 << 25

T = TypeVar("T")
P = ParamSpec("P")


class Ask(Protocol):
    """Takes work, and gives what waits for its answer."""

    def __call__(
        self, work: Callable[P, T], /, *args: P.args, **named: P.kwargs
    ) -> Callable[[], T]:
        """Begin `work`; what is given back waits for it."""
        ...


@contextmanager
def beside(run: Run) -> Iterator[Ask]:
    """Work on a run beside other work: NumPy lets go of the interpreter.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns
    >>> run = Run(LoopColumns(*(np.arange(3) for _ in range(3))))
    >>> with beside(run) as ask:
    ...     waiting = ask(len, run)
    ...     waiting()
    3
    """
    many = max(len(run.call_columns), len(run))
    if not _PAYS_FROM <= many < _TOO_MANY:
        yield partial
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(max(2, min(4, os.cpu_count() or 1))) as pool:

        def ask(work: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> Callable[[], T]:
            return pool.submit(work, *args, **named).result

        yield ask
