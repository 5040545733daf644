"""What a loop waits for in each pass: what is labelled so, or shows that nothing else it can be.

A part of the loop that nothing names is a wait only where it does what no work does: it makes up
for what the work takes, or it is never shorter than a length that programs hold and hardly longer,
however long the work takes. A part that is merely as long each time may be work without a name.
"""

import math

import numpy as np

from looptime.analysers.beat_wait import grain_of, slope, spread, whole_tick
from looptime.analysers.late_ticks import FEWEST, late_ticks
from looptime.analysers.pacing_rule import by_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run, SelfPieces
from looptime.schema import KINDS
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["Waits", "find_waits", "slept"]

_PACING = "pacing"
assert _PACING in KINDS

#: A gap between the end of a loop's row and the next start counts as waiting from this share on.
_GAP_SHARE = 0.02
#: Share of the period from which on what no call covers is more than moments between calls.
_LARGE = 0.1
#: First digits of the lengths [ms] that programs sleep for, below ten milliseconds and from there
#: on, where a sleep's own lateness is no more than it takes from one such length to the next.
_ROUNDEST, _ROUND = (1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_MANY_MS = 10.0
#: How late a sleep ends at least, in ms or as a share of it; and in nine of ten loops.
_LATE_MS, _LATE, _MOSTLY_MS, _MOSTLY = 0.1, 0.02, 0.3, 0.05
#: By how much lateness reaches further up from its middle than down, and a length that no clock
#: tick hides, as a share of the sleep.
_ONE_SIDED, _FINE = 1.4, 0.01
#: What computing with lengths makes of them, and the shortest looked at [ms].
_ROUNDING = 1e-6
#: By how much work varies more than the sleep after it, and as a share of the loop; how far, at
#: most, the one grows with the other, as a share of what it would if both stretched alike.
_MORE, _UNEVEN, _GROWS = 2.0, 0.002, 0.3


@dataclass(frozen=True)
class Waits:
    """The pacing wait in each loop."""

    wait_ns: Int | None  #: None where the log shows no pacing wait, shape (n,)
    #: The part of it that no call covers: after the row that encloses the loop has ended, or
    #: outside all calls; shape (n,).
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
        if wait is None and (rest := _slept_outside(run, table)) is not None:
            return Waits(rest, rest, names)
        return Waits(wait, None, names)  # what a call "idle" took is the time after the work
    period = run.loop_columns.period_ns if wait is None else run.loop_columns.period_ns - wait
    if not _waited(period / 1e6, gap / 1e6, grain_of(run, run.loop_columns.period_ns)):
        return Waits(wait, None, names, gap)
    return Waits(gap if wait is None else wait + gap, gap, names)


def _waited(period: Float, gap: Float, grain: float) -> bool:
    """Whether time after each loop's row, which nothing names, is waited [ms]."""
    if late_ticks(period, gap) is not None:
        return True
    mode, _ = by_waits(period, gap, whole_tick(period, gap), grain, named=False)
    if mode == "sleep after work":
        return slept(gap, period - gap, grain) is not None
    return mode == "fixed rate"


def _slept_outside(run: Run, table: SelfTable) -> Int | None:
    """What no call covers, where it is a sleep; None elsewhere."""
    if run.loop_columns.body_ns is not None or len(run) < FEWEST or not run.on_loop_thread.any():
        return None
    if run.averaged or run.summed:
        return None
    covered = table.by_loop().astype(np.int64)
    rest: Int = run.loop_columns.period_ns - covered
    at = (run.loop_columns.period_ns, run.call_columns.duration_ns)
    grain = max(grain_of(run, lengths) for lengths in at)
    if median(rest) <= _LARGE * median(run.loop_columns.period_ns):
        return None  # so much is made up of moments between calls
    found = slept(rest / 1e6, covered / 1e6, grain)
    return None if found is None else rest


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
    if median(gap) < _GAP_SHARE * max(median(at.period_ns), 1.0):
        return None
    if len(pieces.loop):
        start = run.call_columns.start_ns[pieces.row]
        outside = start >= (at.start_ns + at.body_ns)[pieces.loop]
        if outside.any():
            gap = np.maximum(gap - _sum_by_loop(pieces, outside, len(run)), 0)
    return gap


def slept(rest: Float, others: Float, grain: float = 0.0) -> float | None:
    """How long a loop asked to sleep in the part of it that nothing names [ms]; None if it may not.

    A sleep ends late and never early: that part has a hard lower edge just above a length that
    programs hold, a tail to one side only, and it is no longer where the work takes longer.

    Parameters
    ----------
    rest, others : float arrays, shape (n,) [ms]
        What nothing names in each loop, and what all else takes.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> work, late = rng.normal(8, 0.3, 300), np.abs(rng.normal(0, 0.04, 300))
    >>> slept(5.06 + late, work), slept(5.06 + late, np.full(300, 8.0))
    (5.0, None)
    >>> slept(0.82 * rng.normal(1, 0.06, 300), work), slept(5.06 + 0.6 * (work - 8), work)
    (None, None)
    """
    if len(rest) < FEWEST or not median(rest) > 0:
        return None
    low, first, middle, high = percentiles(rest, [1, 10, 50, 90])
    length = _programmed(low, grain)
    if (
        length is None
        or grain > _FINE * length
        or high > length + max(_MOSTLY_MS, _MOSTLY * length)
    ):
        return None
    if high - first > 2 * grain and high - middle < _ONE_SIDED * (middle - first):
        return None
    if spread(others) < max(_MORE * spread(rest), _MORE * grain, _UNEVEN * median(rest + others)):
        return None  # work as even as that tells no sleep from a tick
    grows = slope(rest, others)
    alike = middle / max(median(others), 1e-9)
    return length if grows is not None and abs(grows) <= _GROWS * alike else None


def _programmed(low: float, grain: float) -> float | None:
    """The length that a program may have asked for, from the shortest that came of it [ms]."""
    most = (low + grain) * (1 + _ROUNDING)
    if most <= _ROUNDING:
        return None
    tens = 10.0 ** math.floor(math.log10(most))
    digits = _ROUND if tens >= _MANY_MS else _ROUNDEST
    length = tens * max(d for d in digits if d * tens <= most)
    late = _LATE * length if length < 1.0 else max(_LATE * length, _LATE_MS)
    return length if low - length <= late else None
