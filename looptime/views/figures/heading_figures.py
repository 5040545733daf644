"""Figures of heading: what the pace costs in degrees and millimetres, and which rate is needed."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.heading import HeadingResult
from looptime.heading.curve import CurvePoint
from looptime.heading.stale import Stale
from looptime.views.figures.palette import AFTER, MARK, NEUTRAL, QUIET
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    layout,
    line_at,
    log_axis,
    text_in_plot,
)
from looptime.views.text.terminal import figure, number, safe

__all__ = ["age_bars", "error_curve", "heading_table", "required_sentences", "sideways_curve"]

_DEG = math.degrees(1.0)
#: Curves that differ by less are not told apart in the figure.
_ALIKE = 0.02
_LOOKS = {"even": (QUIET, "dot"), "log shape": (NEUTRAL, "solid"), "scaled": (MARK, "dash")}
_WORDS = {
    "even": "perfectly even loops", "log shape": "this log's unevenness and stalls",
    "scaled": "this log, stretched",
}  # fmt: skip
_MISSED = {
    "stalls": "This log misses it: even loops at its rate would do, its stalls are too long.",
    "mean rate": "This log misses it: its mean rate is too low.",
    "mean rate and stalls": "This log misses it: its mean rate is too low and its stalls too long.",
    "work": "This log misses it, and so does every pace that its work allows.",
}
Results = tuple[tuple[str, HeadingResult], ...]


def error_curve(at: HeadingResult, others: Results = ()) -> Picture:
    """The stale heading against the loop rate, with the tolerance and where the log stands.

    Parameters
    ----------
    at : HeadingResult
        The log, with its curve.
    others : tuple of (str, HeadingResult)
        Further answers to mark, for example with changes made.
    """
    need = at.required.get("tolerance_deg")
    return _curve(
        at, others, "curve", need.judged if need else "p95", "stale heading", "deg", _DEG,
        need.tolerance if need else None, "tolerance_deg",
        "The error of the heading in use against the true one, over time and over all moments at "
        "which the motion may begin.",
    )  # fmt: skip


def sideways_curve(at: HeadingResult, others: Results = ()) -> Picture:
    """The way sideways against the loop rate, with the tolerance and where the log stands."""
    need = at.required.get("tolerance_mm")
    return _curve(
        at, others, "sideways", "sideways", "way sideways", "mm a metre", 1e3,
        need.tolerance if need else None, "tolerance_mm",
        "Sideways millimetres for each metre that the robot drives straight while it turns by the "
        "motion, left and right added: the wheels go where the stale heading points.",
    )  # fmt: skip


def _curve(
    at: HeadingResult, others: Results, key: str, judged: str, what: str, unit: str,
    factor: float, tolerance: float | None, need: str, how: str,
) -> Picture:  # fmt: skip
    patterns = list(dict.fromkeys(p.pattern for p in at.curve))
    data: list[dict[str, Any]] = []
    for pattern in patterns:
        points = [p for p in at.curve if p.pattern == pattern]
        data += _line(points, pattern, judged, unit, factor, len(patterns) > 1)
    marks = [("recorded", at), *others]
    for k, (name, one) in enumerate(marks):
        data.append(_mark(name, one, judged, unit, factor, k))
    rates = [p.rate_hz for p in at.curve] or [1.0]
    values = [_size(p.stale, judged) * factor for p in at.curve]
    values += [_size(one.stale, judged) * factor for _, one in marks]
    seen = [v for v in values if v > 0] or [1.0]
    name = what if judged == "sideways" else f"{what}, {judged}"
    drawn = layout(
        log_axis("loops a second (logarithmic)", min(rates), max(rates)),
        log_axis(f"{name} ({unit}, logarithmic)", min(seen), max(*seen, min(seen) * 3)),
        380, showlegend=True,
    )  # fmt: skip
    if tolerance is not None:
        drawn.update(
            line_at(tolerance, f"tolerance {tolerance:g} {unit} ", "y", float(np.log10(tolerance)))
        )
    title = _curve_title(at, others, judged, what, unit, factor, need)
    rows = tuple(
        (p.pattern, float(p.rate_hz), *_three(_figure(p.stale, judged), factor),
         _value(p.age_ms), _value(p.integrated_rms, _DEG))
        for p in at.curve
    )  # fmt: skip
    return Picture(
        key, title, {"data": data, "layout": drawn},
        f"{name.capitalize()} against the loop rate, falling from "
        f"{number(max(seen))} to {number(min(seen))} {unit}. {title}.",
        ("loops", "loops a second", f"{name}, {unit}", "low", "high", "mean age over time, ms",
         "integrated rms, deg"),
        rows,
        how + " Even loops show what a rate is worth at best; with the log's shape the typical "
        "loops get faster while its stalls stay as long as they are. Bands are 95 % intervals from "
        f"leaving out blocks of loops. Figures rest on {at.loops_used:,} of {at.loops_in_run:,} "
        "loops.",
        _coinciding(at.curve, patterns, judged),
    )  # fmt: skip


def _coinciding(
    points: Sequence[CurvePoint], patterns: Sequence[str], judged: str
) -> tuple[str, ...]:
    """Said where two curves lie on each other, so that nobody looks for the second."""
    if len(patterns) < 2:
        return ()
    levels = [{p.rate_hz: _size(p.stale, judged) for p in points if p.pattern == pattern}
              for pattern in patterns]  # fmt: skip
    common = set.intersection(*(set(level) for level in levels))
    apart = [max(v) / min(v) - 1 for v in ([level[r] for level in levels] for r in common)
             if min(v) > 0]  # fmt: skip
    if not apart or max(apart) > _ALIKE:
        return ()
    names = " and ".join(patterns)
    return (f"The curves of {names} lie on each other: they differ by {100 * max(apart):.1g} % at "
            "most, so the log's loops are about as good as even ones.",)  # fmt: skip


def _size(stale: Stale, judged: str) -> float:
    return abs(float(_figure(stale, judged).value or 0.0))


def _figure(stale: Stale, judged: str) -> Figure:
    found = getattr(stale, judged)
    return found if isinstance(found, Figure) else Figure(float(found))


def _value(at: Figure, factor: float = 1.0) -> float | None:
    return None if at.value is None else float(at.value) * factor


def _three(at: Figure, factor: float) -> tuple[float | None, float | None, float | None]:
    made = [None if v is None else float(v) * factor for v in (at.value, at.low, at.high)]
    return made[0], made[1], made[2]


def _line(
    points: list[CurvePoint], pattern: str, judged: str, unit: str, factor: float, band: bool
) -> list[dict[str, Any]]:
    colour, dash = _LOOKS.get(pattern, (QUIET, "dot"))
    rates = [float(p.rate_hz) for p in points]
    value = [_size(p.stale, judged) * factor for p in points]
    spans = [_figure(p.stale, judged) for p in points]
    made: list[dict[str, Any]] = []
    if band and pattern == "log shape" and all(f.low is not None for f in spans):
        low = [max(abs(float(f.low or 0.0)) * factor, 1e-9) for f in spans]
        high = [abs(float(f.high or 0.0)) * factor for f in spans]
        made.append(
            {"type": "scatter", "mode": "lines", "x": [*rates, *reversed(rates)],
             "y": [*high, *reversed(low)], "fill": "toself", "fillcolor": "rgba(63,127,147,0.22)",
             "line": {"width": 0}, "hoverinfo": "skip", "showlegend": False}
        )  # fmt: skip
    made.append(
        {"type": "scatter", "mode": "lines", "x": rates, "y": value,
         "name": _WORDS.get(pattern, pattern),
         "line": {"color": colour, "width": 2.5, "dash": dash},
         "customdata": [[_value(p.age_ms) or 0.0] for p in points],
         "hovertemplate": "%{x:.4g} loops a second<br>%{y:.3g} " + unit
         + "<br>mean age over time %{customdata[0]:.3g} ms<extra>" + _WORDS.get(pattern, pattern)
         + "</extra>"}
    )  # fmt: skip
    return made


def _mark(
    name: str, one: HeadingResult, judged: str, unit: str, factor: float, k: int
) -> dict[str, Any]:
    span = _figure(one.stale, judged)
    text = figure(*_three(span, factor))
    return {
        "type": "scatter", "mode": "markers", "name": text_in_plot(safe(name, 40)),
        "x": [float(one.rate_hz.value or 0.0)], "y": [_size(one.stale, judged) * factor],
        "marker": {"color": MARK if k == 0 else AFTER, "size": 13,
                   "symbol": "diamond" if k == 0 else "star", "line": {"width": 1}},
        "hovertemplate": f"{text_in_plot(safe(name, 40))}: " + "%{x:.4g} loops a second<br>"
        f"{text} {unit}<extra></extra>",
    }  # fmt: skip


def _curve_title(
    at: HeadingResult, others: Results, judged: str, what: str, unit: str, factor: float, need: str
) -> str:
    now = _size(at.stale, judged) * factor
    name = "" if judged == "sideways" else f" ({judged})"
    text = f"At {number(at.rate_hz.value)} loops a second the {what}{name} is {number(now)} {unit}"
    for word, one in others:
        text += f", {safe(word, 30)} {number(_size(one.stale, judged) * factor)} {unit}"
    found = at.required.get(need)
    if found is None:
        return text
    rate = (found.by_pattern.get("log shape") or Figure(None)).value
    if found.missed_by is None:
        return f"{text}: within {found.tolerance:g} {unit}"
    if rate is None:
        stalls = "" if found.missed_by == "work" else " with these stalls"
        return f"{text}: no rate up to {_most(at)} keeps {found.tolerance:g} {unit}{stalls}"
    return f"{text}: {found.tolerance:g} {unit} needs {number(rate)} loops a second"


def required_sentences(at: HeadingResult) -> tuple[str, ...]:
    """For each tolerance: what rate it needs, and what keeps the log from meeting it."""
    made = []
    for key, need in at.required.items():
        unit = "deg" if key.endswith("deg") else "mm a metre"
        rates = "; ".join(
            (f"{_or_fewer(rate, at)} loops a second" if rate.value
             else f"more than {_most(at)} loops a second, or none will do,")
            + f" with {_WORDS.get(pattern, pattern)}"
            for pattern, rate in need.by_pattern.items()
        )  # fmt: skip
        what = f"{need.judged} of the stale heading"
        what = "way sideways" if need.judged == "sideways" else what
        now = _MISSED[need.missed_by] if need.missed_by else "This log meets it."
        made.append(f"To keep the {what} within {need.tolerance:g} {unit}: {rates}. {now}")
    if at.stops_helping_hz is not None:
        made.append(
            f"Above {number(at.stops_helping_hz)} loops a second, faster hardly helps while the "
            "stalls stay as they are."
        )
    return tuple(made)


def _or_fewer(rate: Figure, at: HeadingResult) -> str:
    lowest = min(p.rate_hz for p in at.curve)
    fewer = rate.value is not None and rate.value <= lowest
    return figure(rate.value, *_ordered(rate)) + (" or fewer" if fewer else "")


def _most(at: HeadingResult) -> str:
    """The fastest rate of the curve."""
    return number(min(at.work.fastest_hz or 1000.0, 1000.0))


def _ordered(at: Figure) -> tuple[float | None, float | None]:
    """The ends of a required rate, which may lie either way round; None where there is but one."""
    if at.low is None or at.high is None or at.low == at.high:
        return None, None
    return min(at.low, at.high), max(at.low, at.high)


def age_bars(at: HeadingResult, others: Results = ()) -> Picture:
    """The mean age of the heading in use, split into its three parts, which add up."""
    every = [("recorded", at), *others]
    names = [text_in_plot(safe(name, 30)) for name, _ in every]
    parts = (
        ("latency", "latency_ms", NEUTRAL, ""),
        ("hold", "hold_ms", QUIET, "."),
        ("unevenness", "unevenness_ms", MARK, "/"),
    )
    place = list(range(len(every)))
    data = [
        bar(
            [_value(getattr(one.age, field)) or 0.0 for _, one in every], place, colour,
            orientation="h", name=word, pattern=pattern,
            customdata=[[float(one.age.max_ms)] for _, one in every],
            hovertemplate="%{y}: " + word + " %{x:.3g} ms of the mean age<br>at most "
            "%{customdata[0]:.3g} ms old<extra></extra>",
        )
        for word, field, colour, pattern in parts
    ]  # fmt: skip
    drawn = layout(
        axis("mean age over time (ms)", rangemode="tozero"),
        axis("", tickvals=place, ticktext=names, autorange="reversed", ticks=""),
        150 + 44 * len(every), barmode="stack", showlegend=True,
    )  # fmt: skip
    drawn["legend"]["traceorder"] = "normal"
    age = at.age
    mean = age.mean_ms
    shown = figure(mean.value, mean.low, mean.high)
    title = f"The heading in use is {shown} ms old on average over time"
    for word, one in others:
        title += f", {safe(word, 30)} {number(one.age.mean_ms.value)} ms"
    rows: list[tuple[Any, ...]] = []
    for name, one in every:
        ages = [(name, one.age)]
        ages += [(f"{name}, if read at its {k}", a) for k, a in one.age_if.items()]
        rows += [
            (word, _value(a.latency_ms), _value(a.hold_ms), _value(a.unevenness_ms),
             *_three(a.mean_ms, 1.0), float(a.max_ms)) for word, a in ages
        ]  # fmt: skip
    return Picture(
        "age", title, {"data": data, "layout": drawn},
        f"{title}. Latency (age at last use) {number(age.latency_ms.value)}, hold "
        f"{number(age.hold_ms.value)}, unevenness {number(age.unevenness_ms.value)} ms.",
        ("", "latency, ms", "hold, ms", "unevenness, ms", "mean, ms", "low", "high", "at most, ms"),
        tuple(rows),
        "Latency is from the reading to its use, E[L T]/E[T]; hold is half the mean time for which "
        "a command stands, E[T]/2; unevenness is Var[T]/(2 E[T]), which even loops would not have. "
        "The three add up to the mean age over time.",
    )  # fmt: skip


def heading_table(
    at: HeadingResult, others: Results = ()
) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of everything that a study finds, a column an answer."""
    every = [at, *(one for _, one in others)]
    heads = ("", "recorded", *(safe(name, 40) for name, _ in others))
    columns = [_answers(one) for one in every]
    rows = tuple(
        (name, *(column[k][1] for column in columns)) for k, (name, _) in enumerate(columns[0])
    )
    return heads, rows


