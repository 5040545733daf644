"""Histograms of durations whose counts are whole numbers, so that they merge exactly.

Bins are spaced so that no duration lies farther than 1 % from the value that stands for its
bin. The edges are made of whole numbers by whole-number arithmetic: every machine has the same
ones, and merging in any order and grouping gives the same counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from looptime.array_types import Float, Int
from looptime.errors import NotEnoughError
from looptime.records import dataclass

__all__ = ["ERROR_BOUND", "Histogram", "bin_edges"]

#: Largest relative error of a quantile read from a histogram.
ERROR_BOUND = 0.01

_UP, _DOWN = 101, 99  # ratio of neighbouring edges: (1 + bound) / (1 - bound)
_LAST = 2**62


@cache
def bin_edges() -> Int:
    """Lower edges of the bins [ns]: ``e_0 = 1``, ``e_(k+1) = max(e_k + 1, floor(101 e_k / 99))``.

    Returns
    -------
    int64 array, shape (k,) [ns]
        Bin number b (from 1) holds the durations from ``edges[b - 1]`` up to, but without,
        ``edges[b]``. Short durations have a bin for every nanosecond.

    Examples
    --------
    >>> bin_edges()[:3].tolist(), bool(np.all(np.diff(bin_edges()) > 0))
    ([1, 2, 3], True)
    """
    edges = [1]
    while edges[-1] < _LAST:
        edges.append(max(edges[-1] + 1, edges[-1] * _UP // _DOWN))
    return np.array(edges, dtype=np.int64)


@dataclass(frozen=True)
class Histogram:
    """Counts of durations in bins of 1 % half width.

    Examples
    --------
    >>> a, b = Histogram.of([10, 20]), Histogram.of([20, 3_000_000])
    >>> both = a + b
    >>> both == Histogram.of([3_000_000, 20, 20, 10])
    True
    >>> both.count, both.quantile_ns(0.5)
    (4, 20.0)
    """

    #: Numbers of the bins that hold anything, ascending; 0 holds zeros, negative numbers mirror the
    #: positive ones; shape (k,).
    bins: Int
    counts: Int  #: Durations in each, above 0, shape (k,)
    total_ns: int = 0  #: Exact sum of all durations
    #: Exact extremes; 0 where there are no durations.
    least_ns: int = 0
    most_ns: int = 0

    @classmethod
    def of(cls, durations_ns: ArrayLike) -> Histogram:
        """The histogram of some durations; int array, shape (n,) [ns]."""
        x = np.asarray(durations_ns, dtype=np.int64)
        if not len(x):
            return cls.empty()
        rising = np.sort(x)
        edges = bin_edges()
        low, high = np.searchsorted(edges, [max(rising[0], 0), rising[-1]], "right").tolist()
        inner = np.searchsorted(rising, edges[low:high])  # no other bin holds any
        held = np.diff(inner, prepend=np.searchsorted(rising, 0), append=len(x))
        bins = np.flatnonzero(held)
        counts = held[bins]
        bins += low
        if rising[0] < 0:
            below = cls.of(-rising[rising < 0])
            bins = np.concatenate([-below.bins[::-1], bins])
            counts = np.concatenate([below.counts[::-1], counts])
        return cls(bins, counts, _exact_sum(x), int(rising[0]), int(rising[-1]))

    @classmethod
    def empty(cls) -> Histogram:
        """No durations."""
        return cls(np.empty(0, np.int64), np.empty(0, np.int64))

    @classmethod
    def merged(cls, parts: Iterable[Histogram]) -> Histogram:
        """The histogram of all the durations of several; the order makes no difference."""
        filled = [part for part in parts if len(part.bins)]
        if not filled:
            return cls.empty()
        bins, place = np.unique(np.concatenate([p.bins for p in filled]), return_inverse=True)
        counts = np.zeros(len(bins), np.int64)
        np.add.at(counts, place, np.concatenate([p.counts for p in filled]))
        return cls(
            bins, counts, sum(p.total_ns for p in filled),
            min(p.least_ns for p in filled), max(p.most_ns for p in filled),
        )  # fmt: skip

    def __add__(self, other: Histogram) -> Histogram:
        return Histogram.merged([self, other])

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Histogram)
            and np.array_equal(self.bins, other.bins)
            and np.array_equal(self.counts, other.counts)
            and (self.total_ns, self.least_ns, self.most_ns)
            == (other.total_ns, other.least_ns, other.most_ns)
        )

    __hash__ = None  # type: ignore[assignment]

    @property
    def count(self) -> int:
        """How many durations there are."""
        return int(self.counts.sum())

    def quantile_ns(self, share: float) -> float:
        """The quantile, within 1 % of the element ``sorted(x)[ceil(p n) - 1]`` [ns].

        The value that stands for a bin from a to b is ``2 a b / (a + b)``, at most
        ``(b - a) / (b + a)`` (1 %) away from everything in it.

        Raises
        ------
        NotEnoughError
            If there are no durations.
        """
        return float(self.quantiles_ns([share])[0])

    def quantiles_ns(self, shares: ArrayLike) -> Float:
        """Several quantiles; float array, shape (k,) [ns]; see `quantile_ns`."""
        n = self.count
        if not n:
            raise NotEnoughError("a quantile needs at least 1 duration, there is none")
        wanted = np.atleast_1d(np.asarray(shares, np.float64))
        element = np.clip(np.ceil(wanted * n - 1e-9 * n), 1, n)
        number = self.bins[np.searchsorted(np.cumsum(self.counts), element)]
        return np.clip(_stand_ins(number), self.least_ns, self.most_ns)


def _exact_sum(x: Int) -> int:
    """The sum as a whole number of any size: high and low halves apart, so neither overflows."""
    return (int((x >> 32).sum()) << 32) + int((x & 0xFFFF_FFFF).sum())


def _stand_ins(number: Int) -> Float:
    """The value that stands for each bin [ns]."""
    edges = bin_edges().astype(np.float64)
    place = np.abs(number)
    low = edges[np.clip(place - 1, 0, len(edges) - 1)]
    high = edges[np.clip(place, 0, len(edges) - 1)]
    single = high - low <= 1
    value = np.where(single, low, 2 * low * high / (low + high))
    return np.where(number == 0, 0.0, np.sign(number) * value)
