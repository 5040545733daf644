"""Copies of one recording: other name, remarks or line ends, or rows cut off at the end."""

import hashlib
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

from looptime.run import Run
from looptime.words import named

__all__ = ["copied", "opening", "without_copies"]

_T = TypeVar("_T")
#: Loops unlike the one before that tell a recording from every other.
_UNLIKE = 64


def opening(run: Run) -> str:
    """A hash of how a run begins, which its copies share, also those cut off later.

    Period and summed calls of its first loops, as many as hold 64 that are unlike the one before
    (on a coarse clock many are like it); of the whole run, where it has fewer.

    Returns
    -------
    str
        64 hexadecimal digits (SHA-256).

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns
    >>> period = np.random.default_rng(1).integers(18_000_000, 22_000_000, 1000)
    >>> run = Run(LoopColumns(np.arange(1000), np.cumsum(period) - period, period))
    >>> opening(run) == opening(run.select(np.arange(1000) < 500))
    True
    """
    total, size = len(run), 4 * _UNLIKE
    while True:
        found = _loops(run, min(size, total))
        unlike = np.flatnonzero((found[:, 1:] != found[:, :-1]).any(axis=0))
        if len(unlike) >= _UNLIKE or size >= total:
            break
        size *= 4
    if len(unlike) >= _UNLIKE:
        found = found[:, : int(unlike[_UNLIKE - 1]) + 2]
    return hashlib.sha256(np.ascontiguousarray(found, "<i8").tobytes()).hexdigest()


def _loops(run: Run, count: int) -> np.ndarray:
    """Period and summed durations of the calls of the first loops, shape (2, count) [ns]."""
    calls = run.call_columns
    rows = (calls.loop >= 0) & (calls.loop < count)
    sums = np.bincount(calls.loop[rows], calls.duration_ns[rows], minlength=count)
    return np.stack([run.loop_columns.period_ns[:count], sums.astype(np.int64)])


def copied(names: Sequence[str], of: str, others: str = "", whose: str = "") -> str:
    """What, and whose, is a copy of what; `others` says of what several are, where that differs.

    Examples
    --------
    >>> copied(["a"], "b"), copied(["a", "c"], "another run", "other runs")
    ('a is a copy of b', 'a and c are copies of other runs')
    """
    verb, of = ("is a copy", of) if len(names) == 1 else ("are copies", others or of)
    return f"{named(names)}{whose} {verb} of {of}"


def without_copies(
    items: Sequence[_T], told: Callable[[_T], tuple[str, float]]
) -> tuple[list[_T], list[tuple[_T, _T]]]:
    """Each recording once, the longest of its copies, and each copy with that which stands for it.

    `told` gives an item's opening and its length; items without an opening are no copies.

    Examples
    --------
    >>> without_copies(["axx", "b", "axxx"], lambda word: (word[0], len(word)))
    (['b', 'axxx'], [('axx', 'axxx')])
    """
    best: dict[str, _T] = {}
    for item in items:
        key, length = told(item)
        if key and (key not in best or length > told(best[key])[1]):
            best[key] = item
    kept, copies = [], []
    for item in items:
        first = best.get(told(item)[0], item)
        if first is item:
            kept.append(item)
        else:
            copies.append((item, first))
    return kept, copies
