"""What a plan will do, in figures, and what it says where the log leaves a clock open."""

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Any

from looptime.analysers.estimate import Figure, to_json
from looptime.controlling.gain_shift import GainShift
from looptime.controlling.wheels import Steering
from looptime.planner.answer.cases import Case
from looptime.planner.answer.intervals import CONFIDENCE, Side
from looptime.planner.answer.reading_age import FIRST_USE
from looptime.planner.answer.rest import RestAdvice
from looptime.planner.answer.tail import Tail
from looptime.planner.known.call_clock import CallClock
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION
from looptime.stats.dither import untold_ms
from looptime.words import changed, named

__all__ = [
    "CAUTIONS",
    "OPEN_PAUSES",
    "Contribution",
    "Prediction",
    "UnknownBus",
    "UnknownTurns",
    "either",
    "lies_open",
    "untold_tail",
    "verdict",
]

#: Shown under every plan.
CAUTIONS = (
    "A prediction is an estimate and never a safety case.",
    "A changed loop moves the robot differently: wheels off the floor for the first run, stop "
    "control in hand.",
    "What may be called from a thread, and how often, is for the hardware maker's documentation "
    "to say.",
    "The event's rules and its safety staff come first.",
)


#: A warning where nobody knows whose long turns are.
OPEN_PAUSES = (
    "long turns of calls may be pauses of the whole program, which no limit on one call prevents, "
    "or each call's own, the log fits both: the answer is a range; a longer log tells"
)
#: What code makes of the ticks after a loop that was longer than one, by rule.
_AFTER_LATE = {
    "go-on": "the next begins at once and its tick counts from there",
    "skip": "waiting for the next tick of the old grid",
    "catch-up": "making up for it by loops that do not wait",
}
#: Share by which one rule's figures must differ from another's to be worth a word.
_DIFFERS = 0.01


@dataclass(frozen=True)
class Contribution:
    """What one change does to the mean of the quantity judged [ms]; negative is faster."""

    text: str
    alone_ms: Figure
    in_order_ms: Figure


@dataclass(frozen=True)
class UnknownBus:
    """A call of a thread of which nobody knows whether it shares a bus with the loop."""

    call: str
    may_share_with: tuple[str, ...]  #: Calls of the loop
    #: Change of the mean if all such calls have a bus of their own, and if all share one.
    own_ms: Figure
    shared_ms: Figure


@dataclass(frozen=True)
class UnknownTurns:
    """Calls of threads of which nobody knows whether they compute beside the loop."""

    calls: tuple[str, ...]
    #: Change of the mean if all threads compute at once, and if they take turns on one lock.
    at_once_ms: Figure
    in_turn_ms: Figure


