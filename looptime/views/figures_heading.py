"""Figures of what the loop's pace means for heading and position."""

from __future__ import annotations

import math
from typing import Any

from looptime.heading import HeadingResult
from looptime.views.figures import Picture, axis, layout, line_at, log_ticks
from looptime.views.palette import MARK, NEUTRAL, QUIET
from looptime.views.terminal import number

__all__ = ["age_parts", "heading_curve"]

_DEG = math.degrees(1.0)
_DRAWN = {"even": (NEUTRAL, "solid"), "log shape": (MARK, "dash"), "scaled": (QUIET, "dot")}
_WORDS = {
    "even": "even loops", "log shape": "with this log's stalls",
    "scaled": "this log's loops, scaled",
}  # fmt: skip


def heading_curve(at: HeadingResult, what: str = "deg") -> Picture:
    """Error against loop rate, by how even the loops are, with the tolerance.

    Parameters
    ----------
    at : HeadingResult
        With its curve.
    what : {"deg", "mm"}
        Stale heading, or sideways drift a metre.

    Returns
    -------
    Picture
    """
    deg = what == "deg"
    required = at.required.get("tolerance_deg" if deg else "tolerance_mm")
    judged = required.judged if required is not None and deg else "p95"
    unit = "deg" if deg else "mm a metre"
    name = f"stale heading, {judged} (deg)" if deg else "sideways drift (mm a metre)"
    data: list[dict[str, Any]] = []
    rows = []
    for pattern in dict.fromkeys(p.pattern for p in at.curve):
        points = [p for p in at.curve if p.pattern == pattern]
        y = [_error(p.stale, what, judged) for p in points]
        colour, dash = _DRAWN.get(pattern, (QUIET, "dot"))
        data.append(_line([p.rate_hz for p in points], y, pattern, colour, dash, unit))
        rows += [(_WORDS.get(pattern, pattern), float(p.rate_hz), v)
                 for p, v in zip(points, y, strict=True)]  # fmt: skip
    here = at.rate_hz.value
    now = _error(at.stale, what, judged)
    if here is not None:
        data.append(
            {"type": "scatter", "mode": "markers", "x": [here], "y": [now], "name": "this log",
             "marker": {"color": MARK, "size": 13, "symbol": "star-diamond"},
             "hovertemplate": "this log: %{x:.3g} loops a second, %{y:.3g} " + unit
             + "<extra></extra>"}
        )  # fmt: skip
    rates = [float(p.rate_hz) for p in at.curve] or [1.0, 10.0]
    x_ticks = log_ticks(min(rates), max(rates))
    drawn = layout(
        axis("loops a second (logarithmic)", type="log", tickvals=x_ticks,
             ticktext=[f"{t:g}" for t in x_ticks]),
        axis(name, type="log", exponentformat="none", dtick=1), showlegend=True,
    )  # fmt: skip
    if required is not None:
        text = f"tolerance {number(required.tolerance)} {unit}"
        drawn.update(line_at(required.tolerance, text, "y", math.log10(required.tolerance)))
    title = _title(at, required, now, unit, deg)
    return Picture(
        f"heading-{what}", title, {"data": data, "layout": drawn},
        f"Error against loop rate for the motion {at.motion}. {title}.",
        ("loops", "loops a second", name), tuple(rows),
        f"For the motion {at.motion}: error of the heading in use over all moments, from the ages "
        f"of the readings at each rate. {at.loops_used:,} loops were used.",
        tuple(at.motion_limits),
    )  # fmt: skip


def _error(stale: Any, what: str, judged: str) -> float | None:
    if what == "mm":
        value = stale.drift.value
        return None if value is None else float(abs(value) * 1e3)
    if judged == "max":
        return float(stale.max * _DEG)
    value = getattr(stale, judged if judged in ("mean", "rms", "p95") else "p95").value
    return None if value is None else float(value * _DEG)


def _line(
    x: list[float], y: list[float | None], pattern: str, colour: str, dash: str, unit: str
) -> dict[str, Any]:
    word = _WORDS.get(pattern, pattern)
    return {
        "type": "scatter", "mode": "lines", "x": [float(v) for v in x], "y": y, "name": word,
        "line": {"color": colour, "dash": dash, "width": 2},
        "hovertemplate": word + "<br>%{x:.3g} loops a second: %{y:.3g} " + unit
        + "<extra></extra>",
    }  # fmt: skip


def _title(at: HeadingResult, required: Any, now: float | None, unit: str, deg: bool) -> str:
    what = "The heading in use is off by" if deg else "Dead reckoning drifts by"
    text = f"{what} {number(now)} {unit}"
    text += " in 95 % of the time at most" if deg and required is None else ""
    if required is None:
        return text
    rate = required.by_pattern.get("log shape") or next(iter(required.by_pattern.values()), None)
    if required.missed_by is None:
        return f"{text}, within the tolerance of {number(required.tolerance)} {unit}"
    if rate is None or rate.value is None:
        return f"{text}; no rate meets {number(required.tolerance)} {unit} with these stalls"
    return (
        f"{text}; {number(required.tolerance)} {unit} take {number(rate.value)} loops a second "
        f"(missed by: {required.missed_by})"
    )


def age_parts(at: HeadingResult) -> Picture:
    """What the mean age of the reading in use is made of."""
    parts = (
        ("latency of the read", at.age.latency_ms, "from the read to its use"),
        ("even hold", at.age.hold_ms, "half of a loop, however even"),
        ("unevenness", at.age.unevenness_ms, "what stalls and jitter add"),
    )
    data = [
        {"type": "bar", "orientation": "h", "name": name, "y": [0], "x": [float(f.value or 0.0)],
         "marker": {"color": colour, "pattern": {"shape": shape, "fillmode": "overlay", "size": 6,
                                                 "solidity": 0.18}},
         "hovertemplate": f"{name}: %{{x:.3g}} ms ({why})<extra></extra>"}
        for (name, f, why), colour, shape in zip(
            parts, (NEUTRAL, QUIET, MARK), ("", "/", "."), strict=True)
    ]  # fmt: skip
    drawn = layout(
        axis("mean age of the reading in use (ms)", rangemode="tozero"),
        axis("", showticklabels=False, ticks="", showgrid=False), 170, barmode="stack",
        showlegend=True, bargap=0.3,
    )  # fmt: skip
    title = (
        f"The reading in use is {number(at.age.mean_ms.value)} ms old on average, up to "
        f"{number(at.age.max_ms)} ms"
    )
    rows = (*((n, f.value, f.low, f.high, why) for n, f, why in parts),
            ("mean age", at.age.mean_ms.value, at.age.mean_ms.low, at.age.mean_ms.high,
             "their sum"))  # fmt: skip
    return Picture(
        "age", title, {"data": data, "layout": drawn}, title + ".",
        ("part", "ms", "low", "high", "what it is"), rows,
        "Mean over time of the age of the reading in use: latency weighted by the loop's length, "
        "half of the mean loop, and Var[T]/(2 E[T]) for uneven loops; they add up exactly.",
    )  # fmt: skip
