"""Before and after: a plan's figures with the intervals that they deserve.

Three things make an interval: what chance does within a recording (batch jackknife), what is not
known (both ends are played), and what differs from one recording to the next with no change.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import field, replace

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.beat_wait import with_wait_named
from looptime.analysers.estimate import Figure
from looptime.analysers.thread_rule import ThreadRule, thread_rule
from looptime.analysers.warmup import warmup
from looptime.errors import NotEnoughError, UsageError
from looptime.planner.answer.cases import CASES, Case, hull
from looptime.planner.answer.corners import Settings, play_all, settings_of
from looptime.planner.answer.gain_end import end_of_gain
from looptime.planner.answer.intervals import RunScatter, Side, planned, side
from looptime.planner.answer.measures import FEWEST, Measures, Number, measure, work_ms
from looptime.planner.answer.open_turns import in_turn, or_in_turn
from looptime.planner.answer.prediction import (
    CAUTIONS,
    OPEN_PAUSES,
    Contribution,
    Prediction,
    UnknownBus,
    UnknownTurns,
    either,
    lies_open,
    open_clock,
    open_late,
    open_tick,
    untold_tail,
    verdict,
)
from looptime.planner.answer.reading_age import first_use
from looptime.planner.answer.rest import rest_that_pays
from looptime.planner.answer.tail import tail_of
from looptime.planner.changes import Change, parse_all
from looptime.planner.known.bus_model import BusParameters
from looptime.planner.known.made_calls import made_calls
from looptime.planner.play.draft import KnownRun, Setting, sampled
from looptime.planner.play.replay import Replay, turns_come_out
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run
from looptime.words import percent

__all__ = [
    "CAUTIONS",
    "Contribution",
    "Prediction",
    "Side",
    "UnknownBus",
    "predict",
    "settings_of",
]

_FULL = 0.85
#: Relative change of the pace from which on it matters which clock a call keeps.
_OTHER_PACE = 0.02


@dataclass(frozen=True)
class Prepared:
    """A run made ready for any number of plans; see `prepare_run`."""

    known: KnownRun  #: What is worked out once
    loops_in_log: int
    warmup_loops: int


def prepare_run(
    run: Run,
    *,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    keep_warmup: bool = False,
    sample_loops: int | None = None,
    threads: ThreadRule | None = None,
) -> Prepared:
    """Work out once what every plan of a run needs; options as for `predict`.

    Parameters
    ----------
    run : Run
        The recording of today's code.
    buses, recurs, keep_warmup, sample_loops, threads
        As `predict` takes them.

    Raises
    ------
    NotEnoughError
        If the run is too short.
    """
    whole, cut = len(run), 0
    run = made_calls(with_wait_named(run))
    if not keep_warmup and whole >= FEWEST:
        cut = warmup(prepare(run)).loops
        run = run.select(np.arange(whole) >= cut) if cut else run
    if len(run) < FEWEST:
        raise NotEnoughError(
            f"{run.source or 'the log'}: has {len(run)} loops; a plan needs at least {FEWEST}"
        )
    kept = len(run) if sample_loops is None else max(sample_loops, FEWEST)
    rule = threads or thread_rule(run.meta)
    known = sampled(run, kept, buses, recurs, rule)
    if not turns_come_out(known):
        known = sampled(run, kept, buses, recurs, rule, plays_turns=False)
    return Prepared(known, whole, cut)


def predict(
    run: Run | Prepared,
    changes: Iterable[str | Change],
    *,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    budget_ms: float | None = None,
    run_sd: float | None = None,
    keep_warmup: bool = False,
    sample_loops: int | None = None,
    read_instant: str | None = None,
    heading: Heading | None = None,
    threads: ThreadRule | None = None,
    progress: Callable[[float], None] | None = None,
) -> Prediction:
    """Predict what changes will do to a loop.

    Parameters
    ----------
    run : Run or Prepared
        The recording of today's code; if `prepare_run` made it ready, `buses`, `recurs`,
        `keep_warmup`, `sample_loops` and `threads` have been given there.
    changes : iterable of str or Change
        In the order in which they are made.
    buses : dict, optional
        ``Project.buses``.
    recurs : dict of str to str, optional
        ``loop`` or ``time`` by call name, where the log misleads.
    budget_ms : float, optional [ms]
        Period above which a loop overruns.
    run_sd : float, optional
        Relative run-to-run standard deviation of the mean, from a season; else 1 % is assumed, and
        what each figure wanders along the log counts besides.
    keep_warmup : bool
        Whether the first loops stay in although they do not stand for the rest.
    sample_loops : int, optional
        Answer from a representative sample of stretches of about so many loops.
    read_instant : {"start", "end"}, optional
        When during a call its reading is taken; else as `heading` says, else at its start.
    heading : Heading, optional
        ``Project.heading``: the calls that read, pick up and use the heading.
    threads : ThreadRule, optional
        Whether threads compute at once; else what the head of the log says.
    progress : callable, optional
        Is told the share that is done, 0 to 1.

    Raises
    ------
    UsageError
        If a change cannot be made to this run.
    NotEnoughError
        If the run is too short.
    """
    wanted = parse_all(changes)
    if run_sd is not None and not 0 <= run_sd < 1:  # also where it is no number
        raise UsageError(f"a run-to-run sd of {run_sd} cannot be: give a share from 0 to 1")
    if isinstance(run, Run):
        run = prepare_run(
            run, buses=buses, recurs=recurs, keep_warmup=keep_warmup, sample_loops=sample_loops,
            threads=threads,
        )  # fmt: skip
    books, tell = (run.loops_in_log, run.warmup_loops), progress or (lambda share: None)
    stated = heading or Heading()
    stated = stated if read_instant is None else replace(stated, read_instant=read_instant)
    plan = _Plan(run.known, wanted, budget_ms, stated, run_sd)
    found = plan.prediction(*books, tell)
    others, finer = run.known.rhythms.others, run.known.at_finer_ticks()
    if others and _matters(found.baseline, found.predicted):
        other = replace(plan, known=run.known.on_other_clocks(), spans={})
        told = other.prediction(*books, lambda share: None)
        found = either(found, told, tuple(map(open_clock, others)))
    # pauses of the program keep to no limit on turns
    if any(change.verb == "cap" for change in wanted) and not run.known.rhythms.pauses.sure:
        own = replace(plan, known=run.known.with_own_turns(), spans={})
        told = own.prediction(*books, lambda share: None)
        if _differ(found.change_ms, told.change_ms):
            found = either(found, told, (OPEN_PAUSES,))
    if (turns := in_turn(run.known, wanted)) is not None:
        told = replace(plan, known=turns.known, spans={}).prediction(*books, lambda share: None)
        found = or_in_turn(found, told, turns, run.known.threads.mode != "unknown")
    if finer is None or not wanted:
        return found
    told = replace(plan, known=finer, spans={}).prediction(*books, lambda share: None)
    if not _matters(found.predicted, told.predicted):
        return found
    ticks = [at.pace[0].interval_ns / 1e6 for at in (run.known, finer) if at.pace is not None]
    return either(found, told, (open_tick(*ticks),))


def _differ(one: Figure, other: Figure) -> bool:
    """Whether two changes of the mean differ by more than a hundredth of what either may be off."""
    wide = max((at.high or 0.0) - (at.low or 0.0) for at in (one, other))
    return abs((one.value or 0.0) - (other.value or 0.0)) > 0.01 * wide


def _matters(one: Side, other: Side) -> bool:
    """Whether the pace changes, so that what keeps the clock's time is made more or less often."""
    was, now = (side.period_ms["mean"].value or 0.0 for side in (one, other))
    return abs(now - was) > _OTHER_PACE * was


