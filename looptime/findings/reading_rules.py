"""Findings about readings that are old or repeat, and about the threads that take them."""

from looptime.analysers.call_costs import CallCost
from looptime.analysers.freshness import Age, Freshness
from looptime.analysers.summary import Summary
from looptime.analysers.thread_rates import thread_rates
from looptime.call_words import words_in, words_of
from looptime.findings.about import (
    command,
    evidence,
    how_often,
    loop_ms,
    ms,
    ms_value,
    percent,
    three,
    typical_ms,
    with_options,
)
from looptime.findings.finding import Finding

__all__ = ["reading_findings"]

#: Share of the times from which on a rule is told as kept always.
_ALWAYS = 0.995

_HEADING = "heading_deg"


def reading_findings(at: Summary, heading_call: str | None = None) -> list[Finding]:
    """Readings that are old or repeat, and what threads keep; `heading_call` reads the heading."""
    made = _threads(at)
    ended = {(one.thread, one.call) for one in thread_rates(at.run) if one.after_ms is None}
    for f in at.freshness:
        age = f.age_at_first_use_ms if _elsewhere(at, f) else f.age_at_pickup_ms
        old = age is not None and age.p50 > typical_ms(at)
        taken = _elsewhere(at, f) and (f.thread, f.name) not in ended  # that it ended is told
        if age is not None and old and (f.source in ("handed over", "sample") or taken):
            made.append(_stale(at, f, age, heading_call))
        if f.source == "signal" and _repeats(f):
            made.append(_repeated_reading(at, f, heading_call))
    return made


def _elsewhere(at: Summary, f: Freshness) -> bool:
    """Whether another thread takes a reading, at less than the loop's pace."""
    other = f.source == "read" and f.thread != at.run.thread_names[at.run.loop_thread]
    return other and ms_value(f.fresh_hz) < ms_value(f.loop_hz)


def _repeats(f: Freshness) -> bool:
    """Whether a signal comes from a sensor that is slower than the loop.

    It holds its value for loops at a time, for as many each time: a robot that stands still holds
    it too, for as long as it stands, and a value that hardly moves for as long as that takes.
    """
    if f.even_share is None:
        return False
    held = 2 <= (f.hold_loops or 0.0) <= 100 and f.changes >= 20 and (f.repeat_share or 0.0) > 0.4
    return held and (f.name == _HEADING or f.own_pace)


def _stale(at: Summary, f: Freshness, age: Age, heading_call: str | None) -> Finding:
    from looptime.signal_names import HEADING_WORDS  # few logs have such a reading

    is_heading = f.name == heading_call or any(word in f.name.lower() for word in HEADING_WORDS)
    closer = command(at, "plan")
    timed = any(call.name == f.name and call.count for call in at.costs.calls)
    if is_heading and timed:  # named, for the heading may be taken from another call
        closer = with_options(command(at, "heading"), [("--read-call", f.name)])
    when = "it is picked up"
    if f.source == "sample":
        when = "the loop looks"
    elif f.source != "handed over":
        when = f"first used, if the loop takes thread {f.thread}'s newest"
    text = (
        f"{_called(f)} is {ms(age.p50)} old when {when} ({ms(age.p90)} in one of ten loops): "
        f"{three(ms_value(f.fresh_hz))} new readings a second in a loop of "
        f"{three(ms_value(f.loop_hz))}."
    )
    # a slow sensor's thread is meant to be slow; what is old in use matters to the heading first
    level = "look" if is_heading or f.source == "handed over" else "note"
    calls = [] if f.source == "sample" else [f.name]
    return Finding(
        "stale_reading", level, text, age.p50, "ms", high=age.p90,
        evidence=evidence(at, calls=calls, n_loops=f.uses), command=closer,
        worth=0.06 * min(age.p50 / typical_ms(at), 5.0), moves=True,
        rests_on={"usual_ms": age.p50, "largest_ms": age.max, "share": f.repeat_share},
    )  # fmt: skip


def _called(f: Freshness) -> str:
    """What a reading is called: of a sample, without what says that it is an age."""
    if f.source != "sample":
        return f.name
    from looptime.signal_names import AGE  # few logs have such a reading

    return f.name.removesuffix(AGE)


def _repeated_reading(at: Summary, f: Freshness, heading_call: str | None) -> Finding:
    hold, share = ms_value(f.hold_loops), ms_value(f.repeat_share)
    text = (
        f"{f.name} stays the same for {three(hold)} loops at a time (longest "
        f"{f.longest_hold_loops}): {three(ms_value(f.fresh_hz))} new values a second in a loop of "
        f"{three(ms_value(f.loop_hz))}, {percent(share)} of the readings repeat the last."
    )
    is_heading, reader = f.name == _HEADING, _reader(at, f.name, heading_call)
    saved = 0.0
    if reader is not None:
        saved = reader.self_ms_per_loop * share
        text += (
            f" {reader.name} reads it, {ms(reader.self_ms_per_loop)} a loop: reading it every "
            f"{three(hold)} loops would spare {ms(saved)} of these, with values up to so many "
            "loops older; a thread of its own would spare all."
        )
    worth = saved / loop_ms(at)
    if is_heading:
        worth = max(worth, 0.06 * min(hold, 5.0))
    return Finding(
        "stale_signal" if is_heading else "repeated_reading",
        "look" if is_heading or worth >= 0.02 else "note", text, f.fresh_hz, "1/s",
        evidence=evidence(at, calls=[reader.name] if reader else [], n_loops=f.uses),
        command=command(at, "heading" if is_heading else "plan"), worth=max(worth, 0.002),
        moves=True,
        rests_on={"fresh_hz": f.fresh_hz, "loop_hz": f.loop_hz, "hold": hold, "of": f.uses,
                  "share": share, "saving_ms": saved, "whole_ms": loop_ms(at)},
    )  # fmt: skip


def _reader(at: Summary, signal: str, heading_call: str | None) -> CallCost | None:
    """The call of the loop that reads a signal: stated, or the one whose name begins as it does."""
    from looptime.signal_names import HEADING_WORDS  # few logs have such a signal

    calls = [c for c in at.costs.calls if c.on_loop_thread and c.share is not None]
    if signal == _HEADING:
        if heading_call is not None:
            return next((c for c in calls if c.name == heading_call), None)
        found = [c for c in calls if any(word in c.name.lower() for word in HEADING_WORDS)]
    else:
        begins = set(words_in(signal)[:1])
        found = [c for c in calls if begins & words_of(c.name)]
    return found[0] if len(found) == 1 else None


def _threads(at: Summary) -> list[Finding]:
    """The rhythm that a thread beside the loop keeps."""
    made = []
    for r in at.recurrence.threads:
        begins = f"begins {r.call} {how_often(r)}"
        if r.follows:
            begins = f"waits for the loop: {r.call} follows the end of {r.follows} {how_often(r)}"
            begins += "" if r.explained_share > _ALWAYS else " as a rule"
        text = f"Thread {r.thread} {begins}: {r.count:,} turns of about {ms(r.height_ms)}."
        made.append(
            Finding(
                "thread_rhythm", "note", text, r.every_ms, "ms",
                evidence=evidence(at, calls=[r.call] if r.call else [], n_loops=r.count),
                command=command(at, "plan"), worth=0.003,
                rests_on={"count": r.count, "possible": r.possible},
            )
        )  # fmt: skip
    return made
