"""Findings about loops that take longer than the others."""

from collections.abc import Sequence

import numpy as np

from looptime.analysers.at_stalls import marks_of_stalls
from looptime.analysers.pauses import Pauses
from looptime.analysers.recurs import Recurrence
from looptime.analysers.slow import SlowEvent
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    evidence,
    how_often,
    longest_ms,
    ms,
    n_calls,
    stalls_worth,
    typical_ms,
)
from looptime.findings.culprit_rules import (
    beside_late,
    culprits,
    first_loops,
    hidden_turns,
    made_up,
    made_up_ms,
)
from looptime.findings.finding import Finding
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles
from looptime.words import listed

__all__ = ["slow_findings"]

_LEAST_HEIGHT = 0.1
_FEWEST, _FEWEST_FAR = 5, 3
#: A single loop is told that takes so many usual ones, and so much longer [ms]; where others are
#: told of, by so many times as much as all but a few.
_LONE, _LEAST_LONE_MS, _BY_FAR, _FEW_LONG = 10.0, 50.0, 3.0, 3


def slow_findings(at: Summary) -> list[Finding]:
    """Stalls that come back, pauses of no call, culprits of slow loops, whole freezes."""
    frozen = _frozen(at)
    of_all = [r for r in at.recurrence.found if r.call and _met(r, frozen)]
    made = _alternating(at)
    made += [f for r in at.recurrence.found if r not in of_all and not r.alternates_with
             and (f := _recurring(at, r)) is not None]  # fmt: skip
    explained = {name for r in at.recurrence.found if not r.alternates_with for name in r.names}
    explained |= {b.name for b in at.blocking if any(s.code == "timeout" for s in b.signs)}
    nameless = any(not r.names for r in at.recurrence.found)
    if not nameless:
        made += _pauses(at)
    made += _at_once(at, frozen, of_all)
    if not nameless:
        made += culprits(at, explained)
    made += _marked(at, made) + hidden_turns(at, explained)
    return made + _longest(at, bool(made)) + _clock_set(at)


def _alternating(at: Summary) -> list[Finding]:
    if not any(r.alternates_with for r in at.recurrence.found):
        return []
    from looptime.findings.alternating_rules import alternating_findings  # few logs have such calls

    return alternating_findings(at)


