"""Findings about calls of the loop that wait for other threads."""

from collections.abc import Sequence

from looptime.analysers.blocking import BLOCKING_KINDS
from looptime.analysers.contention import Contention, Disagreement, ResultWait
from looptime.analysers.summary import Summary
from looptime.call_words import of_locks
from looptime.findings.about import (
    command,
    ease,
    evidence,
    loop_ms,
    ms,
    percent,
    stalls_worth,
    three,
)
from looptime.findings.finding import Evidence, Finding
from looptime.words import named

__all__ = ["BLOCKING_SHARE", "contention_findings", "waited_for"]

#: From which share of the loop on a blocking call is told.
BLOCKING_SHARE = 0.2
#: Waiting as a share of the loop below which it is only noted.
_LEAST = 0.01
#: Waits in fewer loops than this are told with their length: they are stalls.
_MOST_LOOPS = 0.5
#: Of all waiting, what a call waits from which on it is named.
_NAMED = 0.01
#: Share of what a call costs in slow loops from which on a wait is most of it.
_MOST_OF = 0.5


def contention_findings(at: Summary) -> list[Finding]:
    """Waits for other threads, and labels of buses that the times contradict."""
    made = [_waits(at, entry) for entry in at.contention.found]
    made += [f for r in at.contention.results if (f := _result(at, r)) is not None]
    return made + _doubts(at.contention.disagreements)


def waited_for(at: Summary, call: str, cost_ms: float) -> str:
    """What a call waits for on another thread, where that is most of what it costs a loop [ms]."""
    names = [one.name for one in at.run.names]
    asks = (call, "wait") in zip(names, of_locks(names), strict=True)
    for entry in at.contention.found:  # where it asks, the calls that it is part of wait
        if (asks or call in entry.calls) and (
            entry.wait_ms_per_loop.value or 0.0
        ) >= _MOST_OF * cost_ms:
            return f", waiting for {named(entry.partners)} on thread {entry.thread}"
    for ends in at.contention.results:
        if ends.call == call and ends.wait_ms_per_loop >= _MOST_OF * cost_ms and not ends.by_turns:
            return f"; it ends when {ends.partner} on thread {ends.thread} does"
    return ""


def _waits(at: Summary, entry: Contention) -> Finding:
    wait = entry.wait_ms_per_loop
    total = loop_ms(at)
    share = min((wait.value or 0.0) / total, 1.0)
    calls = _waiting(entry)
    verb = "waits" if len(calls) == 1 else "wait"
    shown = {"labels": "as labelled", "timing": "by the times"}
    why = shown.get(entry.source, "by labels and times")
    others = f"{named(entry.partners)} on thread {entry.thread}"
    text = (
        f"{named(calls)} {verb} {ms(wait.value or 0.0)} a loop ({three(wait.low or 0.0)} to "
        f"{three(wait.high or 0.0)}), {percent(share)} of it, for {others}"
    )
    if entry.waits_in_share < _MOST_LOOPS:
        rate = percent(entry.waits_in_share)
        text += f", {ms(entry.wait_ms_p50)} each in {rate} of the loops"
    if entry.lock == "interpreter":
        text += _turns(entry)
    elif (wait.low or 0.0) > 0:
        text += f": they share a lock or bus ({why})."
    else:
        text += f": they likely share a lock or bus, or one waits for the other ({why})."
    blocks = _blocked(at, entry) if share >= _LEAST else 0.0
    if blocks > share:  # told here and nowhere else
        it = "it takes" if len(calls) == 1 else "they take"
        all_of = sum(c.share or 0.0 for c in at.costs.rows if c.name in calls)
        text += f" In all {it} {percent(all_of)}."
    if share >= _LEAST:
        text += _way_out(entry)
    return Finding(
        "thread_wait", "look" if share >= _LEAST else "note", text, wait.value, "ms/loop",
        low=wait.low, high=wait.high,
        evidence=evidence(at, calls=(*entry.calls[:9], entry.partners[0])),
        command=command(at, "plan"), moves=True,
        worth=max(stalls_worth(at, entry.wait_ms_p50, wait.value or 0.0), blocks) * ease(at),
        rests_on={"share": share, "part_ms": wait.value or 0.0, "whole_ms": total},
    )  # fmt: skip


def _waiting(entry: Contention) -> list[str]:
    """The calls that make up the waiting, without those that hardly ever wait."""
    least = _NAMED * (entry.wait_ms_per_loop.value or 0.0)
    some = [one.name for one in entry.by_call if (one.wait_ms_per_loop.value or 0.0) >= least]
    return some or list(entry.calls)


