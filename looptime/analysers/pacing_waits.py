"""What a loop waits for in each pass: what is labelled so, or shows that nothing else it can be.

A part of the loop that nothing names is a wait only where it does what no work does: it makes up
for what the work takes. A part that is as long each time, however round its length and however
one-sided what it has beyond that, may be work without a name as well as a sleep.
"""

import numpy as np

from looptime.analysers.beat_wait import grain_of, whole_tick
from looptime.analysers.late_ticks import late_ticks
from looptime.analysers.pacing_rule import by_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run, SelfPieces
from looptime.schema import KINDS
from looptime.stats.arrays import median

__all__ = ["Waits", "find_waits"]

_PACING = "pacing"
assert _PACING in KINDS

#: A gap between the end of a loop's row and the next start counts as waiting from this share on.
_GAP_SHARE = 0.02


@dataclass(frozen=True)
class Waits:
    """The pacing wait in each loop."""

    wait_ns: Int | None  #: None where the log shows no pacing wait, shape (n,)
    #: The part of it that no call covers, after the row that encloses the loop has ended;
    #: shape (n,).
    gap_ns: Int | None
    names: tuple[int, ...]  #: Codes of the calls of kind `pacing`
    #: What passes after the row that encloses the loop, where nothing shows that it is a wait;
    #: shape (n,).
    unnamed_ns: Int | None = None


def find_waits(run: Run, pieces: SelfPieces, table: SelfTable | None = None) -> Waits:
    """Find the pacing wait of each loop.

    It is in calls of kind `pacing`, and in the part that nothing names, after the loop's row or
    outside all calls, where that shows itself to be a wait.
    """
    names = tuple(k for k, name in enumerate(run.names) if name.kind == _PACING)
    wait = None
    table = SelfTable(pieces, len(run), len(run.names)) if table is None else table
    if names and len(pieces.loop):
        is_pacing = np.zeros(len(run.names), bool)
        is_pacing[list(names)] = True
        if is_pacing[pieces.name].any():
            wait = table.by_loop(is_pacing).astype(np.int64)
    gap = _gap(run, pieces)
    if gap is None or (wait is not None and _same(wait, gap)):
        return Waits(wait, None, names)  # what a call "idle" took is the time after the work
    period = run.loop_columns.period_ns if wait is None else run.loop_columns.period_ns - wait
    if not _waited(period / 1e6, gap / 1e6, grain_of(run, run.loop_columns.period_ns)):
        return Waits(wait, None, names, gap)
    return Waits(gap if wait is None else wait + gap, gap, names)


def _waited(period: Float, gap: Float, grain: float) -> bool:
    """Whether time after each loop's row, which nothing names, is waited [ms]."""
    if late_ticks(period, gap) is not None:
        return True
    return by_waits(period, gap, whole_tick(period, gap), grain, named=False)[0] == "fixed rate"


def _same(wait: Int, gap: Int) -> bool:
    """Whether a logged wait is what is left after the loop's own length."""
    return float(median(np.abs(wait - gap))) <= 0.1 * float(median(gap))


def _sum_by_loop(pieces: SelfPieces, keep: Bool, n: int) -> Int:
    summed = np.bincount(pieces.loop[keep], weights=pieces.self_ns[keep], minlength=n)
    return summed.astype(np.int64)


def _gap(run: Run, pieces: SelfPieces) -> Int | None:
    """Time after the end of the loop's own row that no call covers."""
    at = run.loop_columns
    if at.body_ns is None or not len(run) or not median(at.body_ns):  # an instant tells no end
        return None
    gap = np.maximum(at.period_ns - at.body_ns, 0)
    short = median(gap) < _GAP_SHARE * max(median(at.period_ns), 1.0)
    if short and late_ticks(at.period_ns / 1e6, gap / 1e6) is None:  # late loops have none
        return None
    if len(pieces.loop):
        start = run.call_columns.start_ns[pieces.row]
        outside = start >= (at.start_ns + at.body_ns)[pieces.loop]
        if outside.any():
            gap = np.maximum(gap - _sum_by_loop(pieces, outside, len(run)), 0)
    return gap
