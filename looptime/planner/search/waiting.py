"""Remedies for threads of the log that make the loop wait."""

from dataclasses import replace

import numpy as np

from looptime.planner.changes import Change
from looptime.planner.play.draft import shortened
from looptime.planner.play.replay import play
from looptime.planner.play.shared_bus import Sharing
from looptime.planner.search.look import Look, doing
from looptime.run import Run

__all__ = ["threads_in_the_way", "turns_in_the_way"]

_FEW = 500
#: Waiting as a share of the loop from which on something is done about it.
_WORTH = 0.01


def threads_in_the_way(look: Look) -> None:
    """A rest, a bus of its own, or back into the loop, for each thread for which it waits."""
    at = look.at
    if at.wait_ns is None or at.wait_ns.sum() < _WORTH * look.mean_ns * len(at.run):
        return
    for sharing in at.sharing:
        if not sharing.shares:
            continue
        for code in np.unique(sharing.code).tolist():
            call = at.run.names[code]
            if call.bus is not None and call.bus in at.wait_by_bus():
                _remedies(look, sharing, call.name)


def turns_in_the_way(look: Look) -> None:
    """A rest for each thread for whose turns to compute the loop waits."""
    at = look.at
    if at.turn_ns < _WORTH * look.mean_ns:
        return
    for sharing in at.sharing:
        if sharing.computes is None or not sharing.computes.any():
            continue
        took = np.where(sharing.computes, sharing.service, 0.0)
        code = int(np.bincount(sharing.code, took).argmax())
        name, thread = at.run.names[code].name, at.run.thread_names[sharing.thread]
        found = _rest(look, name)
        if found is None:
            look.leave(f"rest {name} ms=...", "no rest tried takes most of its turns away")
            continue
        rest, after = found
        now_hz, then_hz = _a_second(at.run, name), _a_second(after, name)
        look.add(
            [str(Change.of("rest", name, ms=rest))], [name],
            f"the loop waits {at.turn_ns / 1e6:.3g} ms a loop for turns to compute, which {name} "
            f"takes; it then runs about {then_hz:.2g} times a second, not {now_hz:.2g}", "low",
            say=f"Let thread {thread} rest {rest:g} ms between its rounds",
            check=f"see that {then_hz:.2g} of {name} a second will do; a process of its own would "
            "cost it nothing",
        )  # fmt: skip


def _remedies(look: Look, sharing: Sharing, name: str) -> None:
    thread = look.at.run.thread_names[sharing.thread]
    wait = sum(look.at.wait_by_bus().values()) / len(look.at.run) / 1e6
    why = f"the loop waits {wait:.3g} ms a loop for thread {thread}, which is on its bus"
    found = _rest(look, name)
    if found is None:
        look.leave(f"rest {name} ms=...", "no rest tried takes most of the waits away")
    else:
        rest, _ = found
        look.add(
            [str(Change.of("rest", name, ms=rest))], [name], why, "low",
            say=f"Let thread {thread} rest {rest:g} ms after each {name}",
            check=f"see that a reading up to {rest:g} ms older will do", age_of=name,
        )  # fmt: skip
    own = f"own bus of {name}"
    look.add(
        [str(Change.of("move", name, bus=own))], [name], why, "medium",
        say=f"Give {name} a bus of its own", check="see that it can be wired so",
    )  # fmt: skip
    look.add(
        [str(Change.of("unthread", name))], [name],
        f"{why}; read in the loop it costs its own time, but nobody waits", "low",
        say=f"{doing('Read', [name])} in the loop again",
        check="see that the loop can spare the time", age_of=name,
    )  # fmt: skip


def _a_second(run: Run, name: str) -> float:
    """How often a call is made [1/s]."""
    code = [call.name for call in run.names].index(name)
    return int((run.call_columns.name == code).sum()) / run.duration_s


def _rest(look: Look, name: str) -> tuple[float, Run] | None:
    """Shortest rest that takes most of the waits away [ms], and some loops played with it."""
    short = shortened(look.at, _FEW)
    free = play(short, (Change.of("drop", name),)).mean_ns
    now = float(short.run.loop_columns.period_ns.mean())
    short = replace(short, most_ns=now - 0.7 * (now - free))
    for rest in (5.0, 10.0, 20.0, 40.0, 80.0):
        plan = (Change.of("rest", name, ms=rest),)
        if (played := play(short, plan)).mean_ns < short.most_ns:
            return rest, played.run
    return None
