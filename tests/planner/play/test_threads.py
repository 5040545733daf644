"""Threads on a bus, held against answers worked out by hand and against a plain simulation."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.planner.changes import parse_all
from looptime.planner.known.timeline import chain
from looptime.planner.play.draft import Setting, known
from looptime.planner.play.lanes import Calm
from looptime.planner.play.replay import play, replay
from looptime.planner.play.shared_bus import HAND_OVER_NS, OVERSLEEP_NS, rests, sharing
from looptime.planner.play.threads import CHANCES, _Device, _measured
from looptime.project import Bus
from tests import two_threads
from tests.build_run import make_run
from tests.planner.play.test_replay import balance, mean_ms
from tests.two_threads import Job

HAND = HAND_OVER_NS / 1e6
LABELS = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "motor.a": {"kind": "actuator write", "bus": "port"},
    "motor.b": {"kind": "actuator write", "bus": "port"},
    "range.read": {"kind": "sensor read", "bus": "aux"},
}


def robot(n=400, gap=1.0, labels=LABELS):
    """Gyro 2 ms, two writes of 1 ms with a gap between, 4 ms of other work."""
    calls = [("gyro.read", 0, 2), ("motor.a", 2, 1), ("motor.b", 3 + gap, 1), ("work", 4 + gap, 4)]
    return make_run([8 + gap] * n, calls, labels)


def test_a_thread_on_its_own_bus_gives_back_the_whole_read():
    """Nobody waits, so the loop is shorter by the read."""
    predicted = replay(robot(), ["move gyro.read bus=aux", "thread gyro.read"])
    assert mean_ms(predicted) == pytest.approx(7)
    balance(predicted)
    reader = predicted.calls[predicted.calls["thread"] != "main"]
    assert set(reader["duration_ns"]) == {2_000_000}
    assert len(reader) == 400 * 7 // 2


def test_a_restless_thread_on_the_same_bus_makes_the_loop_slower():
    """First come, first served: each write waits for the read under way or the next one."""
    at = play(known(robot()), parse_all(["thread gyro.read"]), Setting(lock="fair"))
    # between motor.a and motor.b the gap of 1 ms is filled by the read that waited: motor.b
    # waits 1 ms and twice a hand-over; the next read begins after motor.b and takes 2 ms of the
    # 4 ms of work, the one after that ends as the work ends
    loops = at.run.loop_columns.period_ns[20:-20] / 1e6
    assert loops.mean() > 8.0
    assert at.traffic is not None
    assert at.traffic.busy_ns["port"] / (at.run.duration_s * 1e9) > 0.9
    balance(at.run)


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


def test_the_range_of_locks_is_taken_from_the_project():
    """A bus whose lock is stated fair is played one way only."""
    run = robot()
    fair = play(known(run, {"port": Bus(lock="fair")}), parse_all(["thread gyro.read"]))
    assert "lock" not in fair.ranges
    unknown = play(known(run), parse_all(["thread gyro.read"]))
    assert "lock" in unknown.ranges
    barging = play(known(run, {"port": Bus(lock="barging")}), parse_all(["thread gyro.read"]))
    assert "barging" in barging.ranges
    assert any("again and again" in text for text in unknown.warnings)
    rested = play(known(run), parse_all(["thread gyro.read rest-ms=5"]))
    assert not any("again and again" in text for text in (*rested.warnings, *fair.warnings))


def test_a_reader_that_takes_the_bus_again_starves_the_loop():
    """An unfair lock without rest: far slower than first come, first served."""
    run = robot()
    changes = parse_all(["thread gyro.read"])
    fair = mean_ms(play(known(run), changes, Setting(lock="fair")).run)
    starved = mean_ms(play(known(run), changes, Setting(lock="high")).run)
    assert starved > 2 * fair


def test_readings_are_handed_over():
    """Each read is published when it ends; each loop picks up where the call used to be."""
    predicted = replay(robot(50), ["move gyro.read bus=aux", "thread gyro.read rest-ms=3"])
    marks = predicted.marks
    assert marks is not None
    used = marks.time_ns[marks.used]
    assert np.array_equal(used, predicted.loop_columns.start_ns)
    published = marks.time_ns[~marks.used] / 1e6
    least = 5.0 + OVERSLEEP_NS / 1e6
    assert published[0] == pytest.approx(least, abs=0.3)
    steps = np.diff(published)
    assert steps.min() >= least - 1e-6
    assert steps.mean() == pytest.approx(least, abs=0.1)
    assert {predicted.names[c].name for c in np.unique(marks.name)} == {"gyro.read"}


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


def test_moving_a_recorded_reader_away_takes_its_waits_out():
    """A log made with a reader on the loop's bus, planned with the writes on another."""
    before = replay(robot(), ["thread gyro.read"])
    assert mean_ms(before) > 7.5
    after = replay(before, ["move motor.* bus=aux"])
    assert mean_ms(after) == pytest.approx(7, abs=0.15)
    balance(after)


