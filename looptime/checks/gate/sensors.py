"""Readings and signals that stand still, are held too long, or never change."""

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from looptime.analysers.freshness import Freshness
from looptime.analysers.summary import Summary
from looptime.checks.gate.checked import Checked
from looptime.checks.gate.hung import Hung, hung, like, paired
from looptime.parsers.columns.lexicon import meaning
from looptime.run import Run
from looptime.signal_names import AGE, TARGET_WORDS, of_battery, words_of
from looptime.words import named

__all__ = ["sensors"]

# new values are slow at less than this share of the loop's rate, and stale if held so much longer
_STALE_RATE, _STALE_HOLD = 0.5, 5.0
# rows that tell that a value never changes, and words of what is set, counted, or is a state
_ROWS = 20
_NO_SENSOR = TARGET_WORDS | frozenset((
    "active", "alliance", "button", "count", "counter", "enabled", "err", "error", "errors",
    "faults", "flag", "flags", "gain", "id", "index", "kd", "ki", "kp", "limit", "max", "min",
    "mode", "nominal", "ok", "output", "phase", "retries", "score", "state", "status", "valid",
    "version",
))  # fmt: skip


def sensors(runs: Sequence[Run], summaries: Sequence[Summary], paths: str) -> Checked:
    """What stands still though its target moves, what the readings say, what never changed."""
    stuck = hung(runs)
    sure = [one for one in stuck if one.sure]
    if sure:
        text = "; ".join(_hung_words(one) for one in sure[:2])
        todo = f"see whether {sure[0].name} changes when what it measures is moved by hand"
        return Checked("sensors", "bad", text, todo)
    measured = [run.signals.values for run in runs if run.signals is not None]
    with_target = {name for values in measured for name in paired([*values])}  # these may rest
    found, still = _stale(summaries, paths, with_target), _still(runs, stuck)
    if found.state == "bad" or not still:
        return found
    text = f"{_still_words(runs, still)}: nothing to measure, or a sensor that hangs: can't tell"
    if found.action:
        return replace(found, text=f"{text}; {found.text}")
    todo = f"see that {still[0]} changes when what it measures is moved by hand, and log it"
    return Checked("sensors", "not judged", text, todo)


def _hung_words(one: Hung) -> str:
    text = (
        f"{one.name} hangs, or what it measures does not move: it stayed at {one.value:g} for "
        f"{one.seconds:.3g} s while its target {one.target} moved"
    )
    return f"{text} and {named(list(one.others))} followed" if one.others else text


def _still(runs: Sequence[Run], stuck: Sequence[Hung]) -> list[str]:
    """What never changed, first that whose target did, and that whose likes did."""
    still = _never_changed(runs)
    moved = {one.name for one in stuck}
    return sorted(still, key=lambda name: (name not in moved, not _moving_likes(runs, name, still)))


def _moving_likes(runs: Sequence[Run], name: str, still: Sequence[str]) -> list[str]:
    every = dict.fromkeys(n for run in runs if run.signals is not None for n in run.signals.values)
    return [other for other in like(name, list(every)) if other not in still]


def _still_words(runs: Sequence[Run], still: Sequence[str]) -> str:
    others = _moving_likes(runs, still[0], still)
    while_ = f" while {named(others)} did" if others else ""
    rest = f", nor did {named(still[1:])}" if still[1:] else ""
    return f"{named(still[:1] if others else still)} never changed{while_}{rest if others else ''}"


def _never_changed(runs: Sequence[Run]) -> list[str]:
    """Logged values that are the same from first to last and that may be measured ones."""
    found: dict[str, bool] = {}
    for run in (run for run in runs if run.signals is not None):
        assert run.signals is not None
        for name, values in run.signals.values.items():
            known = values[np.isfinite(values)]
            if len(known) >= _ROWS and _measured(name, float(known[0])):
                found[name] = found.get(name, True) and bool((known == known[0]).all())
    return [name for name, same in found.items() if same]


def _measured(name: str, value: float) -> bool:
    """Whether a value that never changes may be a sensor's: no setting, state, count or battery.

    Examples
    --------
    >>> [_measured(name, 0.0) for name in ("range_mm", "bumper", "errors", "kp", "target_speed")]
    [True, False, False, False, False]
    """
    words = set(words_of(name))
    if words & _NO_SENSOR or of_battery(name) or name.endswith(AGE):
        return False
    # a switch, a phase or a count may well be 0 or 1 for long
    return value not in (0.0, 1.0) or meaning(name) == "signal"


def _stale(summaries: Sequence[Summary], paths: str, paired_with: Collection[str] = ()) -> Checked:
    readings = [
        one
        for at in summaries
        for one in at.freshness
        if one.fresh_hz
        and one.loop_hz
        and not of_battery(one.name)  # is slow by nature
        and (one.source != "signal" or one.own_pace)  # else held by what it measures
        and (one.source != "signal" or not TARGET_WORDS & set(words_of(one.name)))  # is set
    ]
    if not readings:
        return Checked("sensors", "not judged", "no reading or signal tells when it is new")
    readings = _worst(readings)
    stuck = [one for one in readings if one.source != "signal" and _held_long(one)]
    rests = [
        one for one in readings
        if one.source == "signal" and _held_long(one) and one.name not in paired_with
    ]  # fmt: skip
    slow = [one for one in readings if _is_slow(one)]
    if stuck:
        text = "; ".join(_slow_words(one) for one in stuck[:3])
        return Checked("sensors", "bad", text, f"looptime summary --full {paths}")
    if slow:
        text = "; ".join(_slow_words(one) for one in slow[:3])
        todo = f"see whether {slow[0].name} is to be new as rarely as that"
        return Checked(
            "sensors", "not judged", f"{text}: its own pace, or too slow: can't tell", todo
        )
    if rests:
        first = rests[0]
        longest = max(one.longest_hold_loops or 0 for one in rests)
        text = (
            f"{named([one.name for one in rests])} stayed the same for up to {longest:,} loops: at "
            "rest, or a sensor that hangs: can't tell"
        )
        todo = f"see whether the robot stood still while {first.name} stayed the same"
        return Checked("sensors", "not judged", text, todo)
    many = len(readings)
    what = "1 reading or signal is" if many == 1 else f"{many} readings and signals are"
    return Checked("sensors", "ok", f"{what} new as usual")


def _worst(readings: Sequence[Freshness]) -> list[Freshness]:
    """Each reading once, from the part of the run in which it is held longest."""
    found: dict[str, Freshness] = {}
    for one in readings:
        kept = found.get(one.name)
        if kept is None or (one.longest_hold_loops or 0) > (kept.longest_hold_loops or 0):
            found[one.name] = one
    return list(found.values())


def _slow_words(one: Freshness) -> str:
    if one.source == "signal":
        return f"{one.name} is new in one of {one.hold_loops:.3g} loops"
    return (
        f"{one.name} is new {one.fresh_hz:.3g} times a second, held {one.longest_hold_loops} loops"
    )


def _is_slow(one: Freshness) -> bool:
    """Whether a reading is new far more rarely than the loop runs, as a slow sensor's is."""
    if one.source == "signal":
        return (one.hold_loops or 0.0) > 1 / _STALE_RATE
    return (one.fresh_hz or 0.0) < _STALE_RATE * (one.loop_hz or 0.0)


def _held_long(one: Freshness) -> bool:
    return (one.longest_hold_loops or 0) > _STALE_HOLD * (one.hold_loops or 1.0)
