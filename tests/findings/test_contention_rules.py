"""Findings of threads that hinder each other."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.contention_rules import waited_for
from tests.findings.build import codes
from tests.two_threads import Job, Played, play


def two_threads(lock, rest_ms):
    """A loop that reads two encoders on bus a, and a gyro thread on some lock."""
    return play(
        {
            "main": lambda rng: [
                Job("enc.1.read", 1.2, "a"),
                Job("enc.2.read", 1.2, "a"),
                Job("calc", 2.0 + rng.uniform(0, 1)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.6, lock, gap_ms=rng.uniform(*rest_ms))],
        },
        600,
    )


def test_thread_that_hinders_the_loop_comes_first():
    """The first finding says with its milliseconds what the loop waits for a thread."""
    played = two_threads("a", (0.5, 2))
    top = summarise(played.run()).findings[0]
    assert (top.code, top.severity) == ("thread_wait", "act")
    assert top.value == pytest.approx(sum(played.wait_ms().values()), rel=0.05)
    assert top.low < top.value < top.high
    assert set(top.evidence.calls) == {"enc.1.read", "enc.2.read", "gyro.read"}
    assert "for gyro.read on thread gyro" in top.text


@pytest.mark.parametrize(
    ("read_ms", "send_ms", "held_ms", "rest_ms", "first"),
    [
        (4.0, 0.6, 1.0, 9.0, "imu.read"),  # a wait that is small and short comes after the read
        (2.0, 0.6, 12.0, 60.0, "can.send"),  # one that is long at a time stalls the loop
        (2.2, 2.6, 1.0, 8.0, "can.send"),  # the waiting call blocks for longer than the read does
        (3.4, 2.2, 0.4, 8.0, "imu.read"),
    ],
)
def test_a_wait_and_a_blocking_read_are_ordered_by_what_they_cost_the_loop(
    read_ms, send_ms, held_ms, rest_ms, first
):
    """What holds the loop up longer, by the rows of a played bus, is told first."""
    played = play(
        {
            "main": lambda rng: [
                Job("imu.read", read_ms),
                Job("can.send", send_ms, "can"),
                Job("plan", 2.0),
            ],
            "cam": lambda rng: [Job("cam.fetch", held_ms, "can", gap_ms=rng.exponential(rest_ms))],
        },
        1500,
    )
    took = {"imu.read": 0.0, "can.send": 0.0}
    stalls = [waited for _, name, _, _, waited in played.rows if name == "can.send" and waited > 5]
    for _, name, ask, done, _ in played.rows:
        if name in took:
            took[name] += done - ask
    assert bool(stalls) or max(took, key=took.get) == first
    run = played.run()
    kinds = {"imu.read": "sensor read", "can.send": "actuator write"}
    run = run.with_names([replace(n, kind=kinds.get(n.name, n.kind)) for n in run.names])
    order = [f for f in summarise(run).findings if set(f.evidence.calls) & set(took)]
    assert order[0].evidence.calls[0] == first, [f.text for f in order]


def four_reads(gap_ms, long_ms=0.0):
    """Four reads and a camera's 6 ms on one bus; long turns of one read in 40 loops."""
    own = set(np.random.default_rng(3).choice(2000, 40, replace=False).tolist())
    made = iter(range(3000))

    def loop(rng):
        more = long_ms * rng.uniform(0.6, 1.5) if next(made) in own else 0.0
        return [
            Job("imu.read", 1.5, "a"), Job("left.read", 1.0, "a"), Job("right.read", 1.0, "a"),
            Job("arm.read", 1.0, "a", tail_ms=more), Job("steer", 3.2),
        ]  # fmt: skip

    camera = {"vision": lambda rng: [Job("camera.read", 6.0, "a", gap_ms=rng.uniform(*gap_ms))]}
    return summarise(play({"main": loop, **camera}, 2000).run()).findings


@pytest.mark.parametrize("gap_ms", [(26, 28), (20, 34), (10, 50)])
def test_reads_that_wait_for_a_thread_now_and_then_are_no_cause_of_their_own(gap_ms):
    """Four reads meet a camera on their bus in turn: the camera is told, and none of them."""
    found = four_reads(gap_ms)
    assert found[0].code == "thread_wait"
    assert not {"slow_culprit", "pauses", "recurring_stall"} & {f.code for f in found}


def test_long_turns_of_a_read_that_waits_too_are_told():
    """One takes 12 to 30 ms now and then of its own, without the camera: both are told."""
    found = four_reads((20, 34), 20.0)
    assert {"slow_culprit", "thread_wait"} <= {f.code for f in found}
    assert [f.text.split()[0] for f in found if f.code == "slow_culprit"] == ["arm.read"]


def test_a_stall_beside_a_thread_that_is_always_at_work_is_told():
    """Every 50 loops 6 ms more of arithmetic, while the thread holds a bus nearly all the time."""
    made = iter(range(3000))
    run = play(
        {
            "main": lambda rng: [
                Job("enc.read", 1.2, "a"),
                Job("calc", 8.0 if next(made) % 50 == 20 else 2.0),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.6, "a", gap_ms=rng.uniform(0.2, 0.4))],
        },
        1500,
    ).run()
    said = {f.code: f for f in summarise(run).findings}
    assert said["thread_wait"].evidence.calls[0] == "enc.read"
    assert said["recurring_stall"].evidence.calls == ("calc",)


