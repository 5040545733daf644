"""Buses: transactions, repeated and batchable reads, and two threads on one bus, by hand."""

import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.buses import buses
from looptime.project import Bus
from tests.build_run import make_run

PORT = {"kind": "sensor read", "bus": "port"}


def test_transactions_and_time():
    """A call that holds another call on its bus is no transaction of its own."""
    run = make_run(
        [10] * 5,
        [("hub.read", 0, 4), ("wire.read", 1, 2), ("gyro.read", 5, 1), ("slow.read", 3, 2, "io")],
        {"hub.read": PORT, "wire.read": PORT, "gyro.read": PORT, "slow.read": PORT},
    )
    (port,) = buses(prepare(run)).buses
    assert port.transactions_per_loop == 2
    assert port.ms_per_loop == pytest.approx(5)
    assert port.share == pytest.approx(0.5)
    assert (port.other_transactions_per_loop, port.other_ms_per_loop) == (1, 2)
    # wire 1-3, gyro 5-6, slow 3-5: busy from 1 to 6
    assert port.busy_share == pytest.approx(0.5)


def test_meeting_on_a_bus():
    """Calls during which the other thread is on the bus, and what that costs."""
    run = make_run(
        [10] * 10,
        lambda k: (
            [("enc.read", 2, 3 if k % 2 else 1)]
            + ([("gyro.read", 1, 3, "gyro")] if k % 2 else [("gyro.read", 5, 3, "gyro")])
        ),
        {"enc.read": PORT, "gyro.read": PORT},
    )
    (overlap,) = buses(prepare(run)).buses[0].overlaps
    assert (overlap.name, overlap.other_thread) == ("enc.read", "gyro")
    assert (overlap.calls, overlap.overlapped) == (10, 5)
    assert (overlap.alone_p50_ms, overlap.overlapped_p50_ms) == (1, 3)
    assert overlap.extra_ms_per_loop == pytest.approx(1.0)  # 2 ms in every second loop


@pytest.mark.parametrize(("mine", "theirs"), [(2, 4), (4, 2)])
def test_touching_calls_do_not_meet(mine, theirs):
    """One call that ends as the other begins: no overlap."""
    calls = [("a.read", mine, 2), ("b.read", theirs, 2, "io")]
    run = make_run([10] * 5, calls, {"a.read": PORT, "b.read": PORT})
    assert buses(prepare(run)).buses[0].overlaps == ()


def test_repeated_batch():
    """A read of eight values made three times a loop could be made once."""
    run = make_run(
        [10] * 5,
        [("all.read", 0, 1), ("all.read", 3, 1), ("all.read", 6, 1)],
        {"all.read": {**PORT, "items": 8}},
    )
    (read,) = buses(prepare(run)).repeated
    assert (read.calls_per_loop, read.spare_ms_per_loop) == (3, pytest.approx(2))


def test_batchable_reads():
    """Single reads of one bus; those that may not be batched and batches stay out."""
    run = make_run(
        [10] * 5,
        [("a.read", 0, 1), ("b.read", 1, 2), ("c.read", 3, 1), ("d.read", 5, 1)],
        {
            "a.read": PORT,
            "b.read": PORT,
            "c.read": {**PORT, "batchable": False},
            "d.read": {**PORT, "items": 4},
        },
    )
    (group,) = buses(prepare(run)).batches
    assert group.names == ("a.read", "b.read")
    assert (group.reads_per_loop, group.ms_per_loop) == (2, pytest.approx(3))
    assert group.at_most_ms == pytest.approx(1)  # all but the dearest


def test_no_bus_stated():
    """Without labels there is no bus, and no trouble."""
    found = buses(prepare(make_run([10] * 3, [("x", 0, 1)])))
    assert found.buses == found.repeated == found.batches == ()


def test_calls_within_a_call_of_the_other_thread():
    """Two calls at the same time, one within the other: hardly one bus."""
    run = make_run(
        [10] * 5,
        [("a.read", 2, 1), ("a.read", 6, 3), ("b.read", 1, 6, "io")],
        {"a.read": PORT, "b.read": PORT},
    )
    (overlap,) = buses(prepare(run)).buses[0].overlaps
    assert (overlap.calls, overlap.overlapped, overlap.inside) == (10, 10, 5)