@dataclass
class _Plan:
    known: KnownRun
    changes: tuple[Change, ...]
    budget_ms: float | None
    stated: Heading
    run_sd: float | None
    spans: dict[tuple[Change, ...], tuple[float, float, float]] = field(default_factory=dict)
    lies_open: str = ""  #: As in `Settings`

    def prediction(self, whole: int, cut: int, progress: Callable[[float], None]) -> Prediction:
        run = self.known.run
        steps = 2.0 + 2 * len(self.changes)
        before = self._measured(Replay.recorded(run), self.known.wait_by_bus())
        central, settings, played = play_all(self.known, self.changes, self._scatter.sd)
        judged = self._judged
        ends = {at: self._measured(p) for at, p in played.items()}
        unknown = self._unknown(central, before, ends, settings, judged)
        turns = self._unknown_turns(central, before, ends, settings, judged)
        change = self._change(before, ends, settings, judged)
        if what := lies_open(verdict(change), unknown, turns):
            self.lies_open = what
            settings = replace(settings, lies_open=what)
            change = self._change(before, ends, settings, judged)
        self.spans[self.changes] = _spanned(played, settings, judged)
        progress(2 / steps)
        contributions = self._contributions(progress, steps)
        cases = self._cases(central, before, ends, settings, judged)
        after = self._side(central, ends, settings)
        now = {Setting(): before}
        mean_ms = before.period_ms["mean"].value or 0.0
        may_end = end_of_gain(self.known, mean_ms, -(change.value or 0.0))
        return Prediction(
            side(now, Settings().span, run, self._scatter, self.budget_ms, self._tick_ms), after,
            contributions,
            (*central.warnings, *_open_late(central, ends), *untold_tail(run),
             *_full_buses(central, after), *may_end),
            judged,
            verdict(change), change,
            tuple(r.to_dict() for r in self.known.rhythms.calls if r.recurs != "loop"),
            rest_that_pays(self.known, self.changes, central, self.stated),
            played[settings.middle[0]].run,
            len(run), whole, cut, *self._between_runs(before, judged), run.source, unknown,
            turns, cases,
            tail_of(run.loop_columns.period_ns, (at.period_ns for at in played.values())),
            first_use(run),
        )  # fmt: skip

    def _side(self, central: Replay, played: dict[Setting, Measures], settings: Settings) -> Side:
        """Figures after the change; what scatters in one case says nothing of another."""
        what = settings.lies_open
        made = []
        for part in settings.cases.values():
            at = {one: played[one] for one in part.all}
            one = side(
                at, part.span, central.run, self._scatter, self.budget_ms, central.tick_ns / 1e6
            )
            made.append((one, not what or getattr(part.middle[0], what) == 0))
        return hull(made)

    def _cases(
        self, central: Replay, before: Measures, played: dict[Setting, Measures],
        settings: Settings, judged: str,
    ) -> tuple[Case, ...]:  # fmt: skip
        """What comes of either answer to what the direction hangs on; nothing where on none."""
        if not (what := settings.lies_open):
            return ()
        parts = [replace(settings.only(what, at), lies_open="") for at in (0.0, 1.0)]
        return tuple(
            Case(word, self._change(before, played, part, judged),
                 self._side(central, played, part))
            for word, part in zip(CASES[what], parts, strict=True)
        )  # fmt: skip

    def _unknown(
        self, central: Replay, before: Measures, played: dict[Setting, Measures],
        settings: Settings, judged: str,
    ) -> tuple[UnknownBus, ...]:  # fmt: skip
        """What is promised at either end of which buses are shared."""
        may_share = {} if central.traffic is None else central.traffic.may_share
        if not may_share:
            return ()
        own, shared = (
            self._change(before, played, settings.only("shared", at), judged) for at in (0.0, 1.0)
        )
        return tuple(UnknownBus(name, calls, own, shared) for name, calls in may_share.items())

    def _unknown_turns(
        self, central: Replay, before: Measures, played: dict[Setting, Measures],
        settings: Settings, judged: str,
    ) -> UnknownTurns | None:  # fmt: skip
        """What is promised at either end of whether threads compute at once."""
        if central.traffic is None or not central.traffic.may_take_turns:
            return None
        at_once, in_turn = (
            self._change(before, played, settings.only("turns", at), judged) for at in (0.0, 1.0)
        )
        return UnknownTurns(central.traffic.may_take_turns, at_once, in_turn)

    @property
    def _judged(self) -> str:
        """What is judged: work where the log keeps a fixed pace and shows its waits."""
        return "work" if self.known.judges_work else "period"

    @property
    def _scatter(self) -> RunScatter:
        return RunScatter() if self.run_sd is None else RunScatter(self.run_sd, assumed=False)

    @property
    def _tick_ms(self) -> float:
        return 0.0 if self.known.pace is None else self.known.pace[0].interval_ns / 1e6

    def _between_runs(self, before: Measures, judged: str) -> tuple[float, str]:
        """Standard deviation of the mean between runs [%], and what it rests on."""
        sd, at = self._scatter.sd, _mean(before, judged)
        if self.run_sd is not None:
            return 100 * sd, "given"
        seen = math.hypot(at.se or 0.0, at.wander) / at.value if at.value else 0.0
        return (100 * math.hypot(sd, seen), "log") if seen > sd else (100 * sd, "assumed")

    def _measured(
        self, at: Replay, wait_ns: dict[str, int] | None = None, full: bool = True
    ) -> Measures:
        if at.traffic is not None:
            wait_ns = at.traffic.wait_ns
        return measure(
            at.run, budget_ms=self.budget_ms, wait_ns=wait_ns, stated=self.stated, full=full,
        )  # fmt: skip

    def _change(
        self, before: Measures, played: dict[Setting, Measures], settings: Settings, judged: str
    ) -> Figure:
        """Change of the mean; the loops are the same, so what chance did to them cancels."""
        at = _mean(before, judged)
        was = at.value or 0.0
        value, low, high = settings.span(
            {at: (_mean(m, judged).value or 0.0) - was for at, m in played.items()}
        )
        half = self._scatter.half(was, replace(at, se=0.0))
        return planned(value, low - half, high + half)

    def _contributions(
        self, progress: Callable[[float], None], steps: float
    ) -> tuple[Contribution, ...]:
        judged = self._judged
        start = self._means((), judged)
        made, last = [], start
        for i, change in enumerate(self.changes):
            try:
                alone = _difference(self._means((change,), judged), start)
            except UsageError:  # it names what an earlier change makes
                alone = planned()
            now = self._means(self.changes[: i + 1], judged)
            made.append(Contribution(str(change), alone, _difference(now, last)))
            last = now
            progress((4 + 2 * i) / steps)
        return tuple(made)

    def _means(self, changes: tuple[Change, ...], judged: str) -> tuple[float, float, float]:
        """Mean of the quantity judged at the middle and at both ends of what is not known."""
        if changes not in self.spans:
            _, settings, played = play_all(self.known, changes)
            settings = replace(settings, lies_open=self.lies_open)
            self.spans[changes] = _spanned(played, settings, judged)
        return self.spans[changes]


