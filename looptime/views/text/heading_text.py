"""Heading as text: what the pace costs in degrees and millimetres, and what rate is needed."""

import math
from collections.abc import Callable, Collection, Iterable, Sequence

from rich.console import RenderableType
from rich.padding import Padding

from looptime.analysers.estimate import Figure
from looptime.findings.finding import CAUTION_LINE
from looptime.heading import HeadingResult
from looptime.heading.curve import CurvePoint
from looptime.heading.instants import AGED, HELD, STAMPED, UNKNOWN
from looptime.heading.result import AsLogged
from looptime.heading.spelling import HARDLY_TURNED
from looptime.heading.stalls import Stalls
from looptime.signal_names import ASSUMED
from looptime.views.text.needed_rate import (
    at_least,
    at_other_rates,
    most_there_are,
    needed_rates,
)
from looptime.views.text.terminal import caution, heading_line, in_full, number, safe, table
from looptime.views.text.text_parts import hanging
from looptime.views.text.told import Told
from looptime.words import named, supposing

__all__ = ["heading_sentence", "motion_words", "render_heading"]

_DEG = math.degrees(1.0)
#: The pattern of loops without stalls; below so many degrees an error is rounding and no error.
_EVEN, _NO_ERROR = "even", 1e-6
#: Share of the way sideways that goes to one side from which on nothing cancels worth telling.
_ONE_SIDED = 0.99
_BEGIN = "The heading in use is "
_RATES = (20, 50, 100, 200, 500)
_MISSED = {"work": "no pace that its work allows meets it"}


def render_heading(
    at: HeadingResult, source: str, motion_given: bool = True, asked: Collection[str] = ()
) -> Told:
    """What a heading study found.

    Parameters
    ----------
    at : HeadingResult
        From `looptime.heading.heading_study`.
    source : str
        The log.
    motion_given : bool
        Whether the caller said how the robot moves; else it is said that it was assumed.
    asked : collection of str
        Options that the caller gave: what comes of them is said first.
    """
    used = f"{at.loops_used:,} of {at.loops_in_run:,} loops"
    if at.warmup_loops:
        verb = "is" if at.warmup_loops == 1 else "are"
        used += f"; the first {at.warmup_loops:,} {verb} left out as warm-up"
    rate = f"{number(at.rate_hz.value)} loops a second"
    books = [
        _line("log", safe(source, 200)),
        _line("motion", motion_words(at.motion, motion_given, at.logged is not None)),
        _line("loops", f"{at.pattern}, {rate}, {used}"),
        *(_line("", limit) for limit in at.motion_limits),
        *(_line("note", in_full(n)) for n in at.notes if n not in at.motion_limits),
    ]  # fmt: skip
    limits = at.motion_limits if at.logged is None else at.logged.motion_limits
    reasons = [
        *(line(at) for line, options in _ASKED if not options.isdisjoint(asked)),
        _age_line(at),
        *(() if at.stalls is None else (_line("stalls", _stall_words(at.stalls, at.pattern)),)),
        *(_line("assumed", in_full(limit)) for limit in limits if ASSUMED in limit),
        *(
            ()
            if motion_given
            else (_line("motion", motion_words(at.motion, False, at.logged is not None)),)
        ),
    ]
    if at.required:
        reasons.append(caution(CAUTION_LINE.removeprefix("caution: ")))
    tables = [_required(at), _curve(at), _ages(at), _stale(at), _path(at)]
    more = [*_integrated(at), *(caution(text) for text in at.cautions if at.required)]
    shown = tuple(tuple(t) for t in tables if t)
    return Told(
        heading_sentence(at, motion_given),
        tuple(reasons),
        shown,
        tuple(more),
        tuple(books),
    )


def heading_sentence(at: HeadingResult, motion_given: bool = True) -> str:
    """How far off the heading is, and the rate that the tolerance asks for.

    What is assumed is said first: neither a motion nor a read that nothing shows is the robot's.
    """
    return supposing(_sentence(at, motion_given), at.rests_on)


def _sentence(at: HeadingResult, motion_given: bool) -> str:
    for limit in at.motion_limits:
        if limit.startswith(HARDLY_TURNED):
            return (
                f"Can't tell what the pace costs: {limit}. Take a log in which it turns, or say "
                "with --motion how it does."
            )
    off = f"up to {_in(at.stale.p95, _DEG)} deg off for 95 % of the time"
    text = f"{_BEGIN}{off}"
    if at.logged is not None:
        text = f"{_logged_sentence(at.logged)} {_assumed(at)} it is {off}"
    elif not motion_given:
        text = f"{_assumed(at)} {_whose(at.notes)} is {off}"
    for key, need in at.required.items():
        text += _judged(at, key, need.judged)
    return "; ".join(part for part in (text, needed_rates(at)) if part) + "."


