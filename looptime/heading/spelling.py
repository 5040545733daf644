"""Motions from text: ``turn:180,180,720``, ``weave:20,1.5``, a CSV file, the log's own motion."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError, NotEnoughError, UsageError
from looptime.files import open_plain
from looptime.heading.logged_turning import QUANTITIES, Turning, set_anew, turning_of
from looptime.heading.motion import (
    LONGEST_S,
    Motion,
    Profile,
    Recorded,
    Steady,
    Weave,
    turn,
)
from looptime.parsers.columns.headers import heads
from looptime.run import Run
from looptime.signal_names import ASSUMED, quantity_of
from looptime.stats.smoothing import Pieces, smoothing_spline
from looptime.stats.whole_turns import turn_of, unwound
from looptime.units import NS_PER_S, UNITS

__all__ = ["HARDLY_TURNED", "MOTION_HELP", "parse_motion", "recorded_motion"]

#: How a motion is written.
MOTION_HELP = (
    "steady:DEG_PER_S | turn:DEG,DEG_PER_S,DEG_PER_S2 | weave:DEG,HZ | recorded | FILE.csv"
)
_PARTS = {
    "steady": ("a turn rate in deg/s",),
    "turn": ("an angle in deg", "a turn rate in deg/s", "an acceleration in deg/s2"),
    "weave": ("an amplitude in deg", "a frequency in Hz"),
}
#: A heading that goes further than this from value to value [deg], in more than this share of
#: those that move, may have gone the other way round.
HALF_WAY, FAR = 90.0, 0.05
#: Fresh values from which the amount of smoothing is found.
_TUNED_ON = 400
#: Turns of headings that are not in degrees.
OTHER_TURNS = {2 * math.pi: "radians", 1.0: "turns"}
#: A recorded motion that turns less than this in all, or never as fast, tells nothing; and how a
#: limit of the motion begins that says so.
LEAST_DEG, LEAST_DEG_S, HARDLY_TURNED = 1.0, 1.0, "the robot hardly turned in this log"
#: Most columns that a refusal names.
_MOST_NAMED = 6


def parse_motion(text: str, *, run: Run | None = None) -> Motion:
    """Read a motion as it is written on the command line.

    Parameters
    ----------
    text : str
        `MOTION_HELP` says which forms there are. A file has two columns: time [s] and turn
        rate [deg/s], with or without a header.
    run : Run, optional
        Needed for ``recorded``.

    Raises
    ------
    UsageError
        If the text is none of these, or the motion is impossible.
    LogError
        If the file cannot be read.
    NotEnoughError
        If the log has no heading and no turn rate, or too few fresh values of it.

    Examples
    --------
    >>> parse_motion("turn:180,180,720").duration_s
    1.25
    """
    written = text.strip()
    word, colon, rest = written.partition(":")
    if word.lower() == "recorded" and not colon:
        if run is None:
            raise UsageError("motion recorded: no log to take the motion from")
        return recorded_motion(run)
    if word.lower() in _PARTS and colon:
        return _built(written, word.lower(), rest)
    if written.lower().endswith((".csv", ".txt", ".tsv")) or Path(written).is_file():
        return _profile_file(Path(written))
    raise UsageError(f"motion {text!r} is not known: write {MOTION_HELP}")


def _built(text: str, word: str, rest: str) -> Motion:
    wanted = _PARTS[word]
    try:
        values = [float(part) for part in rest.split(",")]
    except ValueError:
        values = []
    if len(values) != len(wanted):
        raise UsageError(f"motion {text!r}: {word} takes {', '.join(wanted)}")
    for value, what in zip(values, wanted, strict=True):
        if not (math.isfinite(value) and value > 0):
            raise UsageError(
                f"motion {text!r}: {what} must be above 0, not {value:g} "
                "(left and right turns cost the same)"
            )
    if word == "steady":
        return Steady(text, math.radians(values[0]))
    if word == "weave":
        return Weave(text, math.radians(values[0]), values[1])
    return turn(values[0], values[1], values[2], text)


def _profile_file(path: Path) -> Profile:
    try:
        with open_plain(path) as file:
            text = file.read().decode("utf-8-sig")
    except FileNotFoundError:
        raise LogError(
            "no such file: a motion file has time_s,turn_rate_deg_s", str(path)
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise LogError(f"the motion file cannot be read ({error})", str(path)) from None
    rows: list[tuple[float, float]] = []
    scale = (1.0, 1.0)
    delimiter = next((d for d in (";", "\t", ",") if d in text), ",")
    for line, fields in enumerate(csv.reader(text.splitlines(), delimiter=delimiter), start=1):
        if not fields or fields[0].lstrip().startswith("#"):
            continue
        try:
            time, rate = (float(_plain(cell, delimiter)) for cell in fields[:2])
            row = (time * scale[0], rate * scale[1])
        except (ValueError, IndexError):
            if not rows and any(c.isalpha() for c in "".join(fields)):
                scale = _scale_of(fields, str(path), line)
                continue
            raise LogError(
                "two numbers are wanted: time in s and turn rate in deg/s", str(path), line
            ) from None
        if not (math.isfinite(row[0]) and math.isfinite(row[1])):
            raise LogError("time and turn rate must be finite numbers", str(path), line)
        if rows and row[0] <= rows[-1][0]:
            raise LogError("times must grow from row to row", str(path), line)
        rows.append(row)
    if len(rows) < 2:
        raise LogError("a motion needs at least two rows of time_s,turn_rate_deg_s", str(path))
    times, rates = np.array(rows).T
    if times[-1] - times[0] > LONGEST_S:
        raise LogError("the motion lasts more than an hour: times are in seconds", str(path))
    if not np.any(rates):
        raise LogError("the turn rate is 0 in every row: the motion does not turn", str(path))
    limits: tuple[str, ...] = ()
    if rates[0] or rates[-1]:
        limits = ("the motion does not begin and end at rest: its rate jumps there",)
    return Profile(path.name, times - times[0], np.radians(rates), limits)


def _plain(cell: str, delimiter: str) -> str:
    """A number with a decimal point, where a comma parts no cells."""
    return cell if delimiter == "," else cell.replace(",", ".")


def _scale_of(header: list[str], path: str, line: int) -> tuple[float, float]:
    """Seconds and deg/s in one of a motion file's units, by its header."""
    named = {head.index: head for head in heads(tuple(header))}
    unit = named[0].unit if 0 in named else None
    found = quantity_of(header[1]) if len(header) > 1 else None
    if found is not None and found.name != "turn_rate_deg_s":
        raise LogError(
            f"{header[1]!r} is a heading: a motion file has a turn rate, as in "
            "time_s,turn_rate_deg_s", path, line,
        )  # fmt: skip
    seconds = 1.0 if unit is None else UNITS[unit] / NS_PER_S
    return seconds, 1.0 if found is None else found.factor


