"""Long turns of the loop's calls that are no more than their waiting for another thread."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from looptime.analysers.contention import Contentions
from looptime.analysers.recurs import Recurrence, Recurrences
from looptime.array_types import Float, Int
from looptime.run import Run

__all__ = ["for_others", "others_ms", "without_echoes"]

#: Share of what long turns cost that waiting makes up, of a turn that the other thread is at its
#: own call for, and of the loops in which it is.
_COST, _TURN, _LOOPS = 0.5, 0.5, 0.8


def without_echoes(run: Run, found: Recurrences, waiting: Contentions) -> Recurrences:
    """What comes back by a rule of its own.

    A call that waits for another thread is long where that is at its work: such turns keep that
    thread's rhythm, as far as the loop shows it, and none of their own.

    Parameters
    ----------
    run : Run
        As recorded.
    found : Recurrences
        What comes back.
    waiting : Contentions
        Which calls wait for which of other threads.
    """
    own = tuple(r for r in found.found if not _echoes(run, r, waiting))
    return replace(found, found=own)


def _echoes(run: Run, r: Recurrence, waiting: Contentions) -> bool:
    if r.call and not r.long_turns:
        return False
    names = [r.call] if r.call else [part.name for part in r.parts]
    cost = r.height_ms * r.count / max(len(run), 1)
    return for_others(run, waiting, names, cost, r.loops, r.height_ms)


def for_others(
    run: Run, waiting: Contentions, names: Iterable[str], cost: float, loops: Sequence[int],
    height_ms: float,
) -> bool:  # fmt: skip
    """Whether long turns of calls are no more than their waiting for another thread.

    Their waiting makes up for half of what they cost [ms a loop], and in four of five of the loops
    the other thread is at its own call for half of the turn.
    """
    waits = sum(waiting.wait_ms.get(name, 0.0) for name in names)
    if not waits >= _COST * cost > 0:
        return False
    places = np.flatnonzero(np.isin(run.loop_columns.loop, np.array(loops)))
    met = others_ms(run, waiting, places) >= _TURN * height_ms
    return bool(met.sum() >= _LOOPS * len(met))


def others_ms(run: Run, waiting: Contentions, places: Int) -> Float:
    """For how long the calls that the loop waits for run in each of these loops [ms]."""
    calls = run.call_columns
    mine = np.zeros(len(calls), bool)
    for entry in waiting.found:
        codes = [k for k, n in enumerate(run.names) if n.name in entry.partners]
        on = calls.thread == run.thread_names.index(entry.thread)
        mine |= on & np.isin(calls.name, codes)
    begin = np.sort(calls.start_ns[mine])
    took = calls.duration_ns[mine][np.argsort(calls.start_ns[mine], kind="stable")]
    longest = int(took.max(initial=0))
    made = np.zeros(len(places))
    for i, k in enumerate(places.tolist()):
        start = int(run.loop_columns.start_ns[k])
        stop = start + int(run.loop_columns.period_ns[k])
        here = slice(*np.searchsorted(begin, [start - longest, stop]))
        inside = np.minimum(begin[here] + took[here], stop) - np.maximum(begin[here], start)
        made[i] = inside[inside > 0].sum() / 1e6
    return made