def _marked(at: Summary, told: Sequence[Finding]) -> list[Finding]:
    """What the log's other columns do in the slow loops and hardly elsewhere."""
    marks = marks_of_stalls(at.run, at.slow.is_slow)
    large = [e for e in at.slow.events if e.beyond_ms >= _LEAST_HEIGHT * typical_ms(at)]
    if not marks or not large:
        return []
    one = marks[0]
    if any(one.signal in entry.partners for entry in at.contention.found):
        return []  # which call waits for it, and how long, is told
    middle = sorted(e.beyond_ms for e in large)[len(large) // 2]
    where = "in no other" if not one.elsewhere else f"in {one.elsewhere} of all others"
    text = (
        f"{one.signal} {one.what} in {one.slow} of the {one.of} slow loops and {where}: look at "
        f"what it stands for, before them or because of them; each is {ms(middle)} longer as a "
        "rule."
    )
    worth = stalls_worth(at, middle, sum(e.beyond_ms for e in large) / max(at.pace.loops, 1))
    below = [f.worth for f in told if f.evidence.calls]
    return [
        Finding(
            "signal_at_stalls", "look", text, middle, "ms",
            evidence=evidence(at, first_loops(large), n_loops=one.slow),
            command=command(at, "slow", "--top 20"),
            worth=min([1.01 * worth, *(0.95 * w for w in below)]),
            rests_on={"count": one.slow, "of": one.of, "usual_ms": middle,
                      "largest_ms": max(e.beyond_ms for e in large)},
        )
    ]  # fmt: skip


def _longest(at: Summary, others_told: bool) -> list[Finding]:
    """The longest loop by far, or a few: which call held it up, and when."""
    x, usual = at.basis.judged_ms, typical_ms(at)
    k = int(np.argmax(x))
    more = float(x[k]) - usual
    one = median(at.basis.period_ms) if at.basis.judged == "work" else usual
    if len(x) < _FEWEST or more < _LEAST_LONE_MS or float(x[k]) < _LONE * one:
        return []
    alike = _as_long(at, k, usual, more / _BY_FAR) if others_told else 1
    if alike > _FEW_LONG or (at.warmup.kept and k < at.warmup.loops):  # told as warm-up
        return []
    name, where = _in_call(at, k, more)
    when = (at.run.loop_columns.start_ns[k] - at.basis.origin_ns) / 1e9
    took, ones = ms(float(x[k])), "usual ones"
    if at.basis.judged == "work":
        took, ones = f"{took} of work", f"periods of {ms(one)}"
    who, longest = (
        ("One loop took", "") if alike == 1 else (f"{alike} loops took up to", "the longest ")
    )
    # of one that a call or the work was timed in, another clock than that of the stamps tells
    maybe_set = alike == 1 and not name and at.basis.judged != "work"
    text = (
        f"{who} {took}, {float(x[k]) / one:.3g} {ones}{where}, {longest}at {when:.4g} s: "
        f"see what the robot did then{', or whether its clock was set' if maybe_set else ''}."
    )
    number = int(at.run.loop_columns.loop[k])
    return [Finding(
        "lone_stall", "look", text, float(x[k]), "ms",
        evidence=evidence(at, (number,), name, alike), command=command(at, "slow", "--top 20"),
        worth=stalls_worth(at, more, more / len(x)),
        rests_on={"usual_ms": usual, "largest_ms": float(x[k]), "calls_logged": n_calls(at)},
    )]  # fmt: skip


def _clock_set(at: Summary) -> list[Finding]:
    """Where the clock was set, as the loop's own waiting tells; it is in no figure."""
    made = []
    for jump in at.run.clock.jumps:
        if jump.get("loop") is None:
            continue
        more = float(str(jump["size_ns"])) / 1e6
        note = str(jump["note"])
        made.append(Finding(
            "clock_set", "look", f"{note[0].upper()}{note[1:]}; no figure counts that time.", more,
            "ms", evidence=evidence(at, (int(str(jump["loop"])),), (), 1),
            command=command(at, "slow", "--top 20"), worth=0.03,
            rests_on={"largest_ms": longest_ms(at), "calls_logged": n_calls(at)},
        ))  # fmt: skip
    return made


def _in_call(at: Summary, k: int, more: float) -> tuple[tuple[str, ...], str]:
    """The call that holds half of what a loop took longer [ms], and in words; none of no calls."""
    counted = np.flatnonzero(at.basis.counted)
    own = {code: float(at.basis.table.series(code)[k]) / 1e6 for code in counted.tolist()}
    code = max(own, key=lambda c: own[c], default=-1)
    if own and own[code] >= 0.5 * more:
        name = at.run.names[code].name
        return (name,), f", {ms(own[code])} of it in {name}"
    return (), ", most of it in no timed call" if own else ""


def _as_long(at: Summary, k: int, usual: float, least_ms: float) -> int:
    """In how many events a loop, that loop included, is longer than usual by more than that."""
    number = int(at.run.loop_columns.loop[k])
    return 1 + sum(e.worst_ms - usual > least_ms for e in at.slow.events
                   if e.index != k and not e.first <= number <= e.last)  # fmt: skip


def _recurring(at: Summary, r: Recurrence) -> Finding | None:
    cost = r.height_ms * r.count / max(at.pace.loops, 1)
    if r.height_ms < _LEAST_HEIGHT * typical_ms(at):
        return None
    often, spare = how_often(r), made_up_ms(at, r.height_ms)
    if r.call and r.mechanism == "held":
        often += (
            ", when another thread or device lets go of what it waits for: wherever its long turns "
            "begin, they end that long after one another"
        )
    if r.call and spare:
        text = f"{r.call} takes {ms(r.height_ms)} more {often}{made_up(spare)}"
    elif r.call:
        text = f"{r.call} stalls the loop for {ms(r.height_ms)} {often}."
    elif r.together:
        text = (
            f"The loop takes {ms(r.height_ms)} more {often}, in the same calls each time: "
            f"{listed(r.together)}."
        )
    elif not at.costs.calls:
        text = f"The loop stalls for {ms(r.height_ms)} {often}; the log has no calls to say where."
    elif r.parts and r.parts[0].name == UNATTRIBUTED and n_calls(at) < 2:
        only = next((c.name for c in at.costs.calls if c.on_loop_thread), "other threads")
        text = (
            f"The loop stalls for {ms(r.height_ms)} {often}, outside {only}, which is all that the "
            "log times: time the other calls."
        )
    elif r.parts and r.parts[0].name == UNATTRIBUTED:
        text = (
            f"The loop stalls for {ms(r.height_ms)} {often}, in no timed call: time more of it, or "
            "look at collection of memory and at other processes."
        )
    elif r.parts and r.parts[0].ms >= 0.5 * sum(p.ms for p in r.parts if p.ms > 0):
        text = (
            f"The loop stalls for {ms(r.height_ms)} {often}, mostly in {r.parts[0].name}, "
            "whose own time shows no such rule."
        )
    else:
        text = (
            f"The loop stalls for {ms(r.height_ms)} {often}, in whatever call happens to run: "
            "something outside the calls, such as collection of memory or another process."
        )
    calls = (r.call,) if r.call else r.together[:10]
    return Finding(
        "recurring_stall", "look", text,
        r.height_ms, "ms", evidence=evidence(at, r.loops, calls, r.count),
        command=command(at, "slow", "--top 20"),
        worth=stalls_worth(at, r.height_ms, cost) * beside_late(at, r.height_ms),
        moves=r.call is not None,
        rests_on={
            "count": r.count, "possible": r.possible, "explained_share": r.explained_share,
            "usual_ms": r.height_ms, "largest_ms": longest_ms(at), "calls_logged": n_calls(at),
        },
    )  # fmt: skip


def _pause_words(p: Pauses) -> str:
    """What strikes now one call, now another; from outside only where a test says so."""
    often = f"one in {ms(1e3 * p.every_s)} on average"
    stalls = f"of about {ms(p.median_ms)} (longest {ms(p.longest_ms)}), {often},"
    if p.source == "outside":
        return (
            f"{p.count} pauses {stalls} hit whatever call happens to run"
            f"{', and the pacing wait' if p.in_wait else ''}: something outside the calls, such as "
            "collection of memory or another process."
        )
    names = ["time in no call" if name == UNATTRIBUTED else name for name in p.calls]
    where = f"{p.count} stalls {stalls} are spread over {listed(names)}"
    if p.source == "own":
        return f"{where}: each has rare long turns of its own."
    if p.source == "several":
        return f"{where} and differ in length between them: there is more than one cause."
    return f"{where}: can't tell whether each has rare long turns or all are held up together."


def _of_others(at: Summary, p: Pauses) -> bool:
    """Whether pauses are no more than waiting for another thread."""
    if not at.contention.found:
        return False
    from looptime.analysers.echoes import for_others  # most logs are of one thread

    return for_others(at.run, at.contention, p.calls, p.ms_per_loop, p.loops, p.median_ms)


def _pauses(at: Summary) -> list[Finding]:
    p = at.recurrence.pauses
    if p is None or _of_others(at, p):
        return []
    text = _pause_words(p)
    return [
        Finding(
            "pauses", "look", text, p.median_ms, "ms", high=p.longest_ms,
            evidence=evidence(at, p.loops, n_loops=p.count),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, p.median_ms, p.ms_per_loop) * beside_late(at, p.median_ms),
            rests_on={
                "count": p.count, "of": at.pace.loops, "usual_ms": p.median_ms,
                "largest_ms": p.longest_ms, "every_s": p.every_s,
                "duration_s": at.pace.duration_s, "calls_logged": n_calls(at),
            },
        )
    ]  # fmt: skip