@dataclass(frozen=True)
class Prediction:
    """What a plan will do."""

    baseline: Side
    predicted: Side
    changes: tuple[Contribution, ...]
    warnings: tuple[str, ...]
    #: ``work`` where the log keeps a fixed pace, else ``period``: what contributions are about.
    judged: str
    verdict: str  #: ``faster``, ``slower`` or ``can't tell``: where the interval of the change lies
    change_ms: Figure  #: Change of the mean of the quantity judged
    #: Calls that do not recur by the loop, and why they are taken for such.
    rhythms: tuple[dict[str, object], ...]
    #: For each read moved to a thread on a bus of the loop: the rest that pays.
    rest: tuple[RestAdvice, ...]
    run: Run = field(repr=False)  #: The predicted run, for any analyser and for the heading models
    #: Loops behind the figures, and loops of the log; fewer where a sample answers first.
    loops: int = 0
    loops_in_log: int = 0
    warmup_loops: int = 0  #: Loops left out at the start
    run_sd_percent: float = 1.0  #: Run-to-run standard deviation in the intervals [%]
    #: ``given``, ``assumed``, or ``log`` where its own mean is less certain than is assumed;
    #: ``season`` where a caller took it from there.
    run_sd_from: str = "assumed"
    source: str = ""
    #: What the answer depends on as long as nobody names these buses.
    unknown_buses: tuple[UnknownBus, ...] = ()
    #: What it depends on as long as nobody says whether threads compute at once.
    unknown_turns: UnknownTurns | None = None
    #: Where the direction depends on either: what comes in each case. The other figures are then
    #: those of the first, with ranges that hold all.
    cases: tuple[Case, ...] = ()
    #: The longest loops, where they surely become fewer or more.
    tail: Tail | None = None
    #: When the ages of readings are taken, in words.
    use: str = FIRST_USE
    #: What the new pace does to controllers that ignore the step, where a caller asked.
    gain_shift: GainShift | None = None
    #: Steered wheels as a set, ``before`` and ``after``, where a caller asked.
    steering: dict[str, Steering | None] | None = None

    @property
    def lies_open(self) -> str:
        """What the direction hangs on, as in `lies_open` of the module."""
        return lies_open(self.verdict, self.unknown_buses, self.unknown_turns)

    @property
    def open_ends(self) -> str:
        """What is promised at either end of what `until` asks for; empty where nothing is."""
        turns, what = self.unknown_turns, self.lies_open
        if turns is not None and what == "turns":
            return (
                f"At once the mean changes by {_signed(turns.at_once_ms)} ms, taking turns by "
                f"{_signed(turns.in_turn_ms)} ms"
            )
        if not what:
            return ""
        ends = self.unknown_buses[0]
        return (
            f"With a bus of its own the mean changes by {_signed(ends.own_ms)} ms, on a shared one "
            f"by {_signed(ends.shared_ms)} ms"
        )

    @property
    def open_question(self) -> str:
        """What nobody knows that the direction hangs on; empty if it can be told, or lies open."""
        turns, what = self.unknown_turns, self.lies_open
        if turns is not None and what == "turns":
            return (
                f"whether threads compute at once, or {named(turns.calls)} takes turns with the "
                "loop on one lock"
            )
        asked = [
            f"{u.call} shares a bus with {named(u.may_share_with)}" for u in self.unknown_buses
        ]
        return f"whether {', and whether '.join(asked)}" if what else ""

    @property
    def until(self) -> str:
        """What must be known before the direction can be told; empty if it can, or lies open."""
        if not (question := self.open_question):
            return ""
        say = "name it in looptime.toml or record one minute with the thread"
        if self.lies_open == "turns":
            say = (
                'say threads = "at once" or "take turns" under [loop] in looptime.toml, or record '
                "one minute with the thread"
            )
        return f"it is known {question}: {say}"

    @property
    def sampled(self) -> bool:
        """Whether a sample of the loops stands for all."""
        return self.loops + self.warmup_loops < self.loops_in_log

    def to_dict(self) -> dict[str, Any]:
        """The documented JSON."""
        return {
            "schema_version": SCHEMA_VERSION,
            "source": self.source,
            "loops": self.loops,
            "loops_in_log": self.loops_in_log,
            "warmup_loops": self.warmup_loops,
            "sampled": self.sampled,
            "judged": self.judged,
            "verdict": self.verdict,
            "until": self.until,
            "unknown_buses": to_json(self.unknown_buses),
            "unknown_turns": to_json(self.unknown_turns),
            "cases": [case.to_dict() for case in self.cases],
            "age_taken": self.use,
            "tail": self.tail and self.tail.to_dict(),
            "change_ms": self.change_ms.to_dict(),
            "confidence": CONFIDENCE,
            "run_sd_percent": self.run_sd_percent,
            "run_sd_from": self.run_sd_from,
            "baseline": self.baseline.to_dict(),
            "predicted": self.predicted.to_dict(),
            "changes": [
                {
                    "text": c.text,
                    "alone_ms": c.alone_ms.to_dict(),
                    "in_order_ms": c.in_order_ms.to_dict(),
                }
                for c in self.changes
            ],
            "rhythms": list(self.rhythms),
            "rest": [advice.to_dict() for advice in self.rest],
            "warnings": list(self.warnings),
            "cautions": list(CAUTIONS),
            "controllers": to_json(self.gain_shift),
            "steering": to_json(self.steering),
        }