def test_a_call_within_another_threads_call_adds_no_busy_time():
    """The gyro's thread holds the bus for 8 ms; two reads of the loop lie within."""
    run = make_run(
        [10] * 5,
        [("enc.read", 2, 1), ("enc.read", 5, 1), ("gyro.read", 1, 8, "gyro")],
        {"enc.read": PORT, "gyro.read": PORT},
    )
    (port,) = buses(prepare(run)).buses
    assert port.busy_share == pytest.approx(40 / 50)


def test_what_meeting_costs_is_spread_over_all_loops():
    """One loop in five meets the other thread and takes 2 ms more: 0.4 ms a loop."""
    run = make_run(
        [10] * 50,
        lambda k: [("enc.read", 2, 3 if k % 5 == 0 else 1),
                   ("gyro.read", 1 if k % 5 == 0 else 6, 1.5, "gyro")],
        {"enc.read": PORT, "gyro.read": PORT},
    )  # fmt: skip
    (overlap,) = buses(prepare(run)).buses[0].overlaps
    assert (overlap.calls, overlap.overlapped) == (50, 10)
    assert overlap.extra_ms_per_loop == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("bus", "most"), [(Bus(0.5, 0.25), 1.5), (Bus(base_ms=0.4), 1.2), (Bus(per_item_ms=0.3), 1.35),
                      (Bus(2.0, 0.1), 1.95), (None, 2.25)],
)  # fmt: skip
def test_what_the_project_says_of_the_bus_bounds_what_a_batch_saves(bus, most):
    """Three of four transactions of 0.75 ms, each less its item; at most all but the dearest."""
    names = [f"enc.{k}" for k in range(4)]
    run = make_run([10] * 5, [(name, k, 0.75) for k, name in enumerate(names)],
                   dict.fromkeys(names, PORT))  # fmt: skip
    (group,) = buses(prepare(run), stated={"port": bus} if bus else {}).batches
    assert group.at_most_ms == pytest.approx(most)


def test_reads_that_are_stated_to_be_batchable_are_a_group_without_the_others():
    """Of the gyro on their bus it would be said by now; one alone makes no group."""
    calls = [("enc.a", 0, 1), ("enc.b", 1, 1), ("gyro.read", 2, 1)]
    said = {"enc.a": {**PORT, "batchable": True}, "enc.b": {**PORT, "batchable": True}}
    for labels, names in ((said, 2), ({"enc.a": said["enc.a"], "enc.b": PORT}, 3)):
        run = make_run([10] * 5, calls, {**labels, "gyro.read": PORT})
        (group,) = buses(prepare(run)).batches
        assert len(group.names) == names


def test_like_readings_of_which_nobody_says_where_they_sit():
    """Readings whose names differ in what they are called with are one group to batch."""
    names = ["readEncoder(FL drive)", "readEncoder(FR drive)", "readMast()"]
    calls = [(name, 2 * at, 1.5) for at, name in enumerate(names)]
    run = make_run([10] * 5, calls, {name: {"kind": "sensor read"} for name in names})
    (group,) = buses(prepare(run)).batches
    assert group.names == tuple(names[:2])
    assert (group.ms_per_loop, group.at_most_ms) == (pytest.approx(3), pytest.approx(1.5))


@pytest.mark.parametrize("place", ["wheel_{}", "pod {}", "{}"])
def test_like_readings_of_like_subsystems_are_one_group(place):
    """Four wheels of two readings each, whose subsystem is told by their names: 8 x 0.5 ms."""
    names = {}
    for corner in ("fl", "fr", "rl", "rr"):
        where = place.format(corner)
        names |= {f"{where}.{what}": {"kind": "sensor read", "subsystem": where}
                  for what in ("turn.read", "roll.read")}  # fmt: skip
    run = make_run([10] * 5, [(name, k, 0.5) for k, name in enumerate(names)], names)
    (group,) = buses(prepare(run)).batches
    assert set(group.names) == set(names)
    assert (group.ms_per_loop, group.at_most_ms) == (pytest.approx(4), pytest.approx(3.5))
