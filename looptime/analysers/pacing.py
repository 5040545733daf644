"""How a loop is paced: what it waits for between one pass and the next, and at which rate."""

from dataclasses import replace

import numpy as np

from looptime.analysers.after_late import LateLoops, late_loops
from looptime.analysers.beat_wait import at_tick, filled_tick, grid_call, of_own_device, spread
from looptime.analysers.finer_tick import FinerTick, finer_tick
from looptime.analysers.kept_grid import on_grid
from looptime.analysers.late_ticks import FEWEST, KeptTick, late_ticks
from looptime.analysers.own_beat import turns_of
from looptime.analysers.pacing_mode import NO_WAIT, SCATTERED, Seen, mode_of
from looptime.analysers.pacing_waits import Waits, find_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float, Int
from looptime.call_words import of_device
from looptime.records import dataclass
from looptime.run import Run, SelfPieces
from looptime.stats.arrays import median
from looptime.units import NS_PER_S

__all__ = ["IN_WHOLE_SLOTS", "MODES", "ONE_TICK", "Pacing", "pacing", "periods_told"]

#: How a loop can be paced. The list is closed.
MODES = (
    "free-running",
    "sleep after work",
    "fixed rate",
    "fixed rate, skips",
    "fixed rate, catches up",
    "can't tell",
)
#: Ticks of the clock by which an even loop may seem longer, where stamps are cut to digits as well.
ONE_TICK = 1.1
#: Share of the late loops that took whole nominal periods from which on they lose their slots.
IN_WHOLE_SLOTS = 0.5
#: Share of the usual loop that a clock's step is from which on whole multiples of it tell nothing,
#: where more loops than this share take another number of steps.
_COARSE, _ON_ONE = 0.5, 0.02
#: By how much the usual loop is longer than the tick where most are late.
_LATER = 0.003
#: By how much loops are off the usual one on average where that stands beside the rate.
_BESIDE = 0.003
#: How far from a tick loops in time are at most, as a share of it.
_ON_TICK = 0.05
#: By how much loops may seem faster than they are paced to, by rounding and by their clock.
_FASTER = 0.02
#: How far off whole beats of a device loops are that have a pace of their own.
_OFF_THE_BEAT = 0.05


@dataclass(frozen=True)
class Pacing:
    """How the loop is paced."""

    mode: str  #: One of `MODES`
    mode_from: str  #: What it was seen from, in plain words
    #: Period that the pacing aims at; for a sleep after the work, the sleep.
    nominal_ms: float | None = None
    #: Nominal rate, None where a sleep is shorter than the work before it; loops over elapsed time.
    nominal_hz: float | None = None
    achieved_hz: float | None = None
    #: How far the loops that kept their slot run off the nominal rate, in the long term.
    rate_error_ppm: float | None = None
    wait_known: bool = False  #: Whether the log shows the wait, so that work is known
    wait_ms: float | None = None  #: Mean pacing wait in a loop
    late_count: int = 0  #: Loops that missed their slot
    #: Late loops after which the next is shorter; where it skips, times that it missed no tick.
    made_up_count: int = 0
    #: Times that short loops followed one another without a wait; None where it is not logged.
    burst_count: int | None = None
    #: How many loops took 1, 2, 3, ... nominal periods (within a tenth of one).
    slots: tuple[dict[str, int], ...] = ()
    slot_share: float | None = (
        None  #: Share of the late loops after which starts keep the old ticks
    )
    #: A tick of which each loop misses as many, if that would look the same [ms].
    finer_ms: float | None = None
    #: The call that waits for its own device in each loop, where that is what paces it.
    beat_call: str | None = None

    @property
    def fixed_rate(self) -> bool:
        """Whether the loop keeps to a fixed rate."""
        return self.mode.startswith("fixed rate")

    @property
    def loses_slots(self) -> bool:
        """Whether a late loop ends at a later tick, by a wait that the log does not show."""
        hidden = self.fixed_rate and not self.wait_known and self.beat_call is None
        skips = hidden and not self.mode.endswith("catches up")
        return skips and (self.slot_share or 0.0) >= IN_WHOLE_SLOTS


