"""Findings about the call behind slow loops that come back by no rule."""

from collections import Counter

import numpy as np

from looptime.analysers.slow import SIGMAS, SlowEvent, slow_events
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    evidence,
    ms,
    n_calls,
    percent,
    stalls_worth,
    typical_ms,
)
from looptime.findings.contention_rules import waited_for
from looptime.findings.finding import Finding
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import MAD_SCALE, median
from looptime.stats.beta import binomial_at_least

__all__ = ["beside_late", "culprits", "first_loops", "hidden_turns", "made_up", "made_up_ms"]

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
#: Loops that show the spread around one: so many at least, and a part of a long run.
_AROUND, _STRETCHES = 100, 32


def culprits(at: Summary, explained: set[str]) -> list[Finding]:
    """Names that lead far more of the slow loops than their share of the time explains.

    What comes back by a rule is told by it, and its events hide no other name. What no call covers
    may be a wait, in which a pause does not show: then it counts for nothing.
    """
    if not at.costs.calls:
        return _without_calls(at)
    events = [e for e in at.slow.events
              if e.cause != "everything at once" and e.culprit not in explained]  # fmt: skip
    events = _own_events(at, _beyond_spread(at, events))
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
        middle = sorted(e.beyond_ms for e in mine)[len(mine) // 2]
        rare = name == UNATTRIBUTED or middle < _FAR * typical_ms(at)
        if count < _FEWEST and rare:
            continue
        cost = sum(e.parts[0].ms - e.level_ms for e in mine) / max(at.pace.loops, 1)
        if middle < 0.2 * typical_ms(at):
            continue
        made.append(_culprit(at, name, mine, middle, cost))
    return made or _in_the_largest(at, events)


def _beyond_spread(at: Summary, events: list[SlowEvent]) -> list[SlowEvent]:
    """Those that stand out of the loops around, where a slower stretch may scatter more as well."""
    if not at.slow.moving or len(x := at.basis.judged_ms) < 2 * _AROUND:
        return events
    size = max(_AROUND, len(x) // _STRETCHES)
    blocks = x[: len(x) // size * size].reshape(-1, size)
    off = np.abs(blocks - np.median(blocks, axis=1, keepdims=True))
    spread = MAD_SCALE * np.median(off, axis=1)
    last = len(spread) - 1
    return [e for e in events
            if e.beyond_ms > SIGMAS * e.loops * spread[min(e.index // size, last)]]  # fmt: skip


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
    middle = sorted(e.beyond_ms for e in mine)[len(mine) // 2] if mine else 0.0
    low = _LEAST_OF_LARGEST * typical_ms(at)
    if at.recurrence.pauses or share < _LARGEST or count < max(_MANY, _LARGEST * len(events)):
        return []
    if middle < low or name == UNATTRIBUTED:
        return []
    rate = percent(sum(e.loops for e in mine) / max(at.pace.loops, 1))
    cost = sum(e.parts[0].ms - e.level_ms for e in mine) / max(at.pace.loops, 1)
    text = (
        f"{rate} of the loops take typically {ms(middle)} {_than(at)}, at no regular interval, "
        f"and {count} of these {len(events)} slow events lie in {name}. It holds {percent(share)} "
        "of the time anyway: can't tell whether its own turns are long or the whole process is "
        "held up; time its parts, or the processor time of the call."
    )
    return [
        Finding(
            "long_turns", "look", text, middle, "ms",
            evidence=evidence(at, first_loops(mine), [name], len(mine)),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, cost) * beside_late(at, middle),
            rests_on={"count": count, "of": len(events), "calls_logged": n_calls(at),
                      "usual_ms": middle, "largest_ms": max(e.beyond_ms for e in mine)},
        )
    ]  # fmt: skip


def _culprit(at: Summary, name: str, mine: list[SlowEvent], middle: float, cost: float) -> Finding:
    few = "what the log does not time" if n_calls(at) < 2 else "time outside every call"
    who = few if name == UNATTRIBUTED else name
    rate = percent(sum(e.loops for e in mine) / max(at.pace.loops, 1))
    spare = made_up_ms(at, middle)
    more = f"{ms(middle)} {_than(at)}"
    if 2 * sum(e.tick_wait_ms > 0 for e in mine) > len(mine):
        own = sorted(e.own_ms for e in mine)[len(mine) // 2]
        more = f"{ms(own)} {_than(at)}, {ms(middle)} with the wait for a later tick"
    text = (
        f"{who} makes {len(mine)} of {len(at.slow.events)} slow events: typically "
        f"{more}, in {rate} of the loops, at no regular interval"
        f"{waited_for(at, name, cost)}{made_up(spare)}"
    )
    return Finding(
        "slow_culprit", "look", text, middle, "ms",
        evidence=evidence(at, first_loops(mine), [] if name == UNATTRIBUTED else [name], len(mine)),
        command=command(at, "slow", "--top 20"),
        worth=stalls_worth(at, middle, cost) * beside_late(at, middle), moves=name != UNATTRIBUTED,
        rests_on={
            "count": len(mine), "of": len(at.slow.events), "calls_logged": n_calls(at),
            "usual_ms": middle, "largest_ms": max(e.beyond_ms for e in mine),
        },
    )  # fmt: skip


def _than(at: Summary) -> str:
    """What slow loops are held against."""
    return "more than those around" if at.slow.moving else "more than usual"


def hidden_turns(at: Summary, explained: set[str]) -> list[Finding]:
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
            evidence=evidence(at, first_loops(mine), [name], loops),
            command=command(at, "slow", "--top 20"),
            worth=stalls_worth(at, middle, middle * loops / at.pace.loops) * _SWALLOWED, moves=True,
            rests_on={"count": loops, "of": at.pace.loops, "usual_ms": middle,
                      "largest_ms": longest, "calls_logged": n_calls(at)},
        ))  # fmt: skip
    return made


def _without_calls(at: Summary) -> list[Finding]:
    """Slow loops in a log of bare stamps: how often and how much, no cause."""
    large = [e for e in at.slow.events if e.beyond_ms >= 0.5 * typical_ms(at)]
    if len(large) < _FEWEST or at.recurrence.found or at.pacing.late_count:
        return []
    middle = sorted(e.beyond_ms for e in large)[len(large) // 2]
    regular = "" if at.recurrence.note else " at no regular interval"
    text = (
        f"{len(large)} stalls of about {ms(middle)}{regular}; the log has no calls to say where: "
        "time the calls with a recorder."
    )
    cost = sum(e.beyond_ms for e in large) / max(at.pace.loops, 1)
    return [
        Finding(
            "slow_unexplained", "look", text, middle, "ms",
            evidence=evidence(at, first_loops(large), n_loops=len(large)),
            command=command(at, "slow", "--top 20"), worth=stalls_worth(at, middle, cost),
            rests_on={"count": len(large), "of": at.pace.loops, "usual_ms": middle,
                      "largest_ms": max(e.beyond_ms for e in large)},
        )
    ]  # fmt: skip


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


def first_loops(events: list[SlowEvent]) -> list[int]:
    """The loop in which each event begins."""
    return [e.first for e in events]


def made_up_ms(at: Summary, height_ms: float) -> float | None:
    """The usual headroom [ms] of a paced loop that a stall fits into and thus makes no loop late.

    It need not be there in a loop that is long anyway: what fits it only just is not swallowed.
    """
    head = at.pace.headroom_ms
    left = head["p50"].value if head else None
    return left if left is not None and height_ms <= 0.8 * left else None


def beside_late(at: Summary, height_ms: float) -> float:
    """What stalls of that height count of ones that make loops late."""
    return 1.0 if made_up_ms(at, height_ms) is None else _SWALLOWED


def made_up(spare: float | None) -> str:
    """How a sentence ends about a stall that the pacing wait makes up for, or does not."""
    return f"; as a rule the pacing wait, {ms(spare)}, makes up for it." if spare else "."
