"""Durations of whole calls, put together by thread and name."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.quantiles import element_number, elements

__all__ = [
    "CallTimes", "call_keys", "call_times", "durations_by_key", "first_durations_ms", "named",
    "narrowed", "ordered_quantiles", "passed_by", "times_of",
]  # fmt: skip

#: Calls that are sorted at a time.
_BLOCK = 1 << 15
#: Calls that are counted at a time.
_COUNTED = 1 << 18
_FEW_NAMES = 16
#: Up to so many keys, each one's calls are picked out in turn: it takes less memory.
_FEW_KEYS = 20
#: Of more calls than this, one more or less does not move the median.
_MANY = 1000
#: Shapes need no more durations than this.
_ENOUGH = 20_000
#: Next to nothing, as a share of a turn; hardly any time, as a share of a call's.
_NOTHING, _HARDLY = 0.01, 0.05

#: Durations of which the quarters are compared, and the fewest in a quarter.
_FOR_QUARTERS, _LEAST_QUARTER = 1000, 40


@dataclass(frozen=True)
class CallTimes:
    """How long the calls of one name on one thread took."""

    count: int
    total_ns: int
    first_ms: float
    p50_ms: float
    p99_ms: float
    max_ms: float
    others_ms: float | None  #: Median of all but the first
    ordered_ms: Float = field(repr=False)  #: Every so many-th duration, in rising order, shape (k,)
    far_ms: Float = field(repr=False)  #: Those far above the usual, as a driver's timeout is
    moved_ms: float = 0.0  #: How far the medians of the run's quarters lie apart


def call_times(run: Run) -> dict[tuple[int, int], CallTimes]:
    """What the analysers need of the durations of whole calls, by (thread code, name code)."""
    return {key: times_of(ns) for key, ns in _each(run)}


def _each(run: Run) -> Iterator[tuple[tuple[int, int], Int]]:
    """Durations of each key, in start order."""
    names = max(len(run.names), 1)
    key, counts = _keys_and_counts(run)
    present = np.flatnonzero(counts).tolist()
    if len(present) > _FEW_KEYS:
        yield from _put_together(run, key, counts).items()
        return
    for k in present:
        rows = np.flatnonzero(key == k)  # quicker to take by than the mask itself
        yield divmod(k, names), run.call_columns.duration_ns[rows]


def times_of(ns: Int) -> CallTimes:
    """What some durations come to, at least one [ns].

    Examples
    --------
    >>> found = times_of(np.array([9, 1, 3]) * 1_000_000)
    >>> found.first_ms, found.p50_ms, found.max_ms, found.others_ms
    (9.0, 3.0, 9.0, 1.0)
    """
    n = len(ns)
    places = [element_number(p, n) - 1 for p in (0.5, 0.99, 1.0)]
    p50, p99, longest = (x / 1e6 for x in elements(ns, places))
    others = None
    if n >= _MANY:
        others = p50
    elif n > 1:
        others = elements(ns[1:], [element_number(0.5, n - 1) - 1])[0] / 1e6
    ordered: Float = np.sort(ns[:: max(n // _ENOUGH, 1)]) / 1e6
    middle, high = ordered_quantiles(ordered, [0.5, 0.9])
    far = max(5 * middle, middle + 5 * (high - middle), middle + 10.0)
    return CallTimes(
        n, int(ns.sum(dtype=np.int64)), float(ns[0]) / 1e6, p50, p99, longest, others, ordered,
        ns[ns > 1e6 * far] / 1e6, _moved_ms(ns),
    )  # fmt: skip


def _moved_ms(ns: Int) -> float:
    """How far the medians of the quarters of some durations lie apart; 0 where they are few."""
    some = ns[:: max(len(ns) // _FOR_QUARTERS, 1)]
    size = len(some) // 4
    if size < _LEAST_QUARTER:
        return 0.0
    medians = np.sort(some[: 4 * size].reshape(4, size), axis=1)[:, size // 2]
    return float(medians.max() - medians.min()) / 1e6


def passed_by(took: NDArray[Any]) -> Bool:
    """Rows of a call in which the code passed it by, of all its durations.

    Code that is not run in most loops leaves rows of next to nothing there: below a hundredth of
    the turns in which half of the time passes, and together hardly any of it.

    Parameters
    ----------
    took : array, shape (n,)
        In any unit and order.

    Examples
    --------
    A camera that is read in every third loop, and a read with one long turn.

    >>> passed_by(np.array([25.0, 0.02, 0.02, 26.0, 0.02, 0.02])).tolist()
    [False, True, True, False, True, True]
    >>> passed_by(np.append(np.full(99, 0.5), 60.0)).any()
    np.False_
    """
    order = np.sort(took)
    sums = np.cumsum(order, dtype=np.float64)
    if not len(order) or not sums[-1] > 0:
        return np.zeros(len(took), bool)
    nothing = took < _NOTHING * float(order[np.searchsorted(sums, sums[-1] / 2)])
    return nothing & (took[nothing].sum() < _HARDLY * sums[-1])


def ordered_quantiles(ordered: Float, shares: Sequence[float]) -> list[float]:
    """Quantiles of values that stand in order [unit of the values]."""
    return [float(ordered[min(int(p * len(ordered)), len(ordered) - 1)]) for p in shares]


def durations_by_key(run: Run) -> dict[tuple[int, int], Int]:
    """Durations of whole calls, in start order, by (thread, name).

    A stable counting sort, block by block, so that each block's rows are moved while they are in
    the processor's cache; the durations within a key keep their order.

    Returns
    -------
    dict of (thread code, name code) to int32 or int64 array [ns]
    """
    return _put_together(run, *_keys_and_counts(run))


def _put_together(run: Run, key: Int, counts: Int) -> dict[tuple[int, int], Int]:
    names = max(len(run.names), 1)
    ends = np.cumsum(counts)
    sorted_ns = _by_key(key, len(counts), run.call_columns.duration_ns, ends - counts)
    return {
        (int(k // names), int(k % names)): sorted_ns[ends[k] - counts[k] : ends[k]]
        for k in np.flatnonzero(counts)
    }


def _keys_and_counts(run: Run) -> tuple[Int, Int]:
    """The key of each call, and how often each occurs.

    Counted block by block, since `numpy.bincount` widens what it counts.
    """
    key, size = call_keys(run)
    key = narrowed(key, size)
    counts = np.zeros(size, np.int64)
    for first in range(0, len(key), _COUNTED):
        counts += np.bincount(key[first : first + _COUNTED], minlength=size)
    return key, counts


def _by_key(key: Int, size: int, values: Int, begins: Int) -> Int:
    """Values in order of their keys; `begins` is where each key's first one goes."""
    made = np.empty(len(values), values.dtype)
    at = begins.tolist()
    step = max(_BLOCK, 64 * size)
    for first in range(0, len(values), step):
        mine = key[first : first + step]
        moved = values[first : first + step][np.argsort(mine, kind="stable")]
        taken = 0
        counts = np.bincount(mine, minlength=size)
        for k in np.flatnonzero(counts).tolist():
            count = int(counts[k])
            made[at[k] : at[k] + count] = moved[taken : taken + count]
            at[k] += count
            taken += count
    return made


