"""Calls of other threads that come much more rarely from some moment on, or no more."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import distinct, median

__all__ = ["ThreadRate", "thread_rates"]

#: Fewest calls by which a rate is told, before and after, and times by which it must fall.
FEWEST, AFTER, FALLS = 20, 5, 2.0
#: A call has ended where its rest at the end is so many times its longest gap before, this share of
#: the log, and so long [s].
GAPS, OF_LOG, LEAST_S = 5.0, 0.05, 0.5


@dataclass(frozen=True)
class ThreadRate:
    """A call whose pace fell."""

    thread: str
    call: str
    before_ms: float  #: Median time from start to start at first
    after_ms: float | None  #: And then; None where it came no more
    range_ms: tuple[float, float]  #: 5th and 95th percentile of the time from start to start then
    from_s: float  #: When it changed, since the start of the run
    count: int  #: Calls seen
    #: Median length of the call before and after [ms].
    length_ms: tuple[float, float]


def thread_rates(run: Run) -> tuple[ThreadRate, ...]:
    """Calls beside the loop's thread whose rate fell to half and less, or that ended early.

    The time from start to start is split where two levels of its logarithm leave least squares
    (Hinkley 1970). The fall counts where nearly every gap after the split is longer than nearly
    every gap before it, and where the loop did not slow down alike.

    Parameters
    ----------
    run : Run
        As recorded.
    """
    at, made = run.call_columns, []
    begin, end = run.loop_columns.start_ns[0], run.loop_columns.start_ns[-1]
    other = np.flatnonzero((at.thread != run.loop_thread) & (at.depth == 0))
    key = at.thread[other].astype(np.int64) * len(run.names) + at.name[other]
    for one in distinct(key):
        rows = other[key == one]
        if len(rows) < FEWEST:
            continue
        rows = rows[np.argsort(at.start_ns[rows], kind="stable")]
        start = (at.start_ns[rows] - begin) / 1e9
        length = at.duration_ns[rows] / 1e6
        found = _fell(start, length, run.loop_columns.start_ns) or _ended(
            start, length, (end - begin) / 1e9
        )
        if found is not None:
            thread, name = divmod(int(one), len(run.names))
            made.append(ThreadRate(run.thread_names[thread], run.names[name].name, *found))
    return tuple(made)


_Found = tuple[float, float | None, tuple[float, float], float, int, tuple[float, float]]


def _fell(start: Float, length: Float, loops: Int) -> _Found | None:
    """Where the rate falls within the run."""
    gap = np.diff(start)
    if len(gap) < FEWEST or gap.min() <= 0:
        return None
    k = _split(np.log(gap))
    first, then = gap[:k], gap[k:]
    if len(first) < AFTER or len(then) < AFTER or median(then) < FALLS * median(first):
        return None
    if np.quantile(then, 0.1) <= np.quantile(first, 0.9):
        return None
    periods = np.diff(loops) / 1e9
    at = (loops[:-1] - loops[0]) / 1e9
    was, now = periods[at < start[k]], periods[at >= start[k]]
    slower = float(now.mean() / was.mean()) if len(was) and len(now) else 1.0
    if median(then) < FALLS * slower * median(first):
        return None
    low, high = (float(1e3 * np.quantile(then, q)) for q in (0.05, 0.95))
    lengths = (median(length[:k]), median(length[k + 1 :]))
    return (1e3 * median(first), 1e3 * median(then), (low, high), float(start[k]), len(start),
            lengths)  # fmt: skip


def _ended(start: Float, length: Float, whole_s: float) -> _Found | None:
    """Where it comes no more long before the run is over."""
    gap = np.diff(start)
    last = float(start[-1] + length[-1] / 1e3)
    if whole_s - last < max(GAPS * float(gap.max()), OF_LOG * whole_s, LEAST_S):
        return None
    usual = median(length)
    return 1e3 * median(gap), None, (0.0, 0.0), last, len(start), (usual, usual)


def _split(value: Float) -> int:
    """The place at which two levels leave least squares."""
    n = len(value)
    k = np.arange(1, n)
    left = np.cumsum(value)[:-1]
    gained = left**2 / k + (value.sum() - left) ** 2 / (n - k)
    return int(np.argmax(gained)) + 1