def _logged_sentence(at: AsLogged) -> str:
    """How far off the heading was in the motion that the log holds."""
    if any(limit.startswith(HARDLY_TURNED) for limit in at.motion_limits):
        return "The robot hardly turned in this log, so its own motion tells nothing."
    most = f"{number(at.stale.max * _DEG)} deg at most"
    if at.coarse_deg:
        most = f"and its steps of {at.coarse_deg:.3g} deg tell no maximum"
    return (
        f"As the robot turned in this log, the heading in use was up to {_in(at.stale.p95, _DEG)} "
        f"deg off for 95 % of the time, {most}."
    )


def _assumed(at: HeadingResult) -> str:
    kind, _, numbers = at.motion.partition(":")
    size = f" of {numbers.split(',')[0]} deg" if kind == "turn" else ""
    return f"In an assumed {'turn' if kind == 'turn' else 'motion'}{size}"


def _whose(notes: Sequence[str]) -> str:
    """The heading in use, or one of which no call shows the read or the use."""
    lacks = [what for what in _lacking(notes) if what in ("read", "use")]
    return f"a heading whose {named(lacks)} no call shows" if lacks else "the heading in use"


def _lacking(notes: Sequence[str]) -> list[str]:
    """What no call shows: the read, the pick-up, the use."""
    whats = [note.partition(UNKNOWN)[0] for note in notes if UNKNOWN in note]
    return ["use" if what.startswith("use") else what.removeprefix("heading ").split()[0]
            for what in whats]  # fmt: skip


def _stall_words(at: Stalls, pattern: str) -> str:
    """How many stalls there are, how long, and what is behind them.

    Even loops have none of them: no figure beside them comes of one.
    """
    many = "1 loop takes" if at.count == 1 else f"{at.count:,} loops take"
    text = f"{many} up to {number(at.longest_ms)} ms where {number(at.typical_ms)} is typical"
    if at.call is None:
        text += "; no one call is behind most of them (looptime slow)"
    elif at.count == 1:
        text += f": {safe(at.call, 60)} adds most"
    else:
        text += f": {safe(at.call, 60)} adds most in {at.by_call:,} of them"
    if pattern == _EVEN:
        text = f"even loops have none; in the log {text}"
    elif at.call is not None:
        text += ": mend that first"
    if at.shorter and at.shorter_ms is not None:
        whose = f", most by {safe(at.shorter_call, 60)}" if at.shorter_call else ""
        many = "1 time" if at.shorter == 1 else f"{at.shorter:,} times"
        text += f"; {many} loops are slow for less long, up to {number(at.shorter_ms)} ms{whose}"
    return text


def _judged(at: HeadingResult, key: str, figure: str) -> str:
    """The figure that a tolerance is held to, where it is not said already."""
    if not key.endswith("deg"):
        return f", which takes the robot {_aside(at)}"
    if figure == "max":
        return f", {number(at.stale.max * _DEG)} deg at most"
    words = {"mean": "on average", "rms": "rms"}.get(figure)
    return "" if words is None else f", {_in(getattr(at.stale, figure), _DEG)} deg {words}"


def _aside(at: HeadingResult) -> str:
    """How far to the side; what is left when left and right cancel only where they do."""
    both, left = (_in(f, 1e3) for f in (at.path.sideways, at.path.lateral))
    text = f"{both} mm a metre sideways"
    if abs(at.path.lateral.value or 0.0) > _ONE_SIDED * (at.path.sideways.value or 0.0):
        return text
    return f"{text}, left and right added ({left} mm with one taken off the other)"


def _age_line(at: HeadingResult) -> RenderableType:
    return _line("why", f"it is {number(at.age.mean_ms.value)} ms old on average over time, "
                 f"{number(at.age.max_ms)} ms at most; at {number(at.rate_hz.value)} loops a "
                 f"second{_taken(at.notes)}")  # fmt: skip


def _used_at(notes: tuple[str, ...]) -> str:
    """The instant that counts as last use, by its own name where no call shows one."""
    for note in notes:
        what, unknown, where = note.partition(UNKNOWN)
        if unknown and what.startswith("use of"):
            return f"{safe(where.partition(';')[0].strip(), 60)}, taken for its use"
    return "last use"


