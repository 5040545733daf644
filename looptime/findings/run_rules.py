"""Findings about the run as a whole: warm-up, drift, turns, and what is said where none is."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

from looptime.analysers.alike import in_short
from looptime.analysers.call_costs import like_calls
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.drift import ChangePoint
from looptime.analysers.evenness import ENOUGH, evenness, turns
from looptime.analysers.late_ticks import FEWEST
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    evidence,
    loop_ms,
    ms,
    n_calls,
    percent,
    signed,
    three,
    typical_ms,
)
from looptime.findings.finding import Finding
from looptime.findings.log_rules import log_findings
from looptime.findings.pacing_rules import pacing_findings
from looptime.schema import UNATTRIBUTED
from looptime.signal_names import HEADING_WORDS
from looptime.words import named

__all__ = ["healthy", "rate_alone", "run_findings"]

#: A loop is called even where 99 of 100 periods are no longer than so many usual ones.
_EVEN = 3.0
#: From this excess on a slow start is so many times as long, and not so many percent slower.
_TIMES = 2.0
#: Share of the loop from which on a cost is named where nothing stands out.
_WORTH_A_WORD = 0.2
#: Share of the level that a drift comes to before it stands out: levels wander by less.
_LEAST_DRIFT = 0.03
#: Share of a change below which what the parts took of it is told from the wait that they made.
_OWN = 0.9
#: Loops that a first call may take part in, with what it waits for.
_FIRST_FEW = 3
#: Length of a log in which a turn of the robot may be played, to see its heading [s].
_TURN_S = 5.0


def run_findings(at: Summary) -> list[Finding]:
    """Findings that no single call stands for."""
    paced = pacing_findings(at)
    in_turns = [] if any(f.code == "coarse_wakes" for f in paced) else _turns(at)  # said there
    made = _warm_up(at) + _changes(at) + paced + in_turns
    return made + _first_calls(at) + log_findings(at)


def healthy(at: Summary) -> Finding:
    """What is said where nothing stands out, or where hardly a loop is there that might."""
    if at.pace.loops < FEWEST:
        return _too_few(at)
    paced = at.pace
    rate = paced.rate_hz.by_time
    p50, p99 = paced.period_ms.p50.value, paced.period_ms.p99.value
    found = evenness(at.basis.period_ms, at.run.clock.tick_ns / 1e6)
    speed = "" if rate is None else f" at {three(rate)} loops a second"
    severity, how = "fine", "the loop runs evenly" if found.even else "the loop runs"
    within = ""
    if p50 and p99 is not None and not paced.untold_ms:
        within = f" 99 of 100 loops stay within {ms(p99)} ({ms(p50)} is usual)."
        if p99 > _EVEN * p50:
            severity, how = "look", "the loop runs unevenly, with no cause in the log,"
    if found.why:
        within += f" {found.why[0].upper()}{found.why[1:]}."
    within += _dearest(at)
    begin, unsaid = "Nothing stands out", at.run.clock.unsaid
    if unsaid:
        severity = "look"
        begin = begin if len(at.run.names) else "Of the periods alone nothing stands out"
        within += (
            f" {named(unsaid)} may be {'lengths' if len(unsaid) > 1 else 'a length'} of time, and "
            "in no figure: a unit in the header would show where the time goes."
        )
    return Finding(
        "healthy", severity, f"{begin}: {how}{speed}.{within}",
        rate, "1/s", evidence=evidence(at),
        command=command(at, "heading" if _may_tell_heading(at) and not unsaid else "columns"),
        rests_on={"even": None if found.even is None else float(found.even),
                  "usual_ms": p50, "largest_ms": p99},
    )  # fmt: skip


def _too_few(at: Summary) -> Finding:
    loops = "is 1 loop" if at.pace.loops == 1 else f"are {at.pace.loops} loops"
    text = (
        f"Too few loops to say whether anything stands out: there {loops}, {FEWEST} tell the pace "
        f"and {ENOUGH} whether it is even; stalls take a minute of the robot at work."
    )
    return Finding(
        "too_few_loops", "look", text + _dearest(at), float(at.pace.loops), "loops",
        evidence=evidence(at), command=command(at, "columns"),
        rests_on={"loops": float(at.pace.loops)},
    )  # fmt: skip


def _may_tell_heading(at: Summary) -> bool:
    """Whether a log is long enough for a turn, and a call or signal is named for a heading."""
    signals = () if at.run.signals is None else tuple(at.run.signals.values)
    names = [name.lower() for name in (*(n.name for n in at.run.names), *signals)]
    told = any(word in name for word in (*HEADING_WORDS, "turn_rate") for name in names)
    return told and at.pace.duration_s >= _TURN_S


def _dearest(at: Summary) -> str:
    """Where the time goes though none of it is out of the ordinary; like calls are one."""
    rest = at.costs.unattributed
    waits = at.pacing.fixed_rate and not at.pacing.wait_known  # in what no call covers
    rows = [c for c in at.costs.rows if c.share is not None and c.kind != "pacing"
            and not (c is rest and waits)]  # fmt: skip
    took = [("no timed call" if rest in alike else in_short(c.name for c in alike),
             math.fsum(c.self_ms_per_loop for c in alike))
            for _, alike in like_calls(rows)]  # fmt: skip
    whole = loop_ms(at)
    most = took[:2] if len(rows) > 2 else []
    told = [f"{what} ({ms(cost)}, {percent(cost / whole)})" for what, cost in most
            if cost >= _WORTH_A_WORD * whole]  # fmt: skip
    of = "Of the work, the most" if at.basis.judged == "work" else "The most"
    return f" {of} goes to {' and '.join(told)}." if told else ""


def rate_alone(at: Summary) -> Finding:
    """What is said where the clock's steps are as long as a loop."""
    rate = at.pace.rate_hz.by_time
    steps = f"The log's times step by {ms(at.run.clock.tick_ns / 1e6)}, as long as a loop or longer"
    cure = "Log the time of a finer clock."
    if at.run.averaged:
        steps, cure = "The log holds some of the loops only", "Log every loop."
    text = (
        f"{steps}: {at.pace.loops:,} loops in {three(at.pace.duration_s)} s are "
        f"{three(rate or 0.0)} a second, and nothing can be told of single periods, stalls or "
        f"rhythms. {cure}"
    )
    rests_on = {"seconds": at.pace.duration_s, "duration_s": at.run.duration_s}
    return Finding(
        "rate_alone", "look", text, rate, "1/s", evidence=evidence(at), rests_on=rests_on
    )