def lies_open(said: str, buses: Sequence[UnknownBus], turns: UnknownTurns | None) -> str:
    """What the direction of a plan hangs on.

    Parameters
    ----------
    said : str
        The verdict where nothing more is known.
    buses, turns
        What is promised at either end.

    Returns
    -------
    str
        ``turns``: whether threads compute at once; ``shared``: whether calls share a bus; empty
        where the direction hangs on neither.
    """
    if said != "can't tell":
        return ""
    if turns is not None and verdict(turns.at_once_ms) != verdict(turns.in_turn_ms):
        return "turns"
    sides = [{verdict(unknown.own_ms), verdict(unknown.shared_ms)} for unknown in buses]
    return "shared" if any(len(side) > 1 for side in sides) else ""


def either(told: Prediction, other: Prediction, why: Sequence[str]) -> Prediction:
    """A prediction whose intervals hold another of the same plan, and why they do.

    Parameters
    ----------
    told, other : Prediction
        As things are taken to be, and as fits the log as well.
    why : sequence of str
        Warnings that say what is another way in `other`.
    """
    change = _wide(told.change_ms, other.change_ms)
    pairs = zip(told.changes, other.changes, strict=True)
    return replace(
        told, predicted=_wide_side(told.predicted, other.predicted), change_ms=change,
        verdict=verdict(change),
        changes=tuple(Contribution(a.text, _wide(a.alone_ms, b.alone_ms),
                                   _wide(a.in_order_ms, b.in_order_ms)) for a, b in pairs),
        rhythms=(*told.rhythms, *(r for r in other.rhythms if r not in told.rhythms)),
        rest=tuple(map(_either_rest, told.rest, other.rest)),
        unknown_buses=tuple(
            replace(a, own_ms=_wide(a.own_ms, b.own_ms), shared_ms=_wide(a.shared_ms, b.shared_ms))
            for a, b in zip(told.unknown_buses, other.unknown_buses, strict=True)
        ),
        unknown_turns=told.unknown_turns and other.unknown_turns and replace(
            told.unknown_turns,
            at_once_ms=_wide(told.unknown_turns.at_once_ms, other.unknown_turns.at_once_ms),
            in_turn_ms=_wide(told.unknown_turns.in_turn_ms, other.unknown_turns.in_turn_ms),
        ),
        cases=_wide_cases(told.cases, other.cases), tail=_either_tail(told.tail, other.tail),
        warnings=(*told.warnings, *why),
    )  # fmt: skip


def _either_tail(one: Tail | None, other: Tail | None) -> Tail | None:
    """What holds of both: the one in which the longest loops change less."""
    if one is None or other is None or (one.after < one.before) != (other.after < other.before):
        return None
    return min(one, other, key=lambda at: abs(at.after_ms - at.before_ms))


def _wide_cases(told: Sequence[Case], other: Sequence[Case]) -> tuple[Case, ...]:
    if [case.what for case in told] != [case.what for case in other]:
        return tuple(told)
    return tuple(
        Case(a.what, _wide(a.change_ms, b.change_ms), _wide_side(a.predicted, b.predicted))
        for a, b in zip(told, other, strict=True)
    )


def untold_tail(run: Run) -> tuple[str, ...]:
    """A warning where the clock is too coarse for any figure of loops but their mean."""
    off = untold_ms(run.loop_columns.period_ns / 1e6, run.clock.tick_ns / 1e6)
    if not off or run.clock.tick_ns <= 1:
        return ()
    return (f"the clock steps by as much as loops differ: p99 is known to within {off:.4g} ms, now "
            "and then; judge by the mean, or log the time of a finer clock",)  # fmt: skip


