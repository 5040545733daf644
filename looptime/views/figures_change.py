"""Figures of change: two sets of loops, the shift along their distribution, call by call."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.analysers.figure import Figure
from looptime.checks.comparison import Comparison
from looptime.planner.predict import Prediction
from looptime.views.figures import (
    Picture,
    axis,
    bar,
    label,
    layout,
    line_at,
    log_bins,
    log_ticks,
    text_in_plot,
)
from looptime.views.palette import AFTER, BEFORE
from looptime.views.terminal import figure, number

__all__ = ["call_shares", "predicted_periods", "shift_figure", "two_histograms"]

Float = NDArray[np.float64]


def two_histograms(
    before_ms: Float, after_ms: Float, words: tuple[str, str], budget_ms: float | None = None,
    quantity: str = "period",
) -> dict[str, Any]:  # fmt: skip
    """Two histograms on the same logarithmic bins, as outlines.

    Parameters
    ----------
    before_ms, after_ms : float array [ms]
        The two sets.
    words : tuple of str
        What they are called.
    budget_ms : float, optional [ms]
        Drawn as a line.
    quantity : str
        What is counted.

    Returns
    -------
    dict
        A figure in Plotly's terms.
    """
    edges = log_bins(np.concatenate([before_ms, after_ms]), 90)
    if not len(edges):
        return {"data": [], "layout": layout(axis(f"{quantity} (ms)"), axis(""))}
    data = []
    middle = np.sqrt(edges[:-1] * edges[1:])
    for x, word, colour, dash in ((before_ms, words[0], BEFORE, "dot"),
                                  (after_ms, words[1], AFTER, "solid")):  # fmt: skip
        share = 100 * np.histogram(x, edges)[0] / max(len(x), 1)
        data.append(
            {
                "type": "scatter", "mode": "lines", "name": text_in_plot(word),
                "x": middle.tolist(), "y": share.tolist(),
                "line": {"shape": "hvh", "color": colour, "width": 2.2, "dash": dash},
                "fill": "tozeroy" if word == words[1] else "none",
                "fillcolor": "rgba(63,127,147,0.22)",
                "hovertemplate": text_in_plot(word)
                + "<br>%{x:.4g} ms: %{y:.3g} %<extra></extra>",
            }
        )  # fmt: skip
    ticks = log_ticks(float(edges[0]), float(edges[-1]))
    x_axis = axis(f"{quantity} (ms, logarithmic)", type="log", tickvals=ticks,
                  ticktext=[f"{t:g}" for t in ticks])  # fmt: skip
    drawn = layout(x_axis, axis("share of the loops (%)", rangemode="tozero"), showlegend=True)
    if budget_ms is not None and edges[0] * 0.7 < budget_ms < edges[-1] * 1.4:
        text = f" budget {number(budget_ms)} ms"
        drawn.update(line_at(budget_ms, text, "x", float(np.log10(budget_ms))))
    return {"data": data, "layout": drawn}


def predicted_periods(at: Prediction, before_ms: Float, budget_ms: float | None = None) -> Picture:
    """Periods as they are and as they are predicted.

    Parameters
    ----------
    at : Prediction
        What `looptime.planner.predict` returned.
    before_ms : float array, shape (n,) [ms]
        Periods of today's code.
    budget_ms : float, optional [ms]
        Drawn as a line.

    Returns
    -------
    Picture
    """
    after = at.predicted.period_ms["mean"]
    before = at.baseline.period_ms["mean"]
    title = (
        f"Predicted: {number(before.value)} ms a loop becomes "
        f"{figure(after.value, after.low, after.high)} ms"
    )
    rows = []
    for name in at.baseline.period_ms:
        a, b = at.baseline.period_ms[name], at.predicted.period_ms[name]
        rows.append((f"period {name}, ms", a.value, b.value, b.low, b.high))
    rate = at.predicted.rate_hz
    rows.append(("loops a second", at.baseline.rate_hz.value, rate.value, rate.low, rate.high))
    drawn = two_histograms(before_ms, at.run.loop_columns.period_ns / 1e6,
                           ("as recorded", "predicted"), budget_ms)  # fmt: skip
    return Picture(
        "predicted", title, drawn, f"Two histograms of the period. {title}.",
        ("figure", "now", "predicted", "low", "high"), tuple(rows),
        f"Each of {at.loops:,} recorded loops is played again with the changes made. Intervals are "
        f"90 %, for a future recording ({number(at.run_sd_percent)} % from run to run, "
        f"{at.run_sd_from}).",
    )  # fmt: skip


def shift_figure(at: Comparison) -> Picture:
    """How far each part of the distribution moved, with its interval."""
    points = [s for s in at.shift if s.difference_ms.value is not None]
    x = [float(s.percent) for s in points]
    y = [float(s.difference_ms.value or 0.0) for s in points]
    low, high = _arms(points)
    data = [
        {
            "type": "scatter", "mode": "lines+markers", "x": list(range(len(x))), "y": y,
            "line": {"color": AFTER, "width": 2}, "marker": {"size": 8},
            "error_y": {"type": "data", "symmetric": False, "array": high, "arrayminus": low,
                        "color": AFTER, "thickness": 1.4},
            "customdata": [[p, float(s.before_ms), float(s.after_ms)]
                           for p, s in zip(x, points, strict=True)],
            "hovertemplate": "%{customdata[0]:g} % of the loops: %{customdata[1]:.4g} to "
            "%{customdata[2]:.4g} ms<br>%{y:+.3g} ms<extra></extra>",
        }
    ]  # fmt: skip
    x_axis = axis("share of the loops below (%)", tickvals=list(range(len(x))),
                  ticktext=[f"{p:g}" for p in x])  # fmt: skip
    drawn = layout(x_axis, axis(f"{at.quantity}: after minus before (ms)", zeroline=True,
                                zerolinewidth=2))  # fmt: skip
    middle = next((s for s in points if s.percent == 50), None)
    tail = next((s for s in points if s.percent == 99), None)
    title = "How the whole distribution moved"
    if middle is not None and tail is not None:
        title = (
            f"The middle moves by {_signed(middle.difference_ms.value)} ms, the slowest 1 % by "
            f"{_signed(tail.difference_ms.value)} ms"
        )
    rows = tuple(
        (float(s.percent), s.before_ms, s.after_ms, s.difference_ms.value, s.difference_ms.low,
         s.difference_ms.high) for s in at.shift
    )  # fmt: skip
    return Picture(
        "shift", title, {"data": data if points else [], "layout": drawn},
        f"Line of the change at {len(points)} shares of the loops. {title}.",
        ("% of the loops below", "before ms", "after ms", "change ms", "low", "high"), rows,
        "At each share of the loops the quantile after minus the quantile before, with its 95 % "
        "interval where there is one. All runs are cut to the same length first.",
    )  # fmt: skip


def _arms(points: list[Any]) -> tuple[list[float], list[float]]:
    low, high = [], []
    for s in points:
        at: Figure = s.difference_ms
        value = at.value or 0.0
        low.append(value - at.low if at.low is not None else 0.0)
        high.append(at.high - value if at.high is not None else 0.0)
    return [float(v) for v in low], [float(v) for v in high]


def _signed(value: float | None) -> str:
    if value is None:
        return "-"
    return ("+" if value > 0 else "-" if value < 0 else "") + number(abs(value))


def call_shares(at: Comparison) -> Picture:
    """What each call adds to the change of the mean; the parts add up to the whole."""
    parts = at.explained.parts
    shown = [p for p in parts if p.difference_ms][:14]
    data = [
        bar(
            [float(p.difference_ms) for p in shown], list(range(len(shown))), AFTER,
            orientation="h",
            customdata=[[float(p.before_ms), float(p.after_ms)] for p in shown],
            hovertemplate="%{y}<br>%{customdata[0]:.4g} to %{customdata[1]:.4g} ms a loop, "
            "%{x:+.3g} ms<extra></extra>",
        )
    ]  # fmt: skip
    y = axis("", tickvals=list(range(len(shown))), autorange="reversed", ticks="",
             ticktext=[text_in_plot(label(p.name)) for p in shown])  # fmt: skip
    drawn = layout(axis("change of the self time a loop (ms)", zeroline=True, zerolinewidth=2), y,
                   max(180, 90 + 26 * len(shown)))  # fmt: skip
    whole = at.explained.difference_ms
    title = f"The mean {at.quantity} changes by {_signed(whole)} ms"
    if shown:
        title += f"; {label(shown[0].name, 40)} makes up {_signed(shown[0].difference_ms)} ms of it"
    rows = tuple((p.name, p.before_ms, p.after_ms, p.difference_ms, p.share) for p in parts)
    return Picture(
        "explained", title, {"data": data if shown else [], "layout": drawn}, title + ".",
        ("call", "before ms a loop", "after ms a loop", "change ms", "share of the change"), rows,
        "Mean self time a loop after minus before, call by call; with what no call covers the "
        "parts add up to the change of the mean.",
    )  # fmt: skip
