"""Controllers and steered wheels as text: the answer, why, and the tables behind it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import islice

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.estimate import Figure
from looptime.controlling import Controlled, ControlResult
from looptime.controlling.response import Response, Spread
from looptime.controlling.wheels import Steering
from looptime.findings.finding import CAUTION_LINE
from looptime.views.text.terminal import caution, figure, heading_line, number, safe, table
from looptime.views.text.text_parts import indented, labelled
from looptime.views.text.told import Told

__all__ = ["control_sentence", "render_control", "spread_lines"]

#: Rows of a table without `--full`.
_ROWS = 8
_BAD = ("grows", "rings", "settles")


def render_control(at: ControlResult, source: str, full: bool = False) -> Told:
    """What `looptime.control` found.

    Parameters
    ----------
    at : ControlResult
        Controllers and wheels.
    source : str
        The log.
    full : bool
        Whether tables may have all their rows.
    """
    used = f"{at.loops:,} loops in {number(at.duration_s)} s, {number(at.rate_hz)} a second"
    if at.warmup_loops:
        used += f"; the first {at.warmup_loops:,} are left out as warm-up"
    wheels = [] if at.steering is None else _wheels(at.steering)
    tables = (_gains(at, full), _stability(at, full), wheels, _responses(at, full))
    more = [*_curves(at), *_stalls(at), *_notes(at), *(caution(text) for text in at.cautions)]
    reasons: list[RenderableType] = [*_fits(at)]
    reasons += [labelled("" if k else "why", line) for k, line in enumerate(islice(_why(at), 3))]
    reasons.append(indented(Text(CAUTION_LINE)))
    books = (labelled("log", safe(source, 200)), labelled("figures", used),
             *(labelled("note", note) for note in at.notes))  # fmt: skip
    shown = tuple(tuple(t) for t in tables if t)
    return Told(control_sentence(at), tuple(reasons), shown, tuple(more), books)


def _fits(at: ControlResult) -> Iterator[RenderableType]:
    """What was asked for with --fit."""
    for one in at.controllers:
        if one.fit is not None:
            speed, constant = _of(one.fit.full_speed), _of(one.fit.time_constant_ms)
            text = f"full_speed {speed}, time_constant_ms {constant}: {one.fit.text}"
            yield labelled("fit", text)


def control_sentence(at: ControlResult) -> str:
    """The answer in one sentence.

    Examples
    --------
    >>> control_sentence(ControlResult((), None, 50.0, 10.0, 500))
    'No controller could be looked at.'
    """
    judged = [one for one in at.controllers if one.model.stability is not None]
    if judged:
        return _judged_sentence(judged)
    shifting = [one for one in at.controllers if one.effective and _uneven(one) > 1.05]
    if shifting:
        one = max(shifting, key=_uneven)
        return f"The pace changes the gains of {one.stated.name} from loop to loop: {_acts(one)}."
    good = [one for one in at.controllers if one.effective]
    if good:
        worst = max(good, key=lambda one: one.age_ms.value or 0.0)
        return (
            f"The pace leaves the gains alone; the oldest measurement is that of "
            f"{worst.stated.name}, {number(worst.age_ms.value)} ms on average over time."
        )
    return _wheel_sentence(at.steering) if at.steering else "No controller could be looked at."


def _uneven(one: Controlled) -> float:
    """How far the integral's or derivative's action differs between the ends of the steps."""
    gains = one.effective
    if gains is None or not (one.stated.ki or one.stated.kd):
        return 1.0
    return gains.derivative["p99"] / max(gains.derivative["p1"], 1e-12)


def _acts(one: Controlled) -> str:
    """How strongly integral and derivative act in the shortest and the longest steps."""
    assert one.effective is not None
    parts = [
        f"its {word} acts {number(factors['p1'], 2)} times in the shortest steps (p1) and "
        f"{number(factors['p99'], 2)} times in the longest (p99)"
        for word, gain, factors in (
            ("integral", one.stated.ki, one.effective.integral),
            ("derivative", one.stated.kd, one.effective.derivative),
        )
        if gain
    ]
    return ", ".join(parts)


def _state(one: Controlled) -> str:
    return one.model.stability.state if one.model.stability else ""


def _judged_sentence(judged: list[Controlled]) -> str:
    bad = [one for one in judged if _state(one) == "grows"]
    if bad:
        names = ", ".join(one.stated.name for one in bad)
        return f"At this pace {names} would not settle: a disturbance grows instead of dying out."
    near = min(judged, key=_room)
    ringing = [one.stated.name for one in judged if _state(one) == "rings"]
    what = (
        f"{', '.join(ringing)} would ring at this pace" if ringing else
        f"{near.stated.name} settles at this pace" if len(judged) == 1 else
        f"{len(judged)} controllers with a model settle at this pace"
    )  # fmt: skip
    if not math.isfinite(_room(near)):
        return f"{what}."
    which = "it" if len(judged) == 1 else f"{near.stated.name}, the nearest to the edge,"
    return f"{what}; {which} would grow with gains of {number(_room(near), 2)} times what they are."


def _room(one: Controlled) -> float:
    """Factor of the gains at which it would grow, over even loops or over these."""
    found, margin = one.model.stability, one.model.margins
    assert found is not None
    assert margin is not None
    there = [f for f in (margin.gain_margin, found.mean_square_factor) if f is not None]
    return min(there, default=math.inf)


def _wheel_sentence(at: Steering) -> str:
    spread = at.read_spread_ms
    if spread is None:
        return "The wheels' angles are not timed one by one."
    if not spread.value:
        return "The wheels' angles are read at one moment."
    text = f"The wheels' angles are read {number(spread.value)} ms apart"
    if at.inconsistency_deg is None:
        return f"{text}."
    return (
        f"{text}: while they turn at {number(at.rate_deg_s)} deg/s they do not fit together by "
        f"{number(at.inconsistency_deg.value, 2)} deg."
    )


def _why(at: ControlResult) -> Iterator[str]:
    """Why, and what to do next."""
    for one in sorted(at.controllers, key=lambda c: -_uneven(c))[:1]:
        if any(c.model.stability for c in at.controllers) and _uneven(one) > 1.05:
            yield f"the code of {one.stated.name} ignores the step: {_acts(one)}; measure the step"
    missed = [c for c in at.controllers if c.model.required and c.model.required.missed_by]
    for one in missed[:1]:
        need = one.model.required
        assert need is not None
        why = (
            f"because of the {need.missed_by}: with this log's stalls it takes "
            f"{number(need.log_shape_hz)} loops a second" if need.log_shape_hz else
            "and going faster would not mend that: change the gains or the target"
        )  # fmt: skip
        yield (
            f"{one.stated.name} misses its tolerance of {need.limit:g}{_unit(one)} "
            f"({'overshoot' if need.figure == 'overshoot' else 'greatest error'}, p95) {why}"
        )
    if at.steering is not None and at.controllers:
        yield _wheel_sentence(at.steering)
    if any(c.error for c in at.controllers):
        lost = [c for c in at.controllers if c.error]
        yield f"not looked at: {lost[0].error}" + (f"; {len(lost) - 1} more" if lost[1:] else "")
    if any(c.effective and not c.stated.has_model and c.stated.runs_on == "robot"
           for c in at.controllers):  # fmt: skip
        yield "state plant and full_speed, or give --fit, to see stability and responses"


def _unit(one: Controlled) -> str:
    return f" {one.stated.unit}" if one.stated.unit else ""


def _of(at: Figure | None, digits: int = 3) -> str:
    return "-" if at is None else figure(at.value, at.low, at.high, digits)


def _some(at: ControlResult, full: bool) -> list[Controlled]:
    order = sorted(
        (c for c in at.controllers if c.effective),
        key=lambda c: _BAD.index(_state(c)) if _state(c) else len(_BAD),
    )
    return order if full else order[:_ROWS]


def _gains(at: ControlResult, full: bool) -> list[RenderableType]:
    rows = []
    for one in _some(at, full):
        gains = one.effective
        assert gains is not None
        rows.append([
            safe(one.stated.name, 24),
            "on device" if one.stated.runs_on == "device" else one.stated.form or "-",
            number(gains.steps_ms["p50"]),
            _range(gains.integral) if one.stated.ki else "-",
            _range(gains.derivative) if one.stated.kd else "-",
            number(one.age_ms.value), number(one.phase_lost_deg.value),
        ])  # fmt: skip
    if not rows:
        return []
    heads = ["", "code", "step ms", "integral x", "derivative x", "mean age ms", "deg lost a Hz"]
    return [
        heading_line(
            "Gains as they act, at p1, p50 and p99 of the step; measurement's age over time"
        ),
        indented(table(heads, rows, left=(0, 1))),
    ]


def _range(factors: dict[str, float]) -> str:
    return " ".join(number(factors[name], 2) for name in ("p1", "p50", "p99"))


def _stability(at: ControlResult, full: bool) -> list[RenderableType]:
    rows = []
    for one in _some(at, full):
        found, margin = one.model.stability, one.model.margins
        if found is None or margin is None:
            continue
        rows.append([
            safe(one.stated.name, 24), found.state, number(found.growth_per_s, 2),
            number(margin.gain_margin), number(found.mean_square_factor),
            number(margin.phase_margin_deg), number(found.slowest_stable_ms),
        ])  # fmt: skip
    if not rows:
        return []
    heads = ["", "state", "growth 1/s", "gains x", "gains x, uneven", "phase deg", "slowest ms"]
    return [
        heading_line("How far from the edge: even loops, and these uneven ones (mean square)"),
        indented(table(heads, rows, left=(0, 1))),
    ]


def _responses(at: ControlResult, full: bool) -> list[RenderableType]:
    rows: list[list[str]] = []
    for one in _some(at, full):
        model = one.model
        if model.recorded is None or model.even is None or one.stated.target is None:
            continue
        target = f"{safe(one.stated.target.text, 26)}{_unit(one)}"
        rows.append([safe(one.stated.name, 24), target, *_cells(model.recorded, model.even)])
    if not rows:
        return []
    heads = ["", "target", "overshoot", "settles ms", "greatest error", "worst"]
    return [
        heading_line("Moves begun at every loop, p95: as recorded / with even loops"),
        indented(table(heads, rows, left=(0, 1))),
    ]


def _cells(recorded: Response, even: Response) -> list[str]:
    cells = []
    for name in ("overshoot", "settle_ms", "following_max"):
        both = [getattr(side, name) for side in (recorded, even)]
        shown = [number(one.p95) for one in both]
        if name == "settle_ms":  # it comes to rest, but not within the tolerance
            rest = [side.overshoot.p95 is not None for side in (recorded, even)]
            shown = ["never" if s == "-" and r else s for s, r in zip(shown, rest, strict=True)]
        cells.append("-" if both[0].mean is None and shown[0] == "-" else " / ".join(shown))
    return [*cells, number(_chief(recorded).worst)]


def _wheels(at: Steering) -> list[RenderableType]:
    rows = [
        [safe(w.name, 24), _of(w.age_ms), number(w.age_p99_ms), _of(w.angle_error_deg, 2),
         _of(w.drag_mm_per_m, 2)]
        for w in at.wheels
    ]  # fmt: skip
    turning = f", while they turn at {number(at.rate_deg_s)} deg/s" if at.rate_deg_s else ""
    parts: list[RenderableType] = [
        heading_line(f"Steered wheels, {at.first} first{turning}"),
        indented(table(["", "age at write ms", "p99", "angle off deg", "dragged mm/m"], rows)),
        labelled("set", _set_line(at)),
    ]
    if at.fight_mm_per_m is not None:
        text = f"two wheels pull apart by {_of(at.fight_mm_per_m, 2)} mm/m"
        if at.odometry_mm_per_m is not None:
            text += f"; odometry is off by {number(at.odometry_mm_per_m.value, 2)} mm/m"
        if at.odometry_deg_per_turn is not None:
            text += f" and {number(at.odometry_deg_per_turn.value, 2)} deg a turn"
        parts.append(labelled("", text))
    if at.batched is not None and at.read_spread_ms is not None and at.read_spread_ms.value:
        drag = at.batched["drag_mm_per_m"]
        left = "" if drag is None else f"; drag from the writes: {number(drag, 2)} mm/m"
        parts.append(labelled("", f"one batched read of all angles: no spread of them{left}"))
    return parts + [labelled("note", note) for note in at.notes]


def _set_line(at: Steering) -> str:
    text = f"angles read {_of(at.read_spread_ms)} ms apart (p99 {number(at.read_spread_p99_ms)})"
    text += f", writes {_of(at.write_spread_ms)} ms (p99 {number(at.write_spread_p99_ms)})"
    if at.inconsistency_deg is not None:
        text += f": inconsistent by {_of(at.inconsistency_deg, 2)} deg"
    return text


def spread_lines(sides: dict[str, Steering | None] | None) -> list[str]:
    """Steered wheels as a set before and after a plan, in one line."""
    before, after = (None, None) if sides is None else (sides["before"], sides["after"])
    if before is None or after is None:
        return []
    rows = [
        (word, *(getattr(side, key) for side in (before, after)), unit)
        for word, key, unit in (
            ("angles read apart", "read_spread_ms", "ms"),
            ("inconsistent", "inconsistency_deg", "deg"),
            ("dragged", "drag_mm_per_m", "mm/m"),
        )
    ]
    told = [
        f"{word} {number(was.value, 2)} -> {number(now.value, 2)} {unit}"
        for word, was, now, unit in rows
        if was is not None and now is not None
    ]
    return [f"Steered wheels as a set: {', '.join(told)}"] if told else []


def _curves(at: ControlResult) -> Iterator[RenderableType]:
    for one in at.controllers:
        points = one.model.curve
        if not points:
            continue
        rows = []
        for rate in dict.fromkeys(p.rate_hz for p in points):
            pair = {p.pattern: p for p in points if p.rate_hz == rate}
            first = next(iter(pair.values()))
            rows.append([
                number(rate), number(first.gain_margin), number(first.phase_margin_deg),
                *(number(_chief(pair[k].response).p95) if k in pair else "-"
                  for k in ("even", "log shape")),
                *(number(pair[k].response.settle_ms.p95) if k in pair else "-"
                  for k in ("even", "log shape")),
            ])  # fmt: skip
        moves = points[0].response.following_max.mean is not None
        what = "greatest error" if moves else "overshoot"
        yield heading_line(f"{safe(one.stated.name, 40)} at other loop rates (p95)")
        heads = ["loops/s", "gains x", "phase deg", f"{what}, even", "log shape",
                 "settles ms, even", "log shape"]  # fmt: skip
        yield indented(table(heads, rows))
        if said := _beyond(one):
            yield labelled("", said)


def _beyond(one: Controlled) -> str:
    """Where going faster ceases to help, or begins to harm."""
    shaped = [p for p in one.model.curve if p.pattern == "log shape"]
    sizes = [(_chief(p.response).p95, p.rate_hz) for p in shaped]
    known = [(size, rate) for size, rate in sizes if size is not None]
    if known and known[-1][0] > 1.1 * min(known)[0]:
        return f"least near {number(min(known)[1])} a second: faster loops make it worse"
    if one.model.stops_helping_hz is None:
        return ""
    return f"above {number(one.model.stops_helping_hz)} a second faster hardly helps"


def _chief(at: Response) -> Spread:
    """Greatest error where the target moves, overshoot where it jumps."""
    return at.following_max if at.following_max.mean is not None else at.overshoot


def _stalls(at: ControlResult) -> Iterator[RenderableType]:
    for one in at.controllers:
        stall = one.model.stall
        if stall is None:
            continue
        with_, without = _chief(stall.worst), _chief(stall.without)
        yield labelled(
            "stall",
            f"{one.stated.name}: one hold of {number(stall.hold_ms)} ms at the worst moment makes "
            f"{number(without.worst)} to {number(with_.worst)}{_unit(one)}",
        )


def _notes(at: ControlResult) -> Iterator[RenderableType]:
    for one in at.controllers:
        if one.error:
            yield labelled("not seen", one.error)
        for note in one.notes:
            yield labelled("note", f"{one.stated.name}: {note}")