def recorded_motion(run: Run) -> Recorded:
    """The robot's own motion from the log's heading, else its turn rate.

    Values that only repeat the one before are held, not measured, so the spline goes through
    fresh values alone; one that stays for more than four times as long as usual is taken for a
    robot at rest. The amount of smoothing is found by generalised cross-validation on the
    liveliest stretch of the log.

    Parameters
    ----------
    run : Run
        With the signal ``heading_deg`` or ``turn_rate_deg_s``.

    Raises
    ------
    NotEnoughError
        If the log has neither, or fewer than 10 fresh values.

    References
    ----------
    Cubic smoothing splines with generalised cross-validation (Craven and Wahba 1979).
    """
    found = [one for name in QUANTITIES if (one := turning_of(run, name)) is not None]
    if not found:
        raise NotEnoughError(_no_motion([] if run.signals is None else list(run.signals.values)))
    limits: tuple[str, ...] = ()
    made = found[0]
    if len(found) > 1 and _either_way(made):
        made = found[1]
        limits += ("the heading goes so far between two values that its way round can't be told: "
                   "the turn rate is used",)  # fmt: skip
    time, value, word = made.time, made.value, QUANTITIES[made.name]
    if len(time) < 10:
        raise NotEnoughError(
            f"motion recorded: the {word} has only {len(time)} fresh values; 10 are needed"
        )
    if made.name == "heading_deg":
        if _either_way(made):
            raise NotEnoughError(_untold(made))
        value, said = _unwound(value)
        limits += said
        value, said = _carried_on(time, value)
        limits += said
    limits += tuple(n for n in run.clock.notes if f"{ASSUMED} {word}" in n)
    spline = _smooth(time, np.radians(value))
    heading, rate = (
        (spline, spline.derivative())
        if made.name == "heading_deg"
        else (spline.antiderivative(), spline)
    )
    spacing = float(np.median(np.diff(time)))
    placed = (
        "values are placed at their samples' own stamps"
        if made.stamped
        else "values are placed when they were logged, so a delay of the sensor shifts the motion"
    )
    limits += (
        f"the motion is a smoothing spline through {len(time)} fresh values of the {word}, "
        f"{spacing * 1e3:.3g} ms apart at the median",
        "a value that stays the same for long is taken for a robot at rest",
        f"swings faster than about {0.5 / spacing:.3g} Hz are not in it",
        placed,
    )
    unit = run.clock.angles.get(made.name)
    supposed = () if unit is None else (f"the {word} is in {unit}",)
    motion = Recorded("recorded", heading, rate, float(time[0]), float(time[-1]), limits, supposed)
    return replace(motion, limits=(*_hardly(motion), *limits))


def _goes_on(value: Float) -> bool:
    """Whether a heading [deg] goes on beyond a turn: it does not begin anew."""
    low, high = np.quantile(value, (0.005, 0.995))
    return bool(high - low > 365)


def _shorter(value: Float) -> Float:
    """Sizes of a wrapping heading's steps, each the shorter way round [deg]."""
    return np.abs((np.diff(value) + 180.0) % 360.0 - 180.0)


