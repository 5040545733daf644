"""Figures of one call: how long it takes, and how that went over the run."""

from typing import Any

import numpy as np

from looptime.analysers.call_costs import CallCost
from looptime.analysers.part import in_phase, phases
from looptime.analysers.summary import Summary
from looptime.array_types import Int
from looptime.run import Run
from looptime.stats.quantiles import element_number
from looptime.views.figures.palette import QUIET, colour_of
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    envelope,
    label,
    layout,
    log_axis,
    log_bins,
)
from looptime.views.text.terminal import count, number

__all__ = ["call_by_phase", "call_histogram", "call_over_run", "rows_of"]

_DRAW_ALL = 4000


def rows_of(run: Run, call: CallCost) -> Int:
    """Rows of a run's calls of one name on one thread, in the order of the log."""
    calls = run.call_columns
    names = np.array([k for k, n in enumerate(run.names) if n.name == call.name])
    threads = np.array([k for k, t in enumerate(run.thread_names) if t == call.thread])
    return np.flatnonzero(np.isin(calls.name, names) & np.isin(calls.thread, threads))


def call_histogram(at: Summary, call: CallCost) -> Picture:
    """How long a call takes, with what is nested in it, on a logarithmic axis."""
    ms = at.run.call_columns.duration_ns[rows_of(at.run, call)] / 1e6
    longer = ms[ms > 0]
    edges = log_bins(longer)
    title = f"{label(call.name, 40)} takes {number(call.p50_ms)} ms in the middle, "
    title += f"99 % up to {number(call.p99_ms)} ms"
    how = "Bins of equal width in the logarithm. A call's time holds what is nested in it."
    if len(ms) - len(longer):
        how += f" {count(len(ms) - len(longer), 'call')} of no length cannot be drawn."
    if not len(edges):
        return Picture("call-times", title, {"data": [], "layout": {}}, title, (), (), how)
    each = np.histogram(longer, edges)[0]
    middle, share = np.sqrt(edges[:-1] * edges[1:]), 100 * each / len(ms)
    trace = bar(
        middle, share, colour_of(call.kind), width=np.diff(edges).tolist(),
        customdata=[[float(a), float(b), int(n)]
                    for a, b, n in zip(edges[:-1], edges[1:], each, strict=True)],
        hovertemplate="%{customdata[0]:.4g} to %{customdata[1]:.4g} ms<br>%{y:.3g} % of the calls, "
        "%{customdata[2]}<extra></extra>",
    )  # fmt: skip
    x = log_axis("duration (ms, logarithmic)", edges[0], edges[-1])
    drawn = layout(x, axis("share of the calls (%)", rangemode="tozero"), 260, bargap=0)
    rows = tuple((float(a), float(b), int(n))
                 for a, b, n in zip(edges[:-1], edges[1:], each, strict=True) if n)  # fmt: skip
    return Picture(
        "call-times", title, {"data": [trace], "layout": drawn},
        f"Histogram of {count(len(ms), 'duration')}. {title}.", ("from ms", "to ms", "calls"),
        rows, how,
    )  # fmt: skip


def call_over_run(at: Summary, call: CallCost) -> Picture:
    """A call's duration over the run; a click chooses the loop in which it took so long."""
    calls = at.run.call_columns
    mine = rows_of(at.run, call)
    t = (calls.start_ns[mine] - at.basis.origin_ns) / 1e9
    ms = calls.duration_ns[mine] / 1e6
    loops = at.run.loop_columns.loop[np.clip(calls.loop[mine], 0, len(at.run) - 1)]
    begin, low, middle, high = envelope(t, ms, len(t) if len(t) <= _DRAW_ALL else 1500)
    if len(begin) == len(t):
        data = [_line(t, ms, colour_of(call.kind), loops)]
    else:
        band = dict(_line(begin, high, QUIET), fill="tonexty", hoverinfo="skip",
                    fillcolor="rgba(133,141,150,0.28)")  # fmt: skip
        line = dict(_line(begin, middle, colour_of(call.kind)),
                    hovertemplate="from %{x:.3f} s: middle %{y:.4g} ms<extra></extra>")  # fmt: skip
        data = [dict(_line(begin, low, QUIET), hoverinfo="skip"), band, line]
    halves = [float(np.median(part)) for part in np.array_split(ms, 2) if len(part)]
    title = f"The middle of {label(call.name, 40)} is {number(halves[0])} ms in the first half of "
    title += f"its calls, {number(halves[-1])} ms in the second"
    drawn = layout(axis("time since the start (s)"), axis("duration (ms)", rangemode="tozero"),
                   260, hovermode="closest")  # fmt: skip
    rows = tuple((float(a), float(b), float(c), float(d))
                 for a, b, c, d in zip(begin, low, middle, high, strict=True))  # fmt: skip
    return Picture(
        "call-run", title, {"data": data, "layout": drawn},
        f"Duration of {count(len(ms), 'call')} over the run. {title}.",
        ("from s", "shortest ms", "middle ms", "longest ms"), rows[:2000],
        "Many calls are drawn as the shortest, middle and longest in stretches of equal count.",
    )  # fmt: skip


def _line(x: Any, y: Any, colour: str, loops: Any = None) -> dict[str, Any]:
    made = {"type": "scatter", "mode": "lines", "x": x.tolist(), "y": y.tolist(),
            "showlegend": False, "line": {"color": colour, "width": 1.2}}  # fmt: skip
    if loops is not None:
        made["customdata"] = [[int(n)] for n in loops]
        made["hovertemplate"] = "loop %{customdata[0]} at %{x:.3f} s<br>%{y:.4g} ms<extra></extra>"
    return made


def call_by_phase(
    run: Run, call: CallCost
) -> tuple[tuple[str, ...], tuple[tuple[object, ...], ...]]:
    """A call in each phase of a run: calls a loop, middle, 99 % and longest."""
    calls, mine, rows = run.call_columns, rows_of(run, call), []
    for phase in phases(run):
        inside = in_phase(run, phase)
        here = mine[inside[np.clip(calls.loop[mine], 0, len(run) - 1)]]
        ms = np.sort(calls.duration_ns[here] / 1e6)
        places = [element_number(p, len(ms)) - 1 for p in (0.5, 0.99, 1.0)] if len(ms) else []
        figures: list[float | None] = [float(ms[k]) for k in places] if places else [None] * 3
        rows.append((phase or "(none)", int(inside.sum()),
                     len(here) / max(int(inside.sum()), 1), *figures))  # fmt: skip
    return ("phase", "loops", "calls a loop", "p50 ms", "p99 ms", "max ms"), tuple(rows)
