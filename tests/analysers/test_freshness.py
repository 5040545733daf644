"""Freshness: ages and holds worked out by hand."""

import numpy as np
import pytest

from looptime.analysers.ages import _latest
from looptime.analysers.freshness import freshness, holds
from looptime.project import Heading
from tests.build_run import make_run

NAMES = {"gyro.read": "sensor read", "wheels.write": "actuator write"}


def test_read_in_the_loop():
    """Read ends at 3 ms, first write begins at 7 ms: the reading is 4 ms old."""
    run = make_run([10] * 5, [("gyro.read", 1, 2), ("wheels.write", 7, 1)], NAMES)
    (only,) = freshness(run, read_instant="end")
    assert only.age_at_first_use_ms.p50 == 4
    assert only.uses == 5
    assert (only.repeat_share, only.longest_hold_loops) == (0, 1)
    (start,) = freshness(run, read_instant="start")
    assert start.age_at_first_use_ms.p50 == 6


def test_every_third_loop():
    """A read made in every third loop is used three times; its age grows by a period each."""
    run = make_run(
        [10] * 9,
        lambda k: ([("gyro.read", 1, 2)] if k % 3 == 0 else []) + [("wheels.write", 7, 1)],
        NAMES,
    )
    (only,) = freshness(run, read_instant="end")
    assert (only.age_at_first_use_ms.p50, only.age_at_first_use_ms.max) == (14, 24)
    assert only.repeat_share == pytest.approx(2 / 3)
    assert (only.hold_loops, only.longest_hold_loops, only.longest_hold_ms) == (3, 3, 20)


def test_write_before_the_read_uses_the_last_loops_reading():
    """A write at the start of the loop acts on what was read a loop ago."""
    run = make_run([10] * 5, [("wheels.write", 0, 1), ("gyro.read", 4, 2)], NAMES)
    (only,) = freshness(run, read_instant="end")
    assert only.age_at_first_use_ms.p50 == 4  # read until 6, written at 10
    assert only.uses == 4  # the first write had nothing to use


def test_handed_over():
    """Published at 5 and 25 ms, used at 8, 18 and 28 ms: ages 3, 13, 3."""
    marks = [
        (5, "gyro.read", "published", "gyro"),
        (25, "gyro.read", "published", "gyro"),
        (8, "gyro.read", "used"),
        (18, "gyro.read", "used"),
        (28, "gyro.read", "used"),
    ]
    run = make_run(
        [10] * 4,
        lambda k: [("gyro.read", 1, 4, "gyro"), ("wheels.write", 9, 0.5)] if k % 2 == 0 else [],
        NAMES,
        marks=marks,
    )
    (only,) = freshness(run, read_instant="end")
    assert only.source == "handed over"
    assert (only.age_at_pickup_ms.p50, only.age_at_pickup_ms.max) == (3, 13)
    # written from 9 to 9.5 and from 29 to 29.5 ms
    assert (only.age_at_first_use_ms.max, only.age_at_last_use_ms.max) == (4, 4.5)
    assert only.repeat_share == pytest.approx(1 / 3)
    assert only.thread == "gyro"
    (start,) = freshness(run, read_instant="start")
    assert start.age_at_pickup_ms.max == 17  # the call began 4 ms before it published


def test_signals():
    """Rows with the same value are one hold; a value that never changes says nothing."""
    run = make_run([10] * 6, signals={"heading_deg": [1, 1, 1, 2, 2, 3], "still": [0] * 6})
    (only,) = freshness(run, read_instant="end")
    assert only.name == "heading_deg"
    assert (only.longest_hold_loops, only.longest_hold_ms) == (3, 20)
    assert only.repeat_share == pytest.approx(0.5)
    assert only.fresh_hz == pytest.approx(3 / 0.06)


def test_missing_values_are_no_hold():
    """Cells without a value are left out."""
    lengths, spans = holds(np.array([1.0, np.nan, 1.0, 2.0]), np.array([0, 10, 20, 30]))
    assert lengths.tolist() == [2, 1]
    assert spans.tolist() == [20, 0]


def test_empty_run():
    """No loops, no readings."""
    assert freshness(make_run([])) == ()


@pytest.mark.parametrize("shift_ms", [-7, 0, 4, 13, 25])
@pytest.mark.parametrize("every", [1, 2])
def test_the_latest_reading_is_the_last_one_that_is_ready(shift_ms, every):
    """Readings in step with their uses, before or after them, rarer, and with gaps."""
    rng = np.random.default_rng(every)
    uses = np.arange(1, 60) * 10_000_000
    ready = uses[::every] + shift_ms * 1_000_000 + rng.integers(-(10**6), 10**6, len(uses[::every]))
    for mine in (ready, ready[3:], ready[:-3], np.delete(ready, [5, 6]), ready[:1]):
        expected = [max((i for i, r in enumerate(mine) if r <= u), default=-1) for u in uses]
        which, early = _latest(mine, uses)
        assert [-1] * early + np.arange(len(mine))[which].tolist() == expected


def test_a_write_on_another_thread_is_no_use_by_the_loop():
    """The lights are written 4 ms into the loop, the wheels 7 ms: the reading is used at 7 ms."""
    calls = [("gyro.read", 1, 2), ("lights.write", 4, 1, "lights"), ("wheels.write", 7, 1)]
    run = make_run([10] * 5, calls, {**NAMES, "lights.write": "actuator write"})
    (only,) = freshness(run, read_instant="end")
    assert only.age_at_first_use_ms.p50 == 4
    assert only.uses == 5


def test_calls_that_the_project_names():
    """Fetched from 1 to 3 ms on a thread every other loop, taken until 5 ms, used from 6 to 8 ms.

    Loops of 10 ms: what was taken at the call's start is 4 ms old when it is picked up, 14 the loop
    after; at first use 5 and 15, at last use 7 and 17. Another reading is used as ever.
    """
    kinds = {"yaw.fetch": "sensor read", "scale.read": "sensor read"}
    run = make_run(
        [10] * 10,
        lambda k: (
            [("yaw.fetch", 1, 2, "yaw")] * (k % 2 == 0)
            + [("scale.read", 0, 1), ("yaw.take", 4.5, 0.5), ("steer.solve", 6, 2)]
        ),
        kinds,
    )
    stated = Heading("yaw.fetch", "yaw.take", "steer.solve")
    yaw, scale = sorted(freshness(run, stated=stated), key=lambda f: f.name, reverse=True)
    assert (yaw.source, yaw.used_at) == ("handed over", "the first steer.solve of each loop")
    ages = (yaw.age_at_pickup_ms, yaw.age_at_first_use_ms, yaw.age_at_last_use_ms)
    assert [(a.p50, a.max) for a in ages] == [(14, 14), (15, 15), (17, 17)]
    assert (yaw.uses, yaw.hold_loops, yaw.longest_hold_ms) == (10, 2, 10)
    assert (scale.used_at, scale.age_at_first_use_ms.p50) == ("the end of each loop", 10)


def test_calls_that_the_project_names_and_a_run_has_not():
    """A project file is for all logs of a robot: what one lacks is taken as if nobody named it."""
    run = make_run([10] * 5, [("gyro.read", 1, 2), ("wheels.write", 7, 1)], NAMES)
    stated = Heading("gyro.read", "gyro.take", "steer.solve")
    assert freshness(run, stated=stated) == freshness(run)