def _frozen(at: Summary) -> list[SlowEvent]:
    """Events in which every call stretched at once; none where they are too few to speak of."""
    events = [e for e in at.slow.events if e.cause == "everything at once"]
    # work that merely scatters widely is no freeze: it must stand far outside the usual range
    middle, high = (max(q, 1e-9) for q in percentiles(at.basis.judged_ms, [50, 95]))
    far = max(1.5 * middle, middle * (high / middle) ** 3)  # 5 sd of a lognormal
    events = [e for e in events if e.worst_ms >= far]
    return events if len(events) >= _FEWEST_FAR else []


def _met(r: Recurrence, events: list[SlowEvent]) -> bool:
    """Whether what comes back does so in these events."""
    return len(set(r.loops) & set(first_loops(events))) >= 0.8 * max(len(set(r.loops)), 1)


def _at_once(at: Summary, events: list[SlowEvent], same: Sequence[Recurrence]) -> list[Finding]:
    """Whole freezes, with the rhythm of the calls that come back in them."""
    if not events:
        return []
    often = f", {how_often(same[0])}," if same else ""
    middle = sorted(e.beyond_ms for e in events)[len(events) // 2]
    text = (
        f"{len(events)} times{often} every call stretched at once, by {ms(middle)} in all: the "
        "whole process was slowed or held up, no single call is to blame."
    )
    return [
        Finding(
            "everything_at_once", "look", text, middle, "ms",
            evidence=evidence(at, first_loops(events), n_loops=len(events)),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, middle * len(events) / max(at.pace.loops, 1)),
            rests_on={
                "count": len(events), "of": len(at.slow.events), "usual_ms": middle,
                "largest_ms": max(e.beyond_ms for e in events),
            },
        )
    ]  # fmt: skip