def periods_told(run: Run) -> bool:
    """Whether the log tells the length of a single loop, and not only how many there were.

    Times in whole seconds do not, where loops are no longer than two of them; nor does any clock
    of which several loops share each step, nor stamps that most loops share with the next.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import Clock, LoopColumns, Run
    >>> period = np.array([0, 0, 0, 1, 0, 0, 1]) * 10**9
    >>> loops = LoopColumns(np.arange(7), np.cumsum(period) - period, period)
    >>> periods_told(Run(loops, clock=Clock("s", "header", 10**9)))
    False
    """
    if run.averaged or (len(run) and median(run.loop_columns.period_ns) == 0):
        return False
    steps = run.clock.tick_ns * len(run) / max(int(run.loop_columns.period_ns.sum()), 1)
    return steps <= (0.5 if run.clock.tick_ns >= NS_PER_S else 1.5)


def pacing(
    run: Run,
    pieces: SelfPieces | None = None,
    waits: Waits | None = None,
    table: SelfTable | None = None,
    unattributed_ns: Int | None = None,
) -> Pacing:
    """Tell how the loop is paced, from its waits where they are logged, else from its periods.

    A loop that waits for the next tick of a fixed rate waits less the more it works (slope -1 of
    wait on work); one that sleeps for a fixed time after its work does not (slope 0). Without a
    logged wait, a fixed rate shows in starts that keep to a grid: the variance of the time over
    k periods then does not grow with k (variance ratio).

    Parameters
    ----------
    run : Run
        The recording.
    pieces, waits, table, unattributed_ns
        As found before, to save the time; found here if they are not given.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.full(100, 20_000_000)
    >>> pacing(Run(LoopColumns(np.arange(100), np.cumsum(period), period))).mode
    'fixed rate'
    """
    if table is None or waits is None:
        pieces = run.self_pieces() if pieces is None else pieces
        table = SelfTable(pieces, len(run), len(run.names)) if table is None else table
        waits = find_waits(run, pieces, table) if waits is None else waits
    period = run.loop_columns.period_ns / 1e6
    total = float(period.sum())
    logged = None if waits.wait_ns is None else waits.wait_ns / 1e6
    if logged is not None and logged.sum() < 0.005 * total and late_ticks(period, logged) is None:
        logged = None
    bare = Pacing(
        "can't tell", "", achieved_hz=len(period) / total * 1e3 if total > 0 else None,
        wait_known=logged is not None, wait_ms=None if logged is None else float(logged.mean()),
    )  # fmt: skip
    if (why := _untold(run, period)) is not None:
        return replace(bare, mode_from=why)
    if logged is not None:
        wait = logged
    elif unattributed_ns is not None:
        wait = unattributed_ns / 1e6
    else:
        wait = (run.loop_columns.period_ns - table.by_loop().astype(np.int64)) / 1e6
    seen = Seen(run, table, waits, period, wait, logged is not None)
    told = mode_of(seen)
    bare = replace(bare, mode=told.mode, mode_from=told.why)
    if told.mode == "fixed rate":
        return _at_rate(seen, told.kept, bare)
    return _asleep(seen, bare) if told.mode == "sleep after work" else bare


def _asleep(seen: Seen, bare: Pacing) -> Pacing:
    sleep, middle = median(seen.wait), median(seen.period)
    # a loop whose work is longer than its sleep was never meant to run once in each sleep
    hz = 1e3 / sleep if 2 * sleep >= middle > 0 else None
    return replace(bare, nominal_ms=sleep, nominal_hz=hz)


def _at_rate(seen: Seen, kept: KeptTick | None, bare: Pacing) -> Pacing:
    """The rate of a loop that keeps to one, and how it keeps to it."""
    filled, period = kept, seen.period
    if seen.tick is None and kept is None:
        by = filled_tick(period, seen.wait, seen.grain)
        filled = None if by is None else KeptTick(by, "")
    if seen.code is not None and _waits_for_device(seen):
        found = _fixed(seen, bare, turns_of(seen.run, seen.code, period), seen.tick, filled)
        if not _own_pace(period, found.nominal_ms):
            return replace(found, beat_call=seen.run.names[seen.code].name)
    found = _fixed(seen, bare, period, seen.tick, filled)
    if (why := _too_fast(seen, found)) is not None:
        return replace(bare, mode="can't tell", mode_from=why)
    finer = None if kept is not None else _finer(seen, found)
    if finer is None:
        return found
    if finer.known == "possible":
        return replace(found, finer_ms=finer.ms)
    why = f"{finer.said}; most loops take {finer.ticks} of these ticks"
    skips = KeptTick(finer.ms, "skip")
    return _fixed(seen, replace(bare, mode_from=why), period, None, skips)


