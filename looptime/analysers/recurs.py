"""What comes back in a run, by which rule, and the call behind it."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.beats import Beat, beats
from looptime.analysers.call_costs import Costs
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.own_gaps import OwnGaps, kinds_of_turns, long_turns
from looptime.analysers.pauses import Pauses, pauses
from looptime.analysers.slow import SlowLoops
from looptime.analysers.threads_rest import ThreadRhythm, thread_rhythms
from looptime.array_types import Float, Int
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import median
from looptime.stats.mechanism import FEWEST, Mechanism, Rule

__all__ = ["Recurrence", "Recurrences", "recurs"]

_MOST_LOOPS_NAMED = 20
#: Share of the usual loop from which on what comes back matters to it.
_LEAST_HEIGHT = 0.03
#: A stall is longer than so many ticks of the clock.
_TICKS = 1.5
#: Share of a difference that the calls named must hold.
_MOST_OF = 0.9
#: Parts of a difference that are named.
_PARTS = 3
#: A call that alternates with others is a stall all the same, if it is made in less than this share
#: of the loops, and these are longer than the rest by that share of what it takes.
_OFTEN, _LONGER = 0.32, 0.5
#: Share of the long turns that are one height's where the few others lie in between by chance.
_NEARLY = 0.9
#: A long turn takes less than so many times what it adds: it is far above the usual.
_TIMES_HEIGHT = 2


@dataclass(frozen=True)
class Recurrence:
    """Something that comes back, and the rule by which it does."""

    call: str | None  #: The call behind it; None where there is no single one
    #: ``loops``: every so many loops; ``since start``, ``since end``: in the first loop in which so
    #: much time has gone by since it last began or ended; ``timetable``: when a fixed instant has
    #: come; ``held``: long turns end so long after one another, wherever they begin, as those of a
    #: call do that waits for another thread or device; ``rest``: a thread's rest after its last
    #: turn; ``unknown``: rules that cannot be told apart, see `could_be`.
    mechanism: str
    #: Loops from one to the next: of the rule for ``loops``, else on average.
    every_loops: float | None
    #: The rule's interval, for ``loops`` the time from one to the next on average.
    every_ms: float | None
    count: int  #: How many there are
    possible: int  #: How many the rule leaves room for in a run as long as this
    explained_share: float  #: Share of the gaps that the rule explains
    height_ms: float = 0.0  #: Median time that one of them takes
    loops: tuple[int, ...] = ()  #: Numbers of the first of the loops as logged
    #: Rules that explain the gaps, in loops or ms; the one rule where it is known.
    could_be: tuple[Rule, ...] = ()
    #: Calls that make them up together, each time the same; empty where one call does, or where
    #: they fall into whatever call happens to run.
    together: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()  #: What makes the loops longer, the largest first
    #: Whether the call is made in every loop, and its long turns come back.
    long_turns: bool = False
    thread: str = ""  #: The thread, where it is not the loop's
    #: Calls of which one is made, or long, in every loop in which it is not.
    alternates_with: tuple[str, ...] = ()
    follows: str = ""  #: Of another thread: the call of the loop whose end it waits for
    #: From one to the next on average; longer than the interval of a rule that is looked at once a
    #: loop.
    gap_ms: float | None = None

    def explains(self, took_ms: float) -> bool:
        """Whether turns of a call that take so long [ms] may be those that come back."""
        return took_ms < _TIMES_HEIGHT * self.height_ms

    @property
    def names(self) -> tuple[str, ...]:
        """Calls behind it, or what no call covers; none where it is the loop as a whole."""
        if self.call or self.together:
            return (self.call,) if self.call else self.together
        bare = len(self.parts) == 1 and self.parts[0].name == UNATTRIBUTED
        return (UNATTRIBUTED,) if bare else ()

    def to_dict(self) -> dict[str, Any]:
        """The recurrence as JSON holds it."""
        values = {k: v for k, v in vars(self).items() if k not in ("could_be", "parts")}
        rules = [
            {"mechanism": r.name, unit: r.value, "low": r.low, "high": r.high}
            for r in self.could_be
            for unit in ["every_loops" if r.name == "loops" else "every_ms"]
        ]
        return {**values, "parts": [p._asdict() for p in self.parts], "could_be": rules}


@dataclass(frozen=True)
class Recurrences:
    """What comes back in a run, what threads keep, and pauses that belong to no call.

    `usual_ms` is the median of the quantity judged [ms].
    """

    found: tuple[Recurrence, ...]
    pauses: Pauses | None
    note: str = ""
    threads: tuple[Recurrence, ...] = ()
    usual_ms: float = 0.0

    @property
    def long_turns(self) -> dict[str, Recurrence]:
        """Calls that are made in every loop and whose long turns keep a rule, each with it."""
        return {r.call: r for r in self.found if r.long_turns and r.call}

    @property
    def most(self) -> tuple[Recurrence, ...]:
        """Those that are long enough to matter to the loop, what takes most time first."""
        return tuple(r for r in self.found if r.height_ms >= _LEAST_HEIGHT * self.usual_ms)


def recurs(basis: Basis, costs: Costs, slow: SlowLoops) -> Recurrences:
    """By which rule calls recur, long turns of calls, and stalls that no row stands for.

    A call that is made in some loops tells its rule by its own gaps, and so do long turns of one
    that is made in every loop. Only what these leave over is searched for a beat.
    """
    if not len(basis.run):
        return Recurrences((), None, "there are no loops")
    view = _View(basis, OwnGaps(basis.run))
    found = view.alternating([*view.rare_calls(), *view.turns()])
    view.gaps = OwnGaps(basis.run)  # rows by name take memory, and nobody asks for them any more
    found += view.bare_turns()
    threads = tuple(_of_thread(r, basis.run) for r in thread_rhythms(basis.run) if r.rule.name)
    note = ""
    try:
        for beat in beats(basis, costs, slow, view.left_ns, view.explained):
            found.append(view.of_beat(beat))
    except NotEnoughError as error:
        note = str(error)
    least_ms = _TICKS * basis.run.clock.tick_ns / 1e6
    found = [r for r in found if r.call or r.together or r.height_ms > least_ms]
    found.sort(key=lambda r: -r.height_ms * r.count)
    named = {name for r in found for name in r.names}
    usual_ms = median(basis.judged_ms)
    return Recurrences(tuple(found), pauses(basis, costs, slow, named), note, threads, usual_ms)


#: With the places of all its loops.
_Placed = tuple[Recurrence, Int]


class _View:
    """The loops of a run, and what of them is explained so far."""

    def __init__(self, basis: Basis, gaps: OwnGaps) -> None:
        self.basis, self.gaps = basis, gaps
        self.left_ns = (basis.judged_ns - basis.tick_wait_ns).astype(np.float64)
        self.explained: set[str] = set()

    def rare_calls(self) -> list[_Placed]:
        """Calls that are made in some loops, those of the same loops together."""
        groups: dict[bytes, list[int]] = {}
        at = self.basis.run.call_columns
        for code in self.gaps.rare:
            if self.basis.counted[code]:
                loops = at.loop[self.gaps.by_name[code]]
                groups.setdefault(loops.tobytes(), []).append(code)
        return [one for codes in groups.values() if (one := self._rare(codes)) is not None]

    def alternating(self, found: list[_Placed]) -> list[Recurrence]:
        """The same, of which some say that they alternate."""
        made = [r for r, _ in found]
        if len(made) < 2:
            return made
        from looptime.analysers.alternating import alternating  # few logs have two

        for places in alternating([loops for _, loops in found], len(self.basis.run)):
            for k in places:
                if not self._stalls(*found[k]):
                    others = tuple(name for j in places if j != k for name in made[j].names)
                    made[k] = replace(made[k], alternates_with=others)
        return made

    def _stalls(self, r: Recurrence, loops: Int) -> bool:
        """Whether the loops with a call are few, and longer than the rest by most of it."""
        mask = np.zeros(len(self.basis.run), bool)
        mask[loops] = True
        x = self.basis.judged_ms
        longer = float(x[mask].mean() - x[~mask].mean())
        return bool(mask.mean() < _OFTEN) and longer > _LONGER * r.height_ms

    def _rare(self, codes: list[int]) -> _Placed | None:
        rule = self.gaps.of_call(codes[0])
        if not rule.name:
            return None
        loops = self.basis.run.call_columns.loop[self.gaps.by_name[codes[0]]].astype(np.int64)
        own = {code: self.basis.table.series(code) for code in codes}
        total = np.sum(list(own.values()), axis=0)
        self.left_ns -= total
        mask = np.zeros(len(self.basis.run), bool)
        mask[loops] = True
        by_share = sorted(own, key=lambda code: -float(own[code].sum()))
        held = np.cumsum([own[code].sum() for code in by_share])
        lead = by_share[: 1 + int(np.searchsorted(held, _MOST_OF * held[-1]))]
        names = tuple(self.basis.run.names[code].name for code in lead)
        self.explained |= {self.basis.run.names[code].name for code in codes}
        parts = contrast(self.basis, mask, ~mask, _PARTS)
        return self._told(rule, loops, median(total[loops]), names, parts), loops

    def turns(self) -> list[_Placed]:
        """Long turns of calls that are made in every loop, one kind of height a call."""
        made = []
        period = median(self.basis.run.loop_columns.period_ns)
        for code in self.gaps.every_loop:
            if not self.basis.counted[code]:
                continue
            own = self.basis.table.series(code)
            long, excess = long_turns(own, period, half=True)
            found = self._rule_of_turns(code, long, excess)
            if found is not None:
                kind, rule = found
                name = self.basis.run.names[code].name
                self.left_ns[long[kind]] -= excess[kind]
                self.explained.add(name)
                height = median(excess[kind])
                told = self._told(rule, long[kind], height, (name,), (), turns=True)
                made.append((told, long[kind]))
        return made

    def _rule_of_turns(self, code: int, long: Int, excess: Float) -> tuple[Int, Mechanism] | None:
        """The rule of the long turns of a call, or of one kind of them, and which these are."""
        if len(long) < FEWEST:
            return None
        rows = self.gaps.by_name[code]
        held, on_it = self.gaps.of_ends(rows, long)
        if held.name:
            return on_it, held
        return _first_rule(excess, lambda kind: self.gaps.of_turns(rows, long[kind]))

    def bare_turns(self) -> list[Recurrence]:
        """The same of what no call covers, or of the whole loop where no calls are logged."""
        own = self.basis.outside_ns.astype(np.float64)
        long, excess = long_turns(own, median(self.basis.run.loop_columns.period_ns))
        # a period that is no whole number of ticks is a tick longer now and then, by rounding
        more = excess > _TICKS * self.basis.run.clock.tick_ns
        long, excess = long[more], excess[more]
        if len(long) < FEWEST:
            return []
        found = _first_rule(excess, lambda kind: self.gaps.of_loops(long[kind]))
        if found is None:
            return []
        kind, rule = found
        self.left_ns[long[kind]] -= excess[kind]
        height = median(excess[kind])
        parts = (Part(UNATTRIBUTED, height / 1e6),)
        return [self._told(rule, long[kind], height, (), parts, turns=True)]

    def of_beat(self, beat: Beat) -> Recurrence:
        """A beat of stalls without rows of their own, by the rule that its gaps show."""
        rule = self.gaps.of_loops(beat.loops)
        if not rule.name:
            name = beat.rules[0].name if len(beat.rules) == 1 else "unknown"
            rule = Mechanism(name, beat.rules[0].value, beat.kept, beat.rules)
        return self._told(
            rule, beat.loops, 1e6 * beat.height_ms, (beat.call,) if beat.call else beat.together,
            beat.parts, turns=True,
        )  # fmt: skip

    def _told(
        self, rule: Mechanism, loops: Int, height_ns: float, names: tuple[str, ...],
        parts: tuple[Part, ...], turns: bool = False,
    ) -> Recurrence:  # fmt: skip
        run = self.basis.run
        loop_ms = 1e3 * run.duration_s / len(run)
        could_be = tuple(map(_in_ms, rule.could_be))
        first = could_be[0]
        by_loops = first.name == "loops"
        every_loops = first.value if by_loops else len(run) / len(loops)
        every_ms = first.value * loop_ms if by_loops else first.value
        least_ms = min(r.low * (loop_ms if r.name == "loops" else 1) for r in could_be)
        stretches = 1 + int((~self.gaps.joined).sum())
        possible = len(run)  # a clock coarser than a loop may leave no time between two
        if least_ms > 0:
            possible = max(int(1e3 * run.duration_s / least_ms) + stretches, 1)
        number = run.loop_columns.loop
        return Recurrence(
            call=names[0] if len(names) == 1 else None,
            mechanism=rule.name,
            every_loops=every_loops,
            every_ms=every_ms,
            count=len(loops),
            possible=possible,
            explained_share=rule.explained,
            height_ms=height_ns / 1e6,
            loops=tuple(int(number[k]) for k in loops[:_MOST_LOOPS_NAMED]),
            could_be=could_be,
            together=names if len(names) > 1 else (),
            parts=parts[:_PARTS],
            long_turns=turns,
            gap_ms=self._apart_ms(np.sort(loops)),
        )

    def _apart_ms(self, loops: Int) -> float:
        """From one of the loops to the next on average, where nothing is missing in between."""
        stretch = np.append(0, np.cumsum(~self.gaps.joined))[loops]
        apart = np.diff(self.basis.run.loop_columns.start_ns[loops])[np.diff(stretch) == 0]
        if not len(apart):
            return 1e3 * self.basis.run.duration_s / len(loops)
        return float(apart.mean()) / 1e6


def _first_rule(excess: Float, rule_of: Callable[[Int], Mechanism]) -> tuple[Int, Mechanism] | None:
    """Long turns of one kind of height and the rule that they keep: of all of them, if they do.

    Where all break theirs now and then, and nearly all of them, of one height, break one less, it
    is these that keep it: the others merely lie in between.
    """
    every, *kinds = kinds_of_turns(excess)
    found = rule_of(every)
    if found.name:
        fewest = _NEARLY * len(every) if found.explained < 1 else np.inf
        kinds = [kind for kind in kinds if len(kind) >= fewest]
    for kind in kinds:
        rule = rule_of(kind)
        if rule.name and rule.explained > found.explained:
            return kind, rule
    return (every, found) if found.name else None


def _in_ms(rule: Rule) -> Rule:
    scale = 1.0 if rule.name == "loops" else 1e6
    return replace(rule, value=rule.value / scale, low=rule.low / scale, high=rule.high / scale)


def _of_thread(at: ThreadRhythm, run: Run) -> Recurrence:
    could_be = tuple(map(_in_ms, at.rule.could_be))
    value, low = could_be[0].value, max(min(r.low for r in at.rule.could_be), 1.0)
    told = Recurrence(
        at.call, at.rule.name, None, value, at.count, round(at.span_ns / low) + 1,
        at.rule.explained, at.turn_ns / 1e6, could_be=could_be, thread=at.thread,
        gap_ms=at.span_ns / 1e6 / max(at.count - 1, 1),
    )  # fmt: skip
    if not at.follows:
        return told
    every_ms = value * 1e3 * run.duration_s / len(run)
    return replace(told, every_loops=value, every_ms=every_ms, possible=int(len(run) / low) + 1,
                   follows=at.follows)  # fmt: skip
