"""The fixed rate to which a loop is paced, and how the log shows it."""

from dataclasses import replace

import numpy as np

from looptime.analysers.beat_wait import beat_call, loops_enough
from looptime.analysers.late_ticks import NEAR, VARIES, late_ticks, waits_in
from looptime.analysers.pacing import pacing
from looptime.analysers.pacing_waits import Waits, find_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["PacedRate", "late_wakes", "recorded_pace"]

_MANY = 20_000
#: Loops in time one after another that tell the interval by themselves.
_TOLD = 20
#: Waits that tell where they end, as a share of the usual loop the least that counts for one, and
#: of the loops those that may be shorter.
_FEW_WAITS, _A_WAIT, _SHORTER = 10, 0.002, 0.002


@dataclass(frozen=True)
class PacedRate:
    """A fixed rate to which the loop is paced."""

    interval_ns: float
    #: After a loop that took too long: ``skip`` to the next tick, ``at-once`` begin without a wait
    #: but keep the ticks, ``catch-up`` with loops that do not wait, one a tick, or ``go-on`` one
    #: interval after that loop's end.
    late: str = "skip"
    jitter_ns: Float | None = None  #: How late each loop woke up after its tick, shape (n,)
    code: int | None = None  #: Name of the waiting call, where the log has one
    #: The rate of which every loop may miss some ticks: the log would look the same.
    finer: "PacedRate | None" = None
    told: bool = False  #: Whether late loops of the log show what `late` says
    seldom: bool = False  #: Most loops are too long for it as they are: it only ends what is gained


