"""Findings about the rate that a loop keeps: late loops, headroom, overruns."""

import numpy as np

from looptime.analysers.evenness import turns
from looptime.analysers.pace import STATED
from looptime.analysers.pacing import IN_WHOLE_SLOTS, Pacing
from looptime.analysers.summary import Summary
from looptime.call_words import says_wait
from looptime.findings.about import (
    command,
    evidence,
    ms,
    ms_value,
    percent,
    three,
    typical_ms,
)
from looptime.findings.finding import MAY_BE_MEANT, Finding
from looptime.schema import UNATTRIBUTED
from looptime.stated_pace import stated_tick_ms
from looptime.stats.arrays import median

__all__ = ["missed", "pacing_findings"]

_RATE_PPM = 2000.0
#: What says that loops miss the slots which a timer's grid has none for.
_IN_SLOTS = ("pacing_skips", "pacing_catches_up", "finer_tick")
#: How far off the period that was asked for most loops are that cannot keep it.
_OFF, _MOST_OFF = 0.02, 0.5
#: By how much shorter than stated loops are that are told so.
_FASTER = 0.05
#: By how much longer.
_SLOWER = 0.05
#: Share of the loops that a device which paces them may be late in and is still even.
_FEW_UNEVEN = 0.01
#: Slow loops, and the share of them, of which one call is behind the late ones.
_FEW_BEHIND, _MOST_BEHIND = 5, 0.7


def pacing_findings(at: Summary) -> list[Finding]:
    """How the loop keeps its rate, what is left of its period, and what overruns it."""
    said = stated_tick_ms(at.run.meta)
    coarse = _coarse_wakes(at, said)
    paced = [f for f in _pacing(at) if not coarse or f.code not in _IN_SLOTS]
    stated = _faster_than_stated(at, said) + ([] if coarse else _slower_than_stated(at, said))
    return coarse + stated + paced + _headroom(at) + _overruns(at)


def _faster_than_stated(at: Summary, stated: float | None) -> list[Finding]:
    """Loops that come more often than the log itself says: what counts loops is off by as much."""
    usual, mean = median(at.basis.period_ms), float(at.basis.period_ms.mean())
    least = max(_FASTER * (stated or 0.0), at.run.clock.tick_ns / 1e6)
    if stated is None or not 0 < usual < stated - least or mean > stated - least:
        return []
    text = (
        f"The log says a loop each {ms(stated)}, and there is one each {ms(usual)}, "
        f"{three(stated / usual)} times as many: what counts on the stated period (integrals, "
        "filters, timeouts in loops) is off by that, or the log's unit is not the one it says."
    )
    return [
        Finding(
            "faster_than_stated", "look", text, usual, "ms", evidence=evidence(at),
            command=command(at, "slow"), worth=min(0.5 * (1 - usual / stated), 0.19), moves=True,
            rests_on={"usual_ms": usual},
        )
    ]  # fmt: skip


def _slower_than_stated(at: Summary, stated: float | None) -> list[Finding]:
    """Loops that come less often than the log says, where no pace tells which of them are late."""
    p, period = at.pacing, at.basis.period_ms
    if stated is None or p.mode == "sleep after work":
        return []
    mean, tick_ms = float(period.mean()), at.run.clock.tick_ns / 1e6
    kept = p.fixed_rate and abs(ms_value(p.nominal_ms) / stated - 1) < _SLOWER
    if kept or mean < stated + max(_SLOWER * stated, tick_ms):
        return []
    over = float((period > stated + max(_OFF * stated, tick_ms)).mean())
    dear = max(at.costs.calls, key=lambda c: c.share or 0.0, default=None)
    who, calls = "", []
    if dear is not None and dear.share and dear.kind != "pacing":
        who = f"; the most goes to {dear.name} ({ms(dear.self_ms_per_loop)} a loop)"
        calls = [dear.name]
    text = (
        f"The log says a loop each {ms(stated)}, and {percent(over)} of the loops take longer: "
        f"{three(1e3 / mean)} a second, not {three(1e3 / stated)}{who}."
    )
    return [
        Finding(
            "slower_than_stated", "look", text, 1e3 / mean, "1/s",
            evidence=evidence(at, calls=calls), command=command(at, "slow"),
            worth=0.1 + 0.5 * (1 - stated / mean), moves=True,
            rests_on={"share": over, "usual_ms": median(period)},
        )
    ]  # fmt: skip


