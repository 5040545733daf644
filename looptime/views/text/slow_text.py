"""Slow loops as text: the events, one loop beside a typical one, and when a delay fires."""

from collections.abc import Sequence

import numpy as np
from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.loop_detail import CallInLoop, LoopDetail, VideoSync
from looptime.analysers.recurs import Recurrence
from looptime.analysers.slow import SlowEvent
from looptime.analysers.summary import Summary
from looptime.analysers.waits import Delay, gain_factors
from looptime.array_types import Float
from looptime.findings.about import how_often, ms
from looptime.findings.finding import Finding
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.views.text.costs_text import render_contention
from looptime.views.text.terminal import count, heading_line, number, safe, table
from looptime.views.text.text_parts import (
    brief,
    indented,
    labelled,
    most_time_first,
    name_cell,
    percent,
    used_line,
)
from looptime.views.text.told import Told, why
from looptime.words import supposing

__all__ = ["ComesBack", "comes_back", "delay_sentence", "render_delay", "render_loop",
           "render_slow"]  # fmt: skip

#: In fewer loops an outlier is no sign of anything, and its absence neither.
_FEW = 100
#: Events on the first screen.
_FIRST = 12
#: Events in full, where nobody says how many.
_MOST = 20
#: Findings that say why loops are slow.
_ABOUT_SLOW = (
    "recurring_stall", "slow_culprit", "long_turns", "slow_unexplained", "everything_at_once",
    "pauses", "thread_wait", "result_wait", "signal_at_stalls", "hidden_turns",
)  # fmt: skip
#: Those that tell of a level that is another later on.
_ALONG = ("change_point", "drift", "faster_start")
#: The end of a run is one part in so many of it.
_END = 10
#: Those that tell of one loop, of what comes back, and of the level.
_TOLD = (("lone_stall", "clock_set"), _ABOUT_SLOW, _ALONG)


