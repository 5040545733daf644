"""Steered wheels: angles that are read, and commands that are written, one after another."""

import math
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Bool, Float, Int
from looptime.controllers import Wheel
from looptime.controlling.value_instants import instants_of, on_change
from looptime.errors import NotEnoughError, UsageError
from looptime.heading.age_distribution import block_sums, leave_out, ratio
from looptime.heading.block_intervals import figure
from looptime.heading.pattern import blocks_of
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.quantiles import quantile

__all__ = ["OneWheel", "Steering", "fitted_motion", "steering", "wheel_instants"]

#: Directions of travel over which drag and odometry are averaged.
DIRECTIONS = 12
#: Speed over the floor where none is stated [m/s].
USUAL_SPEED_M_S = 1.0


@dataclass(frozen=True)
class OneWheel:
    """One wheel; the angles and millimetres are those while the wheels turn at the stated rate."""

    name: str
    age_ms: Figure  #: Of its angle where its command is put to use
    age_p99_ms: float
    #: Mean size of its angle off the direction of the fitted chassis motion at that wheel.
    angle_error_deg: Figure | None
    drag_mm_per_m: Figure | None  #: How far that drags it sideways


@dataclass(frozen=True)
class Steering:
    """The wheels as a set."""

    wheels: tuple[OneWheel, ...]  #: The most dragged first, without a rate the oldest reading
    #: How fast the wheels turn and roll in what follows.
    rate_deg_s: float | None
    speed_m_s: float
    #: `read_spread_ms`, `write_spread_ms`: Mean time between the first and the last reading in use,
    #: and between the writes.
    read_spread_ms: Figure | None
    write_spread_ms: Figure | None
    read_spread_p99_ms: float | None
    write_spread_p99_ms: float | None
    inconsistency_deg: Figure | None = None  #: Rate times spread of the readings
    #: Sideways drag of the worst wheel, and the greatest difference between two.
    drag_mm_per_m: Figure | None = None
    fight_mm_per_m: Figure | None = None
    drag_from: str | None = None  #: ``reads`` or ``writes``: which of the two makes more drag
    odometry_mm_per_m: Figure | None = None  #: Error of the fitted chassis velocity
    #: Turning that is fitted and not there, while the wheels turn once round; needs positions.
    odometry_deg_per_turn: Figure | None = None
    #: The same where one batched read takes all angles at once.
    batched: dict[str, float | None] | None = None
    notes: tuple[str, ...] = ()

    @property
    def first(self) -> str:
        """By what the wheels are in order, in words."""
        dragged = self.wheels and self.wheels[0].drag_mm_per_m is not None
        return "the most dragged" if dragged else "the oldest reading"


def wheel_instants(run: Run, wheels: tuple[Wheel, ...]) -> tuple[Float, Float]:
    """When the angle in use was read, and when each wheel was written, in every loop.

    Returns
    -------
    read_s, write_s : float array, shape (n, wheels) [s]
        The reading is the one in use when the loop's last wheel is written; NaN where a wheel
        has none yet. A wheel that is not written in a loop has NaN there.

    Raises
    ------
    UsageError
        If a named call is not in the log.
    """
    n = len(run)
    start = np.cumsum(run.loop_columns.period_ns.astype(np.int64)) / 1e9
    made = [instants_of(run, w.read_call, w.write_call, f"angle of {w.name}") for w in wheels]
    write = np.full((n, len(wheels)), np.nan)
    for k, at in enumerate(made):
        loop = np.clip(np.searchsorted(start, at.start_s, side="right"), 0, n - 1)
        write[loop, k] = at.use_s
    last = np.asarray(np.fmax.reduce(write, axis=1), dtype=np.float64)
    read = np.full((n, len(wheels)), np.nan)
    for k, at in enumerate(made):
        taken, used = at.taken_s, at.use_s
        if on_change(run, at):  # read in loops, too, in which this wheel is not written
            taken = used = instants_of(run, wheels[k].read_call, None).taken_s
        newest = np.searchsorted(used, last, side="right") - 1
        known = (newest >= 0) & np.isfinite(last)
        read[known, k] = taken[newest[known]]
    return read, write