def _taken(notes: tuple[str, ...]) -> str:
    """Where the reading and its use were taken to be, in a clause, where no call shows them."""
    aged = [note.partition(mark)[2] for note in notes for mark in (AGED, HELD) if mark in note]
    aged += [f"{note.removeprefix(STAMPED)} tells when it was measured" for note in notes
             if note.startswith(STAMPED)]  # fmt: skip
    unknown = [note.partition(UNKNOWN) for note in notes if UNKNOWN in note]
    whats = _lacking(notes)
    said = "".join(f"; {one}" for one in aged)
    if not unknown:
        return in_full(said)
    where = unknown[-1][2].partition(";")[0].strip()
    options = [f"--{what.replace('pick-up', 'pickup')}-call" for what in whats]
    stated = any("name its call" in rest for _, _, rest in unknown)
    how = f" ({', '.join(options)} {'names' if len(options) == 1 else 'name'} it)" if stated else ""
    return f"{in_full(said)}; {' and '.join(whats)} taken at {where}{how}"


def _summed(at: HeadingResult) -> RenderableType:
    whole, squares = at.integrated, at.integrated.squares
    end = whole.end
    parts = (("noise (rms)", squares.noise), ("bias", squares.bias))
    sensor = [f"{number(math.sqrt(part) * _DEG)} deg of {name}" for name, part in parts if part]
    return _line(
        "summed",
        f"integrated with {whole.method} over a {_step_words(whole.step)} step it is "
        f"{_in(end.mean, _DEG)} deg off on average, {_in(end.p95, _DEG)} deg (p95), at the end of "
        f"{number(whole.over_s)} s" + (f"; the sensor adds {', '.join(sensor)}" if sensor else ""),
    )


def _step_words(step: str) -> str:
    kind, _, ms = step.partition(":")
    return f"{kind} {ms} ms" if ms else kind


def motion_words(text: str, given: bool, logged: bool = False) -> str:
    """The motion as it was written, and what that means."""
    assumed = "assumed; --motion says how your robot moves"
    if logged:
        assumed = "assumed; --motion recorded takes the log's own turning for all figures"
    kind, _, numbers = text.partition(":")
    values = numbers.split(",")
    meaning = {
        ("steady", 1): "turning at {0} deg/s",
        ("turn", 3): "a turn of {0} deg, at most {1} deg/s and {2} deg/s2",
        ("weave", 2): "swinging {0} deg to each side, {1} times a second",
    }.get((kind, len(values)), "")
    said = safe(text, 100) + (f": {meaning.format(*values)}" if meaning and numbers else "")
    return said if given else f"{said} ({assumed})"


def _line(label: str, text: str) -> RenderableType:
    return hanging(f"  {label:<9}", text)


def _in(figure: Figure, factor: float) -> str:
    """A figure in another unit."""
    return number(None if figure.value is None else figure.value * factor)


def _table(heads: list[str], rows: Iterable[list[str]]) -> RenderableType:
    return Padding(table(heads, rows), (0, 0, 0, 2))


def _ages(at: HeadingResult) -> list[RenderableType]:
    age = at.age
    shown = [age.latency_ms, age.hold_ms, age.unevenness_ms, age.mean_ms]
    rows = [["ms", *(number(f.value) for f in shown), number(age.max_ms)]]
    for instant, other in at.age_if.items():
        figures = (other.latency_ms, other.hold_ms, other.unevenness_ms, other.mean_ms)
        label = f"if read at its {instant}"
        rows.append([label, *(number(f.value) for f in figures), number(other.max_ms)])
    return [
        heading_line(
            f"Age of the heading over time: mean = latency (age at {_used_at(at.notes)}) + hold + "
            "unevenness"
        ),
        _table(["", "latency", "hold", "unevenness", "mean", "max"], rows),
    ]


def _stale(at: HeadingResult) -> list[RenderableType]:
    stale = at.stale
    row = ["deg", *(_in(f, _DEG) for f in (stale.mean, stale.rms, stale.p95))]
    return [
        heading_line("Stale heading: what the code believes against what is true, by time"),
        _table(["", "mean", "rms", "p95", "max"], [[*row, number(stale.max * _DEG)]]),
        _lag(at),
    ]


def _lag(at: HeadingResult) -> RenderableType:
    lost = at.phase
    return _line(
        "lag",
        f"a controller with its crossover at {lost.crossover_hz:g} Hz loses "
        f"{number(lost.whole_run_deg.value)} deg of phase margin, "
        f"{number(lost.worst_stretch_deg)} deg in the worst ten loops",
    )


