"""Figures of single loops: their calls by thread, beside a typical loop."""

from typing import Any

import numpy as np

from looptime.analysers.loop_detail import loop_detail
from looptime.analysers.summary import Summary
from looptime.errors import UsageError
from looptime.run import Run
from looptime.views.figures.palette import colour_of, pattern_of
from looptime.views.figures.picture import Picture, axis, label, layout, text_in_plot
from looptime.views.text.terminal import number

__all__ = ["event_table", "loop_beside_typical", "typical_loop"]

_MOST_CALLS = 4000
# height of a call's bar in its lane, what is left of it however deep, and how fast it narrows
_WIDTH, _LEAST, _NARROWER = 0.86, 0.3, 0.7
# letters that the whole width of the figure holds
_LETTERS = 110


def event_table(
    at: Summary, most: int = 2000
) -> tuple[tuple[str, ...], tuple[tuple[object, ...], ...]]:
    """Heads and rows of the table of slow spells, the slowest first."""
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
    traces: dict[tuple[int, str], dict[str, Any]] = {}
    ends = [float(run.loop_columns.period_ns[i]) / 1e6 for i in (k, usual)]
    rows: list[tuple[object, ...]] = []
    for index, word in ((k, "chosen"), (usual, "typical")):
        lane = len(lanes)  # the loop's own thread comes first
        _draw_loop(run, index, word, lanes, traces, rows, max(ends))
        _draw_waits(at, index, lane, traces)
    y = axis("", tickvals=list(range(len(lanes))), ticktext=[text_in_plot(x) for x in lanes],
             range=[len(lanes) - 0.4, -0.6], ticks="", showgrid=False)  # fmt: skip
    drawn = layout(
        axis("time in the loop (ms)", range=[0, max(ends) * 1.02]), y,
        130 + 52 * len(lanes), barmode="overlay", showlegend=True, bargap=0.25, hovermode="closest",
        uniformtext={"minsize": 9, "mode": "hide"},
    )  # fmt: skip
    drawn["shapes"] = [_end(e, i, lanes) for i, e in enumerate(ends)]
    title = _loop_title(at, k, usual)
    when = at.basis.time_s(k)
    return Picture(
        "loop", title, {"data": _in_order(traces), "layout": drawn},
        f"Calls by thread of loop {loop} at {number(when, 5)} s and of typical loop "
        f"{int(run.loop_columns.loop[usual])}. {title}.",
        ("loop", "thread", "call", "kind", "start ms", "duration ms", "self ms"), tuple(rows),
        "Each bar is a call from its start to its end; nested calls are drawn inside, and so is "
        "the part in which a call waits for a call of another thread that has its lock or bus. "
        "The typical loop is the one nearest in time whose "
        f"{at.basis.judged} is closest to the middle.",
    )  # fmt: skip


