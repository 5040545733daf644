"""Threads on a bus, held against answers worked out by hand and against a plain simulation."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.planner.changes import parse_all
from looptime.planner.play.draft import Draft, Setting, known
from looptime.planner.play.lanes import BackAndForth, Calm
from looptime.planner.play.replay import play, replay
from looptime.planner.play.shared_bus import OVERSLEEP_NS
from looptime.planner.play.stops import Device, device_clocks, measured
from looptime.planner.play.threads import CHANCES, _off
from looptime.project import Bus
from tests.build_run import make_run
from tests.planner.play.build import balance, mean_ms
from tests.planner.play.threaded import LABELS, robot


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
    busy_ms = 2 * len(at.traffic.readers[0].code) + 2 * len(loops)
    assert busy_ms / (at.run.duration_s * 1e3) > 0.9
    balance(at.run)


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


def test_a_play_ends_where_its_loops_surely_take_too_long():
    """Up to a mean that it reaches, a play is what it was; a half of that it passes early on."""
    at, changes = known(robot()), parse_all(["thread gyro.read"])
    whole = play(at, changes)
    assert whole.traffic is not None
    same = play(replace(at, most_ns=whole.mean_ns), changes)
    assert np.array_equal(same.period_ns, whole.period_ns)
    ended = play(replace(at, most_ns=whole.mean_ns / 2), changes)
    assert ended.traffic is not None
    assert ended.traffic.given_up
    assert ended.mean_ns > whole.mean_ns / 2
    assert len(ended.traffic.readers[0].code) < len(whole.traffic.readers[0].code) / 2


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
    assert measured(Device(code=0, period=10, least=3, phase=0), asks) == end


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


@pytest.mark.parametrize("most_ms", [np.inf, 9.5])
def test_waits_for_each_other_passed_together_are_those_passed_one_by_one(most_ms, monkeypatch):
    """Twelve writes a loop and a thread that does not rest: the same run, to the nanosecond.

    The thread waits for each write and the loop for each read, until the loop works without the
    bus; the lengths differ from call to call. With little patience both end at one place.
    """
    rng = np.random.default_rng(3)
    took = rng.uniform(0.2, 0.4, (400, 13))

    def calls(k):
        begun = np.cumsum(took[k] + 0.05) - took[k]
        writes = [(f"motor.{i}", begun[i], took[k, i]) for i in range(1, 13)]
        return [("gyro.read", begun[0], took[k, 0]), *writes, ("work", begun[-1] + 0.5, 1.0)]

    labels = {f"motor.{i}": {"kind": "actuator write", "bus": "port"} for i in range(1, 13)}
    run = make_run(rng.uniform(8.0, 8.5, 400), calls, {**LABELS, **labels})
    at = replace(known(run, {}), most_ns=most_ms * 1e6)
    plan, found, together = parse_all(["thread gyro.read"]), [], BackAndForth.passed

    def counted(*args):
        found.append(together(*args))
        return found[-1]

    monkeypatch.setattr(BackAndForth, "passed", counted)
    many = play(at, plan, Setting(lock="fair"))
    monkeypatch.setattr(BackAndForth, "of", lambda *_: None)
    single = play(at, plan, Setting(lock="fair"))
    assert many.run.calls.equals(single.run.calls)
    assert many.traffic.wait_ns == single.traffic.wait_ns
    assert many.traffic.given_up == (most_ms < np.inf)
    assert sum(len(waits) for waits in found) > 500


@pytest.mark.parametrize(("seen", "lock", "then"), [
    ((0.5, 0.2), "middle", (0.5, 0.2)), (None, "low", None),
    ((0.5, 0.2), "low", (0.35, 0.1)), ((0.1, 0.2), "low", (0.0, 0.1)),
    ((0.5, 0.2), "high", (0.75, 0.4)), ((0.5, 0.9), "high", (0.75, 1.0)),
])  # fmt: skip
def test_a_chance_that_was_seen_may_lie_off_a_little(seen, lock, then):
    """Lower by 0.15 and half, or half way up to 1 and 0.2 more; never out of 0 to 1."""
    found = _off(seen, lock)
    assert found == (None if then is None else pytest.approx(then))


def test_a_device_is_waited_for_as_long_as_a_call_asks_it():
    """Its clock is that of the log, every 15 ms; a call that is dropped has none."""
    rng = np.random.default_rng(5)
    rest = rng.uniform(5, 9, 300)
    rows = [[("work", 0, r), ("range.read", r, 15 - r)] for r in rest]
    draft = Draft.of(known(make_run([15.0] * 300, lambda j: rows[j])), Setting())
    (device,) = device_clocks(draft)
    assert draft.names[device.code].name == "range.read"
    assert device.period == pytest.approx(15e6, rel=1e-3)
    draft.keep[draft.name == device.code] = False
    assert device_clocks(draft) == []