def _integrated(at: HeadingResult) -> list[RenderableType]:
    whole = at.integrated
    end, squares = whole.end, whole.squares
    rows = [
        [
            "deg at the end",
            *(_in(f, _DEG) for f in (end.mean, end.rms, end.p95)),
            "-" if end.worst is None else number(end.worst * _DEG),
        ]
    ]
    causes = {
        "timing": squares.timing, "rule": squares.rule,
        "noise": squares.noise, "bias": squares.bias,
    }  # fmt: skip
    total = squares.total if end.rms.value and end.rms.value * _DEG >= _NO_ERROR else 0.0
    shares = ", ".join(
        f"{name} {100 * value / total:.0f} %" for name, value in causes.items() if total > 0
    )
    growth = whole.growth
    law = (
        "how the error grows with time can't be told: the motion is too short, or it fits no law"
        if growth.law == "can't tell"
        else f"{growth.law}, {_in(whole.per_minute, _DEG)} deg rms after a minute"
    )
    return [
        heading_line(
            f"Heading integrated from a turn-rate gyro ({whole.method}, {whole.step} step)"
        ),
        _table(["", "mean", "rms", "p95", "worst"], rows),
        _line("from", f"{shares} (by mean square)" if shares else "nothing: no error at all"),
        _line("growth", law),
    ]


def _path(at: HeadingResult) -> list[RenderableType]:
    return [
        heading_line("On the floor"),
        _line(
            "sideways",
            f"{_aside(at)}, of a robot told to drive straight while it turns",
        ),
        _position(at),
    ]


def _position(at: HeadingResult) -> RenderableType:
    end = at.path.end
    return _line(
        "position",
        f"dead reckoning with the {at.path.heading}-of-step heading is off by "
        f"{_in(end.mean, 1e3)} mm on average, {_in(end.p95, 1e3)} mm (p95), "
        f"after {number(at.path.duration_s)} s at {at.path.speed_m_s:g} m/s",
    )


#: What is said first where one of these options is given.
_ASKED: tuple[tuple[Callable[[HeadingResult], RenderableType], frozenset[str]], ...] = (
    (_summed, frozenset(("integration", "step", "noise_deg_s", "density_deg_rt_s", "bias_deg_s"))),
    (_position, frozenset(("path_heading", "speed_m_s"))),
    (_lag, frozenset(("crossover_hz",))),
)


def _curve(at: HeadingResult) -> list[RenderableType]:
    if not at.curve:
        return []
    patterns = list(dict.fromkeys(p.pattern for p in at.curve))
    nearest = (_nearest(at.curve, patterns[0], rate).rate_hz for rate in _RATES)
    chosen = list(dict.fromkeys(nearest))
    heads = ["loops/s", *(f"{name}: p95 deg" for name in patterns), "mm a metre"]
    rows = []
    for rate in chosen:
        points = [_nearest(at.curve, name, rate) for name in patterns]
        aside = _in(points[-1].stale.sideways, 1e3)
        rows.append([number(rate), *(_in(p.stale.p95, _DEG) for p in points), aside])
    parts: list[RenderableType] = [
        heading_line("At other loop rates (log shape keeps this log's stalls)"),
        _table(heads, rows),
    ]
    said = [at_other_rates(at)]
    if at.stops_helping_hz is not None:
        said.append(f"above {number(at.stops_helping_hz)} a second faster hardly helps")
    return [*parts, *(_line("", text) for text in said if text)]


def _nearest(curve: tuple[CurvePoint, ...], pattern: str, rate: float) -> CurvePoint:
    return min((p for p in curve if p.pattern == pattern), key=lambda p: abs(p.rate_hz - rate))


def _required(at: HeadingResult) -> list[RenderableType]:
    parts: list[RenderableType] = []
    most = f"none up to {most_there_are(at)}"
    for key, need in at.required.items():
        unit = "deg" if key.endswith("deg") else "mm a metre"
        rates = (
            most
            if need.missed_by == "work"
            else ", ".join(
                f"{pattern} {f'{at_least(rate.value, at)} a second' if rate.value else most}"
                for pattern, rate in need.by_pattern.items()
            )
        )
        what = "way sideways" if need.judged == "sideways" else need.judged
        parts.append(heading_line(f"To keep the {what} within {need.tolerance:g} {unit}"))
        parts.append(_line("needs", rates))
        parts.append(
            _line(
                "now",
                f"missed: {_MISSED.get(need.missed_by, need.missed_by)}"
                if need.missed_by
                else "this log meets it",
            )
        )
    return parts