def _draw_loop(
    run: Run, index: int, word: str, lanes: list[str],
    traces: dict[tuple[int, str], dict[str, Any]], rows: list[tuple[object, ...]], span_ms: float,
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
        here = mine[calls.thread[mine] == thread]
        for row in here[np.argsort(calls.start_ns[here], kind="stable")]:
            at, depth = run.names[calls.name[row]], int(calls.depth[row])
            start = (int(calls.start_ns[row]) - begin) / 1e6
            duration, own = float(calls.duration_ns[row]) / 1e6, float(calls.self_ns[row]) / 1e6
            trace = traces.setdefault((depth, at.kind), _kind_trace(at.kind))
            trace["base"].append(start)
            trace["x"].append(duration)
            trace["y"].append(lane)
            trace["width"].append(_WIDTH * (_LEAST + (1 - _LEAST) * _NARROWER**depth))
            # what a nested call covers leaves no room for a name
            room = int(_LETTERS * own / span_ms) if own > 0.6 * duration else 0
            name = label(at.name, 60)
            trace["text"].append(text_in_plot(name) if len(name) <= room else "")
            trace["customdata"].append([number_of, text_in_plot(name), own, duration])
            rows.append((number_of, run.thread_names[thread], at.name, at.kind, start, duration,
                         own))  # fmt: skip


def _draw_waits(
    at: Summary, index: int, lane: int, traces: dict[tuple[int, str], dict[str, Any]]
) -> None:
    """Mark in the calls of the loop's thread until when each stood for another thread."""
    run, calls = at.run, at.run.call_columns
    if not at.contention.found:  # most often: nothing is looked for among millions of calls
        return
    near = np.flatnonzero((calls.loop == index) | (calls.loop == index - 1))
    loop, thread = calls.loop[near], calls.thread[near]
    began = calls.start_ns[near]
    ended = began + calls.duration_ns[near].astype(np.int64)
    names = np.array([n.name for n in run.names])[calls.name[near]]
    threads = np.array(run.thread_names)[thread]
    for entry in at.contention.found:
        mine = (loop == index) & (thread == run.loop_thread)
        mine &= np.isin(names, [c.name for c in entry.by_call])
        theirs = (threads == entry.thread) & np.isin(names, entry.partners)
        for row in np.flatnonzero(mine):
            inside = ended[theirs & (ended > began[row]) & (ended <= ended[row])]
            if not len(inside):
                continue
            trace = traces.setdefault((_MOST_CALLS, "waiting"), _wait_trace(entry.thread))
            trace["base"].append((int(began[row]) - int(run.loop_columns.start_ns[index])) / 1e6)
            trace["x"].append((int(inside.max()) - int(began[row])) / 1e6)
            trace["y"].append(lane)
            name = text_in_plot(label(str(names[row]), 60))
            trace["customdata"].append([int(run.loop_columns.loop[index]), name])


def _in_order(traces: dict[tuple[int, str], dict[str, Any]]) -> list[dict[str, Any]]:
    """What encloses first, what is nested upon it, however deep; each kind once in the legend."""
    order = sorted(traces, key=lambda key: key[0])
    for kind in {kind for _, kind in order}:
        traces[next(key for key in order if key[1] == kind)]["showlegend"] = True
    return [traces[key] for key in order]


def _kind_trace(kind: str) -> dict[str, Any]:
    return {
        "type": "bar", "orientation": "h", "name": kind, "base": [], "x": [], "y": [],
        "width": [], "customdata": [], "text": [], "textposition": "inside",
        "insidetextanchor": "middle", "textangle": 0, "legendgroup": kind, "showlegend": False,
        "marker": {"color": colour_of(kind), "line": {"color": "#ffffff", "width": 0.7},
                   "pattern": {"shape": pattern_of(kind), "fillmode": "overlay", "size": 6,
                               "solidity": 0.18}},
        "hovertemplate": "%{customdata[1]}<br>from %{base:.3f} ms for %{customdata[3]:.3f} ms "
        "(self %{customdata[2]:.3f})<br>loop %{customdata[0]}<extra>" + kind + "</extra>",
    }  # fmt: skip


def _wait_trace(thread: str) -> dict[str, Any]:
    return {
        "type": "bar", "orientation": "h", "name": "waiting for another thread", "base": [],
        "x": [], "y": [], "customdata": [], "legendgroup": "waiting", "showlegend": False,
        # along the lower edge, so that the call's name can be read
        "width": _LEAST * _WIDTH, "offset": (0.5 - _LEAST) * _WIDTH,
        "marker": {"color": "#d8dade", "line": {"color": "#1d2329", "width": 1},
                   "pattern": {"shape": "x", "fillmode": "overlay", "fgcolor": "#1d2329",
                               "size": 6, "solidity": 0.25}},
        "hovertemplate": "%{customdata[1]} waits for thread " + text_in_plot(label(thread, 20))
        + "<br>from %{base:.3f} ms for %{x:.3f} ms<br>loop %{customdata[0]}<extra></extra>",
    }  # fmt: skip


def _end(end: float, which: int, lanes: list[str]) -> dict[str, Any]:
    """A mark where the loop ends."""
    word = "chosen" if which == 0 else "typical"
    mine = [i for i, lane in enumerate(lanes) if lane.startswith(word)]
    low, high = (min(mine), max(mine)) if mine else (0, 0)
    return {
        "type": "line", "x0": end, "x1": end, "y0": low - 0.45, "y1": high + 0.45,
        "line": {"color": "#858d96", "width": 2, "dash": "dot"},
    }  # fmt: skip


def _loop_title(at: Summary, k: int, usual: int) -> str:
    period = at.basis.period_ms
    loop = int(at.run.loop_columns.loop[k])
    text = f"Loop {loop} took {number(float(period[k]))} ms, a typical one "
    text += f"{number(float(period[usual]))} ms"
    # what stretched in this loop itself; the spell that it belongs to may have another cause
    most = max(loop_detail(at.basis, loop).rows, key=lambda row: row.excess_ms, default=None)
    longer = float(period[k] - period[usual])
    if most is not None and min(longer, most.excess_ms) > 0.05 * float(period[usual]):
        text += f"; {label(most.name, 40)} stretched most, by {number(most.excess_ms)} ms"
    return text
