"""Threads that share a bus with the loop: who waits how long."""

import numpy as np
import pytest

from looptime.planner.known.timeline import chain
from looptime.planner.play.draft import Setting
from looptime.planner.play.replay import replay
from looptime.planner.play.shared_bus import (
    HAND_OVER_NS,
    OVERSLEEP_NS,
    _keeps_a_timetable,
    rests,
    sharing,
)
from looptime.planner.play.threads import CHANCES
from tests import two_threads
from tests.build_run import make_run
from tests.planner.play.build import mean_ms
from tests.planner.play.threaded import LABELS, robot
from tests.two_threads import Job

HAND = HAND_OVER_NS / 1e6


def test_a_fair_lock_agrees_with_a_plain_simulation():
    """A simulation in steps of 5 us comes to the same mean."""
    run = robot(200, gap=0.3)
    got = replay(run, ["thread gyro.read rest-ms=1"], setting=Setting(lock="fair"))
    rest = float(rests(1e6, 1000).mean()) / 1e6
    assert mean_ms(got) == pytest.approx(stepped(200, 0.3, 2.0, rest), abs=0.05)


@pytest.mark.parametrize("lock", ["fair", "low", "middle", "high"])
def test_locks_agree_with_threads_played_event_by_event(lock):
    """Whoever takes a lock again by chance: the same mean as where each release is an event."""
    chances = CHANCES[lock]
    sleeps = iter(rests(1e6, 20_000) / 1e6)
    played = two_threads.play(
        {
            "main": lambda rng: [
                Job("motor.a", 1.0, "port", gap_ms=0.0),
                Job("motor.b", 1.0, "port", gap_ms=0.01),
                Job("work", 4.0, gap_ms=0.0),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.0, "port", gap_ms=next(sleeps))],
        },
        1500, chance=lambda lost: chances[min(lost, len(chances) - 1)], spread=0.0, wake_ms=HAND,
    )  # fmt: skip
    got = replay(robot(1500, gap=0.01), ["thread gyro.read rest-ms=1"], setting=Setting(lock=lock))
    assert mean_ms(got) == pytest.approx(float(np.diff(played.loops).mean()), abs=0.12)


def stepped(n, gap, read, rest, step=0.005):
    """Mean period of the robot's loop by plain time stepping; first come, first served."""
    plan = [("bus", 1.0), ("free", gap), ("bus", 1.0), ("free", 4.0)]
    now, loops, at, left = 0.0, 0, 0, None
    holder, idle_until = None, 0.0
    loop_asked, reader_asked, reader_left = None, rest, None
    at_kind, left = plan[0]
    free_left = 0.0
    ready = 0.0
    del left
    state = "ask" if at_kind == "bus" else "free"
    while loops < n:
        if state == "ask":
            loop_asked, state = now, "wait"
        if holder is None and now >= idle_until:
            reader_waits = reader_asked is not None and reader_asked <= now
            loop_waits = state == "wait"
            if loop_waits and (not reader_waits or loop_asked <= reader_asked):
                hand = HAND if loop_asked < ready else 0.0
                holder, until = "loop", now + plan[at][1] + hand
                state = "busy"
            elif reader_waits and now >= ready:
                hand = HAND if reader_asked < ready else 0.0
                holder, until = "reader", now + read + hand
                reader_asked = None
        if holder is not None and now >= until - step / 2:
            ready = until
            if holder == "reader":
                reader_asked = until + rest
            else:
                at += 1
                state, free_left = "free", until + plan[at][1]
            holder = None
            continue
        if state == "free" and now >= free_left - step / 2:
            at += 1
            if at == len(plan):
                at, loops = 0, loops + 1
            state = "ask" if plan[at][0] == "bus" else "free"
            continue
        now += step
    del reader_left
    return now / n


def test_waits_in_a_log_are_told_from_transactions():
    """The part of a call before the other thread's transaction ended was its wait."""
    run = make_run(
        [10, 10],
        lambda j: [("motor.a", 0, 3), ("gyro.read", -0.0, 2, "reader")] if j else [
            ("motor.a", 0, 1)
        ],
        LABELS,
    )  # fmt: skip
    found, wait = sharing(run, chain(run))
    assert [run.thread_names[s.thread] for s in found] == ["reader"]
    assert wait.tolist() == [0, 2_000_000 + HAND_OVER_NS]


def test_a_rest_oversleeps_by_so_much_on_average():
    """28 us beyond the least: seven tenths of the sleeps by 10 us, the rest by 70."""
    more = rests(1e6, 200_000) - 1e6 - OVERSLEEP_NS
    assert more.mean() == pytest.approx(28_000, rel=0.02)
    # median of the mixture 0.7 exp(-x/10) + 0.3 exp(-x/70) = 0.5, by bisection
    assert np.median(more) == pytest.approx(10_613, rel=0.02)
    assert rests(1e6, 9, late=0.0).tolist() == [1e6] * 9


def test_a_timetable_is_told_from_a_rest():
    """Starts every 20 ms whatever the call takes, or 5 ms after its end: only the first is one."""
    took = np.random.default_rng(2).uniform(1e6, 9e6, 200)
    names = np.zeros(200, int)
    on_time, rested = np.arange(200) * 20e6, np.cumsum(took + 5e6)
    assert _keeps_a_timetable(names, on_time, np.append(0, 20e6 - took[:-1]))
    assert not _keeps_a_timetable(names, rested, np.full(200, 5e6) + np.arange(200) % 3)
    assert not _keeps_a_timetable(np.arange(200) % 2, on_time, np.append(0, 20e6 - took[:-1]))


def test_the_logged_wait_of_a_thread_is_its_rest():
    """A battery's thread reads every 50 ms and logs what it waits: half as long, still each 50 ms.

    Its wait taken for a call of its own, the next reading would come that much sooner.
    """
    rng = np.random.default_rng(9)
    rows = {}
    for k in range(200):
        took = float(rng.uniform(2, 5))
        rows[5 * k] = [("battery.read", 4.0, took, "battery"),
                       ("sleep", 4.0 + took, 50.0 - took - 0.001, "battery")]  # fmt: skip
    calls = [("gyro.read", 0, 2), ("work", 2, 8)]
    labels = {"gyro.read": LABELS["gyro.read"], "battery.read": LABELS["gyro.read"],
              "sleep": {"kind": "pacing"}}  # fmt: skip
    run = make_run([10.0] * 1000, lambda j: calls + rows.get(j, []), labels)
    ((at,), _) = sharing(run, chain(run))
    assert at.timetable
    made = replay(run, ["scale battery.read by=0.5"])
    code = [call.name for call in made.names].index("battery.read")
    start = made.call_columns.start_ns[made.call_columns.name == code] / 1e6
    assert np.median(np.diff(start)) == pytest.approx(50.0, abs=0.1)
