"""Figures of single loops: their calls by thread, beside a typical loop."""

from __future__ import annotations

from typing import Any

import numpy as np

from looptime.analysers.summary import Summary
from looptime.errors import UsageError
from looptime.run import Run
from looptime.views.figures.palette import colour_of, pattern_of
from looptime.views.figures.picture import Picture, axis, label, layout, text_in_plot
from looptime.views.text.terminal import number

__all__ = ["event_table", "loop_beside_typical", "typical_loop"]

_MOST_CALLS = 4000


def event_table(
    at: Summary, most: int = 2000
) -> tuple[tuple[str, ...], tuple[tuple[object, ...], ...]]:
    """Heads and rows of the table of slow spells, the slowest first.

    Parameters
    ----------
    at : Summary
        The run.
    most : int
        Rows at most.
    """
    number_of = at.run.loop_columns.loop
    judged = at.basis.judged
    both = ("work ms", "period ms") if judged == "work" else ("period ms",)
    heads = ("loop", "time s", *both, "beyond typical, ms", "slow loops",
             "cause", "what stretched most", "by ms", "line")  # fmt: skip
    rows = tuple(
        (int(number_of[e.index]), float(e.time_s),
         *((float(e.worst_ms), float(e.period_ms)) if judged == "work" else (float(e.worst_ms),)),
         float(e.excess_ms), int(e.loops), e.cause, e.culprit,
         float(e.parts[0].ms) if e.parts else None, e.line)
        for e in at.slow.events[:most]
    )  # fmt: skip
    return heads, rows


def typical_loop(at: Summary, index: int) -> int:
    """Place of the loop that is nearest to the middle, and to the chosen one among equals.

    Parameters
    ----------
    at : Summary
        The run.
    index : int
        Place of the chosen loop.
    """
    x = at.basis.judged_ns
    off = np.abs(x - int(np.median(x)))
    off[index] = np.iinfo(np.int64).max
    if len(off) < 2:
        return index
    # among loops about as close to the middle as the closest, the one nearest in time
    near = np.flatnonzero(off <= max(int(off.min()), int(np.median(x)) // 500))
    return int(near[np.argmin(np.abs(near - index))])


def loop_beside_typical(at: Summary, loop: int) -> Picture:
    """Calls of one loop by thread, above those of a typical loop on the same time axis.

    Parameters
    ----------
    at : Summary
        The run.
    loop : int
        Number of the loop as logged.

    Returns
    -------
    Picture

    Raises
    ------
    UsageError
        If the loop is not in this part of the run.
    """
    run = at.run
    place = np.flatnonzero(run.loop_columns.loop == loop)
    if not len(place):
        raise UsageError(f"loop {loop} is not in the part of the run that is shown")
    k = int(place[0])
    usual = typical_loop(at, k)
    lanes: list[str] = []
    traces: dict[str, dict[str, Any]] = {}
    rows: list[tuple[object, ...]] = []
    for index, word in ((k, "chosen"), (usual, "typical")):
        _draw_loop(run, index, word, lanes, traces, rows)
    ends = [float(run.loop_columns.period_ns[i]) / 1e6 for i in (k, usual)]
    y = axis("", tickvals=list(range(len(lanes))), ticktext=[text_in_plot(x) for x in lanes],
             range=[len(lanes) - 0.4, -0.6], ticks="", showgrid=False)  # fmt: skip
    drawn = layout(
        axis("time in the loop (ms)", range=[0, max(ends) * 1.02]), y,
        130 + 44 * len(lanes), barmode="overlay", showlegend=True, bargap=0.25, hovermode="closest",
    )  # fmt: skip
    drawn["shapes"] = [_end(e, i, lanes) for i, e in enumerate(ends)]
    title = _loop_title(at, k, usual)
    when = at.basis.time_s(k)
    return Picture(
        "loop", title, {"data": list(traces.values()), "layout": drawn},
        f"Calls by thread of loop {loop} at {number(when, 5)} s and of typical loop "
        f"{int(run.loop_columns.loop[usual])}. {title}.",
        ("loop", "thread", "call", "kind", "start ms", "duration ms", "self ms"), tuple(rows),
        "Each bar is a call from its start to its end; nested calls are drawn inside. The typical "
        f"loop is the one nearest in time whose {at.basis.judged} is closest to the middle.",
    )  # fmt: skip


def _draw_loop(
    run: Run, index: int, word: str, lanes: list[str], traces: dict[str, dict[str, Any]],
    rows: list[tuple[object, ...]],
) -> None:  # fmt: skip
    calls, begin = run.call_columns, int(run.loop_columns.start_ns[index])
    mine = np.flatnonzero(calls.loop == index)[:_MOST_CALLS]
    number_of = int(run.loop_columns.loop[index])
    threads = [run.loop_thread, *(t for t in np.unique(calls.thread[mine]) if t != run.loop_thread)]
    for thread in threads:
        if not 0 <= thread < len(run.thread_names):
            continue
        lane = len(lanes)
        lanes.append(f"{word} {number_of}: {label(run.thread_names[thread], 16)}")
        for row in mine[calls.thread[mine] == thread]:
            at = run.names[calls.name[row]]
            start = (int(calls.start_ns[row]) - begin) / 1e6
            duration, own = float(calls.duration_ns[row]) / 1e6, float(calls.self_ns[row]) / 1e6
            trace = traces.setdefault(at.kind, _kind_trace(at.kind))
            trace["base"].append(start)
            trace["x"].append(duration)
            trace["y"].append(lane)
            # a nested call is drawn narrower, within the call that encloses it
            trace["width"].append(0.75 * 0.72 ** min(int(calls.depth[row]), 4))
            trace["customdata"].append([number_of, text_in_plot(label(at.name, 60)), own])
            rows.append((number_of, run.thread_names[thread], at.name, at.kind, start, duration,
                         own))  # fmt: skip


def _kind_trace(kind: str) -> dict[str, Any]:
    return {
        "type": "bar", "orientation": "h", "name": kind, "base": [], "x": [], "y": [],
        "width": [], "customdata": [],
        "marker": {"color": colour_of(kind), "line": {"color": "#ffffff", "width": 0.7},
                   "pattern": {"shape": pattern_of(kind), "fillmode": "overlay", "size": 6,
                               "solidity": 0.18}},
        "hovertemplate": "%{customdata[1]}<br>from %{base:.3f} ms for %{x:.3f} ms (self "
        "%{customdata[2]:.3f})<br>loop %{customdata[0]}<extra>" + kind + "</extra>",
    }  # fmt: skip


def _end(end: float, which: int, lanes: list[str]) -> dict[str, Any]:
    """A mark where the loop ends."""
    word = "chosen" if which == 0 else "typical"
    mine = [i for i, lane in enumerate(lanes) if lane.startswith(word)]
    low, high = (min(mine), max(mine)) if mine else (0, 0)
    return {
        "type": "line", "x0": end, "x1": end, "y0": low - 0.45, "y1": high + 0.45,
        "line": {"color": "#8a8f98", "width": 2, "dash": "dot"},
    }  # fmt: skip


def _loop_title(at: Summary, k: int, usual: int) -> str:
    period = at.basis.period_ms
    loop = int(at.run.loop_columns.loop[k])
    event = next((e for e in at.slow.events if e.first <= loop <= e.last), None)
    text = f"Loop {loop} took {number(float(period[k]))} ms, a typical one "
    text += f"{number(float(period[usual]))} ms"
    if event is not None:
        text += f"; {label(event.culprit, 40)} stretched most"
    return text
