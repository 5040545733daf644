"""One loop so long that it alone makes, or hides, most of the change of a mean."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Int
from looptime.checks.compare.sides import Judged
from looptime.checks.recording.recording import Series
from looptime.records import dataclass

__all__ = ["LoneStall", "lone_stall"]

#: A loop is one from so many usual lengths on, and told from this share of the change, and of the
#: mean itself, on.
_TIMES, _SHARE, _MATTERS = 10.0, 0.5, 1e-3


@dataclass(frozen=True)
class LoneStall:
    """One loop that moves the mean of its side."""

    run: str  #: In which it is
    after: bool  #: Whether that is on the side after the change
    ms: float  #: The quantity judged in that loop
    call: str | None  #: What held it; None where no call made most of it
    adds_ms: float  #: To the difference of the means
    without_ms: float  #: The difference of the means without it
    without_percent: float


def lone_stall(
    before: Sequence[Judged], after: Sequence[Judged], quantity: str
) -> LoneStall | None:
    """The one loop that makes most of the change of the mean, or hides it; else None.

    Parameters
    ----------
    before, after : sequence of Judged
        The runs of each side; those of which only figures are stored have no loops to look at.
    quantity : {"period", "work"}
        What is judged.
    """
    sides = [[(run, run.series) for run in side] for side in (before, after)]
    if any(series is None or not len(series.period_ns) for side in sides for _, series in side):
        return None
    judged = [[(run, s, s.ms(quantity)) for run, s in side if s] for side in sides]
    means = [float(np.mean([ms.mean() for *_, ms in side])) for side in judged]
    whole, longest = means[1] - means[0], []
    for is_after, side in zip((False, True), judged, strict=True):
        for run, series, ms in side:
            at, usual = int(np.argmax(ms)), float(np.median(ms))
            if ms[at] >= _TIMES * usual > 0:
                adds = (float(ms[at]) - usual) / len(ms) / len(side)
                longest.append((adds, is_after, run, series, at, float(ms[at])))
    if not longest:
        return None
    adds, is_after, run, series, at, took = max(longest, key=lambda one: one[0])
    if adds < _SHARE * abs(whole) or adds < _MATTERS * means[0]:
        return None
    adds = adds if is_after else -adds
    base = means[0] if is_after else means[0] + adds
    return LoneStall(
        run.facts.name, is_after, took, _held_by(series, at), adds, whole - adds,
        100 * (whole - adds) / base,
    )  # fmt: skip


def _held_by(series: Series, at: int) -> str | None:
    """The call that took most of what one loop took more than the usual."""

    def more(ns: Int) -> float:
        return float(ns[at]) - float(np.median(ns))

    parts = {part.name: more(part.self_ns) for part in series.parts if part.on_loop_thread}
    most = max(parts, key=lambda name: parts[name], default=None)
    return most if most is not None and parts[most] > _SHARE * more(series.period_ns) else None
