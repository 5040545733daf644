"""Figures of a run that is still being recorded: the periods and the calls of its last minute."""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from looptime.analysers.alike import grouped
from looptime.analysers.live import MINUTE_S, LiveCall, LongLoop, Minute
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.palette import NEUTRAL, QUIET, WARN, colour_of, pattern_of
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    kind_key,
    label,
    layout,
    level,
    text_in_plot,
)
from looptime.views.text.terminal import count, number, safe
from looptime.words import percent

__all__ = ["calls_now", "long_loops", "periods_now"]

#: Stretches that the last minute is drawn in, and calls that have a bar of their own.
_STRETCHES, _BARS = 400, 14
_ROOM = 1.15


def periods_now(at: Minute, budget_ms: float | None) -> Picture:
    """How long the loops of the last minute were, the newest on the right.

    A minute of many loops is drawn as its longest and middle loop in stretches of equal time, so
    that no long loop is missed.
    """
    ago, ms = -at.ago_s, at.period_ms
    place = np.clip((_STRETCHES * (1 + ago / MINUTE_S)).astype(np.int64), 0, _STRETCHES - 1)
    first = np.flatnonzero(np.diff(place, prepend=-1)) if len(ms) else place
    parts = np.split(np.arange(len(ms)), first[1:]) if len(ms) else []
    longest = np.array([p[np.argmax(ms[p])] for p in parts], np.int64)
    middle = [float(np.median(ms[p])) for p in parts]
    x = [round(float(v), 3) for v in ago[longest]]
    told = [[int(at.loop[k])] for k in longest]
    data: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines", "x": x, "y": _short(ms[longest]), "name": "longest",
         "line": {"color": NEUTRAL, "width": 1.4}, "customdata": told,
         "hovertemplate": "loop %{customdata[0]}: %{y:.4g} ms<extra></extra>"},
        {"type": "scatter", "mode": "lines", "x": x, "y": _short(np.array(middle)),
         "name": "middle", "line": {"color": QUIET, "width": 1.4, "dash": "dot"},
         "hoverinfo": "skip"},
    ]  # fmt: skip
    over = np.zeros(0, np.int64)
    if budget_ms is not None:
        over = longest[ms[longest] > budget_ms]
        data.append(
            {"type": "scatter", "mode": "markers", "x": _short(ago[over]), "y": _short(ms[over]),
             "name": "over the budget", "marker": {"color": WARN, "symbol": "x", "size": 8},
             "customdata": [[int(at.loop[k])] for k in over],
             "hovertemplate": "loop %{customdata[0]}: %{y:.4g} ms, over the budget<extra></extra>"}
        )  # fmt: skip
    top = max([float(ms.max()) if len(ms) else 1.0, budget_ms or 0.0])
    ago_ticks = range(0, int(MINUTE_S) + 1, 10)
    drawn = layout(
        axis("seconds before the last loop", range=[-MINUTE_S, 0.5],
             tickvals=[-t for t in ago_ticks], ticktext=[str(t) for t in ago_ticks]),
        axis("period (ms)", range=[0, _calm(top)]), 280, showlegend=True,
    )  # fmt: skip
    if budget_ms is not None:
        shape, key = level(budget_ms, f"budget {number(budget_ms)} ms")
        drawn["shapes"] = [shape]
        data.append(key)
    title = _title(at, budget_ms)
    return Picture(
        "live-periods", title, {"data": data, "layout": drawn},
        f"Period of {count(len(ms), 'loop')} of the last minute. {title}.",
        ("seconds before the last loop", "longest ms", "middle ms", "loop"),
        tuple((s, float(ms[k]), m, int(at.loop[k]))
              for s, k, m in zip(x, longest, middle, strict=True)),
        f"The loops that began in the last {MINUTE_S:g} s, in stretches of "
        f"{MINUTE_S / _STRETCHES:g} s: the longest and the middle one of each.",
    )  # fmt: skip


def _title(at: Minute, budget_ms: float | None) -> str:
    ms = np.sort(at.period_ms)
    if not len(ms):
        return "No loop in the last minute"
    p50, p99 = (float(ms[max(math.ceil(q * len(ms)) - 1, 0)]) for q in (0.5, 0.99))
    text = f"In the last minute half of the loops take up to {number(p50)} ms, 99 % up to "
    text += f"{number(p99)} ms"
    if budget_ms is not None:
        text += f"; {at.over:,} of {len(ms):,} {'is' if at.over == 1 else 'are'} over the budget"
    return text


