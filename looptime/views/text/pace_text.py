"""The pace of a loop as text: its periods, rate, pacing, headroom and overruns."""

from rich.console import RenderableType

from looptime.analysers.pace import Distribution, Overruns
from looptime.analysers.pacing import Pacing
from looptime.analysers.summary import Summary
from looptime.stated_pace import stated_tick_ms
from looptime.views.text.terminal import count, heading_line, number, safe, table
from looptime.views.text.text_parts import indented, labelled, percent

__all__ = ["one_length", "pace_sentence", "render_pace", "work_named"]


def one_length(at: Summary) -> tuple[str, str, str]:
    """What is said of periods that are all one length: what each is, how long, and how well known.

    In place of quantiles: an interval as wide as a clock's tick or a period says nothing of them.
    """
    length = f"{number(at.pace.period_ms.max)} ms"
    known = "is not logged" if at.run.clock.other is None else "the clock in use does not show"
    return "each loop takes", length, f"as by a timetable: what single ones differ by {known}"


def pace_sentence(at: Summary) -> str:
    """How fast and how even the loop is, in words; without the full stop."""
    pace, paced = at.pace, at.pacing
    rate, p = number(pace.rate_hz.by_time), pace.period_ms
    text = f"{rate} loops a second"
    if paced.fixed_rate and paced.nominal_hz is not None:
        by = "" if paced.beat_call is None else f" by {safe(paced.beat_call)}"
        text += f" of the {number(paced.nominal_hz)} it is paced to{by}{_or_finer(paced)}"
    elif any(f.code == "slower_than_stated" for f in at.findings):
        text += f" of the {number(1e3 / (stated_tick_ms(at.run.meta) or 1e3))} that the log states"
    if p.p50.value is None:
        if at.run.averaged:
            return text + "; the log does not tell how long single loops take"
        return text + "; the clock is too coarse to tell of single loops"
    over = pace.overruns
    if pace.one_length:
        what, length, known = one_length(at)
        text += f": {what} {length}, {known}"
    elif pace.untold_ms:
        text += f": a loop takes {number(p.mean.value)} ms on average, how much single ones differ "
        text += "can't be told by this clock"
    else:
        text += f": a loop takes {number(p.p50.value)} ms as a rule"
        rare = f"1 in 100 takes {number(p.p99.value)} or more"
        if number(p.p99.value) == number(p.p50.value):  # the same figure twice tells nothing
            rare = "99 of 100 no longer than that"
        text += f", {rare}, the longest took {number(p.max)}"
    if pace.untold_ms and over.budget_ms is not None and not over.count:
        return text + _headroom(at)
    if over.budget_ms is not None and over.count:
        text += f"; {over.count:,} ({percent(over.share)}) are over {_budget(over)}"
    elif over.budget_ms is not None:
        text += f"; none is over {_budget(over)}"
    return text + _headroom(at)


def _or_finer(paced: Pacing) -> str:
    """The other rate that it may be paced to, where the log would look the same."""
    if paced.finer_ms is None or not paced.wait_known:
        return ""
    return f" (or to {number(1e3 / paced.finer_ms)}, every second tick missed)"


def _headroom(at: Summary) -> str:
    if at.pace.headroom_ms is not None:
        return f"; headroom {number(at.pace.headroom_ms['p50'].value)} ms as a rule"
    if at.pacing.fixed_rate:
        return f"; headroom can't be told, {_no_wait(at)}"
    return ""


def _no_wait(at: Summary) -> str:
    """Why nobody knows what a loop of a fixed rate has left."""
    if at.pacing.beat_call is None:
        return "the pacing wait is not logged"
    return f"how much of {safe(at.pacing.beat_call)} is waiting is not logged"


def _budget(over: Overruns) -> str:
    """The budget counted, and what the log says of it where it is not that."""
    said = "the log" in over.budget_from
    return f"{number(over.budget_ms)} ms" + (f" ({over.budget_from})" if said else "")


def work_named(at: Summary) -> str:
    """What the work is called: what a loop's row holds may be all; empty where it is the period."""
    if at.basis.judged == "work":
        return "work"
    return "" if at.basis.work_known else "its row"


def render_pace(at: Summary) -> list[RenderableType]:
    """Periods and work with their intervals, rate, pacing, headroom and overruns."""
    pace, paced = at.pace, at.pacing
    heads = ["ms", "mean", "p50", "p90", "p95", "p99", "p99.9", "max", "sd"]
    rows = [_distribution("period", pace.period_ms)]
    rows += [] if pace.one_length else [_interval(pace.period_ms)]
    if pace.work_ms is not None and (named := work_named(at)):
        rows += [_distribution(named, pace.work_ms), _interval(pace.work_ms)]
    by_time = pace.period_by_time_ms
    rows.append(
        ["by time", "", number(by_time["p50"]), number(by_time["p90"]), "",
         number(by_time["p99"]), "", "", ""]
    )  # fmt: skip
    parts: list[RenderableType] = [
        heading_line("Pace"),
        indented(table(heads, [r for r in rows if any(r[1:])])),
    ]
    rate = f"{number(pace.rate_hz.by_time)} loops a second"
    if pace.rate_hz.by_loops is not None:
        rate += f" (mean of 1/T {number(pace.rate_hz.by_loops)})"
    sleeps = paced.mode == "sleep after work" and paced.nominal_ms is not None
    mode = f"sleep of {number(paced.nominal_ms)} ms after work" if sleeps else paced.mode
    mode += f": {paced.mode_from}"
    if paced.nominal_hz is not None and paced.fixed_rate:
        mode += f". Nominal {number(paced.nominal_hz)} a second"
        if paced.rate_error_ppm is not None:
            mode += f", long-term {paced.rate_error_ppm:+.0f} ppm"
        if paced.finer_ms is not None:
            mode += f"; every second tick of {number(paced.finer_ms)} ms would look the same"
    parts += [labelled("rate", rate), labelled("pacing", mode)]
    if pace.headroom_ms is not None:
        head = pace.headroom_ms
        parts.append(
            labelled(
                "headroom",
                f" {number(head['p50'].value)} ms as a rule, {number(head['p99'].value)} ms in the "
                "busiest loops of a hundred",
            )
        )
    elif paced.fixed_rate:
        parts.append(labelled("headroom", f" can't tell: {_no_wait(at)}"))
    return [*parts, labelled("over", _overruns(at))]


def _distribution(label: str, at: Distribution) -> list[str]:
    figures = (at.mean, at.p50, at.p90, at.p95, at.p99, at.p999)
    return [label, *(number(f.value) for f in figures), number(at.max), number(at.sd, 2)]


def _interval(at: Distribution) -> list[str]:
    figures = (at.mean, at.p50, at.p90, at.p95, at.p99, at.p999)
    halves = [
        "" if f.low is None or f.high is None else f"±{number((f.high - f.low) / 2, 2)}"
        for f in figures
    ]
    return ["  95 %" if any(halves) else "", *halves, "", ""]


def _overruns(at: Summary) -> str:
    over = at.pace.overruns
    if over.budget_ms is None and over.budget_from != "none set":
        return f"can't tell: {over.budget_from}"
    if over.budget_ms is None:
        return "no budget set: --budget-ms MS counts the loops above it"
    source = "" if over.budget_from == "as given" else f" ({over.budget_from})"
    text = (
        f"{count(over.count or 0, 'loop')} ({percent(over.share)}) above "
        f"{number(over.budget_ms)} ms{source}, {percent(over.time_share)} of the time"
    )
    if over.serious_ms is not None:
        text += f"; {over.serious_count:,} above {number(over.serious_ms)} ms"
    return text