def test_calls_that_do_not_hinder_each_other_are_not_on_one_bus():
    """A label that puts both on one bus is doubted where both are served at once."""
    run = two_threads("b", (0.5, 2)).run()
    assert not {"thread_wait", "bus_label"} & set(codes(run))
    names = tuple(replace(n, bus=None if n.name == "calc" else "port") for n in run.names)
    found = codes(run.with_names(names))
    assert "bus_label" in found
    assert "thread_wait" not in found


def test_a_call_that_only_takes_the_lock_waits_for_its_holder():
    """A row that ends when the lock is had is no wait for a result: it is told with its time."""
    played = two_threads("a", (3, 30))
    rows = []
    for thread, name, ask, done, waited in played.rows:
        if name == "enc.1.read":
            has = ask + waited + 0.004
            rows += [(thread, "claim", ask, has, waited), (thread, name, has, done, 0.0)]
        else:
            rows.append((thread, name, ask, done, waited))
    claimed = replace(played, rows=rows)
    made = summarise(claimed.run())
    waits = {c.name: c.wait_ms_per_loop.value for e in made.contention.found for c in e.by_call}
    assert waits["claim"] == pytest.approx(claimed.wait_ms()["claim"], rel=0.05)
    assert not made.contention.results


@pytest.mark.parametrize("seed", range(4))
def test_a_wait_for_the_next_result_of_a_thread_is_told(seed):
    """What ends when another thread's call does, begun or not when asked for, waits for it."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.uniform(14, 22, 900))
    solves = [("vision", "solve", end - rng.uniform(5, 9), end) for end in ends]
    rows, starts, now = [], [], 1.0
    while now < ends[-2]:
        starts.append(now)
        asks = now + rng.uniform(3, 6)
        has = ends[np.searchsorted(ends, asks)] + 0.01
        rows += [("main", "calc", now, asks), ("main", "await_pose", asks, has)]
        now = has + 0.5
    waited = np.mean([done - ask - 0.01 for _, name, ask, done in rows if name == "await_pose"])
    played = Played([(*row, 0.0) for row in rows + solves], starts)
    made = summarise(played.run())
    told = made.contention.results
    assert [(r.call, r.thread, r.partner) for r in told] == [("await_pose", "vision", "solve")]
    assert told[0].wait_ms_per_loop == pytest.approx(waited, rel=0.02)
    assert told[0].calls_share == pytest.approx(1, abs=0.01)
    (found,) = [f for f in made.findings if f.code == "result_wait"]
    assert "unless it is the other that waits for the loop. If it is a result" in found.text
    assert not made.contention.found


def held_up(rng, often, loops=2000, only=None):
    """A loop and a thread that share a lock; in so many of the thread's turns it holds up more.

    That is whichever of the loop's calls begins or runs then, until the turn is over; `only` is the
    one call that is.
    """
    rows, starts, now = [], [], 1.0
    ask, held = 2.0, 6.0  # the thread's turn: it takes the lock, and gives it back
    takes = ask if rng.random() < often else np.inf
    while len(starts) < loops:
        starts.append(now)
        for name, took in (("gyro.read", 1.2), ("can.send", 1.1), ("drive.write", 1.1)):
            end = now + took * rng.uniform(0.95, 1.05)
            if name == "can.send":
                end += max(held - now, 0.0) if ask <= now else 0.0
            elif takes < end and only in (None, name):
                end = max(held + 0.01, end)
            rows.append(("main", name, now, end, 0.0))
            while held < end:
                rows.append(("mapper", "scan.store", ask, held, 0.0))
                ask = held + rng.uniform(1.5, 3)
                has = end if name == "can.send" and now <= ask < end else ask
                held = has + rng.uniform(3, 4)
                takes = has if rng.random() < often else np.inf
            now = end
    return Played(rows, starts)


@pytest.mark.parametrize("seed", range(3))
def test_calls_that_all_end_with_a_threads_now_and_then_share_its_processor(seed):
    """Whichever call runs is held in a tenth of the other's turns: no result, and only a note."""
    made = summarise(held_up(np.random.default_rng(seed), 0.1).run())
    told = made.contention.results
    assert {r.call for r in told} & {"gyro.read", "drive.write"}
    assert all(r.by_turns for r in told)
    found = [f for f in made.findings if f.code == "result_wait"]
    assert all(f.severity == "note" and "its result" not in f.text for f in found)


@pytest.mark.parametrize("seed", range(3))
def test_one_call_alone_that_now_and_then_ends_with_a_threads_may_wait_for_its_result(seed):
    """The same holds, of one call alone, are told as a wait for a result."""
    made = summarise(held_up(np.random.default_rng(seed), 0.1, only="drive.write").run())
    assert [(r.call, r.by_turns) for r in made.contention.results] == [("drive.write", False)]
    assert "result_wait" in [f.code for f in made.findings if f.severity != "note"]


