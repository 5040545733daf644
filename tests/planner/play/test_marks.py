"""Marks of the loop's thread keep their distance from the calls around them."""

import numpy as np
import pytest

from looptime.planner.answer.reading_age import reading_ages
from looptime.planner.play.replay import replay
from tests.build_run import make_run

NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "pose.read": {"kind": "sensor read", "bus": "aux"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
    "idle": {"kind": "pacing"},
}
CALLS = [("gyro.read", 0, 2), ("motor.set", 3, 1), ("work", 5, 4)]


def handed(n=40, read_at=6.0, calls=CALLS, took=2.0, marks=()):
    """Loops of 10 ms that pick up at 2.5 ms what a thread reads once every 10 ms."""
    return make_run(
        [10.0] * n,
        lambda j: [*calls, ("pose.read", read_at, took, "reader")],
        NAMES,
        marks=[(10 * j + 2.5, "pose.read", "used") for j in range(n)] + list(marks),
    )


def same_ages(was, now):
    """Assert that every age of two runs is the same to a picosecond or so."""
    assert was.keys() == now.keys()
    for name, age in was.items():
        assert (now[name].mean, now[name].p95, now[name].max, now[name].uses) == pytest.approx(
            (age.mean, age.p95, age.max, age.uses), abs=1e-9
        )


def test_a_change_of_nothing_leaves_every_age():
    """Read from 6 to 8, used at 3 of the next loop: 7 ms old, in the plan as in the log."""
    run = handed()
    assert reading_ages(run)["pose.read"].mean == 7
    again = replay(run, ["scale gyro.read by=1"])
    same_ages(reading_ages(run), reading_ages(again))
    assert np.array_equal(again.marks.time_ns, run.marks.time_ns)
    assert np.array_equal(again.marks.loop, run.marks.loop)


def test_a_change_of_nothing_leaves_every_age_of_a_paced_loop():
    """Uneven work in ticks of 20 ms, a thread that reads every 7 ms."""
    work = np.random.default_rng(5).uniform(4, 14, 300)

    def calls(j):
        at = work[j] + 2
        reads = [
            ("pose.read", 7.0 * k - 20.0 * j, 3, "reader")
            for k in range(int(np.ceil(20 * j / 7)), int(np.ceil(20 * (j + 1) / 7)))
        ]
        return [
            ("gyro.read", 0, 2), ("work", 2, work[j]), ("motor.set", at + 0.02, 1),
            ("idle", at + 1.5, 20 - at - 1.5), *reads,
        ]  # fmt: skip

    marks = [(20 * j + work[j] + 2.01, "pose.read", "used") for j in range(300)]
    run = make_run([20.0] * 300, calls, NAMES, marks=marks)
    same_ages(reading_ages(run), reading_ages(replay(run, ["scale gyro.read by=1"])))
    # the write comes right after: no reading waits for the end of the loop
    slower = replay(run, ["scale gyro.read by=2"])
    assert reading_ages(slower)["pose.read"].mean == pytest.approx(3 + 3.5, abs=0.3)


def test_a_longer_loop_picks_up_where_it_did():
    """Loops of 18 ms, readings every 10: used at 3 of a loop, 7, 5, 3, 11 and 9 ms old in turn.

    The second loop picks up at 20.5 what was read from 16 to 18 and uses it at 21: 5 ms.
    """
    run = handed(n=50)
    longer = replay(run, ["scale work by=3"])
    assert longer.loop_columns.period_ns[0] == 18_000_000
    age = reading_ages(longer)["pose.read"]
    assert (age.mean, age.max) == (pytest.approx(7, abs=0.1), 11)


def test_a_reading_picked_up_before_a_moved_call_is_the_one_before():
    """Read from 1 to 1.5 and picked up at 2.5: 2 ms old at 3. Picked up at 0.5: 12 ms old."""
    run = handed(read_at=1.0, took=0.5)
    assert reading_ages(run)["pose.read"].mean == 2
    moved = replay(run, ["later gyro.read before=motor.set"])
    assert moved.marks.time_ns[:2].tolist() == [500_000, 10_500_000]
    assert reading_ages(moved)["pose.read"].mean == 12


def test_a_reading_is_published_when_its_call_is_done():
    """A tenth of a ms after the read, which takes twice as long, or is made half as often."""
    run = handed(marks=[(10 * j + 2.1, "gyro.read", "published") for j in range(40)])

    def published(changed):
        mine = ~changed.marks.used
        return (changed.marks.time_ns[mine] / 1e6).tolist()

    assert published(replay(run, ["scale gyro.read by=2"]))[:2] == [4.1, 16.1]
    assert published(replay(run, ["every gyro.read loops=2"]))[:2] == [2.1, 20.1]
    assert published(replay(run, ["drop gyro.read"])) == []
    later = replay(run, ["later gyro.read before=work"])
    assert published(later)[:2] == [5.1, 15.1]


def test_a_mark_at_the_instant_of_other_events_stays_between_them():
    """Where a read ends, the mark stands and the write begins at one instant, that is kept."""
    calls = [("gyro.read", 0, 2.5), ("motor.set", 2.5, 1), ("work", 5, 4)]
    changed = replay(handed(calls=calls), ["scale gyro.read by=2", "scale motor.set by=2"])
    used = changed.marks.time_ns[changed.marks.used] / 1e6
    assert used[:2].tolist() == [5.0, 18.5]
