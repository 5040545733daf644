"""Figures of controllers and steered wheels: moves, other loop rates, gains, one row a wheel."""

from typing import Any

from looptime.analysers.estimate import Figure
from looptime.controlling import Controlled, ControlResult
from looptime.controlling.moves import CurvePoint
from looptime.controlling.wheels import Steering
from looptime.views.figures.palette import MARK, NEUTRAL, QUIET
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    error_bars,
    label,
    layout,
    line_at,
    log_axis,
    text_in_plot,
    three,
)
from looptime.views.text.terminal import number, safe

__all__ = [
    "control_pictures",
    "edge_table",
    "gain_table",
    "rate_curves",
    "response_curves",
    "wheel_bars",
]

_MODEL = (
    "Played with the mechanism that the project file states (or that was fitted): an estimate, and "
    "no safety case."
)


def control_pictures(at: ControlResult) -> list[Picture]:
    """Every figure that there is to draw, controllers first."""
    made: list[Picture | None] = []
    for one in at.controllers:
        made += [response_curves(one), rate_curves(one)]
    made.append(None if at.steering is None else wheel_bars(at.steering))
    return [picture for picture in made if picture is not None]


def response_curves(one: Controlled) -> Picture | None:
    """A move over time: target, even loops, and the recorded loops where they do worst."""
    trace, model = one.model.trace, one.model
    if trace is None or model.recorded is None or model.even is None:
        return None
    unit = safe(one.stated.unit, 12) or "units"
    lines = (
        ("target", trace.target, QUIET, "dot"), ("even loops", trace.even, NEUTRAL, "solid"),
        ("this log, at its worst", trace.worst, MARK, "solid"),
    )  # fmt: skip
    data = [
        _line(name, trace.time_s.tolist(), values.tolist(), colour, dash,
              "%{x:.3g} s<br>%{y:.4g} " + text_in_plot(unit))
        for name, values, colour, dash in lines
    ]  # fmt: skip
    moving = model.recorded.following_max.p95 is not None
    name = "following_max" if moving else "overshoot"
    word = "is off by at most" if moving else "overshoots by"
    recorded, even = (getattr(side, name) for side in (model.recorded, model.even))
    title = (
        f"{safe(one.stated.name, 40)} {word} {number(recorded.p95)} {unit} (p95) over this log's "
        f"loops, {number(even.p95)} over even ones"
    )
    series = (trace.time_s, trace.target, trace.even, trace.worst)
    rows = tuple(zip(*(values.tolist() for values in series), strict=True))
    target = "" if one.stated.target is None else one.stated.target.text
    drawn = layout(axis("time since the move began (s)"), axis(text_in_plot(unit)), 320,
                   showlegend=True)  # fmt: skip
    return Picture(
        "move", title, {"data": data, "layout": drawn},
        f"Measured value over time for the target {safe(target, 40)}. {title}.",
        ("time, s", f"target, {unit}", f"even loops, {unit}", f"this log at its worst, {unit}"),
        rows,
        f"The move is begun at {model.recorded.starts:,} places of the log; the line is the one "
        f"that goes worst. {_MODEL}",
    )  # fmt: skip


def _line(
    name: str, x: list[float], y: list[float | None], colour: str, dash: str, hover: str
) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "name": name, "x": x, "y": y,
        "line": {"color": colour, "width": 2.5, "dash": dash},
        "hovertemplate": f"{hover}<extra>{name}</extra>",
    }  # fmt: skip


def rate_curves(one: Controlled) -> Picture | None:
    """The figure that is judged and the phase margin against the loop rate."""
    points = one.model.curve
    if not points:
        return None
    unit = safe(one.stated.unit, 12) or "units"
    moving = points[-1].response.following_max.p95 is not None
    what = "greatest error" if moving else "overshoot"
    rates = list(dict.fromkeys(p.rate_hz for p in points))

    def judged(point: CurvePoint) -> float | None:
        if point.state != "settles":  # how small it is says nothing
            return None
        return (point.response.following_max if moving else point.response.overshoot).p95

    data = [
        _line(word, [p.rate_hz for p in mine], [judged(p) for p in mine], colour, dash,
              "%{x:.4g} loops a second<br>%{y:.3g} " + text_in_plot(unit))
        for pattern, word, colour, dash in (
            ("even", "even loops", QUIET, "dot"),
            ("log shape", "this log's shape", NEUTRAL, "solid"),
        )
        if (mine := [p for p in points if p.pattern == pattern])
    ]  # fmt: skip
    even = [p for p in points if p.pattern == "even"]
    phase = _line("phase margin (right)", [p.rate_hz for p in even],
                  [p.phase_margin_deg for p in even], MARK, "dash",
                  "%{x:.4g} loops a second<br>%{y:.3g} deg")  # fmt: skip
    data.append({**phase, "yaxis": "y2"})
    drawn = layout(
        log_axis("loops a second (logarithmic)", min(rates), max(rates)),
        axis(f"{what}, p95 ({text_in_plot(unit)})", rangemode="tozero"), 360, showlegend=True,
    )  # fmt: skip
    drawn["yaxis2"] = axis("phase margin (deg)", overlaying="y", side="right", showgrid=False)
    drawn["margin"]["r"] = 72
    need = one.model.required
    if need is not None:
        drawn.update(line_at(need.limit, f"tolerance {need.limit:g} {unit} ", "y"))
    title = _rate_title(one, what)
    rows = tuple(
        (p.pattern, float(p.rate_hz), judged(p), p.response.settle_ms.p95, p.phase_margin_deg,
         p.gain_margin)
        for p in points
    )  # fmt: skip
    return Picture(
        "rates", title, {"data": data, "layout": drawn},
        f"{what.capitalize()} and phase margin against the loop rate. {title}.",
        ("loops", "loops a second", f"{what}, p95, {unit}", "settles, p95, ms",
         "phase margin, deg", "gain margin"),
        rows,
        "With the log's shape the typical loops change with the rate while its stalls stay as long "
        "as they are. Margins are those of even loops. No line where a disturbance grows, or the "
        f"move does not come to rest. {_MODEL}",
    )  # fmt: skip