def _turns(entry: Contention) -> str:
    """Why calls wait for turns: as it is stated, or as their lengths let one think."""
    if entry.source != "timing":
        turns = (
            f", {ms(entry.turn_ms)} each."
            if entry.turn_ms is not None
            else (f", and {named(entry.partners)} may keep the turn until the call ends.")
        )
        return f": threads take turns to compute here{turns}"
    why = "each of them ends with it where that computes as they return"
    if entry.turn_ms is not None:
        they = "it lasts" if len(_waiting(entry)) == 1 else "they last"
        why = f"{they} {ms(entry.turn_ms)} longer where that goes on as the call returns"
    return (
        f", likely for its turn to compute: {why}, as with one interpreter's lock or one processor "
        '(if so, say threads = "take turns" under [loop] in looptime.toml).'
    )


def _way_out(entry: Contention) -> str:
    if entry.lock == "interpreter":
        return " Rests between its computing, shorter turns or a process of its own free the loop."
    return " A rest between its calls, or a bus of its own, frees the loop."


def _blocked(at: Summary, entry: Contention) -> float:
    """Share of the loop in those of the waiting calls that would be told as blocking it."""
    kinds = (c for c in at.costs.rows if c.name in entry.calls and c.kind in BLOCKING_KINDS)
    return sum(c.share for c in kinds if c.share is not None and c.share >= BLOCKING_SHARE)


def _result(at: Summary, entry: ResultWait) -> Finding | None:
    """A call that ends when another thread's does: for its result, or for the processor."""
    total = loop_ms(at)
    share = min(entry.wait_ms_per_loop / total, 1.0)
    if share < _LEAST:
        return None
    text = (
        f"{entry.call} ends when {entry.partner} on thread {entry.thread} does, in "
        f"{percent(entry.calls_share)} of its calls: {ms(entry.wait_ms_per_loop)} a loop, "
        f"{percent(share)} of it, in which the loop waits for "
    )
    if entry.by_turns:
        text += "the processor that both use, as other calls of the loop end so, too."
    else:
        text += (
            "its result, or for the processor that both use, unless it is the other that waits "
            "for the loop. If it is a result, taking the newest there is, instead of waiting for "
            "the next, frees the loop."
        )
    return Finding(
        "result_wait", "note" if entry.by_turns else "look", text,
        entry.wait_ms_per_loop, "ms/loop",
        evidence=evidence(at, calls=(entry.call, entry.partner)),
        command=command(at, "slow", "--top 20"), moves=True,
        worth=stalls_worth(at, entry.wait_ms_p50, entry.wait_ms_per_loop) * ease(at),
        rests_on={"share": share, "part_ms": entry.wait_ms_per_loop, "whole_ms": total},
    )  # fmt: skip


def _doubts(found: Sequence[Disagreement]) -> list[Finding]:
    """One note for each way in which labels and times differ."""
    made = []
    for thread in dict.fromkeys(d.thread for d in found):
        for labelled in ("one bus", "two buses"):
            mine = [d for d in found if d.thread == thread and d.labelled == labelled]
            if mine:
                made.append(_doubt(mine))
    return made


def _doubt(mine: Sequence[Disagreement]) -> Finding:
    calls = list(dict.fromkeys(d.call for d in mine))
    partners = named(list(dict.fromkeys(d.partner for d in mine)))
    where = f"{partners} on thread {mine[0].thread}"
    if mine[0].labelled == "one bus":
        text = (
            f"{named(calls)} and {where} are served at the same time, though they are labelled "
            "one bus: is one of them on another bus?"
        )
        return Finding(
            "bus_label", "note", text, evidence=_of(calls, mine), worth=0.005,
            rests_on={"meetings": max(d.meetings for d in mine)},
        )  # fmt: skip
    wait = sum(d.wait_ms_per_loop or 0.0 for d in mine)
    text = (
        f"By the times, {named(calls)} would wait {ms(wait)} a loop for {where}, though they are "
        "labelled two buses: is a label wrong, or do they share another lock?"
    )
    return Finding(
        "bus_label",
        "note",
        text,
        wait,
        "ms/loop",
        evidence=_of(calls, mine),
        worth=0.006,
        rests_on={"meetings": max(d.meetings for d in mine), "wait_ms": wait},
    )


def _of(calls: Sequence[str], mine: Sequence[Disagreement]) -> Evidence:
    return Evidence(calls=tuple(calls[:10]), n_loops=max(d.meetings for d in mine))
