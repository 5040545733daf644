"""Threads that wait for the loop: what they do follows the end of one of its calls."""

import numpy as np

from looptime.analysers.own_gaps import OwnGaps
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import distinct, median
from looptime.stats.mechanism import Mechanism, Rule
from looptime.stats.quantiles import interdecile, percentiles

__all__ = ["Followed", "followed"]

#: By how much less instants vary about the end that they follow than all else does.
_CLEARLY = 0.5
#: How soon they follow it, as a share of the loop, and in how many different loops.
_SOON, _APART = 0.05, 0.9
#: Calls of the loop that are tried.
_TRIED = 40


@dataclass(frozen=True)
class Followed:
    """The call of the loop whose end another thread waits for."""

    call: str
    rule: Mechanism  #: ``loops``: how many from one instant to the next


def followed(gaps: OwnGaps, instants: Float, waited: float) -> Followed | None:
    """The call of the loop that some instants follow, each soon after its end.

    The end must move within the loop: two that keep one rate each for themselves follow each other
    as steadily, but not what varies in either.

    Parameters
    ----------
    gaps : OwnGaps
        Of the recording.
    instants : float array, shape (k,) [ns]
        When another thread goes on, rising.
    waited : float [ns]
        By how much the time varies that it has waited then.
    """
    run, by_name = gaps.run, gaps.by_name
    at, usual = run.call_columns, median(run.loop_columns.period_ns)
    best: tuple[float, str, Mechanism] | None = None
    for code in sorted(by_name, key=lambda code: -len(by_name[code]))[:_TRIED]:
        rows = by_name[code]
        loop = at.loop[rows].astype(np.int64)
        end = at.start_ns[rows].astype(np.float64) + at.duration_ns[rows]
        last = np.searchsorted(end, instants, side="right") - 1
        if (last < 0).sum() > 1 or len(distinct(last)) < _APART * len(last):
            continue
        lag = (instants - end[last])[last >= 0]
        moves = interdecile(end - run.loop_columns.start_ns[loop])
        steady = interdecile(lag) < _CLEARLY * min(waited, moves)
        after = percentiles(lag, [90])[0]
        if steady and after < _SOON * usual and (not best or after < best[0]):
            best = (after, run.names[code].name, _every(np.diff(loop[last[last >= 0]])))
    return None if best is None else Followed(best[1], best[2])


def _every(loops: Int) -> Mechanism:
    low, middle, high = percentiles(loops.astype(np.float64), [10, 50, 90])
    rule = Rule("loops", middle, low, high)
    return Mechanism("loops", middle, float(np.mean(loops == middle)), (rule,))
