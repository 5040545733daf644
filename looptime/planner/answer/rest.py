"""How long a reader thread must rest between readings before its thread pays."""

from dataclasses import replace

import numpy as np

from looptime.planner.answer.reading_age import reading_ages
from looptime.planner.changes import Change
from looptime.planner.known.stretches import spread_sample
from looptime.planner.play.draft import KnownRun, Setting, known
from looptime.planner.play.replay import Plays, Replay, play
from looptime.project import Heading
from looptime.records import dataclass

__all__ = ["RestAdvice", "rest_that_pays"]

_RESTS_MS = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0, 50.0, 80.0, 120.0, 200.0, 500.0)
_ENOUGH = 2_000
_GAIN = 0.99


@dataclass(frozen=True)
class RestAdvice:
    """Rest of one reader thread against what it does to the loop."""

    text: str  #: The change
    #: Shortest rest tried with which the mean loop becomes at least 1 % shorter, whoever gets the
    #: bus; None if none does.
    rest_ms: float | None
    #: `rest_ms`, `period_ms` (mean, for the less favourable lock) and `age_at_first_use_p95_ms`.
    trials: tuple[dict[str, float | None], ...]

    def to_dict(self) -> dict[str, object]:
        """As JSON holds it."""
        return {"text": self.text, "rest_ms": self.rest_ms, "trials": list(self.trials)}


def rest_that_pays(
    at: KnownRun, changes: tuple[Change, ...], played: Replay, stated: Heading | None = None
) -> tuple[RestAdvice, ...]:
    """Find the rest that pays for each thread of a plan that shares a bus with the loop."""
    threads = [i for i, change in enumerate(changes) if change.verb == "thread"]
    waits = {} if played.traffic is None else played.traffic.wait_ns
    if not threads or not any(waits.values()):
        return ()
    short = at
    if len(at.run) > _ENOUGH:
        clocks = {r.name: r.recurs for r in at.rhythms.calls if r.recurs in ("loop", "time")}
        short = known(
            spread_sample(at.run, _ENOUGH), at.buses, clocks, at.seen, at.threads, at.plays_turns
        )
    return tuple(_advice(short, changes, i, stated) for i in threads)


def _advice(
    at: KnownRun, changes: tuple[Change, ...], which: int, stated: Heading | None
) -> RestAdvice:
    change = changes[which]
    others = changes[:which] + changes[which + 1 :]
    without = play(at, others).mean_ns
    trials: list[dict[str, float | None]] = []
    found = None
    for rest in _RESTS_MS:
        plan = list(changes)
        options = tuple((k, v) for k, v in change.options if k != "rest-ms")
        plan[which] = replace(change, options=(("rest-ms", rest), *options))
        worst, age = _worst(at, tuple(plan), stated)
        trials.append({"rest_ms": rest, "period_ms": worst / 1e6, "age_at_first_use_p95_ms": age})
        if worst < _GAIN * without:
            found = rest
            break
    return RestAdvice(str(change), found, tuple(trials))


def _worst(
    at: KnownRun, plan: tuple[Change, ...], stated: Heading | None
) -> tuple[float, float | None]:
    """Mean period [ns] and age for the less favourable lock."""
    worst, age, plays = 0.0, None, Plays(at, plan)
    for lock in ("fair", "middle", "high"):
        played = plays.at(Setting(lock=lock))
        if played.mean_ns > worst:
            worst, run = played.mean_ns, played.run
            names = {run.names[c].name for c in np.unique(run.marks.name)} if run.marks else set()
            ages = reading_ages(run, stated)
            age = max((ages[n].p95 for n in names if n in ages), default=None)
    return worst, age
