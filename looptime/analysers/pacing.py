"""How a loop is paced: what it waits for between one pass and the next, and at which rate."""

from dataclasses import replace

import numpy as np

from looptime.analysers.after_late import late_loops
from looptime.analysers.beat_wait import (
    at_tick,
    beat_call,
    filled_tick,
    grain_of,
    grid_call,
    loops_enough,
    of_own_device,
    spread,
    whole_tick,
)
from looptime.analysers.finer_tick import FinerTick, finer_tick
from looptime.analysers.kept_grid import on_grid
from looptime.analysers.late_ticks import (
    FEWEST,
    KeptTick,
    kept_starts,
    late_ticks,
    tick_of_few,
)
from looptime.analysers.own_beat import turns_of
from looptime.analysers.pacing_rule import by_periods, by_waits, with_unnamed
from looptime.analysers.pacing_waits import Waits, find_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float, Int
from looptime.call_words import guess_name, of_device
from looptime.records import dataclass
from looptime.run import Run, SelfPieces
from looptime.schema import CallName
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles
from looptime.units import NS_PER_S
from looptime.words import named

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
#: By how much longer loops are than others that take a tick more, of few ticks, and how many are.
_MORE_TICKS, _FEW_LONG = 1.1, 10
#: By how much the usual loop is longer than the tick where most are late.
_LATER = 0.003
#: Loops from which on starts alone tell a tick.
_FEW_STARTS = 96
#: From which share of a tick on down another is finer.
_FINER = 0.9
#: By how much periods scatter, as a share of the usual one, where that need not be the tick.
_SCATTERED = 0.02
#: By how much loops may seem faster than they are paced to, by rounding and by their clock.
_FASTER = 0.02
#: How far off whole beats of a device loops are that have a pace of their own.
_OFF_THE_BEAT = 0.05
#: A wait of no more than this share of the nominal period is none.
_NO_WAIT = 0.05
#: Where fewer loops than this share wait, for this share of a period, the usual one is no tick.
_FEW_WAIT, _ANY_WAIT = 0.4, 0.01


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
    achieved = len(period) / total * 1e3 if total > 0 else None
    known = waits.wait_ns is not None and (
        float(waits.wait_ns.sum()) >= 0.005e6 * total
        or late_ticks(period, waits.wait_ns / 1e6) is not None
    )
    wait_ms = float(np.mean(waits.wait_ns)) / 1e6 if known and waits.wait_ns is not None else None
    if (why := _untold(run, period)) is not None:
        return Pacing("can't tell", why, achieved_hz=achieved, wait_known=known, wait_ms=wait_ms)
    grain = grain_of(run, run.loop_columns.period_ns)
    if known:
        assert waits.wait_ns is not None
        waited = waits.wait_ns / 1e6
    else:
        if unattributed_ns is None:
            unattributed_ns = run.loop_columns.period_ns - table.by_loop().astype(np.int64)
        waited = unattributed_ns / 1e6
    enough = loops_enough(run, table)
    tick, code = whole_tick(period, waited), None if known else beat_call(*enough)
    kept = late_ticks(period, waited if code is None else table.series(code) / 1e6)
    if tick is None and kept is not None:
        mode, why = "fixed rate", f"loops that leave time wait until {kept.ms:.4g} ms are over"
    elif known:
        mode, why = by_waits(period, waited, tick, grain)
        some = float((waited > _ANY_WAIT * median(period)).mean())
        if mode == "fixed rate" and tick is None and kept is None and some < _FEW_WAIT:
            kept = tick_of_few(period, waited)  # the usual loop does not wait: it tells no rate
            mode = mode if kept is not None else "can't tell"
            why = f"{why}, in {100 * some:.0f} % of the loops"
        if tick is None and kept is None and mode != "can't tell":
            mode, why, kept = _by_rules(mode, why, period, waited, grain, known=True)
        if mode == "fixed rate" and (name := _by_what_it_does(run, waits)):
            why = f"{name} is a wait by what it does: {why}"
    else:
        mode, why = by_periods(run, period, waited, table, tick, grain, code)
        if tick is None and kept is None and code is None and run.on_loop_thread.any():
            mode, why, kept = _by_rules(mode, why, period, waited, grain, known=False)
        if mode == "free-running" and run.on_loop_thread.any():
            from looptime.analysers.set_length import AS_SET, set_length_part

            if (part := set_length_part(*enough)) is not None:
                mode, why = "can't tell", AS_SET.format(*part)
        if mode == "free-running" and waits.unnamed_ns is not None:
            mode, why = with_unnamed(waits.unnamed_ns / 1e6, period, why)
    if mode in ("free-running", "can't tell") and (on := kept_starts(period, grain)) is not None:
        kept, mode = on, "fixed rate"
        why = f"loops that are in time start {on.ms:.4g} ms apart, and late ones make up for it"
    if mode in ("free-running", "can't tell"):
        mode, why, kept = _by_lengths(run, period, grain, mode, why) or (mode, why, kept)
    if mode == "free-running" and run.clock.unsaid and not len(run.names):
        mode, why = "can't tell", f"{why}; {named(run.clock.unsaid)} may be lengths, and would tell"
    if mode == "sleep after work":
        assert waits.wait_ns is not None
        sleep = median(waits.wait_ns) / 1e6
        middle = median(period)
        # a loop whose work is longer than its sleep was never meant to run once in each sleep
        hz = 1e3 / sleep if 2 * sleep >= middle > 0 else None
        return Pacing(mode, why, sleep, hz, achieved, None, known, wait_ms)
    if mode != "fixed rate":
        return Pacing(mode, why, achieved_hz=achieved, wait_known=known, wait_ms=wait_ms)
    wait = waited if known else None
    filled: KeptTick | None = None
    if tick is None and (filled := kept) is None:
        by = filled_tick(period, waited, grain)
        filled = None if by is None else KeptTick(by, "")
    clock_ms = run.clock.tick_ns / 1e6
    device = code if code is not None and _waits_for_device(*enough, code) else None
    turns = period if device is None else turns_of(run, device, period)
    found = _fixed(turns, why, achieved, wait, clock_ms, tick, filled, grain)
    if device is not None and not _own_pace(period, found.nominal_ms):
        return replace(found, beat_call=run.names[device].name)
    if device is not None:  # a call that waits for a device, in a loop that has a pace of its own
        found = _fixed(period, why, achieved, wait, clock_ms, tick, filled, grain)
    if (why := _too_fast(found, total, ONE_TICK * clock_ms + spread(period))) is not None:
        return Pacing("can't tell", why, achieved_hz=achieved, wait_known=known, wait_ms=wait_ms)
    finer = None if kept is not None else _finer(run, found, period, wait, waited)
    if finer is None:
        return found
    if finer.known == "possible":
        return replace(found, finer_ms=finer.ms)
    why = f"{finer.said}; most loops take {finer.ticks} of these ticks"
    skips = KeptTick(finer.ms, "skip")
    return _fixed(period, why, achieved, wait, clock_ms, None, skips, grain)


