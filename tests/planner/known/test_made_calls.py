"""Rows of a call that the code passed by are no turns of it."""

import numpy as np
import pytest

from looptime.planner.answer.predict import predict
from looptime.planner.known.made_calls import made_calls
from looptime.planner.search.suggest import suggest
from tests.build_run import make_run

KINDS = {"camera.read": "sensor read", "gyro.read": "sensor read", "work": "compute"}


def with_camera(idle_ms, every=10, loops=400):
    """A camera of 25 ms in every so many loops, and for `idle_ms` in the others."""
    takes = [25.0 if k % every == 0 else idle_ms for k in range(loops)]

    def calls(k):
        yield "camera.read", 0, takes[k]
        yield "gyro.read", takes[k], 3
        yield "work", takes[k] + 3, 5

    return make_run([took + 8 for took in takes], calls, KINDS)


def test_a_row_of_next_to_nothing_is_no_turn():
    """It goes, and its time is in no call; every other row and the books stay."""
    run = with_camera(0.02)
    made = made_calls(run)
    camera = made.call_columns.name == [n.name for n in made.names].index("camera.read")
    assert camera.sum() == 40
    assert (~camera).sum() == 800
    assert made.call_columns.duration_ns[camera].tolist() == [25_000_000] * 40
    outside = np.where(np.arange(400) % 10 == 0, 0, 20_000)
    assert made.unattributed_ns().tolist() == outside.tolist()


@pytest.mark.parametrize("run", [with_camera(1.0), with_camera(0.02, every=4000 // 10)])
def test_usual_turns_stay(run):
    """A read of 1 ms with long turns, and one of 0.02 ms with a single one, are made every loop."""
    assert made_calls(run) is run


@pytest.mark.parametrize(
    "calls",
    [
        lambda k: [("camera.read", 1, 25 if k % 10 == 0 else 0.02, "reader"), ("work", 0, 39)],
        lambda k: [("work", 0, 39), ("camera.read", 1, 25 if k % 10 == 0 else 0.02)],
        lambda k: [("camera.read", 1, 25 if k % 10 == 0 else 0.02), ("gyro.read", 1.005, 0.01)],
        lambda k: [("camera.read", *((1, 25) if k % 10 == 0 or k == 399 else (39.99, 0.02)))],
    ],
)
def test_rows_that_others_lean_on_stay(calls):
    """Of another thread, in a call, around one, and those that run on into the next loop."""
    run = make_run([40.0] * 400, calls, KINDS)
    assert made_calls(run) is run


def test_calls_that_run_on_into_the_next_loop_keep_their_rows():
    """A camera begins 20 ms before its loop ends; rows of nothing stand last in their loops."""
    run = make_run(
        [40.0] * 400,
        lambda k: [("work", 6, 5), ("camera.read", *((20, 25) if k % 10 == 0 else (39, 0.02)))],
        KINDS,
    )
    made = made_calls(run)
    at = made.call_columns
    assert len(at) == 440
    assert at.duration_ns[at.spill_row].tolist() == [25_000_000] * 40
    begun, ended = np.arange(400) % 10 == 0, np.arange(400) % 10 == 1
    expected = 35_000_000 - 20_000_000 * begun - 5_000_000 * ended
    assert made.unattributed_ns().tolist() == expected.tolist()


def test_turns_that_hold_other_calls_are_what_rows_of_nothing_are_measured_against():
    """The camera is read within its call, when it is; the 360 rows that hold no read go."""

    def calls(k):
        return [("camera.read", 1, 25), ("gyro.read", 2, 20)] if k % 10 == 0 else [
            ("camera.read", 1, 0.02)]  # fmt: skip

    made = made_calls(make_run([40.0] * 400, calls, KINDS)).call_columns
    assert made.duration_ns.tolist() == [25_000_000, 20_000_000] * 40


def test_no_timeout_is_proposed_below_what_every_turn_takes():
    """With it no picture would ever come; and its reading is as old as it is made rarely."""
    changes = [c for plan in suggest(with_camera(0.02)).proposed for c in plan.changes]
    assert not any(c.startswith("cap camera.read") for c in changes)
    cycle = 25 + 8 + 9 * 8.02  # from one reading's start to the next; it is used once it is there
    ages = predict(with_camera(0.02), []).baseline.age_at_first_use_ms
    age = ages["camera.read"]["mean"].value
    assert cycle / 2 - 8 < age < cycle / 2 + 25