def test_a_wait_for_a_thread_fits_three_lines():
    """Two calls, rarely held up, with bounds, their share and what to do: 290 characters."""
    played = two_threads("a", (12, 20))
    (found,) = [f for f in summarise(played.run()).findings if f.code == "thread_wait"]
    assert " each in " in found.text
    assert "they share a lock or bus (by the times)" in found.text
    assert len(found.text) <= 290


@pytest.mark.parametrize("seed", range(3))
def test_a_lock_that_is_only_likely_is_told_as_such(seed):
    """Six grabs of 40 ms, for each of which the gyro's read waits: nothing is said for sure."""
    rng = np.random.default_rng(seed)
    rows, starts, now, free = [], [], 1.0, 0.0
    for k in range(500):
        starts.append(now)
        end = max(now, free) + rng.normal(2.3, 0.1)
        rows.append(("main", "gyro.read", now, end, max(free - now, 0.0)))
        now = end + rng.normal(2.3, 0.1)
        rows.append(("main", "drive.write", end, now, 0.0))
        if k % 75 == 40:
            begin = now - rng.uniform(0.1, 1.0)
            free = begin + 40.0
            rows.append(("cam", "grab", begin, free, 0.0))
    found = [f for f in summarise(Played(rows, starts).run()).findings if f.code == "thread_wait"]
    assert len(found) == 1
    assert found[0].low == 0
    assert "they likely share a lock or bus, or one waits for the other" in found[0].text


def test_a_call_behind_the_slow_loops_is_told_with_the_thread_that_it_waits_for():
    """In three loops of ten the lock is had when the camera's hold of 5 to 8 ms ends."""
    rng = np.random.default_rng(8)
    rows, starts, now = [], [], 1.0
    for _ in range(900):
        starts.append(now)
        has = now + 0.06
        if rng.random() < 0.3:
            has = now + rng.uniform(5, 8)
            rows.append(("cam", "hold", now - rng.uniform(0.1, 0.5), has - 0.02, 0.0))
        rows += [("main", "lock", now, has, 0.0), ("main", "drive.read", has, has + 2.5, 0.0)]
        now = has + 2.5 + abs(rng.normal(0.6, 0.1))
    made = summarise(Played(rows, starts).run())
    (found,) = [f for f in made.findings if f.code == "slow_culprit"]
    assert found.text.startswith("lock makes ")
    assert "hold on thread cam" in found.text


def test_what_waiting_calls_take_in_all_is_the_sum_of_their_shares():
    """Of a read of 1 ms, a write of 6 ms and their waits; what hardly ever waits is not named."""
    played = play(
        {
            "main": lambda rng: [
                Job("enc.read", 1.0, "a"),
                Job("calc", 2.0 + rng.uniform(0, 1)),
                Job("motor.write", 6.0, "a"),
            ],
            "cam": lambda rng: [Job("cam.read", 2.0, "a", gap_ms=rng.uniform(1, 9))],
        },
        900,
    )
    run = played.run()
    kinds = {"enc.read": "sensor read", "motor.write": "actuator write"}
    found = summarise(
        run.with_names([replace(n, kind=kinds.get(n.name, n.kind)) for n in run.names])
    )
    (told,) = [f for f in found.findings if f.code == "thread_wait"]
    took = dict.fromkeys(kinds, 0.0)
    for _, name, ask, done, _ in played.rows:
        if name in took:
            took[name] += done - ask
    share = sum(took.values()) / (played.run().duration_s * 1e3)
    assert told.text.startswith(("enc.read and motor.write wait", "motor.write and enc.read wait"))
    assert f"In all they take {100 * share:.0f} %" in told.text


def test_a_wait_between_calls_that_are_labelled_two_buses_is_doubted():
    """The encoders wait for the gyro by the rows of a played bus, whatever the labels say."""
    played = two_threads("a", (0.5, 2))
    run = played.run()
    buses = {"enc.1.read": "port", "enc.2.read": "port", "gyro.read": "other port"}
    made = summarise(run.with_names([replace(n, bus=buses.get(n.name)) for n in run.names]))
    (found,) = [f for f in made.findings if f.code == "bus_label"]
    assert found.text.startswith("By the times, enc.1.read and enc.2.read would wait ")
    assert "for gyro.read on thread gyro, though they are labelled two buses" in found.text
    assert found.value == pytest.approx(sum(played.wait_ms().values()), rel=0.05)


def test_a_call_waits_for_a_thread_where_that_is_half_of_what_it_costs():
    """The wait of both encoders, up to twice as much; of a call that waits for nobody nothing."""
    made = summarise(two_threads("a", (0.5, 2)).run())
    (entry,) = made.contention.found
    wait = entry.wait_ms_per_loop.value
    said = ", waiting for gyro.read on thread gyro"
    assert waited_for(made, "enc.1.read", wait) == said
    assert waited_for(made, "enc.1.read", 1.9 * wait) == said
    assert waited_for(made, "enc.1.read", 2.1 * wait) == ""
    assert waited_for(made, "calc", wait) == ""
