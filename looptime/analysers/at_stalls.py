"""What moves, or runs on another thread, in the slow loops and hardly ever elsewhere."""

from collections.abc import Iterator

import numpy as np

from looptime.array_types import Bool, Float
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.beta import binomial_at_least

__all__ = ["Marked", "marks_of_stalls"]

#: Slow loops that tell of anything, and the share of both that must go together.
_FEWEST, _MOST = 5, 0.7
#: What happens in more rows than this share goes with anything.
_OFTEN = 0.2
_CHANCE = 1e-6


@dataclass(frozen=True)
class Marked:
    """A value that goes with the slow loops."""

    signal: str  #: Its name, or that of a call of another thread
    what: str  #: ``rises``, ``changes``, ``is <value>`` or ``runs on thread <name>``
    slow: int  #: Slow loops in which it does so
    of: int  #: Slow loops
    elsewhere: int  #: Other loops in which it does so


def marks_of_stalls(run: Run, is_slow: Bool) -> tuple[Marked, ...]:
    """What other columns and threads do in slow loops and hardly elsewhere.

    Signals rise, change or leave their usual value; calls of other threads run.

    A row may be written at either end of its loop, so that what happens in a loop shows in its
    own row or in the next: the side on which more go together is taken.

    Parameters
    ----------
    run : Run
        The recording, with its signals.
    is_slow : bool array, shape (n,)
        The slow loops.

    Returns
    -------
    tuple of Marked
        The most telling first; it may be the cause or another effect of the same.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Signals
    >>> period = np.where(np.arange(100) % 20 == 7, 30, 10) * 1_000_000
    >>> start = np.cumsum(period) - period
    >>> swept = np.cumsum(np.arange(100) % 20 == 7).astype(float)
    >>> kept = Signals(start, np.arange(100), {"gc_count": swept})
    >>> run = Run(LoopColumns(np.arange(100), start, period), signals=kept)
    >>> marks_of_stalls(run, period > 20_000_000)
    (Marked(signal='gc_count', what='rises', slow=5, of=5, elsewhere=0),)
    """
    count = int(is_slow.sum())
    if count < _FEWEST:
        return ()
    found = [made for name, what, at in _other_threads(run)
             if (made := _beside(name, what, at, is_slow))]  # fmt: skip
    for name, values in () if run.signals is None else run.signals.values.items():
        told = [made for what, at in _happenings(values)
                if (made := _beside(name, what, _by_loop(run, at), is_slow))]  # fmt: skip
        found += sorted(told, key=lambda one: one.elsewhere - one.slow)[:1]
    return tuple(sorted(found, key=lambda one: one.elsewhere - one.slow))


def _other_threads(run: Run) -> Iterator[tuple[str, str, Bool]]:
    """Calls of other threads, and the loops in which the middle of one lies."""
    calls, at = run.call_columns, run.loop_columns
    other = np.flatnonzero(~run.on_loop_thread)
    middle = calls.start_ns[other] + calls.duration_ns[other] // 2
    loop = np.searchsorted(at.start_ns, middle, side="right") - 1
    inside = (loop >= 0) & (middle < at.start_ns[loop] + at.period_ns[loop])
    threads = len(run.thread_names)
    kind = (calls.name[other].astype(np.int64) * threads + calls.thread[other])[inside]
    order = np.argsort(kind, kind="stable")
    kind, loop = kind[order], loop[inside][order]
    first = np.flatnonzero(np.append(True, np.diff(kind) != 0)[: len(kind)])
    for code, mine in zip(kind[first].tolist(), np.split(loop, first[1:]), strict=False):
        name, thread = divmod(code, threads)
        there = np.zeros(len(run), bool)
        there[mine] = True
        yield run.names[name].name, f"runs on thread {run.thread_names[thread]}", there


def _happenings(values: Float) -> Iterator[tuple[str, Bool]]:
    """What may happen to a value in a row, and the rows in which it does."""
    step = np.append(0.0, np.diff(values))
    if (step > 0).any() and not (step < 0).any():
        yield "rises", step > 0
        return
    yield "changes", (step != 0) & ~np.isnan(step)
    known = values[~np.isnan(values)]
    kinds, counts = np.unique(known, return_counts=True)
    if len(kinds) == 2:
        rare = float(kinds[np.argmin(counts)])
        yield f"is {rare:g}", values == rare


def _by_loop(run: Run, at: Bool) -> Bool:
    """Loops in one of whose rows something happens."""
    made = np.zeros(len(run), bool)
    assert run.signals is not None
    made[run.signals.loop[at & (run.signals.loop >= 0)]] = True
    return made


def _beside(name: str, what: str, happens: Bool, is_slow: Bool) -> Marked | None:
    events, count = int(happens.sum()), int(is_slow.sum())
    if not 0 < events <= _OFTEN * len(happens):
        return None
    hits = max(int((happens & is_slow).sum()), int((happens[1:] & is_slow[:-1]).sum()))
    if hits < max(_FEWEST, _MOST * events, _MOST * count):
        return None
    if binomial_at_least(hits, count, events / len(happens)) > _CHANCE:
        return None
    return Marked(name, what, hits, count, events - hits)
