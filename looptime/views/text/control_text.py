"""Controllers and steered wheels as text: the answer, why, and the tables behind it."""

from collections.abc import Iterator
from itertools import islice

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.estimate import Figure
from looptime.controlling import Controlled, ControlResult
from looptime.controlling.control_study import USUAL_TOLERANCE
from looptime.controlling.moves import CurvePoint
from looptime.controlling.response import Response
from looptime.controlling.wheels import Steering
from looptime.findings.finding import CAUTION_LINE
from looptime.views.text.control_answer import (
    chief,
    control_sentence,
    fit_words,
    reasons,
    state_of,
    unit_of,
)
from looptime.views.text.terminal import caution, figure, heading_line, number, safe, table
from looptime.views.text.text_parts import indented, labelled
from looptime.views.text.told import Told
from looptime.words import supposing

__all__ = ["render_control", "spread_lines"]

#: Rows of a table without `--full`.
_ROWS = 8
#: Share of the tolerance by which one rate is worse than another, worth a word.
_MATTERS = 0.1
_BAD = ("grows", "rings", "settles")


def render_control(at: ControlResult, source: str, full: bool = False) -> Told:
    """What `looptime.control` found."""
    used = f"{at.loops:,} loops in {number(at.duration_s)} s, {number(at.rate_hz)} a second"
    if at.warmup_loops:
        used += f"; the first {at.warmup_loops:,} are left out as warm-up"
    wheels = [] if at.steering is None else _wheels(at.steering)
    tables = (_gains(at, full), _stability(at, full), wheels, _responses(at, full))
    more = [*_curves(at), *_stalls(at), *_notes(at), *(caution(text) for text in at.cautions)]
    said: list[RenderableType] = [*_fits(at)]
    said += [labelled("" if k else "why", line) for k, line in enumerate(islice(reasons(at), 3))]
    said.append(indented(Text(CAUTION_LINE)))
    books = (labelled("log", safe(source, 200)), labelled("figures", used),
             *(labelled("note", note) for note in at.notes))  # fmt: skip
    shown = tuple(tuple(t) for t in tables if t)
    return Told(
        supposing(control_sentence(at), at.supposed), tuple(said), shown, tuple(more), books
    )


def _fits(at: ControlResult) -> Iterator[RenderableType]:
    """What was asked for with --fit."""
    for one in at.controllers:
        if one.fit is not None and not one.only_fitted:
            yield labelled("fit", fit_words(one.fit))


def _of(at: Figure | None, digits: int = 3) -> str:
    return "-" if at is None else figure(at.value, at.low, at.high, digits)


def _some(at: ControlResult, full: bool) -> list[Controlled]:
    order = sorted(
        (c for c in at.controllers if c.effective and not c.only_fitted),
        key=lambda c: _BAD.index(state_of(c)) if state_of(c) else len(_BAD),
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
        target = f"{safe(one.stated.target.text, 26)}{unit_of(one)}"
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
    return [*cells, number(chief(recorded).worst)]


def _wheels(at: Steering) -> list[RenderableType]:
    rows = [
        [safe(w.name, 24), _of(w.age_ms), number(w.age_p99_ms), _of(w.angle_error_deg, 2),
         _of(w.drag_mm_per_m, 2)]
        for w in at.wheels
    ]  # fmt: skip
    turning = f", while they turn at {number(at.rate_deg_s)} deg/s" if at.rate_deg_s else ""
    parts: list[RenderableType] = [
        heading_line(f"Steered wheels, {at.first} first{turning}"),
        indented(
            table(["", "age at write ms", "p99", "angle off deg", "dragged mm a metre"], rows)
        ),
        labelled("set", _set_line(at)),
    ]
    if at.fight_mm_per_m is not None:
        text = f"two wheels pull apart by {_of(at.fight_mm_per_m, 2)} mm a metre"
        if at.odometry_mm_per_m is not None:
            text += f"; odometry is off by {number(at.odometry_mm_per_m.value, 2)} mm a metre"
        if at.odometry_deg_per_turn is not None:
            text += f" and {number(at.odometry_deg_per_turn.value, 2)} deg a turn"
        parts.append(labelled("", text))
    if at.batched is not None and at.read_spread_ms is not None and at.read_spread_ms.value:
        drag = at.batched["drag_mm_per_m"]
        left = "" if drag is None else f"; drag from the writes: {number(drag, 2)} mm a metre"
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
            ("dragged", "drag_mm_per_m", "mm a metre"),
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
                *(_judged_cell(pair.get(k)) for k in ("even", "log shape")),
                *(_settle_cell(pair.get(k)) for k in ("even", "log shape")),
            ])  # fmt: skip
        moves = points[0].response.following_max.mean is not None
        what = "greatest error" if moves else "overshoot"
        yield heading_line(f"{safe(one.stated.name, 40)} at other loop rates (p95)")
        heads = ["loops/s", "gains x", "phase deg", f"{what}, even", "log shape",
                 "settles ms, even", "log shape"]  # fmt: skip
        yield indented(table(heads, rows))
        fastest = one.model.work.fastest_hz
        if fastest is not None:
            yield labelled("", f"{number(fastest)} a second are the most that its work allows")
        if said := _beyond(one):
            yield labelled("", said)


def _judged_cell(at: CurvePoint | None) -> str:
    """What is judged; loops that grow have no figure worth the name, however small it is."""
    if at is None:
        return "-"
    return "grows" if at.state == "grows" else number(chief(at.response).p95)


def _settle_cell(at: CurvePoint | None) -> str:
    if at is None or at.state == "grows":
        return "-"
    return "never" if at.state == "unfinished" else number(at.response.settle_ms.p95)


def _beyond(one: Controlled) -> str:
    """Where going faster ceases to help, or begins to harm."""
    shaped = [p for p in one.model.curve if p.pattern == "log shape" and p.state == "settles"]
    known = [
        (size, p.rate_hz) for p in shaped if (size := chief(p.response).p95) is not None
    ]  # fmt: skip
    if known and known[-1][1] == one.model.curve[-1].rate_hz:
        least, matters = min(known)[0], _MATTERS * _tolerance(one)
        if known[-1][0] > max(1.1 * least, least + matters):
            near = [rate for size, rate in known if size <= least + 0.1 * matters][-1]
            moves = shaped[0].response.following_max.p95 is not None
            what = "greatest error" if moves else "overshoot"
            return f"the {what} is least near {number(near)} a second: faster loops make it worse"
    if one.model.stops_helping_hz is None:
        return ""
    return f"above {number(one.model.stops_helping_hz)} a second faster hardly helps"


def _tolerance(one: Controlled) -> float:
    """The tolerance that is stated, or the usual one."""
    target = one.stated.target
    way = 0.0 if target is None else abs(target.numbers[0])
    return one.stated.tolerance or USUAL_TOLERANCE * way


def _stalls(at: ControlResult) -> Iterator[RenderableType]:
    for one in at.controllers:
        stall = one.model.stall
        if stall is None:
            continue
        with_, without = chief(stall.worst), chief(stall.without)
        yield labelled(
            "stall",
            f"{one.stated.name}: one hold of {number(stall.hold_ms)} ms at the worst moment makes "
            f"{number(without.worst)} to {number(with_.worst)}{unit_of(one)}",
        )


def _notes(at: ControlResult) -> Iterator[RenderableType]:
    for one in at.controllers:
        if one.error:
            yield labelled("not seen", one.error)
        for note in one.notes:
            yield labelled("note", f"{one.stated.name}: {note}")
