"""Steered wheels against hand computation and a plain least-squares fit."""

import math

import numpy as np
import pytest

from looptime.controllers import Wheel
from looptime.controlling.wheels import DIRECTIONS, steering, wheel_instants
from looptime.errors import UsageError
from tests.build_run import make_run

CORNERS = {"fl": (0.3, 0.25), "fr": (0.3, -0.25), "rl": (-0.3, 0.25), "rr": (-0.3, -0.25)}


def drive(read_ms, write_ms, places=True, periods=(20.0,) * 120):
    """A run in which each wheel is read and written at its own moments, and the wheels."""
    calls = [(f"{n}.read", at, 0.5) for n, at in zip(CORNERS, read_ms, strict=True)]
    calls += [(f"{n}.write", at, 0.25) for n, at in zip(CORNERS, write_ms, strict=True)]
    names = {c[0]: "sensor read" if "read" in c[0] else "actuator write" for c in calls}
    wheels = tuple(
        Wheel(n, f"{n}.read", f"{n}.write", *(CORNERS[n] if places else (None, None)))
        for n in CORNERS
    )
    return make_run(periods, calls, names), wheels


def test_spreads_and_ages():
    """Reads 1 ms apart and writes 2 ms apart: spreads of 3 and 6 ms, each age by hand."""
    run, wheels = drive((1, 2, 3, 4), (8, 10, 12, 14))
    found = steering(run, wheels, 360.0, 2.0)
    assert found.read_spread_ms.value == pytest.approx(3.0)
    assert found.write_spread_ms.value == pytest.approx(6.0)
    assert found.inconsistency_deg.value == pytest.approx(360 * 0.003)
    ages = {w.name: w.age_ms.value for w in found.wheels}
    # from the start of the read to the end of the write
    assert ages == pytest.approx({"fl": 7.25, "fr": 8.25, "rl": 9.25, "rr": 10.25})


def test_mean_direction_without_positions():
    """Off by -3, -1, 1, 3 parts of the writes' spread: sines and cosines by hand."""
    run, wheels = drive((1, 2, 3, 4), (8, 10, 12, 14), places=False)
    found = steering(run, wheels, 200.0, 2.0)
    unit = math.radians(200) * 0.001
    late = np.array([-3, -1, 1, 3]) * unit  # writes, 2 ms apart
    drags = {w.name: w.drag_mm_per_m.value for w in found.wheels}
    assert found.drag_from == "writes"
    assert drags == pytest.approx(dict(zip(CORNERS, 1e3 * np.sin(np.abs(late)), strict=True)))
    assert found.drag_mm_per_m.value == pytest.approx(1e3 * math.sin(3 * unit))
    assert found.fight_mm_per_m.value == pytest.approx(2e3 * math.sin(3 * unit))
    reads = np.array([-1.5, -0.5, 0.5, 1.5]) * unit
    missing = 1e3 * (1 - np.cos(reads).mean())
    assert found.odometry_mm_per_m.value == pytest.approx(missing, rel=1e-9)
    assert found.odometry_deg_per_turn is None


def test_odometry_against_a_plain_fit():
    """The chassis velocity by a least-squares fit of each direction, written out."""
    run, wheels = drive((1, 2, 3, 4), (8, 10, 12, 14))
    speed, rate = 2.0, math.radians(360)
    found = steering(run, wheels, 360.0, speed)
    late = rate * np.array([-1.5, -0.5, 0.5, 1.5]) * 1e-3
    wrong, turning = [], []
    for way in 2 * math.pi * np.arange(DIRECTIONS) / DIRECTIONS:
        rows, right = [], []
        for (x, y), angle in zip(CORNERS.values(), way + late, strict=True):
            rows += [[1, 0, -y], [0, 1, x]]
            right += [speed * math.cos(angle), speed * math.sin(angle)]
        vx, vy, w = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
        wrong.append(math.hypot(vx - speed * math.cos(way), vy - speed * math.sin(way)) / speed)
        turning.append(abs(w))
    assert found.odometry_mm_per_m.value == pytest.approx(1e3 * np.mean(wrong), rel=1e-9)
    assert found.odometry_deg_per_turn.value == pytest.approx(
        360 * np.mean(turning) / rate, rel=1e-9
    )