def recorded_pace(run: Run) -> tuple[PacedRate, bool] | None:
    """The fixed rate that a run keeps, and whether its waits are logged; None for other loops."""
    if len(run) < 20:
        return None
    if len(run) > _MANY:  # a stretch tells whether a closer look is worth while
        middle = np.abs(np.arange(len(run)) - len(run) // 2) < _MANY // 4
        if not pacing(run.select(middle)).fixed_rate:
            return _seldom_kept(run, find_waits(run, run.self_pieces()))
    pieces = run.self_pieces()
    waits = find_waits(run, pieces)
    found = pacing(run, pieces, waits)
    if not found.fixed_rate or not found.nominal_ms:
        return _seldom_kept(run, waits)
    period = run.loop_columns.period_ns.astype(float)
    wait = np.zeros(len(run)) if waits.wait_ns is None else waits.wait_ns.astype(float)
    covered = np.bincount(pieces.loop, weights=pieces.self_ns, minlength=len(run)).astype(float)
    if not found.wait_known:
        if beat_call(*loops_enough(run, SelfTable(pieces, len(run), len(run.names)))) is not None:
            return None  # a read that waits for its sensor's beat is no rest after the last call
        wait = period - covered
    kept = late_ticks(period / 1e6, wait / 1e6)
    seldom = _seldom_kept(run, waits) if kept is None else None
    if seldom is not None:
        return seldom
    if kept is None and not found.wait_known and not _spread(period) < 0.6 * _spread(covered):
        return None  # even periods of even work: nothing shows that anybody waits
    code = waits.names[0] if waits.names else None
    if kept is not None:
        waited, usual = waits_in(period, wait), kept.ms * 1e6
        numbers = np.zeros(len(period))
        apart = np.diff(np.cumsum(period)[waited], prepend=0.0)
        numbers[waited] = np.cumsum(np.rint(apart / usual))
        return _rate(period, waited, usual, numbers, kept.late, code), found.wait_known
    skips = found.mode == "fixed rate, skips"  # where most loops lose a slot, two are the usual
    usual = found.nominal_ms * 1e6 if skips else float(np.median(period))
    waited = wait > 0.002 * usual if found.wait_known else np.abs(period - usual) < 0.1 * usual
    if found.mode == "fixed rate, catches up":  # one loop a tick
        late, numbers = "catch-up", np.arange(1.0, len(period) + 1)
    else:
        late = "skip" if skips else ""
        numbers = np.cumsum(np.round(np.diff(np.cumsum(period), prepend=0.0) / usual))
    pace = _rate(period, waited, usual, numbers, late, code)
    if found.finer_ms is not None:
        finer = found.finer_ms * 1e6
        counted = np.cumsum(np.rint(np.diff(np.cumsum(period), prepend=0.0) / finer))
        other = _rate(period, waited, finer, counted, "skip", code)
        pace = replace(pace, finer=other)
    return pace, found.wait_known


def _seldom_kept(run: Run, waits: Waits) -> tuple[PacedRate, bool] | None:
    """The rate of a loop that is mostly too late for it, by the few waits that the log holds.

    They end so long after their loop's start, however much or little is left to wait, and hardly
    any loop is shorter: a wait of fixed length would leave those without it shorter.
    """
    if waits.wait_ns is None:
        return None
    period, wait = run.loop_columns.period_ns.astype(float), waits.wait_ns.astype(float)
    waited = wait > _A_WAIT * float(np.median(period))
    if not _FEW_WAITS <= waited.sum() < len(period) / 2:
        return None
    ends = period[waited]
    least, low, high = np.percentile(ends, [2, 10, 90])
    first, last = np.percentile(wait[waited], [10, 90])
    even = high - low < 2 * NEAR * least and last - first > VARIES * (high - low)
    if not even or (period < (1 - NEAR) * least).mean() > _SHORTER:
        return None
    late = np.resize(np.maximum(ends - least, 0.0), len(period))
    code = waits.names[0] if waits.names else None
    return PacedRate(float(least), "go-on", late, code, told=True, seldom=True), True


def _rate(
    period: Float, waited: Bool, usual: float, numbers: Float, late: str, code: int | None
) -> PacedRate:
    """The rate by the ticks at which waits end, each with its number."""
    interval, off = _grid(np.cumsum(period), usual, waited, numbers)
    grid = float(np.median(np.abs(off[waited] - np.median(off[waited])))) if waited.any() else usual
    if late in ("catch-up", "at-once") or (grid < 0.05 * usual and late != "go-on"):
        early = float(np.quantile(off[waited], 0.05))  # a stray early one is no measure
        jitter = np.where(waited, np.maximum(off - early, 0.0), 0.0)
        # loops that woke far from their tick were late, not jittery
        jitter[jitter > 0.25 * usual] = float(np.median(jitter[waited]))
        return PacedRate(interval, late or "skip", jitter, code, told=bool(late))
    after = waited & np.append(False, waited[:-1])  # late loops have moved the ticks of others
    interval = float(np.median(period[after])) if after.sum() >= _TOLD else interval
    jitter = np.where(waited, period - interval, 0.0)
    jitter[np.abs(jitter) > 0.25 * usual] = 0.0
    return PacedRate(interval, "go-on", jitter, code, told=bool(late))


def late_wakes(run: Run) -> Float | None:
    """How much longer than it asked for the loop's thread slept in its logged waits, in order.

    Of a loop that sleeps for a fixed time, what a wait has beyond the shortest; of a fixed rate,
    how far after its tick each loop ended. A loop that came too late may have moved the ticks of
    those after it: then they count from there.

    Returns
    -------
    float array, shape (k,) [ns]
        None where the waits are not logged, or too few.
    """
    waits = find_waits(run, run.self_pieces())
    found = pacing(run, waits=waits)
    if waits.wait_ns is None or not found.wait_known:
        return None
    wait = waits.wait_ns.astype(float)
    period = run.loop_columns.period_ns.astype(float)
    waited = wait > 0.002 * float(np.median(period))
    late: Float | None = None
    if found.mode == "sleep after work":
        late = wait[waited] - float(np.quantile(wait[waited], 0.02)) if waited.any() else None
    elif (told := recorded_pace(run)) is not None:
        late = _after_tick(period, waited, told[0].interval_ns)
    return late if late is not None and len(late) >= _TOLD else None


def _after_tick(period: Float, waited: Bool, interval: float) -> Float:
    """How late loops in time ended, by the ticks since the last late loop.

    A loop that was too long for its tick and waited for the next one has skipped those between.
    """
    off = period - interval * np.maximum(np.rint(period / interval), 1.0)
    chain = np.cumsum(~waited)
    summed = np.cumsum(off)
    earliest = float(np.quantile(summed, 0.05)) if waited.all() else 0.0
    begin = np.append(earliest, summed[~waited])[chain]
    follows = waited & np.append(False, waited[:-1])
    both = follows[1:] & follows[:-1]
    one, next_ = off[:-1][both], off[1:][both]
    kept = float(np.mean((one - one.mean()) * (next_ - next_.mean()))) if len(one) else 0.0
    if len(one) < _TOLD or kept >= -0.25 * float(one.var()):
        return np.maximum(off[follows], 0.0)  # each counts from its own start
    return np.maximum((summed - begin)[waited & ((chain > 0) | waited.all())], 0.0)


def _spread(values: Float) -> float:
    low, high = np.percentile(values, [25, 75])
    return float(high - low) / 1.349


def _grid(ends: Float, usual: float, waited: Bool, number: Float) -> tuple[float, Float]:
    """Interval of the ticks, and how far after its tick each loop ended."""
    if waited.sum() < 2:
        return usual, ends - number * usual
    x, y = number[waited], ends[waited]
    interval = float(np.polyfit(x - x.mean(), y - y.mean(), 1)[0]) if np.ptp(x) else usual
    number = np.round((ends - np.median(y - interval * x)) / interval)
    return interval, ends - number * interval
