"""Readers that take turns on a bus: made one by one or many at once, the same."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.planner.play.draft import Reader
from looptime.planner.play.lanes import WAKE_NS, Buses, Calm, Course, Lane, serve, take_again

SERVICE = [300_000.0, 500_000.0, 200_000.0]


def lane(rests, timetable=False, begun=0):
    code, buses = np.arange(3), dict.fromkeys(range(3), "a")
    reader = Reader("r", code, np.array(SERVICE), np.array(rests), buses, timetable=timetable)
    return Lane.of(reader, buses, {"a": 0}, 1, begun)


def one_by_one(at, until):
    """Asked and ended of a reader for which nobody makes it wait, by the definition."""
    before, made, turn = at.reader.before.astype(int), [], 0
    asks = at.asks
    while asks < until:
        end = asks + int(SERVICE[turn])
        made.append((asks, end))
        turn = (turn + 1) % 3
        asks = max((asks if at.reader.timetable else end) + int(before[turn]), end)
    return made


@pytest.mark.parametrize("timetable", [False, True])
@pytest.mark.parametrize("until", [0, 7, 1_000_000, 9_999_999, 10_000_000])
def test_a_reader_alone_is_played_at_once(timetable, until):
    """All its transactions up to an instant are those of one after the other."""
    at = lane([7.0, 400_000.0, 0.0], timetable)
    expected = one_by_one(at, until)
    at.alone(until)
    turn, asked, ended = at.history()
    assert list(zip(asked.tolist(), ended.tolist(), strict=True)) == expected
    assert turn.tolist() == [i % 3 for i in range(len(expected))]


def test_a_wait_moves_what_comes_after():
    """Second of three waits 50: it ends 50 later, and so all that follow ask 50 later."""
    at, buses = lane([10.0, 20.0, 30.0]), Buses([0], [((0.0,), (0.0,))], 0)
    at.serve(buses, at.asks)
    at.serve(buses, at.asks + 50)
    at.serve(buses, at.asks)
    _, asked, ended = at.history()
    assert asked.tolist() == [10, 300_030, 800_110]
    assert ended.tolist() == [300_010, 800_080, 1_000_110]
    assert at.asks == 1_000_120
    assert buses.free == [1_000_110]


@pytest.mark.parametrize("rests", [[0.0, 0.0, 0.0], [5.0, 200_000.0, 5.0]])
def test_a_bus_taken_many_times_is_that_taken_one_by_one(rests):
    """Ten chances that settle at 0.9: the same transactions from the same chance."""
    chances = ((0.0,), (1.0, 1.0, 0.9))
    many, single = lane(rests), lane(rests)
    at_once, each = Buses([40], [chances], 20), Buses([40], [chances], 20)
    single.course = replace(single.course)
    single.course.__dict__["streak"] = [0] * 3
    for _ in range(10):
        take_again([many], at_once, 0)
        take_again([single], each, 0)
        assert (many.asks, many.step, many.count) == (single.asks, single.step, single.count)
        assert at_once.free == each.free
        for lane_, buses in ((many, at_once), (single, each)):
            lane_.serve(buses, max(lane_.asks, buses.free[0]))
    for one, other in zip(many.history(), single.history(), strict=True):
        np.testing.assert_array_equal(one, other)
    assert many.count > 20


def test_a_chance_settles_once_it_stays_what_it_is():
    """Chances of 0.9, 0.5 and from then on 0.2 are settled after two losses."""
    buses = Buses([0, 0], [((0.0,), (0.9, 0.5, 0.2)), ((0.0,), (0.3,))], 20)
    assert [buses.settled(bus) for bus in (0, 1)] == [2, 0]


def test_calm_stops_are_passed_up_to_the_next_that_is_none():
    """Stops of two buses and a device by hand: what each leaves behind, 5 later than planned."""
    calm = Calm.of(np.array([0, 1, 0, -1, 1]), np.array([10, 10, 10, 10, 10]), np.full(5, 3))
    assert calm.begin.tolist() == [10, 23, 36, 49, 62]
    assert calm.end.tolist() == [13, 26, 39, 52, 65]
    last = {bus: at.tolist() for bus, at in calm.last.items()}
    assert last == {0: [0, 0, 2, 2, 2], 1: [-1, 1, 1, 1, 4]}
    assert calm.barrier.tolist() == [3, 3, 3, 3, 5]
    buses = Buses([0, 0], [((0.0,), (0.0,))] * 2, 20)
    assert calm.passed(0, 5, 1000.0, buses) == (3, 44)
    assert (buses.free, buses.taken) == ([44, 31], [41, 28])
    buses = Buses([0, 0], [((0.0,), (0.0,))] * 2, 20)
    assert calm.passed(0, 5, 27.0, buses) == (1, 18)  # before the second begins, at 28
    assert (buses.free, buses.loop_had) == ([18, 0], [True, False])
    buses = Buses([0, 0], [((0.0,), (0.0,))] * 2, 20)
    assert calm.passed(1, 20, 1000.0, buses) == (3, 46)  # the stop before was over at 13: 7 later
    assert buses.free == [46, 33]


@pytest.mark.parametrize(("early_ns", "taken"), [(1, 1), (0, 0)])
def test_who_asks_after_the_loop_is_awake_does_not_take_the_bus_again(early_ns, taken):
    """The loop wakes a set time after the bus was let go: a reader must ask before that."""
    at = lane([0.0, 1e9, 1e9], begun=WAKE_NS - early_ns)
    take_again([at], Buses([0], [((0.0,), (1.0,))], 20), 0)
    assert at.count == taken


def test_a_bus_is_taken_again_by_how_often_it_was_lost():
    """Certain twice, never a third time: two transactions."""
    at = lane([0.0, 0.0, 0.0])
    take_again([at], Buses([0], [((0.0,), (1.0, 1.0, 0.0))], 20), 0)
    assert at.count == 2


@pytest.mark.parametrize(
    ("service", "rest"), [([500, 500, 0], [1000, 0, 1000]), ([499, 500, 0], [1000, 1000, 1000])]
)
def test_a_lap_takes_a_microsecond_a_turn_at_least(service, rest):
    """Three turns in 3,000 ns are as stated; in less, each rests for 1,000 ns."""
    service, before = np.array(service, float), np.array([1000.0, 1000.0, 0.0])
    buses = dict.fromkeys(range(3), "a")
    reader = Reader("r", np.arange(3), service, before, buses)
    assert Lane.of(reader, buses, {"a": 0}, 1, 0).rest == rest


def test_readers_are_served_in_the_order_in_which_they_ask():
    """The second asks first; the other waits for it, and wakes up 20 after it has ended."""
    first, second = lane([10.0, 1e9, 1e9]), lane([5.0, 1e9, 1e9])
    buses = Buses([0], [((0.0,), (0.0,))], 20)
    assert serve([first, second], buses, 1_000_000) == 1_000_300_005
    assert [at.history()[2].tolist() for at in (first, second)] == [[600_025], [300_005]]
    assert buses.free == [600_025]


@pytest.mark.parametrize(
    ("until", "free", "ended"), [(10, 0, []), (11, 0, [300_010]), (11, 10, [300_010]),
                                 (11, 11, [300_031])],
)  # fmt: skip
def test_who_asks_before_the_loop_is_served(until, free, ended):
    """At 10, before 11 and not before 10; of a bus that is free just then, without a wake-up."""
    at = lane([10.0, 1e9, 1e9])
    serve([at], Buses([free], [((0.0,), (0.0,))], 20), until)
    assert at.history()[2].tolist() == ended


@pytest.mark.parametrize(
    ("given", "lost"),
    [({}, True), ({"wanted": -1}, False), ({"wanted": 1}, False), ({"had": False}, False),
     ({"until": 300 + 99_999}, True), ({"until": 300 + 100_000}, False),
     ({"taken": 100 - 49_999}, True), ({"taken": 100 - 50_000}, False),
     ({"taken": 100 - 50_000, "before": 1}, True)],
)  # fmt: skip
def test_the_loop_takes_its_bus_again_before_a_reader_wakes(given, lost):
    """One that waits since 100 loses the bus that was let go at 300, if it lost one or is awake.

    The chances are 0 for a first loss and 1 from then on; who asks within 50 us of the taking
    counts as one that has lost already.
    """
    at = lane([100.0, 1e9, 1e9])
    at.lost = given.get("before", at.lost)
    buses = Buses([300, 300], [((0.0, 1.0), (0.0,))] * 2, 20)
    buses.loop_had, buses.taken = [given.get("had", True)] * 2, [given.get("taken", 60)] * 2
    told = serve([at], buses, given.get("until", 350), given.get("wanted", 0))
    if lost:
        assert (told, at.count, at.lost) == (100, 0, 1 + given.get("before", 0))
        assert buses.free[0] == 300
    else:
        assert (at.count, at.lost, buses.loop_had[0]) == (1, 0, False)
        assert at.history()[2].tolist() == [300_320]


def test_nobody_wants_a_bus_unless_it_is_said():
    """Without a wanted bus the last one is none: the reader is served."""
    at, buses = lane([100.0, 1e9, 1e9]), Buses([300], [((1.0,), (0.0,))], 20)
    buses.loop_had = [True]
    serve([at], buses, 350)
    assert at.count == 1


def test_turns_follow_each_other_on_a_bus_without_a_rest():
    """The second rests for 200 us: the third and the first follow on, then the second does not."""
    assert lane([5.0, 200_000.0, 5.0]).course.streak == [1, 0, 2]
    assert lane([5.0, float(WAKE_NS), 5.0]).course.streak == [1, 0, 2]
    reader = lane([5.0, 5.0, 5.0]).reader
    assert Course.of(reader, {0: 0, 1: 0, 2: 1}).streak == [0, 1, 0]


def test_a_timetable_goes_on_from_when_it_asked():
    """Kept waiting for 50, the next still asks 1,000,000 after the first did."""
    at, buses = lane([10.0, 1e6, 30.0], timetable=True), Buses([0], [((0.0,), (0.0,))], 0)
    assert at.serve(buses, at.asks + 50) == 1_000_010
