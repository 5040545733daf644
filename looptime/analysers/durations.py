"""Durations of whole calls, put together by thread and name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from looptime.run import Run

__all__ = ["call_keys", "durations_by_key", "first_durations_ms", "named", "narrowed"]

Int = NDArray[np.integer]

#: Calls that are sorted at a time.
_BLOCK = 1 << 15
#: Calls that are counted at a time.
_COUNTED = 1 << 18
_FEW_NAMES = 16


def durations_by_key(run: Run) -> dict[tuple[int, int], Int]:
    """Durations of whole calls, in start order, by (thread, name).

    A stable counting sort, block by block, so that each block's rows are moved while they are in
    the processor's cache; the durations within a key keep their order.

    Returns
    -------
    dict of (thread code, name code) to int32 or int64 array [ns]
    """
    at = run.call_columns
    if not len(at):
        return {}
    key, size = call_keys(run)
    key = narrowed(key, size)
    counts = _counted(key, size)
    names = max(len(run.names), 1)
    ends = np.cumsum(counts)
    sorted_ns = _by_key(key, size, at.duration_ns, ends - counts)
    return {
        (int(k // names), int(k % names)): sorted_ns[ends[k] - counts[k] : ends[k]]
        for k in np.flatnonzero(counts)
    }


def _counted(key: Int, size: int) -> Int:
    """How often each key occurs; block by block, since `numpy.bincount` widens what it counts."""
    counts = np.zeros(size, np.int64)
    for first in range(0, len(key), _COUNTED):
        counts += np.bincount(key[first : first + _COUNTED], minlength=size)
    return counts


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


def named(name: Int, codes: Sequence[int]) -> NDArray[np.bool_]:
    """Which calls have one of some names; a few comparisons take less time than a look-up.

    Examples
    --------
    >>> named(np.array([0, 1, 2, 1], np.uint8), [0, 2]).tolist()
    [True, False, True, False]
    """
    if len(codes) > _FEW_NAMES:
        return np.isin(name, np.asarray(codes, name.dtype))
    found = np.zeros(len(name), bool)
    for code in codes:
        found |= name == code
    return found
