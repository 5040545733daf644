"""In which mode a loop is paced: what its waits or its periods say, held against each other rule.

Each rule sees the run and what was told so far, and tells that again or something else. Logged
waits go first; without them, periods; starts and lengths alone have the last word.
"""

from dataclasses import replace
from functools import cached_property

from looptime.analysers.beat_wait import beat_call, grain_of, loops_enough, spread, whole_tick
from looptime.analysers.late_ticks import KeptTick, kept_starts, late_ticks, tick_of_few
from looptime.analysers.pacing_rule import by_periods, by_waits, with_unnamed
from looptime.analysers.pacing_waits import Waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float
from looptime.call_words import guess_name
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import CallName
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles
from looptime.words import named

__all__ = ["NO_WAIT", "SCATTERED", "Seen", "Told", "mode_of"]

#: By how much periods scatter, as a share of the usual one, where that need not be the tick.
SCATTERED = 0.02
#: A wait of no more than this share of the nominal period is none.
NO_WAIT = 0.05
#: Loops from which on starts alone tell a tick.
_FEW_STARTS = 96
#: From which share of a tick on down another is finer.
_FINER = 0.9
#: By how much longer loops are than others that take a tick more, of few ticks, and how many are.
_MORE_TICKS, _FEW_LONG = 1.1, 10
#: Where fewer loops than this share wait, for this share of a period, the usual one is no tick.
_FEW_WAIT, _ANY_WAIT = 0.4, 0.01


@dataclass(frozen=True)
class Told:
    """What was told of how a loop is paced."""

    mode: str  #: One of `looptime.analysers.pacing.MODES`, a fixed rate without what becomes of it
    why: str  #: What it was seen from, in plain words
    kept: KeptTick | None = None  #: A tick that loops keep to, where not all do


class Seen:
    """What of a run tells how it is paced.

    Parameters
    ----------
    run, table, waits
        The recording, its self times and its waits.
    period, wait : numpy.ndarray
        Of each loop, its length and its wait, or else what no call covers [ms], shape (n,).
    known
        Whether the log shows the wait.
    """

    def __init__(
        self, run: Run, table: SelfTable, waits: Waits, period: Float, wait: Float, known: bool
    ) -> None:
        self.run, self.waits, self.period, self.wait, self.known = run, waits, period, wait, known
        self.table = table
        self.grain = grain_of(run, run.loop_columns.period_ns)
        #: So many loops as tell of the calls, and their self times.
        self.enough = loops_enough(run, table)
        #: The tick of which periods are whole multiples [ms], though the calls are not.
        self.tick = whole_tick(period, wait)
        #: Code of the call that fills every loop to one length, where no wait is known.
        self.code = None if known else beat_call(*self.enough)

    @cached_property
    def called(self) -> bool:
        """Whether any call of the loop's own thread is logged."""
        return bool(self.run.on_loop_thread.any())

    @cached_property
    def kept(self) -> KeptTick | None:
        """The tick for which loops wait that leave time."""
        wait = self.wait if self.code is None else self.table.series(self.code) / 1e6
        return late_ticks(self.period, wait)


def mode_of(seen: Seen) -> Told:
    """The mode in which a loop is paced, and why."""
    if seen.tick is None and seen.kept is not None:
        why = f"loops that leave time wait until {seen.kept.ms:.4g} ms are over"
        return Told("fixed rate", why, seen.kept)
    period, wait = seen.period, seen.wait
    if seen.known:
        told = Told(*by_waits(period, wait, seen.tick, seen.grain), seen.kept)
        first = (_few_wait, _by_timetable, _by_what_it_does)
    else:
        by = by_periods(seen.run, period, wait, seen.table, seen.tick, seen.grain, seen.code)
        told = Told(*by, seen.kept)
        first = (_by_timetable, _set_length, _unnamed)
    for rule in (*first, _by_starts, _by_lengths, _unsaid):
        told = rule(seen, told)
    return told


def _few_wait(seen: Seen, told: Told) -> Told:
    """Where few loops wait, these tell the rate: the usual loop does not."""
    if told.mode != "fixed rate" or seen.tick is not None or told.kept is not None:
        return told
    some = float((seen.wait > _ANY_WAIT * median(seen.period)).mean())
    if some >= _FEW_WAIT:
        return told
    kept = tick_of_few(seen.period, seen.wait)
    mode = told.mode if kept is not None else "can't tell"
    return Told(mode, f"{told.why}, in {100 * some:.0f} % of the loops", kept)