def _either_way(made: Turning) -> bool:
    """Whether a heading that wraps goes so far from value to value that its way can't be told."""
    if made.name != "heading_deg" or len(made.value) < 2 or _goes_on(made.value):
        return False
    step = _shorter(made.value)
    far = int((step > HALF_WAY).sum())
    return far >= 3 and far > FAR * int((step > 0).sum())


def _untold(made: Turning) -> str:
    """That a heading's way can't be told, and what would tell it."""
    step, spacing = _shorter(made.value), float(np.median(np.diff(made.time)))
    far = float(np.median(step[step > HALF_WAY]))
    return (
        f"motion recorded: can't tell how the robot turned: its heading is new every "
        f"{1e3 * spacing:.3g} ms and then {far:.0f} deg further one way, or {360 - far:.0f} the "
        f"other: log it at least every {1e3 * spacing * HALF_WAY / (360 - far):.0f} ms, "
        "or the turn rate with it, or say with --motion how the robot turns"
    )


def _hardly(made: Recorded) -> tuple[str, ...]:
    """That the robot stood or nearly so, where it did: what is left is noise of the sensor."""
    turned = math.degrees(float(np.ptp(made.heading(made.knots))))
    fastest = math.degrees(made.peak_rate)
    if turned >= LEAST_DEG and fastest >= LEAST_DEG_S:
        return ()
    return (
        f"{HARDLY_TURNED}: {turned:.2g} deg in {made.end_s - made.begin_s:.3g} s, which may be no "
        "more than the sensor's noise",
    )


def _no_motion(there: list[str]) -> str:
    """What is missing, with what the log has and the step that names it."""
    begin = "motion recorded: the log has no heading and no turn rate"
    if not there:
        return f"{begin} nor any other value beside its times; give another motion"
    shown = ", ".join(there[:_MOST_NAMED]) + (", ..." if len(there) > _MOST_NAMED else "")
    return (
        f"{begin}, but {shown}: if one of them is the heading or the turn rate, looptime columns "
        'LOG --write begins a table in looptime.toml; "heading deg" or "turn rate rad/s" there'
    )


def _unwound(value: Float) -> tuple[Float, tuple[str, ...]]:
    """A heading [deg] without its wraps; by its jumps in radians or turns, whatever is said."""
    if len(value) and _goes_on(value):
        return value, ()
    turn = turn_of(value)
    if turn in OTHER_TURNS:
        said = f"the heading jumps by {turn:.3g}: taken for {OTHER_TURNS[turn]}"
        return unwound(value, turn) * (360.0 / turn), (said,)
    return unwound(value, 360.0), ()


def _carried_on(time: Float, value: Float) -> tuple[Float, tuple[str, ...]]:
    """A heading without the steps by which it was set anew: the robot did not turn then."""
    anew = set_anew(time, value)
    if not len(anew):
        return value, ()
    rate = np.diff(value) / np.diff(time)
    before = rate[np.where(anew > 1, anew - 2, anew)]
    beside = (before + rate[np.where(anew < len(rate), anew, anew - 2)]) / 2
    step = value[anew] - value[anew - 1] - beside * (time[anew] - time[anew - 1])
    off = np.zeros(len(value))
    off[anew] = step
    times = "" if len(anew) == 1 else f", and {len(anew) - 1} times more"
    said = (
        f"the heading jumps by {abs(step[0]):.3g} deg at {time[anew[0]]:.3g} s{times}, as no robot "
        "turns: it was set anew there, and the jump is left out"
    )
    return value - np.cumsum(off), (said,)


def _smooth(time: Float, value: Float) -> Pieces:
    first = 0
    if len(time) > _TUNED_ON:
        travel = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(value)))])
        first = int(np.argmax(travel[_TUNED_ON - 1 :] - travel[: len(travel) - _TUNED_ON + 1]))
    part = slice(first, first + _TUNED_ON)
    return smoothing_spline(time, value, _penalty(time[part], value[part]))


def _penalty(time: Float, value: Float) -> float:
    """Weight of the spline's curvature that leaves the least cross-validated error."""
    spacing = float(np.median(np.diff(time)))
    errors: dict[int, float] = {}
    for powers in (range(-8, 9, 2), (-1, 1)):
        middle = min(errors, key=errors.__getitem__) if errors else 0
        for power in powers:
            weight = spacing**3 * 10.0 ** (middle + power)
            errors[middle + power] = _left_out_error(time, value, weight)
    return spacing**3 * 10.0 ** min(errors, key=errors.__getitem__)


def _left_out_error(time: Float, value: Float, weight: float) -> float:
    """Sum of squares of the errors at values that are left out of the fit, a quarter at a time."""
    total = 0.0
    for fold in range(4):
        out = np.zeros(len(time), dtype=bool)
        out[1 + fold : -1 : 4] = True
        fitted = smoothing_spline(time[~out], value[~out], weight)
        total += float(np.sum((fitted(time[out]) - value[out]) ** 2))
    return total