def _spanned(
    played: dict[Setting, Replay], settings: Settings, judged: str
) -> tuple[float, float, float]:
    return settings.span({at: _run_mean(played[at].run, judged) for at in settings.all})


def _open_late(played: Replay, ends: Mapping[Setting, Measures]) -> tuple[str, ...]:
    """What comes of each thing that paced code may do after a loop longer than its tick."""
    if "late" not in played.ranges:
        return ()
    found = {}
    for rule, late in (("go-on", 0.5), ("skip", 1.0), ("catch-up", 0.0)):
        period = ends[Setting(late=late)].period_ms
        found[rule] = period["mean"].value or 0.0, period["p99"].value or 0.0
    return open_late(1e9 / played.tick_ns, found)


def _full_buses(played: Replay, after: Side) -> list[str]:
    """A warning for each bus that threads and the loop together fill."""
    waits = {} if played.traffic is None else played.traffic.wait_ns
    made = []
    for bus, figures in after.bus.items():
        used = figures["utilisation"].value
        if waits.get(bus) and used is not None and used > _FULL:
            made.append(
                f"bus {bus!r} is in use {percent(used)} of the time: the loop waits for the thread "
                "and the thread for the loop; give the thread a rest, or a bus of its own"
            )
    return made


def _difference(now: tuple[float, ...], was: tuple[float, ...]) -> Figure:
    ends = (now[1] - was[1], now[2] - was[2], now[0] - was[0])
    return planned(now[0] - was[0], min(ends), max(ends))


def _run_mean(run: Run, judged: str) -> float:
    return work_ms(run) if judged == "work" else float(run.loop_columns.period_ns.mean()) / 1e6


def _mean(at: Measures, judged: str) -> Number:
    return ((at.work_ms or at.period_ms) if judged == "work" else at.period_ms)["mean"]
