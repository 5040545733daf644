"""Figures of a run that a plan shows, by hand."""

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.planner.answer.measures import measure
from looptime.planner.answer.reading_age import reading_ages
from looptime.planner.answer.score import Scored
from tests.build_run import make_run

NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
}


def test_a_bus_is_in_use_while_a_call_is_on_it():
    """Calls of 2 and 1 ms in loops of 10 ms: three tenths of the time."""
    run = make_run([10.0] * 60, [("gyro.read", 0, 2), ("motor.set", 5, 1)], NAMES)
    assert measure(run).bus["port"]["utilisation"].value == pytest.approx(0.3)


def test_the_share_of_time_has_an_error_without_a_unit():
    """Loops ten times as long and a budget ten times as large change neither share nor error."""
    rng = np.random.default_rng(1)
    periods = 10 + rng.exponential(2, 200)
    calls = [("gyro.read", 0, 2)]
    short = measure(make_run(periods, calls, NAMES), budget_ms=13).overrun_time_share
    long = measure(make_run(10 * periods, calls, NAMES), budget_ms=130).overrun_time_share
    over = periods > 13
    assert short.value == pytest.approx(periods[over].sum() / periods.sum())
    assert long.value == pytest.approx(short.value)
    assert long.se == pytest.approx(short.se)
    # linearised ratio, over batches of ten loops
    left = (np.where(over, periods, 0) - short.value * periods).reshape(20, 10).mean(axis=1)
    assert short.se == pytest.approx(left.std(ddof=1) / np.sqrt(20) / periods.mean())


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


@pytest.mark.parametrize(
    ("actual", "inside"), [(9.9, False), (10.0, True), (11.0, True), (12.0, True), (12.1, False)]
)
def test_the_ends_of_a_prediction_belong_to_it(actual, inside):
    """A range of 10 to 12 ms holds both of its ends."""
    assert Scored("mean", 14.0, Figure(11.0, 10.0, 12.0), actual).inside is inside