def fitted_motion(angle: Float, speed: float, place: Float | None) -> Float:
    """Chassis velocity that fits the wheels' directions and one rolling speed best.

    Least squares of ``v_i = (vx - w y_i, vy + w x_i)``, two rows a wheel.

    Parameters
    ----------
    angle : float array, shape (..., wheels) [rad]
        Where each wheel points.
    speed : float [m/s]
        At which all roll.
    place : float array, shape (wheels, 2) [m], or None
        Where the wheels stand; without it no turning is fitted: the mean direction alone.

    Returns
    -------
    float array, shape (..., 3) [m/s], [m/s], [rad/s]

    Examples
    --------
    >>> place = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]])
    >>> fitted_motion(np.zeros(4), 2.0, place).round(9).tolist()
    [2.0, 0.0, 0.0]
    """
    rolled = speed * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    if place is None:
        mean = rolled.mean(axis=-2)
        return np.concatenate([mean, np.zeros((*mean.shape[:-1], 1))], axis=-1)
    one, none = np.ones(len(place)), np.zeros(len(place))
    rows = np.stack([
        np.stack([one, none, -place[:, 1]], axis=-1), np.stack([none, one, place[:, 0]], axis=-1)
    ], axis=1).reshape(-1, 3)  # fmt: skip
    flat = rolled.reshape(*rolled.shape[:-2], -1)
    return np.asarray(flat @ np.linalg.pinv(rows).T, dtype=np.float64)


def steering(
    run: Run, wheels: tuple[Wheel, ...], rate_deg_s: float | None = None,
    speed_m_s: float | None = None, set_points_only: bool = False,
) -> Steering:  # fmt: skip
    """What the one-after-another of reads and writes costs the wheels as a set.

    Parameters
    ----------
    run : Run
        Recorded or predicted.
    wheels : tuple of Wheel
        At least two.
    rate_deg_s : float or None [deg/s]
        How fast the wheels turn; without it only times are given.
    speed_m_s : float or None [m/s]
        How fast the robot drives.
    set_points_only : bool
        The wheels are steered by their motors' own controllers: the age of the angles that the
        robot reads then drags no wheel.

    Raises
    ------
    UsageError
        If there are fewer than two wheels, or a call is not in the log.
    NotEnoughError
        If no loop has readings of all wheels.
    """
    if len(wheels) < 2:
        raise UsageError("one [[wheel]] is no set: state each steered wheel")
    read, write = wheel_instants(run, wheels)
    known = np.isfinite(read).all(axis=1)
    if known.sum() < 3:
        raise NotEnoughError("fewer than 3 loops have the angles of all wheels")
    read, write = read[known], write[known]
    block = blocks_of(len(read))
    has_reads = all(w.read_call for w in wheels)
    has_writes = all(w.write_call for w in wheels) and bool(np.isfinite(write).all(axis=1).any())
    speed = speed_m_s or USUAL_SPEED_M_S
    read_spread = np.ptp(read, axis=1) if has_reads else None
    whole = np.asarray(np.isfinite(write).all(axis=1))
    write_spread = np.ptp(write[whole], axis=1) if has_writes else None
    made = Steering(
        (), rate_deg_s, speed,
        _mean(read_spread, block, 1e3), _mean(write_spread, block[whole], 1e3),
        _p99(read_spread), _p99(write_spread),
    )  # fmt: skip
    age = np.fmax.reduce(write, axis=1)[:, None] - read if not has_writes else write - read
    parts = _parts(wheels, read, write, block, whole, (has_reads, has_writes), rate_deg_s,
                   speed, set_points_only)  # fmt: skip
    ones = [
        OneWheel(
            wheel.name, _mean(age[:, k][np.isfinite(age[:, k])],
                              block[np.isfinite(age[:, k])], 1e3) or Figure(),
            _p99(age[:, k][np.isfinite(age[:, k])]) or 0.0,
            *(parts["each"][k] if parts["each"] else (None, None)),
        )
        for k, wheel in enumerate(wheels)
    ]  # fmt: skip
    ones.sort(key=lambda w: -((w.drag_mm_per_m or w.age_ms).value or 0.0))
    return replace(
        made, wheels=tuple(ones), notes=_notes(wheels, rate_deg_s, has_writes), **parts["whole"]
    )


def _notes(wheels: tuple[Wheel, ...], rate: float | None, has_writes: bool) -> tuple[str, ...]:
    notes = []
    if rate is None:
        notes.append("how fast the wheels turn is not stated: add [steering] max_rate_deg_s")
    if not has_writes:
        notes.append("the wheels' own writes are not all named: add write_call to each [[wheel]]")
    if _places(wheels) is None:
        notes.append("where the wheels stand is not stated (x_m, y_m): no turning is fitted")
    return tuple(notes)


def _places(wheels: tuple[Wheel, ...]) -> Float | None:
    places = [(w.x_m, w.y_m) for w in wheels]
    if any(x is None or y is None for x, y in places) or len(set(places)) < 2:
        return None
    return np.array(places, dtype=np.float64)