def _answers(at: HeadingResult) -> list[tuple[str, str]]:
    def cell(one: Figure, factor: float = 1.0) -> str:
        return figure(*_three(one, factor))

    whole, end, growth = at.integrated, at.path.end, at.integrated.growth
    worst = whole.end.worst
    minute = (
        "can't tell"
        if growth.law == "can't tell"
        else f"{cell(whole.per_minute, _DEG)} ({growth.law})"
    )
    return [
        ("loops a second", cell(at.rate_hz)),
        ("stale heading, mean, deg", cell(at.stale.mean, _DEG)),
        ("stale heading, rms, deg", cell(at.stale.rms, _DEG)),
        ("stale heading, p95, deg", cell(at.stale.p95, _DEG)),
        ("stale heading, at most, deg", number(at.stale.max * _DEG)),
        (f"phase lost at {at.phase.crossover_hz:g} Hz, deg", cell(at.phase.whole_run_deg)),
        ("sideways, left and right added, mm a metre", cell(at.path.sideways, 1e3)),
        ("sideways, left taken off right, mm a metre", cell(at.path.lateral, 1e3)),
        (f"position by dead reckoning after {number(at.path.duration_s)} s at "
         f"{at.path.speed_m_s:g} m/s, p95, mm", cell(end.p95, 1e3)),
        (f"integrated gyro ({whole.method}) after {number(whole.over_s)} s, rms, deg",
         cell(whole.end.rms, _DEG)),
        ("integrated gyro, worst, deg", "-" if worst is None else number(worst * _DEG)),
        ("integrated gyro after a minute, rms, deg", minute),
    ]  # fmt: skip
