"""Findings about the run as a whole: warm-up, drift, pacing, overruns, the log."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from looptime.analysers.alike import in_short
from looptime.analysers.call_costs import like_calls
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.drift import ChangePoint
from looptime.analysers.evenness import evenness, turns
from looptime.analysers.pacing import Pacing
from looptime.analysers.summary import Summary
from looptime.findings.about import (
    command,
    evidence,
    loop_ms,
    ms,
    ms_value,
    n_calls,
    percent,
    signed,
    three,
    typical_ms,
)
from looptime.findings.finding import Finding
from looptime.run import stated
from looptime.schema import UNATTRIBUTED

__all__ = ["healthy", "rate_alone", "run_findings"]

_RATE_PPM = 2000.0
#: A loop is called even where 99 of 100 periods are no longer than so many usual ones.
_EVEN = 3.0


#: Slow loops, and the share of them, of which one call is behind the late ones.
_FEW_BEHIND, _MOST_BEHIND = 5, 0.7
#: Share of the loop from which on a cost is named where nothing stands out.
_WORTH_A_WORD = 0.2
#: Share of the rows set aside from which on it is worth a word.
_MANY_ROWS = 0.05


def run_findings(at: Summary) -> list[Finding]:
    """Findings that no single call stands for."""
    made = _warm_up(at) + _changes(at) + _pacing(at) + _overruns(at) + _turns(at)
    return made + _first_calls(at) + _log(at)


def healthy(at: Summary) -> Finding:
    """What is said where nothing stands out."""
    paced = at.pace
    rate = paced.rate_hz.by_time
    p50, p99 = paced.period_ms.p50.value, paced.period_ms.p99.value
    found = evenness(at.basis.period_ms, at.run.clock.tick_ns / 1e6)
    speed = "" if rate is None else f" at {three(rate)} loops a second"
    severity, how = "fine", "the loop runs evenly" if found.even else "the loop runs"
    within = ""
    if p50 and p99 is not None:
        within = f" 99 of 100 loops stay within {ms(p99)} ({ms(p50)} is usual)."
        if p99 > _EVEN * p50:
            severity, how = "look", "the loop runs unevenly, with no cause in the log,"
    if found.why:
        within += f" {found.why[0].upper()}{found.why[1:]}."
    within += _dearest(at)
    return Finding(
        "healthy", severity, f"Nothing stands out: {how}{speed}.{within}",
        rate, "1/s", evidence=evidence(at), command=command(at, "heading"),
        rests_on={"even": None if found.even is None else float(found.even),
                  "usual_ms": p50, "largest_ms": p99},
    )  # fmt: skip


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
    cut_here = at.loops > at.pace.loops or cut.kept or cut.faster_loops  # not in another phase
    first = cut.loops or cut.faster_loops
    if not first or not cut_here or cut.excess is None or cut.excess_ms is None:
        return []
    seconds = cut.seconds or cut.faster_s
    who, calls = _by(cut.parts, cut.excess_ms) if at.costs.calls else ("", [])
    text = f"The first {first} loops ({three(seconds)} s) are {percent(abs(cut.excess))} "
    if cut.faster_loops:
        text += f"faster than the rest{who}. They stay in the figures: this is no warm-up."
    else:
        said = "They stay in the figures." if cut.kept else "They are kept out of the figures."
        text += f"slower than the rest: warm-up{who}. {said}"
    return [
        Finding(
            "warm_up" if cut.loops else "faster_start",
            "look" if abs(cut.excess) >= 0.03 else "note", text, seconds, "s",
            evidence=evidence(at, n_loops=first, calls=calls),
            command=command(at, "slow", "--keep-warmup"),
            worth=0.02 + 0.03 * min(abs(cut.excess), 1.0),
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


def _changes(at: Summary) -> list[Finding]:
    trend = at.changes.drift
    if at.changes.better == "drift" and trend is not None and trend.change_ms.value is not None:
        change = trend.change_ms.value
        what, how = _paceword(at, change)
        who, calls = _by(trend.parts, change)
        if not at.costs.calls:
            who, calls = "", []
        text = (
            f"{what[0].upper()}{what[1:]} gets {how} along the run: "
            f"{signed(change, tidy=True)} ms, {percent(abs(trend.relative))}, "
            f"from start to end{who}."
        )
        return [
            Finding(
                "drift", "look", text, change, "ms", trend.change_ms.low, trend.change_ms.high,
                evidence(at, calls=calls), command(at, "slow"),
                0.04 + 0.5 * min(abs(trend.relative), 1.0),
                rests_on={"low": trend.change_ms.low, "high": trend.change_ms.high,
                          "calls_logged": n_calls(at)},
            )
        ]  # fmt: skip
    if at.changes.better == "steps":
        found = [_step(at, flight) for flight in _flights(at.changes.change_points)]
        return sorted(found, key=lambda f: -f.worth)[:3]
    return []


def _paceword(at: Summary, change: float) -> tuple[str, str]:
    """What changed, and how: a pacing wait may hide from the period what the work does."""
    if at.basis.judged == "work":
        return "the loop's work", "longer" if change > 0 else "shorter"
    return "the loop", "slower" if change > 0 else "faster"


def _flights(points: Sequence[ChangePoint]) -> list[list[ChangePoint]]:
    """Steps of one direction and by one call that follow one another: the loop climbs or sinks."""

    def alike(p: ChangePoint) -> tuple[bool, str]:
        return p.step_ms > 0, p.parts[0].name if p.parts else ""

    along = sorted(points, key=lambda p: p.index)
    return [list(flight) for _, flight in itertools.groupby(along, key=alike)]


def _step(at: Summary, flight: Sequence[ChangePoint]) -> Finding:
    first, last = flight[0], flight[-1]
    change = last.after_ms - first.before_ms
    what, how = _paceword(at, change)
    totals: dict[str, float] = {}
    for part in (part for p in flight for part in p.parts):
        totals[part.name] = totals.get(part.name, 0.0) + part.ms
    parts = tuple(Part(name, took) for name, took in totals.items())
    who, calls = _by(parts, change) if at.costs.calls else ("", [])
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
        "change_point", "look", text, change, "ms",
        evidence=evidence(at, [p.loop for p in flight], calls),
        command=command(at, "slow", f"--loop {first.loop}"),
        worth=0.04 + 0.5 * min(abs(change / first.before_ms), 1.0),
        rests_on={"before": first.before_ms, "after": last.after_ms, "change": change,
                  "seconds": last.time_s - at.basis.time_s(0),
                  "duration_s": at.pace.duration_s,
                  "calls_logged": n_calls(at)},
    )  # fmt: skip


def _pacing(at: Summary) -> list[Finding]:
    p = at.pacing
    late = p.late_count / max(at.pace.loops, 1)
    made = []
    nominal, achieved = ms_value(p.nominal_hz), ms_value(p.achieved_hz)
    # it could run once in each of its sleeps: the work is no longer than one
    if p.mode == "sleep after work" and 0 < nominal <= 2 * achieved:
        text = (
            f"The loop sleeps {ms(ms_value(p.nominal_ms))} after its work instead of until the "
            f"next tick: {three(achieved)} loops a second, not {three(nominal)}."
        )
        lost = 1 - min(achieved / nominal, 1.0)
        made.append(_about_pacing(at, "pacing_sleep", text, 0.1 + 0.5 * lost))
    if p.mode == "fixed rate, skips":
        took = (
            f"{p.late_count} loops ({percent(late)}) took longer than their "
            f"{ms(ms_value(p.nominal_ms))}, and no later one made up for it"
        )
        text = f"A loop that is late loses its slot: {took}."
        if (p.slot_share or 0.0) < 0.5:
            text = f"{took}: after a late loop the rate starts anew."
        made.append(_about_pacing(at, "pacing_skips", text, 0.1 + late))
    if p.mode == "fixed rate, catches up":
        text = _made_up(p)
        made.append(_about_pacing(at, "pacing_catches_up", text, 0.1 + late))
    ppm = p.rate_error_ppm
    coarse = at.run.clock.tick_ns / 1e6 > 0.2 * typical_ms(at)
    if p.fixed_rate and not coarse and ppm is not None and abs(ppm) >= _RATE_PPM:
        text = (
            f"Loops that keep their slot run {abs(ppm) / 1e4:.2g} % "
            f"{'slower' if ppm < 0 else 'faster'} than {three(ms_value(p.nominal_hz))} a second"
        )
        if ppm < 0:
            text += ": the next start is probably counted from now, not from the last start"
        text += "."
        made.append(_about_pacing(at, "rate_off", text, 0.02, "note"))
    return made + _headroom(at)


def _made_up(p: Pacing) -> str:
    """How late loops are made up for, where the log shows whether the loop waits."""
    text = (
        f"{p.late_count} loops came late; after {p.made_up_count} of them the next "
        f"{'is' if p.made_up_count == 1 else 'are'} shorter and the time is made up"
    )
    if p.late_count == 1:
        text = "One loop came late; the next are shorter and the time is made up"
    if p.burst_count:
        often = "once" if p.burst_count == 1 else f"{p.burst_count} times"
        text += f", {often} by loops back to back, without a wait"
    elif p.burst_count == 0:
        text += ", by shorter waits alone"
    return f"{text}. Code that counts loops sees steps of unlike length."


def _behind(at: Summary) -> tuple[str, list[str]]:
    """The call that makes most of the slow loops slow, in words, and its name."""
    count, name = max(((n, name) for name, n in at.slow.by_culprit.items()), default=(0, ""))
    events = len(at.slow.events)
    of_late = events <= 1.5 * at.pacing.late_count  # else more is slow than comes late
    if not of_late or name == UNATTRIBUTED or count < max(_FEW_BEHIND, _MOST_BEHIND * events):
        return "", []
    return f" {name} makes {count} of the {events} longest.", [name]


def _about_pacing(
    at: Summary, code: str, text: str, worth: float, severity: str = "look"
) -> Finding:
    p = at.pacing
    late = p.late_count and severity == "look"
    behind, calls = _behind(at) if late else ("", [])
    return Finding(
        code, severity, f"{text}{behind}", p.achieved_hz, "1/s",
        evidence=evidence(at, calls=calls), command=command(at, "slow"), worth=worth, moves=True,
        rests_on={
            "pace_shown": float(p.fixed_rate or p.mode == "sleep after work"),
            "slot_share": p.slot_share, "count": p.late_count, "of": at.pace.loops,
            "slower_by": None if p.rate_error_ppm is None else -p.rate_error_ppm,
        },
    )  # fmt: skip


def _headroom(at: Summary) -> list[Finding]:
    p = at.pacing
    if p.fixed_rate and not p.wait_known:
        text = (
            f"The loop keeps to a fixed rate ({p.mode_from}) but its wait is not logged: work is "
            "unknown. Can't tell how much headroom is left; time the wait and label it pacing."
        )
        return [
            Finding(
                "work_unknown",
                "note",
                text,
                evidence=evidence(at),
                command="",
                worth=0.015,
                rests_on={"pace_shown": float(p.fixed_rate)},
            )
        ]
    head = at.pace.headroom_ms
    if head is None or head["p99"].value is None or p.nominal_ms is None:
        return []
    left = head["p99"].value
    if left >= 0.1 * p.nominal_ms:
        return []
    text = (
        f"Hardly any headroom: the busiest loops of a hundred leave {ms(left)} of "
        f"{ms(p.nominal_ms)}."
        if left >= 0
        else f"The busiest loops of a hundred need {ms(-left)} more than their {ms(p.nominal_ms)}."
    )
    return [
        Finding(
            "headroom", "look", text, left, "ms", head["p99"].low,
            head["p99"].high, evidence(at), command(at, "slow"), 0.08, True,
            {"pace_shown": 1.0, "low": head["p99"].low, "high": head["p99"].high},
        )
    ]  # fmt: skip


def _overruns(at: Summary) -> list[Finding]:
    o = at.pace.overruns
    given = o.budget_from in ("as given", "stated in the log")
    if o.budget_ms is None or not o.count or o.share is None or not given:
        return []
    slowest = [e.first for e in at.slow.events if e.period_ms > o.budget_ms]
    grave = ""
    if o.serious_count and o.serious_ms is not None:
        verb = "is" if o.serious_count == 1 else "are"
        grave = f" {o.serious_count} {verb} longer than {ms(o.serious_ms)}."
    text = (
        f"{o.count} loops ({percent(o.share)}) overrun {ms(o.budget_ms)}; together they hold "
        f"{percent(ms_value(o.time_share))} of the time.{grave}"
    )
    if o.count == 1:
        text = (
            f"1 loop ({percent(o.share)}) overruns {ms(o.budget_ms)}; it holds "
            f"{percent(ms_value(o.time_share))} of the time."
        )
        if grave and o.serious_ms is not None:
            text += f" It is longer than {ms(o.serious_ms)}."
    return [
        Finding(
            "overruns", "look", text,
            100 * o.share, "%", evidence=evidence(at, slowest),
            command=command(at, "slow", f"--budget-ms {o.budget_ms:g}"),
            worth=0.01 + 0.2 * min(o.share, 0.5),
            rests_on={"count": o.count, "of": at.pace.loops, "share": o.share,
                      "time_share": o.time_share},
        )
    ]  # fmt: skip


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
    for call in at.costs.rows:
        if call.first_ratio is None or call.p50_ms is None or call.count < 20:
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


def _log(at: Summary) -> list[Finding]:
    """What weakens the figures themselves."""
    made, run = [], at.run
    tick_ms = run.clock.tick_ns / 1e6
    if at.pace.loops and tick_ms >= 0.02 * typical_ms(at):
        text = (
            f"The log's clock ticks in steps of {ms(tick_ms)}: single figures finer than that say "
            "nothing (means still hold)."
        )
        made.append(_note(at, "coarse_clock", text, tick_ms, "ms"))
    if run.dropped:
        text = f"The recorder lost {run.dropped} rows: times in those loops are too short."
        if "looptime-recorder" in run.meta:  # leaves out whole loops, on other threads whole calls
            text = (
                f"The recorder left out {run.dropped} rows, by whole loops: the others are whole."
            )
        made.append(_note(at, "rows_lost", text, float(run.dropped), "rows"))
    if ignored := stated(run.meta, "ignored"):
        text = f"The recorder ignored {ignored} marks: a wrong number, or an end without a begin."
        made.append(_note(at, "marks_ignored", text, float(ignored), "marks"))
    made += _missing_loops(at) + _unused_rows(at)
    if left := at.contention.left_out:
        text = (
            f"Of {left:,} calls, those of least time on each side, it was not asked whom they wait "
            "for, or who waits for them."
        )
        made.append(_note(at, "waits_not_asked", text, float(left), "calls"))
    cost = at.recorder_share
    if cost is not None and cost >= 0.02:
        text = f"Recording itself takes {percent(cost)} of the loop: time fewer calls."
        made.append(_note(at, "recorder_cost", text, 100 * cost, "%"))
    if at.changes.note or at.warmup.note or at.recurrence.note:
        longest = at.changes.note or at.recurrence.note or at.warmup.note
        made.append(_note(at, "too_short", f"Can't tell everything: {longest}.", None, ""))
    return made


def _missing_loops(at: Summary) -> list[Finding]:
    """Loops that the log lacks, as the numbers of the others tell."""
    missing = at.run.clock.missing
    if missing is None:
        return []
    count = missing["count"]
    loops = "loop is" if count == 1 else "loops are"
    text = (
        f"{count:,} {loops} missing from the log, as the numbers in {missing['column']!r} tell: "
        "lost on the way or never written."
    )
    if "rows lost around it" in at.run.set_aside.counts:
        text += " Periods across such a gap are left out."
    return [_note(at, "loops_missing", text, float(count), "loops")]


def _unused_rows(at: Summary) -> list[Finding]:
    """Many rows of the log that could not be used, for another reason than standing at its ends."""
    counts, read = at.run.set_aside.counts, at.run.rows_read
    ends = counts.get("before first loop", 0) + counts.get("unfinished last loop", 0)
    lost = sum(counts.values()) - ends
    if not read or lost < _MANY_ROWS * read:
        return []
    reason = max((r for r in counts if "loop" not in r), key=lambda r: counts[r], default="")
    hint = ""
    if reason == "overlaps another call":
        hint = " Calls of several threads need a thread column to be told apart."
    if reason == "missing value" and at.run.layout == "calls":
        hint = (
            " A row that holds a value and no call says `signal` in a column `mark`, and has its "
            "number in a column `value`."
        )
    text = f"{percent(lost / read)} of the rows could not be used, most because: {reason}.{hint}"
    return [_note(at, "rows_set_aside", text, 100 * lost / read, "%")]


def _note(at: Summary, code: str, text: str, value: float | None, unit: str) -> Finding:
    rests_on = {"loops": float(at.pace.loops)} | ({} if value is None else {"value": value})
    return Finding(
        code, "note", text, value, unit, evidence=evidence(at), worth=0.001, rests_on=rests_on
    )