def calls_now(at: Minute) -> Picture | None:
    """Where the time of the last minute went, with what each call takes over the whole run.

    None where the log holds no calls.
    """
    if not at.calls:
        return None
    rows = _with_rest(_alike(at.calls))
    names = [text_in_plot(label(r.name)) for r in rows]
    places = list(range(len(rows)))[::-1]
    told = [[n, 100 * r.share, "" if r.p99_ms is None else
             f"<br>99 % of the loops up to {number(r.p99_ms)} ms"]
            for n, r in zip(names, rows, strict=True)]  # fmt: skip
    bars = bar(
        _short(r.self_ms_per_loop for r in rows), places, [colour_of(r.kind) for r in rows],
        orientation="h", name="last minute", pattern=[pattern_of(r.kind) for r in rows],
        customdata=told, showlegend=False,
        hovertemplate="%{customdata[0]}<br>%{x:.4g} ms a loop, %{customdata[1]:.3g} % of the time"
        "%{customdata[2]}<extra></extra>",
    )  # fmt: skip
    usual = {
        "type": "scatter", "mode": "markers", "y": places, "name": "the run so far",
        "x": _short(r.run_ms_per_loop for r in rows),
        "marker": {"symbol": "line-ns-open", "size": 16, "color": QUIET, "line": {"width": 3}},
        "hovertemplate": "the run so far: %{x:.4g} ms a loop<extra></extra>",
    }  # fmt: skip
    top = max(max(r.self_ms_per_loop, r.run_ms_per_loop) for r in rows)
    y = axis("", tickvals=places, ticktext=names, range=[-0.6, len(rows) - 0.4])
    drawn = layout(axis("self time a loop (ms)", range=[0, _calm(top)]), y,
                   100 + 26 * len(rows), showlegend=True)  # fmt: skip
    work = [r for r in rows if r.kind != "pacing"] or rows  # the wait is what is left over
    most = max(work, key=lambda r: r.self_ms_per_loop)
    what = "No call covers" if most.name == UNATTRIBUTED else f"{label(most.name, 40)} takes"
    title = f"{what} {percent(most.share)} of the last minute"
    return Picture(
        "live-calls", title,
        {"data": [bars, usual, *kind_key([r.kind for r in rows if r.kind])], "layout": drawn},
        f"Self time of {count(len(at.calls), 'call')} in the last minute. {title}.",
        ("call", "kind", "self ms a loop", "share", "p99 ms", "the run so far ms"),
        tuple((safe(c.name, 200), c.kind, c.self_ms_per_loop, c.share, c.p99_ms, c.run_ms_per_loop)
              for c in at.calls),
        "Self time a loop over the loops of the last minute; the upright marks are means over the "
        "whole run so far. Like calls are added up; bars stand in the order of the marks, so that "
        "their places keep.",
    )  # fmt: skip


@dataclass(frozen=True)
class _Row:
    """A call or several that are shown as one, of which no p99 is known."""

    name: str
    kind: str
    self_ms_per_loop: float
    share: float
    p99_ms: float | None
    run_ms_per_loop: float


def _alike(calls: Sequence[LiveCall]) -> list[_Row]:
    by_name = {c.name: c for c in calls}
    found = grouped((c.name, (c.name == UNATTRIBUTED, c.kind)) for c in calls)
    rows = [_sum(f"{len(names)} x {pattern}" if len(names) > 1 else names[0],
                 [by_name[name] for name in names]) for pattern, names in found]  # fmt: skip
    return sorted(rows, key=lambda r: -r.run_ms_per_loop)


def _with_rest(rows: list[_Row]) -> list[_Row]:
    """The dearest and what no call covers; the others added up in one."""
    if len(rows) <= _BARS:
        return rows
    own = [r for r in rows if r.name == UNATTRIBUTED]
    first = [r for r in rows if r not in own][: _BARS - 1 - len(own)]
    kept = [r for r in rows if r in first or r in own]
    left = [r for r in rows if r not in kept]
    return [*kept, _sum(f"{len(left)} smaller ones", left)]


def _sum(name: str, of: Sequence[LiveCall | _Row]) -> _Row:
    def total(field: str) -> float:
        return math.fsum(getattr(c, field) for c in of)

    kinds = {c.kind for c in of}
    return _Row(name, kinds.pop() if len(kinds) == 1 else "", total("self_ms_per_loop"),
                total("share"), of[0].p99_ms if len(of) == 1 else None,
                total("run_ms_per_loop"))  # fmt: skip


def long_loops(at: tuple[LongLoop, ...], most: int = 8) -> list[tuple[Any, ...]]:
    """Rows of the newest long loops, newest first: loop, when [s], period [ms], cause."""
    return [(one.loop, one.at_s, one.ms, safe(one.cause, 60) or "no single call")
            for one in reversed(at[-most:])]  # fmt: skip


def _short(values: Iterable[float]) -> list[float]:
    """Four digits are more than a figure shows, and less to send each second."""
    return [float(f"{v:.5g}") for v in values]


def _calm(top: float) -> float:
    """End of an axis that does not move with every loop: a round number above."""
    step = 10 ** math.floor(math.log10(max(top, 1e-6)))
    return next(m * step for m in (1.5, 2, 3, 4, 6, 8, 10, 15) if m * step >= _ROOM * top)