def missed(at: Summary) -> str:
    """How many loops miss their tick, to be said with the call that makes most of them late."""
    p, nominal = at.pacing, ms(ms_value(at.pacing.nominal_ms))
    loops = f"{p.late_count} loops ({percent(p.late_count / max(at.pace.loops, 1))})"
    alone = len(at.slow.by_culprit) == 1 and p.late_count <= at.slow.count
    text = (
        f" It makes {'' if alone else 'most of '}the {loops} late that miss their tick of {nominal}"
    )
    if p.mode != "fixed rate, skips":
        return f"{text}."
    usual = ms_value(p.nominal_ms) / (1 + 1e-6 * (p.rate_error_ppm or 0.0))
    ticks = max(round(float(at.basis.period_ms.sum()) / usual) - at.pace.loops, 0)
    lost = f"{ticks} ticks are missed, " if (p.slot_share or 0.0) >= IN_WHOLE_SLOTS else ""
    rate = f"{three(ms_value(p.achieved_hz))} loops a second instead of"
    return f"{text}: {lost}{rate} {three(ms_value(p.nominal_hz))}."


def _ticks_missed(at: Summary) -> str:
    """What becomes of the rate, and what to do, where no call shows what makes loops late."""
    p = at.pacing
    every = int(np.rint(at.basis.period_ms / ms_value(p.nominal_ms)).sum())
    lost = max(every - at.pace.loops, 0)
    return (
        f" {lost} of {every} ticks ({percent(lost / every)}) are missed: "
        f"{three(ms_value(p.achieved_hz))} loops a second instead of "
        f"{three(ms_value(p.nominal_hz))}. Time the calls to see what takes loops past their tick, "
        "or ask for a period that the work keeps; a loop counter tells whether rows are left out."
    )


def _coarse_wakes(at: Summary, stated: float | None) -> list[Finding]:
    """A timer whose grid the period that was asked for does not fit: no call makes loops late."""
    p, wait = at.pacing, at.basis.waits.wait_ns
    asked = p.nominal_ms if stated is None else stated
    period = at.basis.period_ms
    if asked is None or not p.fixed_rate or (abs(period / asked - 1) > _OFF).mean() < _MOST_OFF:
        return []
    from looptime.analysers.wake_grid import wake_grid  # few logs need it

    waited = wait / 1e6 if p.wait_known and wait is not None else None
    tick = at.run.clock.tick_ns / 1e6
    found = wake_grid(period, waited, asked, tick, stated=stated is not None)
    if found is None:
        return []
    off = max(found.high_ms - asked, asked - found.low_ms)
    joined = "and" if (in_turns := turns(period, tick)) is not None else "or"
    text = (
        f"Wakes fall on a grid of {ms(found.step_ms)}, so that {ms(asked)}, "
        f"{'as the log states' if stated is not None else 'which loops take on average'}, cannot "
        f"be kept: loops take {ms(found.low_ms)} {joined} {ms(found.high_ms)}"
        f"{' in turns' if in_turns is not None else ''}, up to {ms(off)} off, whatever the calls "
        f"take. Choose a period that is a multiple of {ms(found.step_ms)}, or a finer timer."
    )
    return [
        Finding(
            "coarse_wakes", "look", text, found.step_ms, "ms", evidence=evidence(at),
            command=command(at, "slow"), worth=0.1 + min(off / asked, 1.0), moves=True,
            rests_on={"low": found.low_ms, "high": found.high_ms, "pace_shown": 1.0},
        )
    ]  # fmt: skip


