"""Whether every call changed by a like factor: then the machine did, and not one call's code."""

import math
from collections.abc import Sequence

import numpy as np

from looptime.checks.compare.explain import average_means
from looptime.checks.compare.sides import Judged
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["Alike", "alike"]

#: Share of the quantity judged from which on a call must change like the others, and from which
#: on one that does is counted: a loop of many calls has hardly one that is large.
_COUNTS, _COUNTED = 0.05, 0.02
#: So many calls, which hold so much of the quantity on either side.
_FEWEST, _MOST_OF = 3, 0.8
#: How far apart like changes may be, as powers of the change of the whole.
_LEAST, _MOST = 0.25, 3.0
#: So much of the change is more than one like factor among others leaves to a call ...
_DOMINANT = 0.5
#: ... unless that is about its share.
_ITS_SHARE = 1.4
#: What usual calls may differ by: a code change shows in the middle of its call's durations.
_MIDDLES, _OF_WHOLE = 0.1, 0.6


@dataclass(frozen=True)
class Alike:
    """All calls that count changed the same way."""

    calls: tuple[str, ...]
    #: Least and largest change of one of them [percent].
    low_percent: float
    high_percent: float
    every: bool  #: Whether calls that hardly count did so as well


def alike(before: Sequence[Judged], after: Sequence[Judged], quantity: str) -> Alike | None:
    """The calls that changed by a like factor, if they make up the loop; else None.

    Parameters
    ----------
    before, after : sequence of Judged
        The runs of each side.
    quantity : {"period", "work"}
        What is judged.
    """
    a, b = (average_means(side, quantity) for side in (before, after))
    total, now = math.fsum(a.values()), math.fsum(b.values())
    if total <= 0 or now <= 0 or now == total:
        return None
    whole = math.log(now / total)
    shared = [n for n in a if n != UNATTRIBUTED and a[n] > 0 and b.get(n, 0.0) > 0]
    power = {n: math.log(b[n] / a[n]) / whole for n in shared}
    like = [n for n in shared if a[n] >= _COUNTED * total and _LEAST <= power[n] <= _MOST]
    unlike = any(a[n] >= _COUNTS * total for n in shared if n not in like)
    covers = min(sum(a[n] for n in like) / total, sum(b[n] for n in like) / now)
    if len(like) < _FEWEST or covers < _MOST_OF or unlike:
        return None
    part = {n: (b[n] - a[n]) / (now - total) for n in like}
    if any(p > max(_DOMINANT, _ITS_SHARE * a[n] / total) for n, p in part.items()):
        return None
    if np.ptp(_middles(before, after, like)) > max(_MIDDLES, _OF_WHOLE * abs(whole)):
        return None
    changes = [100 * (b[n] / a[n] - 1) for n in like]
    every = all(power[n] >= _LEAST for n in shared)
    return Alike(tuple(like), min(changes), max(changes), every)


def _middles(
    before: Sequence[Judged], after: Sequence[Judged], names: Sequence[str]
) -> list[float]:
    """How far the usual duration of each call moved, as a logarithm."""

    def middle(side: Sequence[Judged], name: str) -> float:
        found = [c.duration_p50_ms for run in side for c in run.values.calls
                 if c.name == name and c.on_loop_thread]  # fmt: skip
        return float(np.mean([v for v in found if v] or [1.0]))

    return [math.log(middle(after, name) / middle(before, name)) for name in names]