def _parts(
    wheels: tuple[Wheel, ...], read: Float, write: Float, block: Int,
    whole: Bool, has: tuple[bool, bool], rate_deg_s: float | None, speed: float,
    set_points_only: bool,
) -> dict[str, Any]:  # fmt: skip
    """Drag, fight and odometry while the wheels turn; nothing without a rate."""
    if not rate_deg_s:
        return {"each": None, "whole": {}}
    rate, place = math.radians(rate_deg_s), _places(wheels)
    found: dict[str, tuple[Float, Float, Int]] = {}
    for name, instants, use in (("reads", read, has[0] and not set_points_only),
                                ("writes", write[whole], has[1])):  # fmt: skip
        if use:
            kept = block if name == "reads" else block[whole]
            found[name] = (*_dragged(rate * _off(instants), speed, place), kept)
    whole_set: dict[str, Any] = {}
    each: list[tuple[Figure | None, Figure | None]] | None = None
    if found:
        worst = max(found, key=lambda name: float(found[name][0].mean(axis=0).max()))
        sideways, fight, kept = found[worst]
        drags = [_mean(np.sin(sideways[:, k]), kept, 1e3) for k in range(len(wheels))]
        each = [
            (_mean(np.degrees(sideways[:, k]), kept, 1.0), drags[k]) for k in range(len(wheels))
        ]
        whole_set = {
            "drag_from": worst, "fight_mm_per_m": _mean(fight, kept, 1e3),
            "drag_mm_per_m": max(drags, key=lambda f: (f and f.value) or 0.0),
        }  # fmt: skip
    if has[0]:
        along, turning = _odometry(rate * _off(read), speed, place)
        whole_set["inconsistency_deg"] = _mean(np.ptp(read, axis=1), block, rate_deg_s)
        whole_set["odometry_mm_per_m"] = _mean(along, block, 1e3)
        if place is not None:
            whole_set["odometry_deg_per_turn"] = _mean(turning / rate, block, 360.0)
        after = found.get("writes")
        whole_set["batched"] = {
            "read_spread_ms": 0.0, "inconsistency_deg": 0.0, "odometry_mm_per_m": 0.0,
            "odometry_deg_per_turn": None if place is None else 0.0,
            "drag_mm_per_m": 1e3 * float(np.sin(after[0]).mean(axis=0).max()) if after else None,
            "fight_mm_per_m": 1e3 * float(after[1].mean()) if after else None,
        }  # fmt: skip
    return {"each": each, "whole": whole_set}


def _off(instants: Float) -> Float:
    """How long after the set's mean each one comes [s]."""
    return instants - instants.mean(axis=1, keepdims=True)


def _directions(late: Float) -> Float:
    """Wheels' angles for every direction of travel; shape (directions, n, wheels)."""
    return np.arange(DIRECTIONS)[:, None, None] * (2 * math.pi / DIRECTIONS) + late


def _dragged(late: Float, speed: float, place: Float | None) -> tuple[Float, Float]:
    """Size of each wheel's angle off the fitted motion there, and how far two differ in sine."""
    angle = _directions(late)
    fitted = fitted_motion(angle, speed, place)
    x, y = (np.zeros(late.shape[1]),) * 2 if place is None else place.T
    turning = fitted[..., 2:]
    there = np.arctan2(fitted[..., 1:2] + turning * x, fitted[..., 0:1] - turning * y)
    off = (angle - there + math.pi) % (2 * math.pi) - math.pi
    return np.abs(off).mean(axis=0), np.ptp(np.sin(off), axis=-1).mean(axis=0)


def _odometry(late: Float, speed: float, place: Float | None) -> tuple[Float, Float]:
    """Error of the fitted velocity [m/m], and turning that is not there [rad/s]; each (n,)."""
    angle = _directions(late)
    fitted = fitted_motion(angle, speed, place)
    way = _directions(np.zeros((1, 1)))[..., 0]
    wrong = np.hypot(fitted[..., 0] / speed - np.cos(way), fitted[..., 1] / speed - np.sin(way))
    return wrong.mean(axis=0), np.abs(fitted[..., 2]).mean(axis=0)


def _mean(values: Float | None, block: Int, factor: float) -> Figure | None:
    if values is None or not len(values):
        return None
    sums, counts = block_sums(block, values), block_sums(block, np.ones(len(values)))
    found = figure(float(values.mean()), ratio(leave_out(sums), leave_out(counts)), positive=True)
    return found.scaled(factor)


def _p99(values: Float | None) -> float | None:
    return None if values is None or not len(values) else 1e3 * float(quantile(values, 0.99))