def open_tick(taken_ms: float, finer_ms: float) -> str:
    """A warning that nobody knows the tick of which a loop that skips may miss some each time."""
    return (
        f"the loop may wait for a tick of {taken_ms:.4g} ms, or miss every second one of "
        f"{finer_ms:.4g} ms, the log fits both: the answer is a range; say which in the log's "
        f'head, as "# target {1e3 / taken_ms:.4g} Hz", or plan with pace hz={1e3 / taken_ms:.4g}'
    )


def open_late(hz: float, ms: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    """A warning that nobody knows what paced code does after a loop longer than its tick.

    Parameters
    ----------
    hz : float
        The pace.
    ms : dict of str to (float, float) [ms]
        Mean and p99 of the period by rule; the first is taken.

    Examples
    --------
    >>> open_late(50.0, {"go-on": (20.0, 20.0), "skip": (20.0, 20.1)})
    ()
    """
    (taken, first), *others = ms.items()
    if not any(
        abs(a - b) > _DIFFERS * b for _, at in others for a, b in zip(at, first, strict=True)
    ):
        return ()
    given = [f"{_AFTER_LATE[k]} gives {a:.3g} and {b:.3g} (late={k})" for k, (a, b) in others]
    return (
        "what the code does after a loop longer than its tick is not known: taken is that "
        f"{_AFTER_LATE[taken]} (late={taken}: period mean {first[0]:.3g}, p99 {first[1]:.3g} ms); "
        f"{', '.join(given)}; the range holds them all: say which, as pace hz={hz:g} late=skip",
    )


def open_clock(other: CallClock) -> str:
    """A warning that nobody knows by which clock a call goes."""
    taken, fits = ("time", "loops") if other.recurs == "loop" else ("loops", "time")
    if other.pulses:
        return (
            f"long turns of {other.name} may come by loops or by time, the log fits both: the "
            f"answer is a range; if by loops, say so with --recurs {other.name}=loop"
        )
    return (
        f"{other.name} may go by {taken} or by {fits}, the log fits both: the answer is a range; "
        f"say which with --recurs {other.name}=loop or {other.name}=time"
    )


def _either_rest(one: RestAdvice, other: RestAdvice) -> RestAdvice:
    """The rest that pays on either clock, with the less favourable of each trial."""
    rests = (one.rest_ms, other.rest_ms)
    trials = tuple(
        {key: _largest(value, b.get(key)) for key, value in a.items()}
        for a, b in zip(one.trials, other.trials, strict=False)
    )
    return RestAdvice(one.text, None if None in rests else _largest(*rests), trials)


def _largest(one: float | None, other: float | None) -> float | None:
    return one if other is None else other if one is None else max(one, other)


def _wide(one: Figure, other: Figure) -> Figure:
    """One figure with an interval that holds the other's as well; none where one has none."""
    lows, highs = (one.low, other.low), (one.high, other.high)
    return replace(
        one, low=None if None in lows else min(v for v in lows if v is not None),
        high=None if None in highs else max(v for v in highs if v is not None),
    )  # fmt: skip


def _wide_side(one: Side, other: Side) -> Side:
    overruns = one.overruns and {
        key: _wide(at, other.overruns[key])
        if isinstance(at, Figure) and other.overruns is not None else at
        for key, at in one.overruns.items()
    }  # fmt: skip
    return replace(
        one, rate_hz=_wide(one.rate_hz, other.rate_hz), overruns=overruns,
        period_ms={k: _wide(at, other.period_ms[k]) for k, at in one.period_ms.items()},
        work_ms={k: _wide(at, other.work_ms[k]) for k, at in one.work_ms.items()},
    )  # fmt: skip


def _signed(at: Figure) -> str:
    return changed(at.value, at.low, at.high)


def verdict(change: Figure) -> str:
    """``faster``, ``slower`` or ``can't tell``: where the interval of a change lies."""
    if change.low is None or change.high is None:
        return "can't tell"
    if change.high < 0:
        return "faster"
    return "slower" if change.low > 0 else "can't tell"