def _own_pace(period: Float, beat_ms: float | None) -> bool:
    """Whether most loops are of one length, which is no whole number of a device's beats."""
    middle = median(period)
    beats = middle / beat_ms if beat_ms else 1.0
    alike = float((np.abs(period - middle) <= SCATTERED * middle).mean())
    return alike >= 0.5 and abs(beats - max(round(beats), 1)) > _OFF_THE_BEAT


def _too_fast(seen: Seen, found: Pacing) -> str | None:
    """Why a rate is none to which loops are paced, None where it may be: they are faster."""
    achieved, nominal = found.achieved_hz, found.nominal_hz
    off = _clock_ms(seen) + spread(seen.period)  # by so much the whole run's length may be off
    off /= float(seen.period.sum())
    if achieved is None or nominal is None or achieved <= nominal * (1 + _FASTER + off):
        return None
    return (
        f"waits end as by a timetable of {1e3 / nominal:.3g} ms, but {achieved:.3g} loops a second "
        f"are more than its {nominal:.3g}: the rate may change: cut the log where it does"
    )


def _waits_for_device(seen: Seen) -> bool:
    """Whether it is its device that a call waits for, by when it ends, or by its name as well."""
    assert seen.code is not None
    run, table = seen.enough
    if of_own_device(run, seen.code):
        return True
    return of_device(run.names[seen.code].name) and grid_call(run, table) == seen.code


def _finer(seen: Seen, found: Pacing) -> FinerTick | None:
    """A tick finer than that by which loops go, where it is stated, seen, or as likely."""
    run, nominal = seen.run, found.nominal_ms
    if nominal is None or found.mode.endswith("catches up") or not len(run.call_columns):
        return None
    stated = None
    if run.meta:  # few logs say anything
        from looptime.stated_pace import stated_tick_ms

        stated = stated_tick_ms(run.meta)
    finer = finer_tick(seen.period, seen.wait if seen.known else None, nominal, stated)
    if finer is not None or seen.known:
        return finer
    return finer_tick(seen.period, seen.wait, nominal, stated)  # it is no less than the wait


def _untold(run: Run, period: Float) -> str | None:
    """Why nothing can be told of the pace, None where something can."""
    if run.averaged:
        return "the log holds means over several loops"
    if not periods_told(run):
        return "the clock steps by as much as a loop lasts"
    if run.summed:
        return "the log has no clock, and what passes between its parts is not in it"
    if len(period) < FEWEST:
        few = "1 loop is" if len(period) == 1 else f"{len(period)} loops are"
        return f"{few} too few: {FEWEST} would do"
    tick, middle = run.clock.tick_ns / 1e6, median(period)
    if tick > _COARSE * middle and (np.abs(period - middle) > tick / 2).mean() > _ON_ONE:
        return f"the clock steps by {tick:.3g} ms: a tick missed and a loop read late look the same"
    return None if median(period) > 0 else "most loops have no length in the log"


def _fixed(
    seen: Seen, bare: Pacing, period: Float, tick: float | None, filled: KeptTick | None
) -> Pacing:
    """The rate to which loops of these lengths [ms] keep, and what becomes of late ones."""
    middle, wide, mostly_late = _usual(period, tick, filled)
    clock_ms = _clock_ms(seen)
    # waits in whole ticks: a saw, whose teeth stand beside the rate, with or without stalls
    saw = tick is None and not mostly_late and _beside(period, middle, max(8 * wide, clock_ms))
    saw = saw and on_grid(period, seen.grain)
    nominal = _round_period(float(period.mean()) if saw else middle)
    slack = max(5 * wide, 0.1 * middle, clock_ms)
    rule = "" if filled is None else filled.late
    late = late_loops(period, nominal, middle, wide, slack, clock_ms, rule, steady=not saw)
    return replace(
        bare, mode=", ".join(filter(None, ("fixed rate", late.becomes))),
        nominal_ms=nominal, nominal_hz=1e3 / nominal,
        rate_error_ppm=_rate_error(period, nominal, late, mostly_late),
        late_count=int(late.late.sum()), made_up_count=late.made_up,
        burst_count=_bursts(period, seen.wait, nominal) if seen.known else None,
        slots=_slots(period, nominal), slot_share=late.slot_share,
    )  # fmt: skip