def _rate_title(one: Controlled, what: str) -> str:
    name, need = safe(one.stated.name, 40), one.model.required
    slowest = one.model.stability.slowest_stable_ms if one.model.stability else None
    edge = "" if slowest is None else f"; beyond {number(slowest)} ms a loop it would not settle"
    if need is None:
        return f"{name}: {what} and phase margin at other loop rates{edge}"
    if need.missed_by is None:
        return f"{name}: the {what} is within its tolerance at this pace{edge}"
    if need.log_shape_hz is not None:
        rate = number(need.log_shape_hz)
        return f"{name}: {rate} loops a second would keep the {what} within{edge}"
    how = "with these stalls no rate keeps it" if need.even_hz else "no rate alone keeps it"
    if need.kept_hz is not None:
        low, high = map(number, need.kept_hz)
        how = f"{low} to {high} loops a second keep it"
    return f"{name}: the {what} misses its tolerance, and {how}{edge}"


def gain_table(at: ControlResult) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    """Heads and rows: how strongly integral and derivative act at p1, p50 and p99 of the step."""
    heads = (
        "controller", "code", "step p50, ms", "integral at p1", "p50", "p99", "derivative at p1",
        "p50", "p99", "age, ms", "phase lost a Hz, deg",
    )  # fmt: skip
    rows = []
    for one in at.controllers:
        gains = one.effective
        if gains is None:
            continue
        code = "on device" if one.stated.runs_on == "device" else one.stated.form
        rows.append((
            one.stated.name, code or "", gains.steps_ms["p50"], *gains.integral.values(),
            *gains.derivative.values(), one.age_ms.value, one.phase_lost_deg.value,
        ))  # fmt: skip
    return heads, rows


def edge_table(at: ControlResult) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    """Heads and rows: how far each controller with a model is from not settling."""
    heads = ("controller", "state", "growth 1/s", "gains x", "gains x, uneven", "phase, deg",
             "slowest ms")  # fmt: skip
    rows: list[tuple[Any, ...]] = [
        (one.stated.name, found.state, found.growth_per_s, margin.gain_margin,
         found.mean_square_factor, margin.phase_margin_deg, found.slowest_stable_ms)
        for one in at.controllers
        if (found := one.model.stability) is not None
        and (margin := one.model.margins) is not None
    ]  # fmt: skip
    return heads, rows


def wheel_bars(at: Steering) -> Picture:
    """One row a wheel: age of its angle, how far it is off, and how far that drags it."""
    names = [text_in_plot(label(w.name)) for w in at.wheels]
    columns: list[tuple[str, str, list[Figure | None], str]] = [
        ("age", "age of its angle (ms)", [w.age_ms for w in at.wheels], NEUTRAL)
    ]
    if any(w.drag_mm_per_m for w in at.wheels):
        columns += [
            ("off", "angle off (deg)", [w.angle_error_deg for w in at.wheels], QUIET),
            ("drag", "dragged (mm a metre)", [w.drag_mm_per_m for w in at.wheels], MARK),
        ]
    place = list(range(len(names)))
    data, axes = [], {}
    for k, (word, title, figures, colour) in enumerate(columns):
        ends = [(k + 0.02 * k) / len(columns), (k + 0.9) / len(columns)]
        suffix = "" if k == 0 else str(k + 1)
        shown = [f or Figure() for f in figures]
        data.append(
            bar([f.value or 0.0 for f in shown], place, colour, orientation="h", name=title,
                xaxis=f"x{suffix}", error_x=error_bars(shown),
                hovertemplate="%{y}: %{x:.3g}<extra>" + word + "</extra>")
        )  # fmt: skip
        axes[f"xaxis{suffix}"] = axis(title, rangemode="tozero", domain=ends)
    drawn = layout(
        axes["xaxis"], axis("", tickvals=place, ticktext=names, autorange="reversed", ticks=""),
        140 + 40 * len(names),
    )  # fmt: skip
    drawn.update(axes)
    title = _wheel_title(at)
    rows = tuple(
        (w.name, *three(w.age_ms), w.age_p99_ms, *three(w.angle_error_deg), *three(w.drag_mm_per_m))
        for w in at.wheels
    )
    return Picture(
        "wheels", title, {"data": data, "layout": drawn},
        f"One row a wheel, {at.first} first. {title}.",
        ("wheel", "age, ms", "low", "high", "p99", "angle off, deg", "low", "high",
         "dragged, mm a metre", "low", "high"),
        rows,
        "A wheel is off by the turn rate of the wheels times how much earlier or later than the "
        "set it is read or written, less the motion of the chassis that fits all wheels best.",
        at.notes,
    )  # fmt: skip


def _wheel_title(at: Steering) -> str:
    if at.read_spread_ms is None or at.read_spread_ms.value is None:
        return "Age of the wheels' angles where their commands are put to use"
    text = f"The wheels' angles are read {number(at.read_spread_ms.value)} ms apart"
    if at.inconsistency_deg is None:
        return text
    return (
        f"{text}: {number(at.inconsistency_deg.value, 2)} deg while they turn at "
        f"{number(at.rate_deg_s)} deg/s"
    )
