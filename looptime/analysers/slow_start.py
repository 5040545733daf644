"""A slower start so long that it is no warm-up to be cut: the figures mix it with the rest."""

import itertools
import math

from looptime.analysers.basis import Basis
from looptime.analysers.drift import Changes
from looptime.records import dataclass
from looptime.stats.arrays import median

__all__ = ["SlowStart", "slow_start"]

#: Shares of the run's time that such a start takes.
_SHORTEST, _LONGEST = 0.2, 0.8
#: By how much of the level it is slower, as a mean.
_LEAST = 0.05
#: Share of the fall a loop from the start's middle to the rest's that the rest may go on with: a
#: loop that gets faster all along has all of it.
_FALLS = 0.4


@dataclass(frozen=True)
class SlowStart:
    """A start that is slower than the level that the run then keeps."""

    until_s: float  #: Since the start of the recording, as ``--from`` counts [s]
    share: float  #: Of the run's time
    excess: float  #: How far its mean lies above the level behind it, as a share of that

    @property
    def text(self) -> str:
        """What it does to the figures, and how to look at the rest."""
        since = f"{math.ceil(self.until_s * 10) / 10:.1f}".removesuffix(".0")
        return (
            f"the figures mix a slower start, {100 * self.share:.0f} % of the time, with the rest: "
            f"if it is a warm-up, --from {since} leaves it out"
        )


def slow_start(basis: Basis, changes: Changes) -> SlowStart | None:
    """A start of a fifth to four fifths of the run from which the level only goes down.

    Parameters
    ----------
    basis : Basis
        Of the loops that the figures rest on.
    changes : Changes
        Along them.
    """
    points = sorted(changes.change_points, key=lambda point: point.index)
    if not points or any(point.step_ms >= 0 for point in points):
        return None
    edges = [0, *(point.index for point in points)]
    levels = [point.before_ms for point in points]
    counts = [last - first for first, last in itertools.pairwise(edges)]
    mean = sum(n * level for n, level in zip(counts, levels, strict=True)) / edges[-1]
    settled = points[-1].after_ms
    period = basis.run.loop_columns.period_ns
    share = float(period[: edges[-1]].sum(dtype="float64") / period.sum(dtype="float64"))
    excess = mean / settled - 1 if settled > 0 else 0.0
    if excess < _LEAST or not _SHORTEST <= share <= _LONGEST:
        return None
    judged = basis if points[0].of == basis.judged or basis.in_calls is None else basis.in_calls
    rest = judged.judged_ms[edges[-1] :]
    third = len(rest) // 3
    fall = (median(rest[:third]) - median(rest[-third:])) / (len(rest) - third)
    if fall > _FALLS * (mean - settled) / (len(basis.run) / 2):
        return None
    return SlowStart(points[-1].time_s, share, excess)
