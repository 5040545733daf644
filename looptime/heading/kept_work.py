"""What a change of pace leaves as it is: the work that a loop does in each pass.

A loop that waits for its next pass waits less when it is paced faster; its calls take as long as
before, and with them the time from a reading to its use. So its reading grows no younger in
proportion to the period, and no pace is faster than the work.
"""

import numpy as np

from looptime.analysers.basis import Basis
from looptime.array_types import Int
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["PACES", "Waited", "Work"]

#: Whether a loop waits for its next pass.
PACES = ("waits", "never waits", "can't tell")
#: A wait of no more than this share of the period is none.
_HARDLY = 0.02
#: Share of the loops that wait at their end, where no call is the wait.
_AT_END = 0.5


@dataclass(frozen=True)
class Work:
    """The work of a loop, and its share of the time that passes up to a reading's use."""

    pace: str = "can't tell"  #: One of `PACES`
    #: Work in a loop without what stalls add, as far as calls show it; None where it is not known
    #: to wait, or no call shows what it does [s].
    work_s: float | None = None
    #: Whether the wait is logged; else it is the longest time in each loop that no call covers.
    logged: bool = False
    read_share: float = 0.0  #: Share of the time from reading to use that is no wait
    start_share: float = 0.0  #: Share of the time from the loop's start to the use that is no wait
    #: Age at its use of a reading that is made just before it; None where it cannot be told [s].
    least_s: float | None = None

    @property
    def fastest_hz(self) -> float | None:
        """Loop rate at which no time is left to wait [Hz]."""
        return 1 / self.work_s if self.work_s else None

    def factor(self, own_s: float, wanted_s: float, share: float) -> float:
        """By how much a time within the loop grows with its period.

        The part that is work stays, the part that is waited takes what is left of the period.
        Beyond the fastest pace that the work allows, and where none is known, all shrinks alike.

        Parameters
        ----------
        own_s, wanted_s : float [s]
            The log's period, and the wanted one.
        share : float
            Of that time which is work.

        Examples
        --------
        Of 20 ms a loop works 10: in 12 ms it works as long, and waits a fifth as long.

        >>> round(Work("waits", 0.010).factor(0.020, 0.012, 1.0), 12)
        1.0
        >>> round(Work("waits", 0.010).factor(0.020, 0.012, 0.0), 12)
        0.2
        >>> round(Work("never waits").factor(0.020, 0.012, 0.0), 12)
        0.6
        """
        if self.work_s is None:
            return wanted_s / own_s
        work = min(self.work_s, own_s)
        shrunk = min(wanted_s / work, 1.0)
        if own_s - work <= _HARDLY * own_s:
            return shrunk
        return share * shrunk + (1 - share) * max(wanted_s - work, 0.0) / (own_s - work)


class Waited:
    """How long the loop's thread has waited up to any moment.

    Parameters
    ----------
    run : Run
        Without gaps between its loops.
    basis : Basis
        Of the same loops.
    """

    def __init__(self, run: Run, basis: Basis) -> None:
        self.run, self.basis = run, basis
        pacing = basis.pacing
        waits = pacing.wait_known or pacing.fixed_rate
        self.pace = PACES[0] if waits else PACES[1] if pacing.mode == "free-running" else PACES[2]
        none: Int = np.zeros(0, np.int64)
        self.begin, self.end = self._spans() if waits else (none, none)
        self.before = np.concatenate([[0], np.cumsum(self.end - self.begin)])

    def _spans(self) -> tuple[Int, Int]:
        """From when to when it waits, one after another [ns]."""
        run, waits = self.run, self.basis.waits
        calls, at = run.call_columns, run.loop_columns
        mine = run.on_loop_thread
        if not self.basis.pacing.wait_known:
            return self._longest_gaps(
                *_joined(calls.start_ns[mine], (calls.start_ns + calls.duration_ns)[mine])
            )
        mine = mine & np.isin(calls.name, waits.names)
        spans = [(calls.start_ns[mine], (calls.start_ns + calls.duration_ns)[mine])]
        if waits.gap_ns is not None:
            over = at.start_ns + at.period_ns
            spans.append((over - waits.gap_ns, over))
        return _joined(*(np.concatenate(side) for side in zip(*spans, strict=True)))

    def _longest_gaps(self, begin: Int, end: Int) -> tuple[Int, Int]:
        """Of what no call covers the longest that begins in each loop: a loop waits once [ns].

        None of them where most do not reach the loop's end: there a loop would wait.
        """
        if not len(begin):
            return begin, end
        at = self.run.loop_columns
        last = max(int(at.start_ns[-1] + at.period_ns[-1]), int(end[-1]))
        free, busy = np.append(min(int(at.start_ns[0]), int(begin[0])), end), np.append(begin, last)
        loop = np.searchsorted(at.start_ns, free, side="right")
        order = np.lexsort((busy - free, loop))
        longest = np.append(loop[order][1:] != loop[order][:-1], True)
        longest = np.sort(order[longest])
        ends = np.append(at.start_ns, last)[np.minimum(loop[longest], len(at.start_ns))]
        if np.mean(busy[longest] >= ends) < _AT_END:
            return free[:0], busy[:0]
        return free[longest], busy[longest]

    def __call__(self, time_ns: Int) -> Int:
        """Time waited up to each moment [ns]."""
        if not len(self.begin):
            return np.zeros(np.shape(time_ns), np.int64)
        k = np.searchsorted(self.begin, time_ns, side="right") - 1
        at = np.maximum(k, 0)
        partly = np.minimum(time_ns, self.end[at]) - self.begin[at]
        return np.where(k < 0, 0, self.before[at] + partly)

    def work(self, use: Int, start: Int, since: Int, least_ns: float | None) -> Work:
        """The work of the loops, and its share of the time up to each use.

        Parameters
        ----------
        use, start, since : int array, shape (n,) [ns]
            Of each use; when its loop began; from when its reading was on its way in the loop.
        least_ns : float or None [ns]
            Age of a reading that is made just before its use.
        """
        least = None if least_ns is None else least_ns / 1e9
        if not len(self.begin):
            return Work(self.pace if self.pace != PACES[0] else PACES[2], least_s=least)
        at = self.run.loop_columns
        work = at.period_ns - (self(at.start_ns + at.period_ns) - self(at.start_ns))
        usual = np.minimum(work, 1.25 * np.median(work))  # a stall is no work that each loop does
        return Work(
            self.pace, max(float(usual.mean()), 1.0) / 1e9, self.basis.pacing.wait_known,
            self._share(since, use), self._share(start, use), least,
        )  # fmt: skip

    def _share(self, begin: Int, end: Int) -> float:
        whole = float((end - begin).sum())
        return 1.0 if whole <= 0 else 1 - float((self(end) - self(begin)).sum()) / whole


def _joined(begin: Int, end: Int) -> tuple[Int, Int]:
    """Spans that overlap as one, in order."""
    order = np.argsort(begin, kind="stable")
    begin, reach = begin[order], np.maximum.accumulate(end[order]) if len(end) else end
    first = np.append(True, begin[1:] > reach[:-1])[: len(begin)]
    last = np.append(first[1:], True)[: len(begin)]
    return begin[first], reach[last]