def _own_pace(period: Float, beat_ms: float | None) -> bool:
    """Whether most loops are of one length, which is no whole number of a device's beats."""
    middle = median(period)
    beats = middle / beat_ms if beat_ms else 1.0
    alike = float((np.abs(period - middle) <= _SCATTERED * middle).mean())
    return alike >= 0.5 and abs(beats - max(round(beats), 1)) > _OFF_THE_BEAT


def _too_fast(found: Pacing, total: float, off: float) -> str | None:
    """Why a rate is none to which loops are paced, None where it may be: they are faster.

    Over the run's whole length [ms], which may be off by so much [ms] in all.
    """
    achieved, nominal = found.achieved_hz, found.nominal_hz
    if achieved is None or nominal is None or achieved <= nominal * (1 + _FASTER + off / total):
        return None
    return (
        f"waits end as by a timetable of {1e3 / nominal:.3g} ms, but {achieved:.3g} loops a second "
        f"are more than its {nominal:.3g}: the rate may change: cut the log where it does"
    )


def _by_rules(
    mode: str, why: str, period: Float, wait: Float, grain: float, *, known: bool
) -> tuple[str, str, KeptTick | None]:
    """The mode, why and the tick once waits are held against each rule, where they may tell."""
    if mode == "free-running" if known else wait.mean() < _NO_WAIT * period.mean():
        return mode, why, None
    if mode == "fixed rate" and spread(period) <= max(_SCATTERED * median(period), grain):
        return mode, why, None
    from looptime.analysers.timetable import with_timetable

    return with_timetable(mode, why, period, wait, grain, known=known)


def _waits_for_device(run: Run, table: SelfTable, code: int) -> bool:
    """Whether it is its device that a call waits for, by when it ends, or by its name as well."""
    if of_own_device(run, code):
        return True
    return of_device(run.names[code].name) and grid_call(run, table) == code


def _numbers_differ(period: Float) -> bool:
    """Whether so many loops are so much longer than others that they may take more ticks."""
    low = percentiles(period, [1])[0]
    return int((period > _MORE_TICKS * low).sum()) >= _FEW_LONG


