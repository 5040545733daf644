"""What a batched read costs: one transaction, not the sum of its parts divided by their number.

``cost = base + items x per item``. Both come from the project file's ``[bus.NAME]``. Where it does
not say, a range is carried through: a batch costs at least as much as its dearest single read, and
at most what is reported where each device adds a delay of its own to the reply, two thirds of the
sum of the single reads. Its middle takes the cost of an item from calls of two sizes on that bus,
which are of other devices and so bound nothing; without them it takes a single read for a fixed
part with little on top: halfway between what the read's own spread above its floor leaves for an
item, and a fifth.
"""

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass
from looptime.schema import CallName

__all__ = ["BatchCost", "BusParameters", "batch_cost", "call_cost_ms"]

#: Gain of a batch in the least favourable report known: 4 ms for what took 6 ms singly.
_LEAST_GAIN = 1.5
#: Share of a single read that an item adds to a batch, where nothing is known of it.
_ITEM_SHARE = 0.2


class BusParameters(Protocol):
    """What is stated about a bus: `looptime.project.Bus` or anything with these attributes."""

    @property
    def base_ms(self) -> float | None:
        """Cost of a transaction of no item [ms]."""

    @property
    def per_item_ms(self) -> float | None:
        """Cost of each item [ms]."""

    @property
    def lock(self) -> str:
        """``fair``, ``barging`` or ``unknown``."""


@dataclass(frozen=True)
class BatchCost:
    """Cost of a batch [ns] at both ends of what is possible."""

    #: Cost of a read of no item: what a single read costs beside its items; NaN in a range.
    single_ns: float
    per_item_low_ns: float
    per_item_high_ns: float
    known_from: str  #: In plain words
    #: In a range, the middle's share of a single read for each further one.
    item_share: float = _ITEM_SHARE

    @property
    def is_range(self) -> bool:
        """Whether the ends differ."""
        return self.single_ns != self.single_ns or self.per_item_low_ns != self.per_item_high_ns

    def ns(self, end: float, items: Float, dearest: Float, total: Float) -> Float:
        """Cost of batches [ns].

        Parameters
        ----------
        end : float
            0 for the cheap end of what is possible, 1 for the dear end, 0.5 for the likely middle.
        items, dearest, total : float64 array, shape (k,)
            Items in each batch; its dearest single read and their sum [ns].
        """
        if self.single_ns != self.single_ns:
            high = np.maximum(dearest, total / _LEAST_GAIN)
            likely = np.minimum(dearest + self.item_share * (total - dearest), high)
            if end <= 0.5:
                return dearest + 2 * end * (likely - dearest)
            return likely + (2 * end - 1) * (high - likely)
        per_item = self.per_item_low_ns + end * (self.per_item_high_ns - self.per_item_low_ns)
        return self.single_ns + per_item * items


def batch_cost(
    items: Sequence[float],
    typical_ns: Sequence[float],
    stated: tuple[float | None, float | None] = (None, None),
    others: Sequence[tuple[int, float]] = (),
    spread: float = 0.0,
) -> BatchCost:
    """Cost of one transaction that fetches what several single reads fetch.

    Parameters
    ----------
    items, typical_ns : sequences of float
        Of each single read: readings it fetches, and its typical duration [ns].
    stated : (base_ms, per_item_ms)
        None where not stated.
    others : sequence of (items, typical_ns)
        Calls on the same bus whose number of items is known.
    spread : float
        Mean of a single read above its floor, as a share of the mean.

    Examples
    --------
    >>> cost = batch_cost([1, 1, 1, 1], [0.9e6] * 4, stated=(0.7, 0.2))
    >>> cost.ns(0.5, np.array([4.0]), np.array([0.9e6]), np.array([3.6e6])) / 1e6
    array([1.5])
    >>> cost = batch_cost([1, 1], [1e6, 1e6])
    >>> two = np.array([2.0]), np.array([1e6]), np.array([2e6])
    >>> [round(float(cost.ns(end, *two)[0])) for end in (0, 0.5, 1)]
    [1000000, 1100000, 1333333]
    """
    count = np.asarray(items, float)
    typical = np.asarray(typical_ns, float)
    base, per_item = stated
    if per_item is not None:
        each = per_item * 1e6
        return BatchCost(float(np.mean(typical - each * count)), each, each, "the project file")
    if base is not None:
        each = max(0.0, float(np.mean((typical - base * 1e6) / count)))
        single = float(np.mean(typical - each * count))
        return BatchCost(single, each, each, "the project file's base_ms and the log")
    share = (_ITEM_SHARE + min(max(spread, 0.0), 2 * _ITEM_SHARE)) / 2
    known = "nothing: a range from one transaction upward"
    by_size = _per_item(others)
    if by_size is not None:  # of other devices: each may take its own time to answer
        share = min(by_size * float(np.mean(count / typical)), 1.0)
        known = "calls of two sizes in the log: a range, for each device takes its own time"
    return BatchCost(float("nan"), 0.0, 0.0, known, share)


def _per_item(others: Sequence[tuple[int, float]]) -> float | None:
    """Cost of an item by calls of different sizes [ns]; None where larger ones take no longer."""
    sizes, cost = np.array(others, float).reshape(-1, 2).T
    if len(set(sizes.tolist())) < 2:
        return None
    slope = float(np.cov(sizes, cost, bias=True)[0, 1] / np.var(sizes))
    return slope if slope > 0 else None


def call_cost_ms(name: CallName, buses: Mapping[str, BusParameters]) -> float | None:
    """What the project file says a call of this name costs on its bus [ms]; None if it does not."""
    bus = buses.get(name.bus or "")
    if bus is None or bus.base_ms is None or bus.per_item_ms is None:
        return None
    return bus.base_ms + bus.per_item_ms * (name.items or 1)
