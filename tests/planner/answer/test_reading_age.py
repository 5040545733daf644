"""How old a reading is when the loop puts it to use."""

import numpy as np
import pytest

from looptime.analysers.freshness import freshness
from looptime.planner import predict
from looptime.planner.answer.reading_age import reading_ages
from looptime.project import Heading
from tests.build_run import make_run
from tests.planner.build import NAMES


def test_reading_ages_by_hand():
    """Read at 0, written at 5: 5 ms old; thinned out to every second loop: 5 or 15 ms."""
    run = make_run(
        [10.0] * 60, [("gyro.read", 0, 2), ("motor.set", 5, 1)],
        {"gyro.read": "sensor read", "motor.set": "actuator write"},
    )  # fmt: skip
    assert reading_ages(run)["gyro.read"].mean == 5
    assert reading_ages(run, Heading(read_instant="end"))["gyro.read"].mean == 3
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
    ages = reading_ages(run, Heading(read_instant="end"))["gyro.read"]
    assert (ages.mean, ages.max) == (4.0, 4.0)


CALLS = [("gyro.read", 0, 3), ("heading.update", 3, 1), ("arm.read", 4, 2), ("motor.set", 6, 3)]
KINDS = {"gyro.read": "sensor read", "heading.update": "compute", "arm.read": "sensor read",
         "motor.set": "actuator write"}  # fmt: skip
STATED = Heading("gyro.read", use_call="heading.update")


def test_a_plan_counts_up_to_the_call_that_uses_the_heading():
    """Read from 0 to 3 ms, used at 3 by the call that the project names and not at 6."""
    run = make_run([9.0] * 60, CALLS, KINDS)
    for told, mean in ((STATED, 3), (Heading("gyro.read"), 6), (None, 6)):
        made = predict(run, [], heading=told)
        assert made.baseline.age_at_first_use_ms["gyro.read"]["mean"].value == mean
        (shown,) = (one for one in freshness(run, stated=told) if one.name == "gyro.read")
        assert shown.age_at_first_use_ms.p50 == mean
    made = predict(run, [], heading=STATED, read_instant="end")
    assert made.baseline.age_at_first_use_ms["gyro.read"]["mean"].value == 0


def newest(read_ms, rest_ms, loop_ms, use_ms, loops=4000):
    """Mean age of a thread's newest reading at each loop's use, played by itself: closed by hand.

    Readings begin every `read_ms + rest_ms`, are there when they end, and count from their start.
    """
    use = use_ms + loop_ms * np.arange(1, loops)
    every = read_ms + rest_ms
    begun = np.floor((use - read_ms) / every) * every
    return float((use - begun).mean())


@pytest.mark.parametrize(("rest", "write"), [(0.0, 3.07), (5.0, 3.0), (12.0, 3.07), (40.0, 3.03)])
def test_the_age_of_a_thread_on_its_own_bus_is_that_of_its_newest_reading(rest, write):
    """A read of 3 ms and a rest by turns beside loops of what is left, at no common rhythm."""
    calls = [*CALLS[:3], ("motor.set", 6, write)]
    names = {name: {"kind": kind, "bus": name} for name, kind in KINDS.items()}
    run = make_run([6 + write] * 1500, calls, names)
    made = predict(run, [f"thread gyro.read rest-ms={rest:g}"], heading=STATED)
    found = made.predicted.age_at_first_use_ms["gyro.read"]["mean"]
    every = 3 + rest
    assert found.low <= 3 + every / 2 <= found.high
    assert newest(3, rest, 3.0137 + write, 0) == pytest.approx(3 + every / 2, rel=0.02)
    assert found.value == pytest.approx(3 + every / 2, rel=0.12)