@dataclass(frozen=True)
class ComesBack:
    """The table of what comes back in slow loops."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]  #: Call, rule in words, ms and times of each
    legend: str  #: What some of the rules leave open; else empty


def render_slow(at: Summary, top: int | None = None, video: VideoSync | None = None) -> Told:
    """The slow loops of a run, slowest first.

    Parameters
    ----------
    at : Summary
        What was found in the run.
    top : int, optional
        Events to show; without it as many as one screen holds, and more in full.
    video : VideoSync, optional
        Adds the number of the video's frame.
    """
    slow = at.slow
    books: tuple[RenderableType, ...] = (
        labelled("log", safe(at.run.source) or "run"), used_line(at),
    )  # fmt: skip
    if slow.threshold_ms is None:
        return Told("There is no loop to say anything about.", books=books)
    books += (labelled("typical", _typical(at)), labelled("slow", slow.limit(at.basis.judged)))
    if not slow.events:
        few = len(at.run) < _FEW
        answer = (
            f"Can't tell: {len(at.run)} loops hold too few slow ones; {_FEW} and more would do."
            if few
            else f"No loop stands out {slow.limit(at.basis.judged)}."
        )
        return Told(supposing(answer, at.run.clock.supposed), _why(at), books=books)
    slowest = tuple(_listed(at, top or _FIRST, video))
    blocks = (*([slowest] if top is None else []), _rhythm(at.recurrence.most), _causes(at),
              render_contention(at))  # fmt: skip
    rest = _listed(at, _MOST, video, _FIRST) if top is None and len(slow.events) > _FIRST else ()
    answer = supposing(_answer(at), at.run.clock.supposed)
    return Told(answer, _why(at), tuple(tuple(b) for b in blocks if b), tuple(rest), books,
                () if top is None else slowest)  # fmt: skip


def _listed(at: Summary, top: int, video: VideoSync | None, after: int = 0) -> list[RenderableType]:
    shown = at.slow.events[after:top]
    last = after + len(shown)
    return [
        heading_line(f"Slowest {after + 1} to {last}" if after else f"Slowest {last}"),
        indented(_events(shown, video, bool(at.costs.calls))),
        indented(Text(_legend(at, shown, video))),
    ]


def _answer(at: Summary) -> str:
    slow = at.slow
    limit = f"more than {number(slow.threshold_ms)} ms where {number(slow.typical_ms)} ms are usual"
    if slow.moving:
        limit = f"over {number(slow.above_ms)} ms more than those around them"
    text = (
        f"{count(slow.count, 'loop')} ({percent(slow.share)}, {percent(slow.time_share)} of the "
        f"time) took {limit}"
    )
    leaders = list(slow.by_culprit.items())[:2] if at.costs.calls else []
    if leaders:
        often = sorted(leaders, key=lambda one: -one[1])
        (most, times), *rest = [(safe(name, 30), f"{n:,}") for name, n in often]
        text += f"; {most} stretched most in {times} of {count(len(slow.events), 'event')}"
        longer = ", by more time in all" if often != leaders else ""
        text += "".join(f", {name} in {n}{longer}" for name, n in rest)
    return text + "."


def _why(at: Summary) -> tuple[RenderableType, ...]:
    """Of the longest loop, of what comes back and of the level the finding that matters most."""
    slow = [f for f in at.findings if f.severity != "note"]
    told = [next((f for f in slow if f.code in codes), None) for codes in _TOLD]
    made: tuple[RenderableType, ...] = ()
    for f in (f for f in told if f is not None):
        made += why(f"{f.severity}: {f.text}", _closer(at, f) if not made else "")
    return made


def _closer(at: Summary, finding: Finding) -> str:
    """What looks closer than the list of slow loops: the loop of a finding beside a typical one."""
    told = finding.command.replace("--top 20", "").split()
    if told[1:2] != ["slow"] or "--loop" in told or not len(at.basis.judged_ms):
        return finding.command
    numbers = at.run.loop_columns.loop
    if at.slow.events and finding.code not in _ALONG:
        one = int(numbers[at.slow.events[0].index])
    elif finding.evidence.loops:
        one = finding.evidence.loops[0]
    elif finding.code == "faster_start":
        if not at.warmup.kept:
            return finding.command
        one = int(numbers[_usual_of(at.basis.judged_ms[: max(at.warmup.loops, 1)])])
    else:  # as loops are at the end of the run, after what changed along it
        last = max(len(numbers) // _END, 1)
        one = int(numbers[len(numbers) - last + _usual_of(at.basis.judged_ms[-last:])])
    if "--top 20" in finding.command:
        return finding.command.replace("--top 20", f"--loop {one}")
    return f"{finding.command} --loop {one}"


def _usual_of(judged_ms: Float) -> int:
    """Place of the loop of some that is most like their middle one."""
    return int(np.argmin(np.abs(judged_ms - median(judged_ms))))


def _typical(at: Summary) -> str:
    """What a typical loop takes, and that none does where the level changes on the way."""
    text = f"{number(at.slow.typical_ms)} ms of {at.basis.judged}"
    if at.changes.better != "steps" or at.changes.of[-1] == "calls":
        return text
    levels = [one for p in at.changes.change_points for one in (p.before_ms, p.after_ms)]
    return f"{text}, between levels from {number(min(levels))} to {number(max(levels))} ms"


def _events(events: Sequence[SlowEvent], video: VideoSync | None, named: bool) -> RenderableType:
    lines = any(e.line is not None for e in events)
    heads = ["loop", "at s", "ms", "more", "what stretched"]
    heads[2:2] = ["line"] if lines else []
    heads[1:1] = ["frame"] if video is not None else []
    rows = []
    for e in events:
        spell = f"{e.first}" if e.first == e.last else f"{e.first}-{e.last}"
        row = [spell, f"{e.time_s:.3f}", number(e.worst_ms), number(e.excess_ms), _what(e)]
        row[2:2] = ["" if e.line is None else str(e.line)] if lines else []
        if video is not None:
            row[1:1] = [str(video.frame_at(e.time_s))]
        rows.append(row)
    if not named:  # a log of bare stamps: nothing to name
        return table(heads[:-1], [row[:-1] for row in rows], left=())
    return table(heads, rows, left=(len(heads) - 1,))


def _what(e: SlowEvent) -> str:
    if e.cause == "everything at once":
        text = "everything at once"
    else:
        shown = [p for p in e.parts if p.ms > 0.1 * max(e.excess_ms, 1e-9)][:2]
        text = ", ".join(f"{safe(p.name, 40)} +{number(p.ms, 2)}" for p in shown)
    if e.tick_wait_ms > 0:
        text += f"; waits {number(e.tick_wait_ms, 2)} for a tick"
    if e.caught_up:
        text += f"; then {e.caught_up} short"
    return text or "-"


def _legend(at: Summary, events: Sequence[SlowEvent], video: VideoSync | None) -> str:
    text = f"ms: {at.basis.judged} of the slowest loop; more: ms above typical over the event"
    if any(e.caught_up for e in events):
        text += "; short: loops right after it that caught up"
    return text + ("; frame: of the video" if video is not None else "")


def _causes(at: Summary) -> list[RenderableType]:
    if not at.costs.calls:
        return []
    counts: dict[str, int] = {}
    for e in at.slow.events:
        counts[e.cause] = counts.get(e.cause, 0) + 1
    causes = ", ".join(f"{cause} {n:,}" for cause, n in counts.items())
    leaders = list(at.slow.by_culprit.items())
    names = ", ".join(f"{safe(name, 30)} {n:,}" for name, n in leaders[:6])
    return [
        heading_line("Over all events"),
        labelled("made by", causes),
        labelled("most by", names + most_time_first(leaders[:6])),
    ]


def _rhythm(found: Sequence[Recurrence]) -> list[RenderableType]:
    if not found:
        return []
    back = comes_back(found)
    made = [heading_line(back.title), indented(table(back.heads, back.rows, left=(0, 1)))]
    return [*made, *([indented(Text(back.legend, style="dim"))] if back.legend else [])]


def comes_back(found: Sequence[Recurrence]) -> ComesBack:
    """What comes back, and by which rule, for whatever shows a table."""
    rows = tuple(
        (safe(r.call or " with ".join(r.together) or "the loop", 28), _in_short(r),
         number(r.height_ms), str(r.count))
        for r in found
    )  # fmt: skip
    several = any(len(r.could_be) > 1 for r in found)
    legend = "or, about: more than one rule fits, can't tell which" if several else ""
    return ComesBack("What comes back", ("comes back", "when", "ms", "times"), rows, legend)


def _in_short(r: Recurrence) -> str:
    """The rule by which something comes back, or both that fit, as short as a table asks."""
    text = how_often(r).partition(" (")[0]
    if len(r.could_be) > 1 and text.startswith("every ") and r.every_ms:
        return f"{text} or {ms(r.every_ms)}"
    return text


def render_loop(at: LoopDetail, most: int = 15, supposed: Sequence[str] = ()) -> Told:
    """One loop beside a typical one.

    Parameters
    ----------
    at : LoopDetail
        From `looptime.analysers.loop_detail.loop_detail`.
    most : int
        Calls to show.
    supposed : sequence of str
        What the run's figures rest on, as in `looptime.run.Clock`.
    """
    place = f"starts at {at.time_s:.3f} s"
    place += f", line {at.line} of the log" if at.line is not None else ""
    place += f", phase {safe(at.phase)}" if at.phase else ""
    text = (
        f"Loop {at.loop} took {number(at.judged_ms)} ms of {at.judged}, typical are "
        f"{number(at.typical_ms)} ms"
    )
    longest = max(at.rows, key=lambda r: r.excess_ms, default=None)
    if longest is not None and longest.excess_ms > 0.05 * at.typical_ms:
        text += f": {safe(longest.name, 60)} took {brief(longest.excess_ms, 2)} ms more than usual"
    around = " ".join(number(p) for p in at.before_ms)
    after = " ".join(number(p) for p in at.after_ms)
    reasons = (
        labelled("where", place),
        labelled("period", f"{around} [{number(at.period_ms)}] {after} ms".strip()),
    )
    left = len(at.rows) - most
    note = (indented(Text(f"and {left} more that differ less")),) if left > 0 else ()
    short = (Text(""), indented(_loop_table(at.rows[:most])), *note)
    whole = (indented(_loop_table(at.rows)),) if note else ()
    return Told(supposing(f"{text}.", supposed), reasons, (short,), whole)


def _loop_table(rows: Sequence[CallInLoop]) -> RenderableType:
    heads = ["call", "calls", "here ms", "typical ms", "more ms"]
    return table(heads, [
        [name_cell(r.name, 30), str(r.calls) if r.calls else "", brief(r.self_ms),
         brief(r.typical_ms), f"{'+' if r.excess_ms > 0 else ''}{brief(r.excess_ms, 2)}"]
        for r in rows
    ])  # fmt: skip


def delay_sentence(at: Delay) -> str:
    """How late a delay fires that is checked once a loop."""
    return (
        f"A delay of {number(at.delay_ms)} ms that is checked once a loop fires after "
        f"{number(at.mean_ms)} ms on average, {number(at.max_ms)} at most."
    )


def render_delay(at: Delay, summary: Summary) -> list[RenderableType]:
    """When a delay that is checked once a loop fires, and what the pace does to gains."""
    heads = ["ms", "mean", "p50", "p90", "p99", "max"]
    figures = (at.mean_ms, at.p50_ms, at.p90_ms, at.p99_ms, at.max_ms)
    loops = f"{at.loops_min} to {at.loops_max} loops, typically {number(at.loops_p50)}"
    parts: list[RenderableType] = [
        heading_line(f"A delay of {number(at.delay_ms)} ms, checked once a loop"),
        indented(table(heads, [["fires after", *(number(f) for f in figures)]])),
        labelled("late", f"{number(at.late_ms)} ms on average"),
        labelled("loops", loops),
    ]
    period = summary.pace.period_ms
    p50, p99 = period.p50.value, period.p99.value
    if p50 and p99:
        factors = gain_factors(p50, p99)
        text = (
            f"where code ignores the step, a loop of {number(p99)} ms (p99) instead of "
            f"{number(p50)} ms acts like {number(factors.integral, 2)} times the integral gain "
            f"and {number(factors.derivative, 2)} times the derivative gain"
        )
        parts.append(labelled("gains", text))
    return parts