def _warm_up(at: Summary) -> list[Finding]:
    cut = at.warmup
    stays = cut.faster_loops or (cut.calls_loops and at.phase is None)
    cut_here = at.loops > at.pace.loops or cut.kept or stays  # not in another phase
    first = cut.first
    if not first or not cut_here or cut.excess is None or cut.excess_ms is None:
        return []
    seconds = cut.seconds or cut.faster_s or cut.calls_s
    who, calls = _by(cut.parts, cut.excess_ms) if at.costs.calls else ("", [])
    they, are = ("loop", "is") if first == 1 else (f"{first} loops", "are")
    how = f"{percent(abs(cut.excess))} {'faster than' if cut.faster_loops else 'slower than'}"
    if cut.excess >= _TIMES:
        how = f"{three(1 + cut.excess)} times as long as"
    rest = cut.excess_ms / cut.excess if cut.excess else 0.0
    levels = f" ({ms(rest + cut.excess_ms)} instead of {ms(rest)})"
    what = levels if cut.faster_loops else ": warm-up"
    where = " in their calls, which the even pace hides" if cut.calls_loops else ""
    text = f"The first {they} ({three(seconds)} s) {are} {how} the rest{where}{what}{who}. "
    it, be, stay = ("It", "is", "stays") if first == 1 else ("They", "are", "stay")
    left_out = cut.loops and not cut.kept
    text += f"{it} {be} kept out of" if left_out else f"{it} {stay} in"
    later = f"--from {math.ceil(cut.calls_s * 10) / 10:g}"
    text += " the figures"
    if cut.calls_loops:
        text += f": {later} leaves them out"
    elif not cut.loops:
        text += ": this is no warm-up"
    text += "."
    if cut.holds and left_out:
        text += (
            " They do not get faster by and by: if they are other work, --keep-warmup counts them."
        )
    worth = 0.02 + 0.03 * min(abs(cut.excess), 1.0)
    return [
        Finding(
            "faster_start" if cut.faster_loops else "warm_up",
            "look" if abs(cut.excess) >= 0.03 else "note", text, seconds, "s",
            evidence=evidence(at, n_loops=first, calls=calls),
            command=command(at, *(("summary", later) if cut.calls_loops
                                  else ("slow", "--keep-warmup"))),
            worth=_step_worth(cut.excess) if cut.faster_loops else worth,
            rests_on={"count": first, "of": at.loops, "seconds": seconds,
                      "duration_s": at.duration_s, "calls_logged": n_calls(at)},
        )
    ]  # fmt: skip