def _pacing(at: Summary) -> list[Finding]:
    p = at.pacing
    late = p.late_count / max(at.pace.loops, 1)
    made = []
    nominal, achieved = ms_value(p.nominal_hz), ms_value(p.achieved_hz)
    if p.mode == "sleep after work" and nominal > 0:
        text = _sleeps(at, nominal, achieved)
        lost = 1 - min(achieved / nominal, 1.0)
        made.append(_about_pacing(at, "pacing_sleep", text, 0.1 + 0.5 * lost))
    if p.mode == "fixed rate, skips":
        took = (
            f"{p.late_count} loops ({percent(late)}) took longer than their "
            f"{ms(ms_value(p.nominal_ms))}, and no later one made up for "
        )
        text = f"A loop that is late loses its slot: {took}{_missed_ticks(p)}."
        if (p.slot_share or 0.0) < IN_WHOLE_SLOTS:
            text = f"{took}it: after a late loop the rate starts anew."
        elif not at.costs.calls:
            text += _ticks_missed(at)
        made.append(_about_pacing(at, "pacing_skips", text, 0.1 + late))
    if p.mode == "fixed rate, catches up":
        text = _made_up(p)
        by_device = p.beat_call is not None  # it is late then, not the loop
        severity = "note" if by_device and late < _FEW_UNEVEN else "look"
        worth = min(0.1 + late, MAY_BE_MEANT if by_device else 1.0)
        made.append(_about_pacing(at, "pacing_catches_up", text, worth, severity))
    if p.finer_ms is not None and p.nominal_ms is not None and p.wait_known:
        text = (
            f"The loop waits for a tick of {ms(p.nominal_ms)}, or misses every second one of "
            f"{ms(p.finer_ms)}: the log would look the same. If the latter, loops of less work "
            f"than {ms(p.finer_ms)} would come twice as often."
        )
        made.append(_about_pacing(at, "finer_tick", text, 0.012, "note"))
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
    return made


def _missed_ticks(p: Pacing) -> str:
    """What late loops lose, as no more than a part of a tick may be made up for."""
    if not p.made_up_count:
        return "the ticks missed"
    times = "once" if p.made_up_count == 1 else f"{p.made_up_count} times"
    return f"the ticks missed; {times} none was, and the next was shorter"


def _sleeps(at: Summary, nominal: float, achieved: float) -> str:
    """What a sleep after the work makes of the rate; another was meant if the log says so."""
    slept, said = ms_value(at.pacing.nominal_ms), stated_tick_ms(at.run.meta)
    if said is not None and abs(slept / said - 1) < _SLOWER:
        return (
            f"The loop sleeps {ms(slept)} after its work instead of until the next tick: "
            f"{three(achieved)} loops a second, not {three(nominal)}."
        )
    return (
        f"The loop sleeps {ms(slept)} after its work, however long that takes: "
        f"{three(achieved)} loops a second. If one each {ms(slept)} is meant, wait until the next "
        f"tick instead: {three(nominal)} a second, where the work leaves the time."
    )


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
    return f" {name} makes {count} of the {events} slow events.", [name]


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


def _of_device(at: Summary, name: str) -> str:
    """That a loop waits for a device, and what that leaves where the call is named for no more."""
    if not says_wait(name):
        return (
            f"{name} waits in each loop until its device answers, and so keeps it to a fixed rate. "
            "Can't tell how much headroom is left; time its wait by itself."
        )
    left = sum(c.self_ms_per_loop for c in at.costs.calls if c.name == name)
    return (
        f"{name} waits in each loop for what its device gives every "
        f"{ms(ms_value(at.pacing.nominal_ms))}: that paces the loop, and less work makes it no "
        f"faster. The wait takes {ms(left)} on average, and so much is left for more work."
    )


def _headroom(at: Summary) -> list[Finding]:
    p = at.pacing
    if p.fixed_rate and (not p.wait_known or p.beat_call is not None):
        text = (
            f"The loop keeps to a fixed rate ({p.mode_from}) but its wait is not logged: work is "
            "unknown. Can't tell how much headroom is left; time the wait and label it pacing."
        )
        if p.beat_call is not None:
            text = _of_device(at, p.beat_call)
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
    if o.budget_ms is None or not o.count or o.share is None or o.budget_from not in STATED:
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
