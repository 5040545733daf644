"""Threads of a log that are seen to take turns with the loop, where nobody says that they do."""

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.analysers.thread_rule import ThreadRule
from looptime.planner.answer.cases import CASES, Case
from looptime.planner.answer.prediction import Prediction, UnknownTurns, either, verdict
from looptime.planner.changes import Change
from looptime.planner.known.call_clock import as_in
from looptime.planner.play.draft import KnownRun, known
from looptime.planner.play.recorded import THREAD_VERBS
from looptime.planner.play.replay import turns_off
from looptime.records import dataclass
from looptime.words import named, percent

__all__ = ["InTurn", "in_turn", "or_in_turn"]

#: Where turns come out so far off the log with no change, nothing is played with them.
_FAR_OFF = 0.2


@dataclass(frozen=True)
class InTurn:
    """A run whose threads take the turns that are seen in its log."""

    known: KnownRun
    calls: tuple[str, ...]  #: Of such threads, those that changes are about
    off: float  #: By which share loops come out longer than recorded, with no change


def in_turn(at: KnownRun, changes: Sequence[Change]) -> InTurn | None:
    """The same run with turns, where a change is about a thread that is seen to take them.

    Parameters
    ----------
    at : KnownRun
        A run in which what the loop waits for such turns stays as recorded.
    changes : sequence of Change
        What is to be played.

    Returns
    -------
    InTurn or None
        None where turns are played already, surely not taken, not seen, or come out wrong.
    """
    played = at.threads.mode == "take turns" and at.plays_turns
    about = [c for c in changes if c.verb in THREAD_VERBS]
    if played or at.threads.mode == "at once" or not about or not at.sharing:
        return None
    rule = ThreadRule("take turns", at.threads.switch_ms, "the log", at.threads.switch_stated)
    made = known(at.run, at.buses, at.recurs, at.seen, rule)
    there = {int(c) for s in made.sharing if s.computes is not None for c in s.code[s.computes]}
    names = [call.name for call in at.run.names]
    patterns = [p for change in about for p in change.patterns]
    found = [c for c in sorted(there) if any(names[c] == p or fnmatchcase(names[c], p)
             for p in patterns)]  # fmt: skip
    if not found:
        return None
    off = turns_off(made)
    if abs(off) > _FAR_OFF:
        return None
    # waits for turns look like waits for devices where they are not told apart
    timed = replace(at.rhythms, calls=tuple(at.rhythms.by_time()))
    made = replace(made, rhythms=as_in(made.rhythms, timed))
    return InTurn(made, tuple(names[c] for c in found), off)


def or_in_turn(found: Prediction, told: Prediction, turns: InTurn, stated: bool) -> Prediction:
    """A prediction that holds what comes of a plan if threads take the turns that are seen.

    Parameters
    ----------
    found, told : Prediction
        With waits as recorded, and with turns played anew.
    turns : InTurn
        What `told` was played with.
    stated : bool
        Whether it is stated that threads take turns.
    """
    mean_ns = float(np.mean(turns.known.run.loop_columns.period_ns))
    off_ms = turns.off * mean_ns / 1e6
    ends = [v + d for v in (told.change_ms.low, told.change_ms.high) if v is not None
            for d in (0.0, -off_ms)]  # fmt: skip
    change = Figure((told.change_ms.value or 0.0) - off_ms, min(ends), max(ends))
    other = replace(
        told, change_ms=change, unknown_buses=found.unknown_buses, unknown_turns=found.unknown_turns
    )
    calls = named(turns.calls)
    why = (
        f"{calls} is seen to hold the loop up by its turns to compute: with them played anew loops "
        f"come out {percent(abs(turns.off))} {'longer' if turns.off > 0 else 'shorter'} than "
        "recorded with no change, and the range holds as much"
    )
    if stated:
        return _of_turns(found, other, why)
    made = either(found, other, (why,))
    if made.unknown_turns is not None:
        return made
    made = replace(made, unknown_turns=UnknownTurns(turns.calls, found.change_ms, change))
    if made.lies_open != "turns":
        return made
    at_once, in_turns = CASES["turns"]
    return replace(made, cases=(Case(at_once, found.change_ms, found.predicted),
                                Case(in_turns, change, told.predicted)))  # fmt: skip


def _of_turns(found: Prediction, other: Prediction, why: str) -> Prediction:
    """What comes of turns that are surely taken, from the mean that was recorded."""
    change, was = other.change_ms, found.baseline.period_ms["mean"].value or 0.0
    after = other.predicted
    if found.judged == "period" and change.low is not None and change.high is not None:
        least, middle, most = (was + ms for ms in (change.low, change.value or 0.0, change.high))
        after = replace(
            after, period_ms={**after.period_ms, "mean": Figure(middle, least, most)},
            rate_hz=Figure(*(1e3 / ms if ms > 0 else None for ms in (middle, most, least))),
        )  # fmt: skip
    return replace(other, predicted=after, verdict=verdict(change), warnings=(*other.warnings, why))