def _rate_error(period: Float, nominal: float, late: LateLoops, mostly_late: bool) -> float | None:
    """How far the loop runs off its nominal rate in the long term [ppm], None where none tells."""
    if late.becomes == "catches up":
        lasted, ticks = float(period.sum()), len(period)  # what was lost, the next ones made up
    elif mostly_late:  # of late loops none tells it
        return None
    elif (late.slot_share or 0.0) >= IN_WHOLE_SLOTS:
        lasted, ticks = _on_ticks(period, nominal)  # what was lost is whole ticks
    else:
        lasted, ticks = float(period[late.in_time].sum()), int(late.in_time.sum())
    return (nominal * ticks / lasted - 1) * 1e6 if lasted > 0 else None


def _on_ticks(period: Float, nominal: float) -> tuple[float, int]:
    """How long loops took and how many ticks, a late one together with those that follow it.

    Those that together take no whole number of ticks, as where a timetable begins anew, are left
    out.

    Examples
    --------
    >>> _on_ticks(np.array([20.0, 30.5, 9.5, 20.0, 50.5, 9.5, 20.0, 28.0]), 20.0)
    (160.0, 8)
    """
    usual = np.abs(period - nominal) <= _ON_TICK * nominal
    lasted = np.add.reduceat(period, np.flatnonzero(usual | np.append(True, usual[:-1])))
    tick = float(period[usual].mean()) if usual.any() else nominal  # a long pause has many
    ticks = np.rint(lasted / tick)
    fits = np.abs(lasted - ticks * tick) <= 2 * _ON_TICK * tick
    return float(lasted[fits].sum()), int(ticks[fits].sum())


def _clock_ms(seen: Seen) -> float:
    """What rounding of its clock makes of an even loop [ms]."""
    return ONE_TICK * seen.run.clock.tick_ns / 1e6


def _usual(
    period: Float, tick: float | None, filled: KeptTick | None
) -> tuple[float, float, bool]:  # fmt: skip
    """Length of a loop that is in time and its spread [ms], and whether most are late."""
    middle = median(period) if tick is None else tick
    wide = spread(period if tick is None else period[period < 1.5 * tick])
    if filled is None:
        return middle, wide, False
    if not (filled.late or filled.by_starts or filled.ms < (1 - _LATER) * middle):
        return middle, wide, False
    on = at_tick(period, filled.ms)
    return filled.ms, spread(on) if len(on) else wide * filled.ms / median(period), True


def _beside(period: Float, middle: float, slack: float) -> bool:
    """Whether the usual loop is not as long as loops are on average, with or without stalls."""
    stalled = period > middle + slack
    mean = float(period.mean())
    usual = mean if stalled.all() else float(period[~stalled].mean())
    return min(abs(mean / middle - 1), abs(usual / middle - 1)) > _BESIDE


def _bursts(period: Float, wait: Float, nominal: float) -> int:
    """Stretches of loops shorter than nominal that do not wait for the next tick.

    Examples
    --------
    >>> period = np.array([20, 55, 3, 3, 19, 30, 10, 20.0])
    >>> _bursts(period, np.array([17, 0, 0, 0, 16, 0, 7, 17.0]), 20.0)
    1
    """
    at_once = (wait <= NO_WAIT * nominal) & (period < (1 - NO_WAIT) * nominal)
    return int((at_once & ~np.append(False, at_once[:-1])).sum())


def _round_period(middle: float) -> float:
    """The roundest rate [1/s] or period [ms] within 0.3 % of the typical one, else that itself."""
    rate = 1e3 / middle
    for in_hz, step in ((True, 50), (False, 1), (True, 10), (True, 5), (True, 1), (False, 0.5)):
        at = rate if in_hz else middle
        whole = round(at / step) * step
        if whole > 0 and abs(whole / at - 1) < 0.003 and at >= (1 if in_hz else 4) * step:
            return 1e3 / whole if in_hz else float(whole)
    return middle


def _slots(period: Float, nominal: float) -> tuple[dict[str, int], ...]:
    multiple = np.round(period / nominal).astype(np.int64)
    near = np.abs(period / nominal - multiple) <= 0.1
    counts = np.bincount(np.minimum(multiple[near & (multiple >= 1)], 1000))
    return tuple({"periods": int(k), "loops": int(counts[k])} for k in np.flatnonzero(counts)[:20])
