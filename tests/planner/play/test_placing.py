"""Where calls that go by the clock come to stand in loops of another length."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.planner.play.draft import Draft, Setting, known
from looptime.planner.play.placing import _anchors, _as_recorded, _Source
from looptime.planner.play.replay import replay
from tests.build_run import make_run
from tests.planner.play.build import LABELS, balance, mean_ms


def test_every_ms_by_hand():
    """A call due 20 ms after the last: loops of 8 and 7 ms make it in every third or so."""
    run = make_run([8.0] * 100, [("send", 0, 1)], LABELS)
    predicted = replay(run, ["every send ms=20"])
    start = predicted.call_columns.start_ns / 1e6
    # made at 0; then loops begin at 8, 15, 22: the first at or after 20 is 22
    assert start[:3].tolist() == [0, 22, 44]
    assert np.diff(start).min() >= 20
    balance(predicted)


def test_work_by_the_clock_keeps_its_rhythm_in_time():
    """In a loop twice as fast, a message every 50 ms takes the same share of time."""
    rng = np.random.default_rng(1)
    due, now, periods, rows = 0.0, 0.0, [], []
    for _ in range(4000):
        work = 8 * rng.lognormal(0, 0.1)
        calls = [("work", 0, work)]
        if now >= due:
            due = now + 50
            calls.append(("send", work, 2.0))
        periods.append(sum(c[2] for c in calls))
        rows.append(calls)
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j], LABELS)
    predicted = replay(run, ["scale work by=0.5"])
    sends = predicted.call_columns.start_ns[predicted.calls["name"] == "send"] / 1e6
    gaps = np.diff(sends)
    assert gaps.min() >= 49.5
    assert gaps.mean() == pytest.approx(52.1, abs=0.5)  # due, then half a loop of about 4.2 ms
    # by the loop it would be every 6.1 loops of about 4.3 ms
    share = (2.0 * len(sends)) / (predicted.duration_s * 1e3)
    assert share == pytest.approx(2.0 / 52.1, rel=0.02)
    balance(predicted)
    per_loop = replay(run, ["scale work by=0.5"], recurs={"send": "loop"})
    assert np.diff(
        per_loop.call_columns.start_ns[per_loop.calls["name"] == "send"] / 1e6
    ).mean() < 35  # fmt: skip


def test_long_turns_by_the_clock():
    """A call made every loop that is slow every 100 ms stays slow every 100 ms."""
    rng = np.random.default_rng(2)
    now, due, periods, rows = 0.0, 0.0, [], []
    for _ in range(3000):
        work, update = 8 * rng.lognormal(0, 0.1), 0.5
        if now >= due:
            update, due = 5.0, now + 100
        rows.append([("work", 0, work), ("send", work, update)])
        periods.append(work + update)
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j], LABELS)
    predicted = replay(run, ["scale work by=0.25"])
    send = predicted.calls[predicted.calls["name"] == "send"]
    long = send[send["duration_ns"] > 2_000_000]["start_ns"].to_numpy() / 1e6
    assert len(send) == 3000
    assert np.diff(long).mean() == pytest.approx(101.5, abs=1.0)


def test_pauses_strike_by_the_clock():
    """Pauses that hit whatever runs come as often in time when the loop is faster."""
    rng = np.random.default_rng(3)
    next_pause, now, periods, rows = 60.0, 0.0, [], []
    for _ in range(6000):
        parts = [2.0, 3.0, 4.0]
        for i in range(3):
            if now + sum(parts[: i + 1]) > next_pause:
                parts[i] += 6.0
                next_pause += rng.exponential(150) + 20
        rows.append([(f"c{i}", sum(parts[:i]), parts[i]) for i in range(3)])
        periods.append(sum(parts))
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j])
    before = (run.loop_columns.period_ns > 13e6).sum() / run.duration_s
    predicted = replay(run, ["drop c2", "drop c1"])
    after = (predicted.loop_columns.period_ns > 7e6).sum() / predicted.duration_s
    assert after == pytest.approx(before, rel=0.06)


def test_a_call_that_waits_for_a_measurement_does_not_shrink():
    """A sensor that measures every 15 ms holds the loop to 15 ms however fast the rest is."""
    rng = np.random.default_rng(5)
    rest = rng.uniform(5, 9, 600)
    rows = [[("work", 0, r), ("range.read", r, 15 - r)] for r in rest]
    run = make_run([15.0] * 600, lambda j: rows[j])
    predicted = replay(run, ["scale work by=0.5"])
    assert mean_ms(predicted) == pytest.approx(15, abs=0.05)


@pytest.mark.parametrize(
    ("rule", "due", "now", "then"),
    [
        ("since start", 0.0, 25.0, 35.0),  # counted from when it was made
        ("since end", 0.0, 25.0, 37.0),  # and from when it was done, 2 ms later
        ("timetable", 20.0, 25.0, 30.0),  # 0, 10, 20 ...: a late one does not move the next
        ("timetable", 20.0, 47.0, 50.0),  # what was missed is not made up for
        ("timetable", 20.0, 20.0, 30.0),
    ],
)
def test_when_work_by_the_clock_is_due_again(rule, due, now, then):
    """Every 10 ms, by each rule."""
    empty = np.empty(0, np.int64)
    assert _Source("call", [], empty, [], rule, 10.0, due).next_due(now, 2.0) == then


def test_a_recording_is_played_round_and_round():
    """Dues at 3 and 7 of a lap of 10: the third is at 13."""
    source = _Source("call", [], np.empty(0, np.int64), [], "recorded", 10.0, 3.0, [3.0, 7.0])
    for turn, due in enumerate([3.0, 7.0, 13.0, 17.0, 23.0]):
        source.turn = turn
        assert source.next_due(0.0, 2.0) == due


def test_a_recording_begins_anew_where_it_ended():
    """Dues at 3 and 7 ms of five loops of 10 ms: over again 50 ms later."""
    run = make_run([10] * 5)
    draft = SimpleNamespace(known=SimpleNamespace(run=run))
    source = _Source("call", [], np.empty(0, np.int64), [], "recorded", 0.0, 0.0)
    _as_recorded(draft, source, np.array([3e6, 7e6]))
    assert (source.due, source.dues, source.interval) == (3e6, [3e6, 7e6], 50e6)


@pytest.mark.parametrize(
    ("calls", "after", "inside"),
    [([("update", 0, 5), ("send", 0, 1), ("gyro", 2, 2)], "update", True),
     ([("update", 0, 5), ("gyro", 0, 2), ("send", 2, 1)], "gyro", False),
     ([("gyro", 0, 2), ("send", 2, 1), ("update", 3, 5)], "gyro", False)],
)  # fmt: skip
@pytest.mark.parametrize("loops", [1, 12])
def test_a_call_keeps_its_place_behind_what_came_before_it(calls, after, inside, loops):
    """First thing in another call it stays within that one; else it follows its neighbour."""
    draft = Draft.of(known(make_run([8] * loops, calls)), Setting())
    line, code = draft.line, {name: k for k, name in enumerate(one.name for one in draft.names)}
    rows = np.flatnonzero(line.name == code["send"])
    neighbours = np.flatnonzero(line.name == code[after])
    expected = (line.first if inside else line.last)[neighbours]
    assert _anchors(draft, rows).tolist() == expected.tolist()


def test_a_call_that_follows_none_stands_at_the_start_of_the_loop():
    """The first call of a loop has nothing before it."""
    draft = Draft.of(known(make_run([8] * 12, [("send", 0, 1)])), Setting())
    assert _anchors(draft, np.arange(12)).tolist() == draft.line.begin.tolist()