def test_a_recorded_reader_is_played_again():
    """With a change that changes nothing, a log with a reader comes out about as it was."""
    before = replay(robot(gap=0.3), ["thread gyro.read rest-ms=2"])
    again = play(known(before), parse_all(["scale work by=1"]), Setting(lock="fair")).run
    assert mean_ms(again) == pytest.approx(mean_ms(before), rel=0.02)


@pytest.mark.parametrize(
    "text", ["move gyro.read bus=aux", "scale gyro.read by=0.5", "drop gyro.read", "thread gyro.*"]
)
def test_a_call_that_a_thread_reads_by_then_is_not_changed_in_silence(text):
    """What would have no effect any more is refused, with what to do."""
    with pytest.raises(UsageError, match=r"by then a thread reads 'gyro\.read'.*before"):
        replay(robot(50), ["thread gyro.read rest-ms=3", text])


def test_a_pattern_passes_over_what_a_thread_reads_by_then():
    """The rest that it names is changed, and the plan says what is not."""
    one = play(known(robot(50)), parse_all(["thread gyro.read rest-ms=3", "scale * by=0.5"]))
    assert any("by then a thread reads gyro.read" in text for text in one.warnings)


def test_a_thread_that_uses_no_bus_goes_on_as_it_was():
    """A logger writes 0.5 ms every 5 ms, before and after the gyro is read elsewhere."""

    def calls(k):
        mine = [("motor.a", 2, 1), ("gyro.read", 0, 2), ("work", 4, 4)]
        return [*mine, ("save", 1, 0.5, "logger"), ("save", 6, 0.5, "logger")]

    run = make_run([10] * 200, calls, LABELS)
    predicted = replay(run, ["thread gyro.read"])
    balance(predicted)
    saved = predicted.calls[predicted.calls["thread"] == "logger"]
    assert len(saved) == pytest.approx(predicted.duration_s / 0.005, abs=2)
    assert set(saved["duration_ns"]) == {500_000}
    assert np.diff(saved["start_ns"]).tolist() == [5_000_000] * (len(saved) - 1)


@pytest.mark.parametrize(("asks", "end"), [(6, 10), (7, 10), (8, 20), (17, 20)])
def test_a_measurement_that_is_just_ready_is_waited_for_no_longer(asks, end):
    """Every 10, and 3 at least for asking: who asks at 7 has the one of 10, who asks at 8 not."""
    assert _measured(_Device(code=0, period=10, least=3, phase=0), asks) == end


@pytest.mark.parametrize("lock", sorted(CHANCES))
def test_stops_passed_together_are_those_passed_one_by_one(lock, monkeypatch):
    """A thread that rests: the same run to the nanosecond, in few passes beside its calls."""
    at, plan = known(robot(), {}), parse_all(["thread gyro.read rest-ms=20"])
    passed, together = [], Calm.passed

    def one_by_one(calm, i, now, soonest, buses):
        calm.barrier[i] = i + 1
        return together(calm, i, now, soonest, buses)

    def counted(*args):
        passed.append(args)
        return together(*args)

    monkeypatch.setattr(Calm, "passed", one_by_one)
    single = play(at, plan, Setting(lock=lock))
    monkeypatch.setattr(Calm, "passed", counted)
    many = play(at, plan, Setting(lock=lock))
    assert many.run.calls.equals(single.run.calls)
    assert many.traffic.wait_ns == single.traffic.wait_ns
    assert sum(many.traffic.wait_ns.values()) > 0
    assert len(passed) <= 4 * (len(many.traffic.readers[0].end) + 2)