def _by_lengths(
    run: Run, period: Float, grain: float, mode: str, why: str
) -> tuple[str, str, KeptTick | None] | None:
    """The mode, why and the tick of a loop whose lengths alone tell one, or that there may be."""
    if len(period) < _FEW_STARTS:
        return None
    from looptime.analysers.kept_phase import kept_phase  # few logs need it

    kept, found = kept_phase(period, grain), None
    if _numbers_differ(period):
        from looptime.analysers.skipped_ticks import skipped_ticks

        found = skipped_ticks(period, grain, run.clock.tick_ns / 1e6)
    finer = found is None or found.ms < _FINER * (0.0 if kept is None else kept.ms)
    if kept is not None and (finer or (found is not None and found.known == "branches")):
        # parts of a tick fit by chance where loops are late of it, and no two ways come back to one
        if kept.known == "kept":
            return "fixed rate", kept.said, KeptTick(kept.ms, "", by_starts=True)
        return "can't tell", kept.said, None
    if found is None:
        return None
    if found.known in ("grid", "anew"):
        return "fixed rate", found.said, KeptTick(found.ms, "skip")
    alone = not run.on_loop_thread.any() and mode == "free-running"
    return ("can't tell", found.said, None) if alone else None


def _by_what_it_does(run: Run, waits: Waits) -> str:
    """The name of the only call that waits, where it is no word for that; empty elsewhere."""
    if len(waits.names) != 1 or run.names[waits.names[0]].kind_from != "guessed":
        return ""
    name = run.names[waits.names[0]].name
    return name if guess_name(CallName(name)).kind not in ("pacing", "wait") else ""


def _finer(
    run: Run, found: Pacing, period: Float, wait: Float | None, rest: Float
) -> FinerTick | None:
    """A tick finer than that by which loops go, where it is stated, seen, or as likely."""
    if found.nominal_ms is None or found.mode.endswith("catches up") or not len(run.call_columns):
        return None
    stated = None
    if run.meta:  # few logs say anything
        from looptime.stated_pace import stated_tick_ms

        stated = stated_tick_ms(run.meta)
    finer = finer_tick(period, wait, found.nominal_ms, stated)
    hides = wait is None and finer is None  # what no call covers is no less than the wait
    return finer_tick(period, rest, found.nominal_ms, stated) if hides else finer


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
    period: Float, why: str, achieved: float | None, wait: Float | None, tick_ms: float,
    tick: float | None, filled: KeptTick | None, grain: float,
) -> Pacing:  # fmt: skip
    middle = median(period) if tick is None else tick
    mean = float(period.mean())
    wide = spread(period if tick is None else period[period < 1.5 * tick])
    mostly_late = filled is not None and bool(
        filled.late or filled.by_starts or filled.ms < (1 - _LATER) * middle
    )
    if mostly_late and filled is not None:
        middle = filled.ms
        on = at_tick(period, middle)
        wide = spread(on) if len(on) else wide * middle / median(period)
    # waits in whole ticks: a saw, whose teeth stand beside the rate, with or without stalls
    clock_ms = ONE_TICK * tick_ms  # what rounding makes of an even loop
    stalled = period > middle + max(8 * wide, clock_ms)
    usual = float(period[~stalled].mean()) if not stalled.all() else mean
    saw = (
        tick is None
        and not mostly_late
        and min(abs(mean / middle - 1), abs(usual / middle - 1)) > 0.003
        and on_grid(period, grain)
    )
    nominal = _round_period(mean if saw else middle)
    slack = max(5 * wide, 0.1 * middle, clock_ms)
    rule = "" if filled is None else filled.late
    late = late_loops(period, nominal, middle, wide, slack, clock_ms, rule, steady=not saw)
    kept = period[late.in_time]
    if mostly_late:  # then none tells the rate
        kept = kept[:0]
    if late.becomes == "catches up":
        kept = period  # what a late loop lost, the next ones made up
    error = (nominal / float(kept.mean()) - 1) * 1e6 if len(kept) and kept.mean() > 0 else None
    bursts = None if wait is None else _bursts(period, wait, nominal)
    mode = ", ".join(filter(None, ("fixed rate", late.becomes)))
    return Pacing(
        mode, why, nominal, 1e3 / nominal, achieved, error, wait is not None,
        None if wait is None else float(wait.mean()), int(late.late.sum()), late.made_up, bursts,
        _slots(period, nominal), late.slot_share,
    )  # fmt: skip


def _bursts(period: Float, wait: Float, nominal: float) -> int:
    """Stretches of loops shorter than nominal that do not wait for the next tick.

    Examples
    --------
    >>> period = np.array([20, 55, 3, 3, 19, 30, 10, 20.0])
    >>> _bursts(period, np.array([17, 0, 0, 0, 16, 0, 7, 17.0]), 20.0)
    1
    """
    at_once = (wait <= _NO_WAIT * nominal) & (period < (1 - _NO_WAIT) * nominal)
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