def call_keys(run: Run) -> tuple[Int, int]:
    """Thread code times the number of names plus name code, a call; and how many keys there are."""
    at, names = run.call_columns, max(len(run.names), 1)
    threads = max(len(run.thread_names), 1)
    if threads == 1:
        return at.name, names
    return at.thread.astype(np.int32) * names + at.name, threads * names


def first_durations_ms(run: Run, keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], float]:
    """Duration of the first call of each (thread, name) that is asked for [ms].

    The calls are looked through only until all of them have been met.
    """
    at, names = run.call_columns, max(len(run.names), 1)
    wanted = {thread * names + code for thread, code in keys}
    key, _ = call_keys(run)
    found: dict[tuple[int, int], float] = {}
    for begin in range(0, len(at), _BLOCK):
        if not wanted:
            break
        kinds, places = np.unique(key[begin : begin + _BLOCK], return_index=True)
        for k, place in zip(kinds.tolist(), places.tolist(), strict=True):
            if k in wanted:
                wanted.remove(k)
                found[k // names, k % names] = float(at.duration_ns[begin + place]) / 1e6
    return found


def narrowed(key: Int, size: int) -> Int:
    """The keys in the smallest unsigned type that holds them: 16 bits are sorted by counting."""
    if key.dtype.itemsize == 1:
        return key
    kinds = (np.uint8, np.uint16, np.uint32)
    return key.astype(next(k for k in kinds if size <= np.iinfo(k).max + 1))


def named(name: Int, codes: Sequence[int]) -> Bool:
    """Which calls have one of some names; a few comparisons take less time than a look-up.

    Examples
    --------
    >>> named(np.array([0, 1, 2, 1], np.uint8), [0, 2]).tolist()
    [True, False, True, False]
    """
    if len(codes) > _FEW_NAMES:
        return np.isin(name, np.asarray(codes, name.dtype))
    if not len(codes):
        return np.zeros(len(name), bool)
    found: Bool = name == codes[0]
    for code in codes[1:]:
        found |= name == code
    return found
