"""What a plan does to the longest loops, where the mean can't tell."""

from collections.abc import Iterable

import numpy as np

from looptime.array_types import Int
from looptime.records import dataclass
from looptime.stats.beta import binomial_at_least

__all__ = ["Tail", "tail_of"]

#: Share of the loops that are the longest, and the fewest of them.
_SHARE, _FEWEST = 0.01, 6
#: By how much they must change, and how rarely chance may make the counts so unlike.
_MUCH, _BY_CHANCE = 0.1, 0.01


@dataclass(frozen=True)
class Tail:
    """The longest loops, one in a hundred, before and after."""

    #: Their mean; after at the less favourable end of what is not known.
    before_ms: float
    after_ms: float
    #: Loops longer than a length between the two, of as many loops.
    over_ms: float
    before: int
    after: int

    def to_dict(self) -> dict[str, float]:
        """As JSON holds it."""
        return {
            "before_ms": self.before_ms, "after_ms": self.after_ms, "over_ms": self.over_ms,
            "before": self.before, "after": self.after,
        }  # fmt: skip


def tail_of(before_ns: Int, after_ns: Iterable[Int]) -> Tail | None:
    """The longest loops, if there are surely fewer or more than today; None where chance may do it.

    Parameters
    ----------
    before_ns : int array, shape (n,) [ns]
        Recorded periods.
    after_ns : iterable of int array [ns]
        Predicted ones, at each end of what is not known: all must tell the same.
    """
    was = _longest(before_ns)
    found = [_told(before_ns, was, ns) for ns in after_ns]
    told = [at for at in found if at is not None]
    if not told or len(told) < len(found) or len({at.after < at.before for at in told}) > 1:
        return None
    fewer = told[0].after < told[0].before
    return (max if fewer else min)(told, key=lambda at: at.after_ms)


def _told(before_ns: Int, was: float, after_ns: Int) -> Tail | None:
    now = _longest(after_ns)
    if abs(now - was) <= _MUCH * was:
        return None
    over = float(np.sqrt(was * now))
    share = len(before_ns) / max(len(after_ns), 1)
    counts = int((before_ns > over).sum()), round(float((after_ns > over).sum()) * share)
    if max(counts) < _FEWEST or (counts[0] > counts[1]) != (was > now):
        return None
    if 2 * binomial_at_least(max(counts), sum(counts), 0.5) > _BY_CHANCE:
        return None
    return Tail(was / 1e6, now / 1e6, over / 1e6, *counts)


def _longest(period_ns: Int) -> float:
    """Mean of the longest loops [ns]."""
    count = max(round(_SHARE * len(period_ns)), 1)
    return float(np.partition(period_ns, len(period_ns) - count)[-count:].mean())
