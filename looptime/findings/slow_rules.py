"""Findings about loops that take longer than the others."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from looptime.analysers.at_stalls import marks_of_stalls
from looptime.analysers.pauses import Pauses
from looptime.analysers.recurs import Recurrence
from looptime.analysers.slow import SlowEvent, slow_events
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    evidence,
    how_often,
    longest_ms,
    ms,
    n_calls,
    percent,
    stalls_worth,
    typical_ms,
)
from looptime.findings.contention_rules import waited_for
from looptime.findings.finding import Finding
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import median
from looptime.stats.beta import binomial_at_least
from looptime.stats.quantiles import percentiles
from looptime.words import listed

__all__ = ["slow_findings"]

_LEAST_HEIGHT = 0.1
_FEWEST, _FEWEST_FAR = 5, 3
#: A stall is far from what is usual if it adds so many usual loops.
_FAR = 2.0
#: What a stall that makes no loop late counts of one that does.
_SWALLOWED = 0.4
#: Share of the period from which on what it hides is told, and of how many calls.
_HIDDEN, _MOST_HIDDEN = 0.1, 2
#: Share of the time, and of the slow events, from which on a call holds most of both; so many of
#: them, and how long they are beside the usual loop.
_LARGEST, _MANY, _LEAST_OF_LARGEST = 0.75, 8, 0.2
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
    explained |= _with_timeouts(at)
    nameless = any(not r.names for r in at.recurrence.found)
    if not nameless:
        made += _pauses(at)
    made += _at_once(at, frozen, of_all)
    if not nameless:
        made += _culprits(at, explained)
    made += _marked(at, made) + _hidden(at, explained)
    return made + _longest(at, bool(made)) + _clock_set(at)


def _alternating(at: Summary) -> list[Finding]:
    if not any(r.alternates_with for r in at.recurrence.found):
        return []
    from looptime.findings.alternating_rules import alternating_findings  # few logs have such calls

    return alternating_findings(at)


def _marked(at: Summary, told: Sequence[Finding]) -> list[Finding]:
    """What the log's other columns do in the slow loops and hardly elsewhere."""
    marks = marks_of_stalls(at.run, at.slow.is_slow)
    large = [e for e in at.slow.events if e.excess_ms >= _LEAST_HEIGHT * typical_ms(at)]
    if not marks or not large:
        return []
    one = marks[0]
    if any(one.signal in entry.partners for entry in at.contention.found):
        return []  # which call waits for it, and how long, is told
    middle = sorted(e.excess_ms for e in large)[len(large) // 2]
    where = "in no other" if not one.elsewhere else f"in {one.elsewhere} of all others"
    text = (
        f"{one.signal} {one.what} in {one.slow} of the {one.of} slow loops and {where}: look at "
        f"what it stands for, before them or because of them; each is {ms(middle)} longer as a "
        "rule."
    )
    worth = stalls_worth(at, middle, sum(e.excess_ms for e in large) / max(at.pace.loops, 1))
    below = [f.worth for f in told if f.evidence.calls]
    return [
        Finding(
            "signal_at_stalls", "look", text, middle, "ms",
            evidence=evidence(at, _loops(large), n_loops=one.slow),
            command=command(at, "slow", "--top 20"),
            worth=min([1.01 * worth, *(0.95 * w for w in below)]),
            rests_on={"count": one.slow, "of": one.of, "usual_ms": middle,
                      "largest_ms": max(e.excess_ms for e in large)},
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


def _with_timeouts(at: Summary) -> set[str]:
    return {b.name for b in at.blocking if any(s.code == "timeout" for s in b.signs)}


def _own_events(at: Summary, events: list[SlowEvent]) -> list[SlowEvent]:
    """Those whose culprit does not merely wait while another thread is at its own call."""
    waits = at.contention.wait_ms
    might = [e for e in events if waits.get(e.culprit)]
    if not might:
        return events
    from looptime.analysers.echoes import others_ms  # most logs are of one thread

    met = others_ms(at.run, at.contention, np.array([e.index for e in might], np.int64))
    waited = {e.index for e, ms in zip(might, met, strict=True) if ms >= 0.5 * e.parts[0].ms}
    return [e for e in events if e.index not in waited]


def _swallowed(at: Summary, height_ms: float) -> float | None:
    """The usual headroom [ms] of a paced loop that a stall fits into and thus makes no loop late.

    It need not be there in a loop that is long anyway: what fits it only just is not swallowed.
    """
    head = at.pace.headroom_ms
    left = head["p50"].value if head else None
    return left if left is not None and height_ms <= 0.8 * left else None


def _less(at: Summary, height_ms: float) -> float:
    """What stalls of that height count of ones that make loops late."""
    return 1.0 if _swallowed(at, height_ms) is None else _SWALLOWED


def _made_up(spare: float | None) -> str:
    """How a sentence ends about a stall that the pacing wait makes up for, or does not."""
    return f"; as a rule the pacing wait, {ms(spare)}, makes up for it." if spare else "."


def _recurring(at: Summary, r: Recurrence) -> Finding | None:
    cost = r.height_ms * r.count / max(at.pace.loops, 1)
    if r.height_ms < _LEAST_HEIGHT * typical_ms(at):
        return None
    often, spare = how_often(r), _swallowed(at, r.height_ms)
    if r.call and r.mechanism == "held":
        often += (
            ", when another thread or device lets go of what it waits for: wherever its long turns "
            "begin, they end that long after one another"
        )
    if r.call and spare:
        text = f"{r.call} takes {ms(r.height_ms)} more {often}{_made_up(spare)}"
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
        worth=stalls_worth(at, r.height_ms, cost) * _less(at, r.height_ms),
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
            worth=stalls_worth(at, p.median_ms, p.ms_per_loop) * _less(at, p.median_ms),
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
    return len(set(r.loops) & set(_loops(events))) >= 0.8 * max(len(set(r.loops)), 1)


def _at_once(at: Summary, events: list[SlowEvent], same: Sequence[Recurrence]) -> list[Finding]:
    """Whole freezes, with the rhythm of the calls that come back in them."""
    if not events:
        return []
    often = f", {how_often(same[0])}," if same else ""
    middle = sorted(e.excess_ms for e in events)[len(events) // 2]
    text = (
        f"{len(events)} times{often} every call stretched at once, by {ms(middle)} in all: the "
        "whole process was slowed or held up, no single call is to blame."
    )
    return [
        Finding(
            "everything_at_once", "look", text, middle, "ms",
            evidence=evidence(at, _loops(events), n_loops=len(events)),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, middle * len(events) / max(at.pace.loops, 1)),
            rests_on={
                "count": len(events), "of": len(at.slow.events), "usual_ms": middle,
                "largest_ms": max(e.excess_ms for e in events),
            },
        )
    ]  # fmt: skip


def _loops(events: list[SlowEvent]) -> list[int]:
    return [e.first for e in events]


def _culprits(at: Summary, explained: set[str]) -> list[Finding]:
    """Names that lead far more of the slow loops than their share of the time explains.

    What comes back by a rule is told by it, and its events hide no other name. What no call covers
    may be a wait, in which a pause does not show: then it counts for nothing.
    """
    if not at.costs.calls:
        return _without_calls(at)
    events = [e for e in at.slow.events
              if e.cause != "everything at once" and e.culprit not in explained]  # fmt: skip
    events = _own_events(at, events)
    rows = {c.name: c for c in at.costs.rows}
    waits = 0.0 if at.basis.work_known else rows[UNATTRIBUTED].share or 0.0
    counts = Counter(e.culprit for e in events)
    shown = len(events) - (counts[UNATTRIBUTED] if waits else 0)
    made = []
    for name, count in counts.most_common():
        in_calls = name != UNATTRIBUTED
        n = shown if in_calls else len(events)
        share = _usual_share(at, name, events, without_rest=bool(waits) and in_calls)
        level = 0.01 if count >= _FEWEST else 0.001
        beyond = binomial_at_least(count, n, share) < level / max(len(rows), 1)
        if count < _FEWEST_FAR or count < 0.1 * n or not beyond:
            continue
        mine = [e for e in events if e.culprit == name]
        middle = sorted(e.excess_ms for e in mine)[len(mine) // 2]
        rare = name == UNATTRIBUTED or middle < _FAR * typical_ms(at)
        if count < _FEWEST and rare:
            continue
        cost = sum(e.parts[0].ms for e in mine) / max(at.pace.loops, 1)
        if middle < 0.2 * typical_ms(at):
            continue
        made.append(_culprit(at, name, mine, middle, cost))
    return made or _in_the_largest(at, events)


def _usual_share(at: Summary, name: str, events: list[SlowEvent], *, without_rest: bool) -> float:
    """Share of the time in which whatever strikes at random would meet a name.

    What it adds is no part of that: one long stall would make its own place the likely one.
    """
    took = {c.name: c.self_ms_per_loop * at.pace.loops for c in at.costs.rows
            if c.share is not None and not (without_rest and c.name == UNATTRIBUTED)}  # fmt: skip
    for e in events:
        if e.culprit in took:
            took[e.culprit] -= e.parts[0].ms
    whole = sum(max(ms, 0.0) for ms in took.values())
    return min(max(took.get(name, 0.0) / max(whole, 1e-9), 1e-9), 1 - 1e-9)


def _in_the_largest(at: Summary, events: list[SlowEvent]) -> list[Finding]:
    """Long turns of a call that holds most of the time, on which any pause would fall as well."""
    name, count = Counter(e.culprit for e in events).most_common(1)[0] if events else ("", 0)
    share = next((c.share or 0.0 for c in at.costs.rows if c.name == name), 0.0)
    mine = [e for e in events if e.culprit == name]
    middle = sorted(e.excess_ms for e in mine)[len(mine) // 2] if mine else 0.0
    low = _LEAST_OF_LARGEST * typical_ms(at)
    if at.recurrence.pauses or share < _LARGEST or count < max(_MANY, _LARGEST * len(events)):
        return []
    if middle < low or name == UNATTRIBUTED:
        return []
    rate = percent(sum(e.loops for e in mine) / max(at.pace.loops, 1))
    cost = sum(e.parts[0].ms for e in mine) / max(at.pace.loops, 1)
    text = (
        f"{rate} of the loops take typically {ms(middle)} more than usual, at no regular interval, "
        f"and {count} of these {len(events)} slow events lie in {name}. It holds {percent(share)} "
        "of the time anyway: can't tell whether its own turns are long or the whole process is "
        "held up; time its parts, or the processor time of the call."
    )
    return [
        Finding(
            "long_turns", "look", text, middle, "ms",
            evidence=evidence(at, _loops(mine), [name], len(mine)),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, cost) * _less(at, middle),
            rests_on={"count": count, "of": len(events), "calls_logged": n_calls(at),
                      "usual_ms": middle, "largest_ms": max(e.excess_ms for e in mine)},
        )
    ]  # fmt: skip


def _culprit(at: Summary, name: str, mine: list[SlowEvent], middle: float, cost: float) -> Finding:
    few = "what the log does not time" if n_calls(at) < 2 else "time outside every call"
    who = few if name == UNATTRIBUTED else name
    rate = percent(sum(e.loops for e in mine) / max(at.pace.loops, 1))
    spare = _swallowed(at, middle)
    more = f"{ms(middle)} more than usual"
    if 2 * sum(e.tick_wait_ms > 0 for e in mine) > len(mine):
        own = sorted(e.own_ms for e in mine)[len(mine) // 2]
        more = f"{ms(own)} more than usual, {ms(middle)} with the wait for a later tick"
    text = (
        f"{who} makes {len(mine)} of {len(at.slow.events)} slow events: typically "
        f"{more}, in {rate} of the loops, at no regular interval"
        f"{waited_for(at, name, cost)}{_made_up(spare)}"
    )
    return Finding(
        "slow_culprit", "look", text, middle, "ms",
        evidence=evidence(at, _loops(mine), [] if name == UNATTRIBUTED else [name], len(mine)),
        command=command(at, "slow", "--top 20"),
        worth=stalls_worth(at, middle, cost) * _less(at, middle), moves=name != UNATTRIBUTED,
        rests_on={
            "count": len(mine), "of": len(at.slow.events), "calls_logged": n_calls(at),
            "usual_ms": middle, "largest_ms": max(e.excess_ms for e in mine),
        },
    )  # fmt: skip


def _hidden(at: Summary, explained: set[str]) -> list[Finding]:
    """Long turns of calls that the period does not show, as a wait that is not logged takes them.

    Those of loops that come late all the same are told as theirs.
    """
    inside = at.basis.in_calls
    if inside is None:
        return []
    late = set(at.run.loop_columns.loop[at.slow.is_slow].tolist())
    found = slow_events(inside)
    events = [e for e in found.events
              if e.cause == "one call" and e.culprit not in explained
              and not late.intersection(range(e.first, e.last + 1))]  # fmt: skip
    made = []
    in_calls = float(inside.judged_ms.mean())
    own = {c.name: (c.self_ms_per_loop or 0.0) / in_calls for c in at.costs.rows}
    for name, count in Counter(e.culprit for e in events).most_common(_MOST_HIDDEN):
        mine = [e for e in events if e.culprit == name]
        loops = sum(e.loops for e in mine)
        longest = max(e.parts[0].ms / e.loops for e in mine)
        middle = median(np.array([e.parts[0].ms / e.loops for e in mine]))
        by_chance = binomial_at_least(count, len(events), min(own.get(name, 1.0), 1 - 1e-9))
        beyond = by_chance < 0.01 / max(len(own), 1) or count == len(events)
        if loops < _FEWEST or middle < _HIDDEN * typical_ms(at) or not beyond:
            continue
        text = (
            f"{name} takes {ms(middle)} more than usual in {percent(loops / at.pace.loops)} of the "
            f"loops, {ms(longest)} at most: the period hides it, as the time outside calls, with "
            "the wait in it, gets less."
        )
        made.append(Finding(
            "hidden_turns", "look", text, middle, "ms",
            evidence=evidence(at, _loops(mine), [name], loops),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, middle * loops / at.pace.loops) * _SWALLOWED, moves=True,
            rests_on={"count": loops, "of": at.pace.loops, "usual_ms": middle,
                      "largest_ms": longest, "calls_logged": n_calls(at)},
        ))  # fmt: skip
    return made


def _without_calls(at: Summary) -> list[Finding]:
    """Slow loops in a log of bare stamps: how often and how much, no cause."""
    large = [e for e in at.slow.events if e.excess_ms >= 0.5 * typical_ms(at)]
    if len(large) < _FEWEST or at.recurrence.found or at.pacing.late_count:
        return []
    middle = sorted(e.excess_ms for e in large)[len(large) // 2]
    regular = "" if at.recurrence.note else " at no regular interval"
    text = (
        f"{len(large)} stalls of about {ms(middle)}{regular}; the log has no calls to say where: "
        "time the calls with a recorder."
    )
    cost = sum(e.excess_ms for e in large) / max(at.pace.loops, 1)
    return [
        Finding(
            "slow_unexplained", "look", text, middle, "ms",
            evidence=evidence(at, _loops(large), n_loops=len(large)),
            command=command(at, "slow", "--top 20"), worth=stalls_worth(at, middle, cost),
            rests_on={"count": len(large), "of": at.pace.loops, "usual_ms": middle,
                      "largest_ms": max(e.excess_ms for e in large)},
        )
    ]  # fmt: skip