def _by(parts: tuple[Part, ...], total: float) -> tuple[str, list[str]]:
    """Who is behind a difference, in words, and the names."""
    lead = [p for p in parts if p.ms * total > 0 and abs(p.ms) >= 0.3 * abs(total)]
    if not lead or not total:
        return "", []
    names = ["time outside every call" if p.name == UNATTRIBUTED else p.name for p in lead]
    shown = " and ".join(
        f"{n} ({signed(p.ms, tidy=True)} ms)" for n, p in zip(names, lead, strict=True)
    )
    return f", mostly {shown}", [p.name for p in lead if p.name != UNATTRIBUTED]


def _behind(at: Summary, parts: tuple[Part, ...], change: float) -> tuple[str, list[str]]:
    """The same of a change along the run, most of which may be a wait for a later tick."""
    if not at.costs.calls:
        return "", []
    own = math.fsum(p.ms for p in parts)
    waits = at.pacing.loses_slots and 0 < own / change < 1
    who, calls = _by(parts, own if waits else change)
    after = ", which makes loops wait for a later tick"
    return who + after * (waits and bool(calls) and own < _OWN * change), calls


def _changes(at: Summary) -> list[Finding]:
    """Drift or steps; one that ends a long slow start says what that does to the figures."""
    found = _along(at)
    if at.warmup.kept or not any((f.value or 0.0) < 0 for f in found):
        return found
    from looptime.analysers.slow_start import slow_start  # most runs get no faster

    if (start := slow_start(at.basis, at.changes)) is None:
        return found
    mixed = f" {start.text[0].upper()}{start.text[1:]}."
    ends = max((f for f in found if (f.value or 0.0) < 0), key=_last_seconds, default=None)
    return [replace(f, text=f.text + mixed) if f is ends else f for f in found]


def _last_seconds(found: Finding) -> float:
    """When a change ends; what goes on to the end of the run has no such instant."""
    return found.rests_on.get("seconds") or math.inf


def _along(at: Summary) -> list[Finding]:
    trend = at.changes.drift
    if at.changes.better == "drift" and trend is not None and trend.change_ms.value is not None:
        if abs(trend.relative) < _LEAST_DRIFT:
            return []
        change = trend.change_ms.value
        what, how = _paceword(trend.of, change)
        who, calls = _behind(at, trend.parts, change)
        text = (
            f"{what[0].upper()}{what[1:]} gets {how} along the run: "
            f"{signed(change, tidy=True)} ms, {percent(abs(trend.relative))}, "
            f"from start to end{who}.{_hidden(trend.of, change)}"
        )
        return [
            Finding(
                "drift", "look", text, change, "ms", trend.change_ms.low, trend.change_ms.high,
                evidence(at, calls=calls), command(at, "slow"),
                _step_worth(_of_the_loop(at, trend.of, change, trend.relative)),
                rests_on={"low": trend.change_ms.low, "high": trend.change_ms.high,
                          "calls_logged": n_calls(at)},
            )
        ]  # fmt: skip
    if at.changes.better == "steps":
        found = [_step(at, flight) for flight in _flights(at.changes.change_points)]
        return sorted(found, key=lambda f: -f.worth)[:3]
    return []


def _step_worth(relative: float) -> float:
    """What a change of the level by this part of it is worth."""
    return 0.04 + 0.5 * min(abs(relative), 1.0)


def _paceword(of: str, change: float) -> tuple[str, str]:
    """What changed, and how: a pacing wait may hide from the period what the work does."""
    if of == "period":
        return "the loop", "slower" if change > 0 else "faster"
    what = "the loop's work" if of == "work" else "the time in calls"
    return what, "longer" if change > 0 else "shorter"


def _hidden(of: str, change: float) -> str:
    """What the period does not show."""
    if of != "calls":
        return ""
    less = "less" if change > 0 else "more"
    return f" The period hides it: the time outside calls, with the wait in it, gets {less}."


