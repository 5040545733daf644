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


def test_no_timeout_is_proposed_below_what_every_turn_takes():
    """With it no picture would ever come; and its reading is as old as it is made rarely."""
    changes = [c for plan in suggest(with_camera(0.02)).proposed for c in plan.changes]
    assert not any(c.startswith("cap camera.read") for c in changes)
    cycle = 25 + 8 + 9 * 8.02  # from one reading's start to the next; it is used once it is there
    ages = predict(with_camera(0.02), []).baseline.age_at_first_use_ms
    age = ages["camera.read"]["mean"].value
    assert cycle / 2 - 8 < age < cycle / 2 + 25
