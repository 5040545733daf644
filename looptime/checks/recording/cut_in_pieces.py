"""Pieces of one recording: logs that follow one another on the same clock, joined again."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Int
from looptime.checks.recording.facts import YEAR_2000_NS, start_time, time_key
from looptime.run import CallColumns, LoopColumns, Run

__all__ = ["chains", "follows", "joined"]

#: What may lie between two pieces: loops of usual length, where nothing but a clock that begins
#: anew with each start of the robot tells that they follow; and seconds, where more does.
_LOOPS, _GAP_S = 2.5, 1.0
#: Times of recording that differ by so much more than the clock went on are two recordings' [s].
_OTHER_TIME_S = 60.0


def follows(later: Run, earlier: Run) -> bool:
    """Whether one run goes on, on the same clock, where the other ends.

    Clocks that begin anew with each start of the robot may meet by chance: only what comes within
    two loops follows then, unless numbers of loops go on, too, or the clock is that of the day.

    Examples
    --------
    >>> period = np.full(400, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(400), 7 + np.cumsum(period) - period, period))
    >>> first, middle, last = (run.select(np.arange(400) // 140 == k) for k in range(3))
    >>> follows(middle, first), follows(last, middle), follows(last, first)
    (True, True, False)
    """
    a, b = earlier.loop_columns, later.loop_columns
    if not len(a) or not len(b):
        return False
    gap = int(b.start_ns[0]) - int(a.start_ns[-1]) - int(a.period_ns[-1])
    usual = float(np.median(a.period_ns))
    times = [time_key(start_time(run)) for run in (earlier, later)]
    if times[0] is not None and times[1] is not None:
        went_on = (int(b.start_ns[0]) - int(a.start_ns[0])) / 1e9
        if abs(times[1] - times[0]) > went_on + _OTHER_TIME_S:
            return False
    between = int(b.loop[0]) - int(a.loop[-1])
    numbered = int(b.loop[0]) > 0 and 0 < between <= 2 + 1e9 * _GAP_S / usual
    sure = numbered or int(b.start_ns[0]) > YEAR_2000_NS
    return -1 <= gap <= (1e9 * _GAP_S if sure else _LOOPS * usual)


def chains(runs: Sequence[Run]) -> list[list[int]]:
    """Places of runs, those together that are pieces of one recording, in their order on its clock.

    Examples
    --------
    >>> period = np.full(90, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(90), np.cumsum(period) - period, period))
    >>> chains([run.select(np.arange(90) >= 40), run, run.select(np.arange(90) < 40)])
    [[2, 0], [1]]
    """
    after: dict[int, int] = {}
    for earlier, one in enumerate(runs):
        for later, other in enumerate(runs):
            free = earlier not in after and later not in after.values()
            if free and later != earlier and follows(other, one):
                after[earlier] = later
    found = []
    for first in (at for at in range(len(runs)) if at not in after.values()):
        chain = [first]
        while chain[-1] in after:
            chain.append(after[chain[-1]])
        found.append(chain)
    return sorted(found, key=min)


def joined(runs: Sequence[Run]) -> Run:
    """One run of the loops and calls of several, under the source of the first.

    Examples
    --------
    >>> period = np.full(90, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(90), np.cumsum(period) - period, period))
    >>> len(joined([run.select(np.arange(90) < 40), run.select(np.arange(90) >= 40)]))
    90
    """
    names = {name.name: name for run in reversed(runs) for name in run.names}
    threads = list(dict.fromkeys(name for run in runs for name in run.thread_names))
    first = runs[0]
    return replace(
        first,
        loop_columns=_loops(runs),
        call_columns=_calls(runs, list(names), threads),
        names=tuple(names.values()),
        thread_names=tuple(threads),
        loop_thread=next((threads.index(run.thread_names[run.loop_thread]) for run in runs
                          if run.loop_thread >= 0), -1),
        rows_read=sum(run.rows_read for run in runs),
        rows_used=sum(run.rows_used for run in runs),
        dropped=sum(run.dropped for run in runs),
        signals=None,
        marks=None,
    )  # fmt: skip


def _loops(runs: Sequence[Run]) -> LoopColumns:
    at = [run.loop_columns for run in runs]
    phases = list(dict.fromkeys(name for one in at for name in one.phase_names))
    coded = None
    if all(one.phase is not None for one in at):
        codes = [np.array([phases.index(name) for name in one.phase_names]) for one in at]
        coded = np.concatenate([code[one.phase] for code, one in zip(codes, at, strict=True)])
    return LoopColumns(
        np.concatenate([one.loop for one in at]),
        np.concatenate([one.start_ns for one in at]),
        np.concatenate([one.period_ns for one in at]),
        phase=coded,
        phase_names=tuple(phases) if coded is not None else (),
    )


def _calls(runs: Sequence[Run], names: list[str], threads: list[str]) -> CallColumns:
    """Calls of all runs under common codes; numbers and processor time are left out."""
    at = [run.call_columns for run in runs]
    loops = np.cumsum([0, *(len(run) for run in runs)])
    rows = np.cumsum([0, *(len(one) for one in at)])

    def coded(key: str, own: Sequence[Sequence[str]], common: list[str]) -> Int:
        return np.concatenate([
            np.array([common.index(word) for word in words], np.int64)[getattr(one, key)]
            for words, one in zip(own, at, strict=True)
        ])  # fmt: skip

    def moved(key: str, by: Int) -> Int:
        return np.concatenate([getattr(one, key) + n for one, n in zip(at, by, strict=False)])

    return CallColumns(
        loop=moved("loop", loops),
        thread=coded("thread", [run.thread_names for run in runs], threads),
        name=coded("name", [[name.name for name in run.names] for run in runs], names),
        spill_row=moved("spill_row", rows),
        spill_loop=moved("spill_loop", loops),
        **{key: np.concatenate([getattr(one, key) for one in at])
           for key in ("start_ns", "duration_ns", "self_ns", "depth", "spill_ns")},
    )  # fmt: skip