def _of_the_loop(at: Summary, of: str, change: float, relative: float) -> float:
    """A change relative to the whole loop, whatever changed."""
    return change / typical_ms(at) if of == "calls" else relative


def _flights(points: Sequence[ChangePoint]) -> list[list[ChangePoint]]:
    """Steps of one direction and by one call that follow one another: the loop climbs or sinks."""

    def alike(p: ChangePoint) -> tuple[bool, str]:
        return p.step_ms > 0, p.parts[0].name if p.parts else ""

    along = sorted(points, key=lambda p: p.index)
    return [list(flight) for _, flight in itertools.groupby(along, key=alike)]


def _step(at: Summary, flight: Sequence[ChangePoint]) -> Finding:
    first, last = flight[0], flight[-1]
    change = last.after_ms - first.before_ms
    what, how = _paceword(first.of, change)
    totals: dict[str, float] = {}
    for part in (part for p in flight for part in p.parts):
        totals[part.name] = totals.get(part.name, 0.0) + part.ms
    parts = tuple(Part(name, took) for name, took in totals.items())
    who, calls = _behind(at, parts, change)
    text = (
        f"From {three(first.time_s)} s (loop {first.loop}) on {what} is {how}: "
        f"{ms(first.after_ms)} instead of {ms(first.before_ms)}{who}."
    )
    if len(flight) > 1:
        text = (
            f"From {three(first.time_s)} s (loop {first.loop}) to {three(last.time_s)} s {what} "
            f"gets {how} bit by bit: {ms(last.after_ms)} instead of {ms(first.before_ms)}{who}."
        )
    return Finding(
        "change_point", "look", text + _hidden(first.of, change), change, "ms",
        evidence=evidence(at, [p.loop for p in flight], calls),
        command=command(at, "slow", f"--loop {first.loop}"),
        worth=_step_worth(_of_the_loop(at, first.of, change, change / first.before_ms)),
        rests_on={"before": first.before_ms, "after": last.after_ms, "change": change,
                  "seconds": last.time_s - at.basis.time_s(0),
                  "duration_s": at.pace.duration_s,
                  "calls_logged": n_calls(at)},
    )  # fmt: skip


def _turns(at: Summary) -> list[Finding]:
    """Long and short loops in a fixed order, of which no call is known to be the reason."""
    found = turns(at.basis.period_ms, at.run.clock.tick_ns / 1e6)
    if found is None or at.recurrence.found:
        return []
    is_long = at.basis.period_ms > (found.low_ms + found.high_ms) / 2
    more = found.high_ms - found.low_ms
    who, calls = _by(contrast(at.basis, is_long, ~is_long, 3), more) if at.costs.calls else ("", [])
    text = (
        f"Loops take {ms(found.low_ms)} and {ms(found.high_ms)} in turns (of every "
        f"{found.every} loops {found.long} long){who}: neither the mean nor the median is usual."
    )
    return [
        Finding(
            "turns", "look", text, more, "ms",
            evidence=evidence(at, calls=calls, n_loops=int(is_long.sum())),
            command=command(at, "slow"), worth=0.3 * min(more / typical_ms(at), 1.0), moves=True,
            rests_on={"low": found.low_ms, "high": found.high_ms, "calls_logged": n_calls(at),
                      "count": float(found.long), "of": float(found.every)},
        )
    ]  # fmt: skip


def _first_calls(at: Summary) -> list[Finding]:
    made = []
    cut = at.warmup
    slow_for_long = _by(cut.parts, cut.excess_ms or 0.0)[1] if cut.loops > _FIRST_FEW else []
    for call in at.costs.rows:
        if call.first_ratio is None or call.p50_ms is None or call.count < 20:
            continue
        if call.name in slow_for_long:  # to call it once before would not do
            continue
        first = call.first_ratio * call.p50_ms
        if call.first_ratio >= 10 and first >= 5 * typical_ms(at):
            text = (
                f"The first call of {call.name} took {ms(first)}, "
                f"{three(call.first_ratio)} times the usual: "
                "call it once before the robot has to move."
            )
            made.append(
                Finding(
                    "first_call", "look", text, first, "ms",
                    evidence=evidence(at, calls=[call.name], n_loops=1),
                    command=command(at, "slow", "--keep-warmup"), worth=0.06, moves=True,
                    rests_on={"usual_ms": call.p50_ms, "largest_ms": first},
                )
            )  # fmt: skip
    return made[:3]
