"""Whether logs were written by threads of one program: their clocks, names and waits tell."""

from __future__ import annotations

from collections.abc import Sequence

from looptime.run import Run

__all__ = ["on_one_clock", "threads_of_one", "time_alike"]

#: Share of the longer recording in which both must run.
_MOST = 0.8
#: A clock that stands at so many times the distance of two beginnings did not begin with either.
_FAR_ON = 1000
#: What a recording says of itself that threads of one program have in common.
_SAME = ("robot", "code_version", "date", "time", "run", "label", "match")
#: More logs than this are no threads of one program.
MOST_THREADS = 16


def on_one_clock(one: Run, other: Run) -> bool:
    """Whether two runs may be threads of one: they ran at once, with calls of their own.

    Parameters
    ----------
    one, other : Run
        Of two logs.

    Returns
    -------
    bool
        False where one has no clock or threads already, most names are in both, as in two
        recordings of one program, or what the logs say of themselves differs.
    """
    if any(len(r.thread_names) != 1 or r.summed or r.averaged or not len(r) for r in (one, other)):
        return False
    if one.clock.unit != other.clock.unit:
        return False
    mine, theirs = ({call.name for call in run.names} for run in (one, other))
    if not mine or not theirs or 2 * len(mine & theirs) > min(len(mine), len(theirs)):
        return False
    said = (one.meta, other.meta)
    if any(said[0][key] != said[1][key] for key in _SAME if key in said[0] and key in said[1]):
        return False
    (begin, end), (begins, ends) = _span(one), _span(other)
    longer = max(end - begin, ends - begins)
    return min(end, ends) - max(begin, begins) >= _MOST * longer


def time_alike(runs: Sequence[Run]) -> bool:
    """Whether a clock that did not begin with the logs says by itself that they ran at once."""
    begins = [_span(run)[0] for run in runs]
    return min(begins) > _FAR_ON * max(max(begins) - min(begins), 1)


def threads_of_one(runs: Sequence[Run]) -> list[list[int]]:
    """The places of runs that may be threads of one, that of the control loop first in each list.

    The control loop is the thread that writes the most kinds of outputs, else makes the most kinds
    of calls, else comes first.
    """
    groups: list[list[int]] = []
    for at, run in enumerate(runs):
        fits = (g for g in groups if all(on_one_clock(runs[k], run) for k in g))
        group = next(fits, None)
        if group is None:
            groups.append([at])
        else:
            group.append(at)

    def rank(at: int) -> tuple[int, int, int]:
        kinds = [call.kind for call in runs[at].names]
        return -kinds.count("actuator write"), -len(kinds), at

    return [sorted(g, key=rank) for g in groups if 1 < len(g) <= MOST_THREADS]


def _span(run: Run) -> tuple[int, int]:
    """When the loops of a run begin and end [ns]."""
    loops = run.loop_columns
    return int(loops.start_ns[0]), int(loops.start_ns[-1] + loops.period_ns[-1])