def _by_timetable(seen: Seen, told: Told) -> Told:
    """What a timetable or a sleep of one length explains better, where waits may tell."""
    period, wait = seen.period, seen.wait
    if seen.tick is not None or told.kept is not None:
        return told
    if seen.known:
        none = told.mode in ("can't tell", "free-running")
    else:
        none = not seen.called or seen.code is not None or wait.mean() < NO_WAIT * period.mean()
    even = spread(period) <= max(SCATTERED * median(period), seen.grain)
    if none or (told.mode == "fixed rate" and even):
        return told
    from looptime.analysers.timetable import with_timetable

    return Told(*with_timetable(told.mode, told.why, period, wait, seen.grain, known=seen.known))


def _by_what_it_does(seen: Seen, told: Told) -> Told:
    """Say of the only call that waits, where its name is no word for that, what tells it."""
    names = seen.waits.names
    if told.mode != "fixed rate" or len(names) != 1:
        return told
    name = seen.run.names[names[0]]
    if name.kind_from != "guessed" or guess_name(CallName(name.name)).kind in ("pacing", "wait"):
        return told
    return replace(told, why=f"{name.name} is a wait by what it does: {told.why}")


def _set_length(seen: Seen, told: Told) -> Told:
    """A part of set length at the loop's end may be its sleep."""
    if told.mode != "free-running" or not seen.called:
        return told
    from looptime.analysers.set_length import AS_SET, set_length_part

    part = set_length_part(*seen.enough)
    return told if part is None else Told("can't tell", AS_SET.format(*part), told.kept)


def _unnamed(seen: Seen, told: Told) -> Told:
    """What passes after the loop's row, which nothing names, may be its sleep."""
    if told.mode != "free-running" or seen.waits.unnamed_ns is None:
        return told
    return Told(*with_unnamed(seen.waits.unnamed_ns / 1e6, seen.period, told.why), told.kept)


def _by_starts(seen: Seen, told: Told) -> Told:
    """Starts of loops that are in time keep to a tick, and late ones make up for it."""
    if told.mode not in ("free-running", "can't tell"):
        return told
    if (on := kept_starts(seen.period, seen.grain)) is None:
        return told
    why = f"loops that are in time start {on.ms:.4g} ms apart, and late ones make up for it"
    return Told("fixed rate", why, on)


def _by_lengths(seen: Seen, told: Told) -> Told:
    """Lengths of loops alone tell a tick, or that there may be one."""
    period = seen.period
    if told.mode not in ("free-running", "can't tell") or len(period) < _FEW_STARTS:
        return told
    from looptime.analysers.kept_phase import kept_phase  # few logs need it

    kept, found = kept_phase(period, seen.grain), None
    if _numbers_differ(period):
        from looptime.analysers.skipped_ticks import skipped_ticks

        found = skipped_ticks(period, seen.grain, seen.run.clock.tick_ns / 1e6)
    finer = found is None or found.ms < _FINER * (0.0 if kept is None else kept.ms)
    if kept is not None and (finer or (found is not None and found.known == "branches")):
        # parts of a tick fit by chance where loops are late of it, and no two ways come back to one
        if kept.known == "kept":
            return Told("fixed rate", kept.said, KeptTick(kept.ms, "", by_starts=True))
        return Told("can't tell", kept.said)
    if found is None:
        return told
    if found.known in ("grid", "anew"):
        return Told("fixed rate", found.said, KeptTick(found.ms, "skip"))
    alone = not seen.called and told.mode == "free-running"
    return Told("can't tell", found.said) if alone else told


def _unsaid(seen: Seen, told: Told) -> Told:
    """Columns that may be lengths of calls would tell whether anything waits."""
    unsaid = seen.run.clock.unsaid
    if told.mode != "free-running" or not unsaid or len(seen.run.names):
        return told
    why = f"{told.why}; {named(unsaid)} may be lengths, and would tell"
    return replace(told, mode="can't tell", why=why)


def _numbers_differ(period: Float) -> bool:
    """Whether so many loops are so much longer than others that they may take more ticks."""
    low = percentiles(period, [1])[0]
    return int((period > _MORE_TICKS * low).sum()) >= _FEW_LONG
