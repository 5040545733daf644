"""Durations of whole calls, put together by thread and name."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from looptime.run import Run

__all__ = ["call_keys", "durations_by_key", "first_durations_ms"]

Int = NDArray[np.integer]


def durations_by_key(run: Run) -> dict[tuple[int, int], Int]:
    """Durations of whole calls, in start order, by (thread, name).

    The rows are put in order of their key by one stable counting sort; the durations within a
    key keep their order.

    Returns
    -------
    dict of (thread code, name code) to int64 array [ns]
    """
    at = run.call_columns
    if not len(at):
        return {}
    key, size = call_keys(run)
    counts = np.bincount(key, minlength=size)
    sorted_ns = at.duration_ns[np.argsort(_narrow(key, size), kind="stable")]
    ends = np.cumsum(counts)
    names = max(len(run.names), 1)
    return {
        (int(k // names), int(k % names)): sorted_ns[ends[k] - counts[k] : ends[k]]
        for k in np.flatnonzero(counts)
    }


def call_keys(run: Run) -> tuple[Int, int]:
    """Thread code times the number of names plus name code, a call; and how many keys there are."""
    at, names = run.call_columns, max(len(run.names), 1)
    threads = max(len(run.thread_names), 1)
    if threads == 1:
        return at.name, names
    return at.thread.astype(np.int32) * names + at.name, threads * names


def first_durations_ms(run: Run) -> dict[tuple[int, int], float]:
    """Duration of the first call of each (thread, name) [ms]."""
    at = run.call_columns
    if not len(at):
        return {}
    key, size = call_keys(run)
    first = np.full(size, -1, np.int64)
    first[key[::-1]] = np.arange(len(at))[::-1]  # of equal keys the last assignment stays
    names = max(len(run.names), 1)
    return {
        (int(k // names), int(k % names)): float(at.duration_ns[first[k]]) / 1e6
        for k in np.flatnonzero(first >= 0)
    }


def _narrow(key: Int, size: int) -> Int:
    """The smallest unsigned type that holds the keys: up to 16 bits are sorted by counting."""
    kinds = (np.uint8, np.uint16, np.uint32)
    return key.astype(next(k for k in kinds if size <= np.iinfo(k).max + 1))