def test_one_batched_read_makes_the_spread_nothing():
    """All wheels name one call: no spread of the angles, and the writes' drag is left."""
    calls = [("angles.read", 1, 2)] + [(f"{n}.write", 5 + k, 0.5) for k, n in enumerate(CORNERS)]
    names = {c[0]: "sensor read" if "read" in c[0] else "actuator write" for c in calls}
    run = make_run([20.0] * 60, calls, names)
    wheels = tuple(Wheel(n, "angles.read", f"{n}.write", *CORNERS[n]) for n in CORNERS)
    found = steering(run, wheels, 360.0)
    assert found.read_spread_ms.value == 0.0
    assert found.odometry_mm_per_m.value == pytest.approx(0.0, abs=1e-9)
    assert found.drag_mm_per_m.value == pytest.approx(found.batched["drag_mm_per_m"])
    assert found.drag_mm_per_m.value > 0


def test_what_a_batched_read_would_do_is_what_it_does():
    """The forecast beside reads one after another is what the batched run then shows."""
    run, wheels = drive((1, 2, 3, 4), (8, 10, 12, 14))
    told = steering(run, wheels, 360.0).batched
    run, wheels = drive((1, 1, 1, 1), (8, 10, 12, 14))
    came = steering(run, tuple(Wheel(w.name, "fl.read", w.write_call, w.x_m, w.y_m)
                               for w in wheels), 360.0)  # fmt: skip
    assert told["read_spread_ms"] == came.read_spread_ms.value
    assert told["drag_mm_per_m"] == pytest.approx(came.drag_mm_per_m.value)
    assert told["fight_mm_per_m"] == pytest.approx(came.fight_mm_per_m.value)


def test_a_wheel_read_every_other_loop():
    """What was read the loop before is a period older: the spread alternates."""

    def calls(k):
        reads = ["fl", "fr"] if k % 2 else list(CORNERS)
        rows = [(f"{n}.read", 1 + list(CORNERS).index(n), 0.5) for n in reads]
        return rows + [(f"{n}.write", 8 + i, 0.5) for i, n in enumerate(CORNERS)]

    run = make_run([20.0] * 40, calls)
    wheels = tuple(Wheel(n, f"{n}.read", f"{n}.write") for n in CORNERS)
    read, _ = wheel_instants(run, wheels)
    spread = np.ptp(read, axis=1) * 1e3
    assert spread[2:6].tolist() == pytest.approx([3.0, 19.0, 3.0, 19.0])


def test_wheels_that_are_written_when_they_change():
    """Every loop reads all four, each is written now and then: the readings stay 3 ms apart."""
    rng = np.random.default_rng(4)
    written = rng.random((400, 4)) < 0.25

    def calls(k):
        rows = [(f"{n}.read", 1 + i, 0.5) for i, n in enumerate(CORNERS)]
        return rows + [(f"{n}.write", 8 + i, 0.5) for i, n in enumerate(CORNERS) if written[k, i]]

    wheels = tuple(Wheel(n, f"{n}.read", f"{n}.write") for n in CORNERS)
    read, _ = wheel_instants(make_run([20.0] * 400, calls), wheels)
    spread = np.ptp(read, axis=1)[written.any(axis=1)] * 1e3
    assert spread == pytest.approx(3.0)


def test_set_points_only():
    """Where the motors' own controllers steer, the age of the angles read drags nothing."""
    run, wheels = drive((1, 4, 7, 10), (12, 12.3, 12.6, 12.9))
    assert steering(run, wheels, 360.0).drag_from == "reads"
    assert steering(run, wheels, 360.0, set_points_only=True).drag_from == "writes"


def test_refusals():
    """One wheel is no set, and a call must be there."""
    run, wheels = drive((1, 2, 3, 4), (8, 10, 12, 14))
    with pytest.raises(UsageError, match="each steered wheel"):
        steering(run, wheels[:1], 360.0)
    with pytest.raises(UsageError, match=r"the nearest is 'fl\.read'"):
        steering(run, (Wheel("a", "fl.rea", "fl.write"), wheels[1]), 360.0)
    assert steering(run, wheels).drag_mm_per_m is None
