"""Several recordings beside each other, and how consistent they are."""

from collections.abc import Sequence

import numpy as np

from looptime.analysers.summary import Summary
from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, mad

__all__ = ["Consistency", "Together", "together"]

_FEWEST_FOR_OUTLIERS = 5
_OUTLIER = 4.0


@dataclass(frozen=True)
class Consistency:
    """How far one figure scatters between recordings."""

    figure: str  #: ``mean``, ``p50`` or ``p99`` of the quantity judged
    spread_percent: float | None  #: Standard deviation between recordings, of the logarithm [%]
    lowest_ms: float
    highest_ms: float
    #: Recordings farther than 4 scaled median deviations from the median; judged from five
    #: recordings on.
    outliers: tuple[int, ...]


@dataclass(frozen=True)
class Together:
    """Several recordings."""

    judged: str  #: ``work`` where all of them know it, else ``period``
    figures: tuple[Consistency, ...]


def together(summaries: Sequence[Summary]) -> Together | None:
    """How consistent several recordings are; None for fewer than two.

    Parameters
    ----------
    summaries : sequence of Summary
        Of the same robot and the same phase.
    """
    usable = [s for s in summaries if s.pace.loops]
    if len(usable) < 2:
        return None
    judged = "work" if all(s.basis.judged == "work" for s in usable) else "period"
    made = []
    for key in ("mean", "p50", "p99"):
        at = [s.pace.work_ms if judged == "work" else s.pace.period_ms for s in usable]
        told = [getattr(d, key).value for d in at if d is not None]
        values = np.array([value for value in told if value is not None], np.float64)
        if len(values) > 1:  # a log whose lengths cannot be told has none
            made.append(_consistency(key, values))
    return Together(judged, tuple(made)) if made else None


def _consistency(key: str, values: np.ndarray) -> Consistency:
    spread: float | None = None
    outliers: tuple[int, ...] = ()
    if (values > 0).all():
        logs = np.log(values)
        spread = 100 * float(logs.std(ddof=1))
        scale = MAD_SCALE * mad(logs)
        if len(values) >= _FEWEST_FOR_OUTLIERS and scale > 0:
            far = np.abs(logs - np.median(logs)) > _OUTLIER * scale
            outliers = tuple(int(k) for k in np.flatnonzero(far))
    return Consistency(key, spread, float(values.min()), float(values.max()), outliers)
