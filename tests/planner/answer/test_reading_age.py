"""How old a reading is when the loop puts it to use."""

import pytest

from looptime.planner import predict
from looptime.planner.answer.reading_age import reading_ages
from tests.build_run import make_run
from tests.planner.build import NAMES


def test_reading_ages_by_hand():
    """Read at 0, written at 5: 5 ms old; thinned out to every second loop: 5 or 15 ms."""
    run = make_run(
        [10.0] * 60, [("gyro.read", 0, 2), ("motor.set", 5, 1)],
        {"gyro.read": "sensor read", "motor.set": "actuator write"},
    )  # fmt: skip
    assert reading_ages(run)["gyro.read"].mean == 5
    assert reading_ages(run, read_instant="end")["gyro.read"].mean == 3
    made = predict(run, ["every gyro.read loops=2"])
    ages = made.predicted.age_at_first_use_ms["gyro.read"]
    # with the read: 5; without it the write comes 3 ms after the loop's start, 8 or so later
    assert ages["mean"].value == pytest.approx((5 + 5 + 8) / 2)
    assert made.baseline.age_at_first_use_ms["gyro.read"]["max"].value == 5


def test_ages_have_the_quantile_that_is_named():
    """A write 1, 2 ... 100 ms after the read that it uses: 95 of 100 are at most 95 ms old."""
    run = make_run(
        [200.0] * 100,
        lambda k: [("gyro.read", 0, 0.5), ("motor.set", k + 1, 0.5)],
        NAMES,
    )
    found = reading_ages(run)["gyro.read"]
    assert (found.p95, found.max, found.mean) == pytest.approx((95, 100, 50.5))


def test_a_reading_that_ends_as_it_is_used_is_the_one_in_use():
    """The write begins at the very end of the read: it uses this reading and not the last."""
    run = make_run([10.0] * 4, [("gyro.read", 1, 2), ("motor.set", 3, 1)], NAMES)
    ages = reading_ages(run)["gyro.read"]
    assert (ages.mean, ages.max, ages.uses) == (2.0, 2.0, 4)


def test_a_write_on_another_thread_is_no_use_by_the_loop():
    """What another thread writes 4 ms into the loop ages nothing; the loop's own write does."""
    calls = [("gyro.read", 1, 2), ("lights.set", 4, 1, "lights"), ("motor.set", 7, 1)]
    run = make_run([10.0] * 5, calls, {**NAMES, "lights.set": "actuator write"})
    ages = reading_ages(run, read_instant="end")["gyro.read"]
    assert (ages.mean, ages.max) == (4.0, 4.0)
