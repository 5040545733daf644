"""Columns called a whole that are a part beside others, told from steps whose making is known."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from looptime.parsers.columns.against_steps import Steps
from looptime.parsers.columns.named_wholes import (
    _beside,
    _of_its_steps,
    _outgrown,
    parts_named_wholes,
    work_beside_a_rest,
)
from looptime.parsers.columns.role import Role, Seen
from looptime.parsers.columns.roles import judge

ROWS, MS = 400, 1_000_000


def draw(low, high, seed):
    """Lengths [ms] that know nothing of each other."""
    return np.random.default_rng(seed).uniform(low, high, ROWS)


def steps_of(period, end=False):
    """Steps of a clock whose rows are stamped at the start, or at the end, of loops [ms]."""
    clock = (np.cumsum(period) - (0 if end else period)) * MS
    return Steps.of(clock, [Seen("bare", clock)])


def beside(name, whole, others, period, end=False, meaning="duration"):
    """What is told of a whole [ms] of that name and of columns beside it."""
    rest = [Seen(meaning, values, MS, (), word) for word, values in others.items()]
    return _beside(Seen("whole", whole, MS, (), name), MS, rest, steps_of(period, end))


EVEN, SCAN = np.full(ROWS, 18.0), draw(1, 3, 1)
LONGER = {"track": draw(2, 4, 2), "hub": draw(1, 3, 3)}


@pytest.mark.parametrize(
    ("name", "whole", "others", "meaning", "told"),
    [
        ("scan", SCAN, LONGER, "duration", True),
        ("scan", SCAN, LONGER, "bare", True),
        ("scan", SCAN, LONGER, "signal", False),
        ("loop", SCAN, LONGER, "duration", False),
        ("scan", 4 + SCAN, LONGER, "duration", False),
        ("scan", SCAN, {"track": 2 * SCAN}, "duration", False),
        ("scan", SCAN, {"track": LONGER["track"] + 14}, "duration", False),
        ("scan", SCAN, {"wait": LONGER["track"]}, "duration", False),
        ("scan", SCAN, {"track": LONGER["track"] * np.where(np.arange(ROWS) % 99, 1, -1)},
         "duration", False),
        ("scan", SCAN, {}, "duration", False),
        ("scan", SCAN, LONGER | {"hub": LONGER["hub"] * (np.arange(ROWS) % 9 > 0)}, "duration",
         True),
    ],
    ids=["two longer", "no units", "values", "no call", "seldom longer", "grows with it",
         "no room", "a wait", "below 0", "nothing beside", "not in each loop"],
)  # fmt: skip
def test_a_scan_of_an_even_loop(name, whole, others, meaning, told):
    """In loops of 18 ms others of 2 to 7 ms do not lie in a scan of 1 to 3 ms."""
    assert beside(name, whole, others, EVEN, meaning=meaning) == told


@pytest.mark.parametrize(
    ("header", "held", "told"),
    [(("imu", "scan", "arm"), 0, [1]), (("scan", "imu", "arm"), 0, []),
     (("imu", "arm", "scan"), 0, []), (("imu", "loop", "arm"), 0, []),
     (("imu", "scan", "arm"), 1, [])],
)  # fmt: skip
def test_a_word_for_a_whole_or_a_call_between_the_calls(header, held, told):
    """It is longer than both together in loops of 18 ms; where it holds them it grows with them."""
    calls = {"imu": draw(1, 2, 1), "arm": draw(1, 2, 2)}
    scan = draw(8, 10, 3) + held * sum(calls.values())
    at = next(k for k, name in enumerate(header) if name not in calls)
    seen = [Seen("whole" if k == at else "duration", calls.get(name, scan), MS, (), name)
            for k, name in enumerate(header)]  # fmt: skip
    assert parts_named_wholes(seen, {at: Role("whole", MS)}, steps_of(EVEN)) == told


@pytest.mark.parametrize("end", [False, True])
def test_a_scan_of_a_loop_that_nothing_paces(end):
    """All three fit into the step of their own row, and half of the time not into the next."""
    period = SCAN + sum(LONGER.values()) + 0.1
    assert beside("scan", SCAN, LONGER, period, end)


@pytest.mark.parametrize("end", [False, True])
@pytest.mark.parametrize(("late", "told"), [(5, False), (6, True)])
def test_six_late_loops_tell_how_they_are_made_up(end, late, told):
    """A loop waits for its tick of 10 ms; late ones are as long as the three parts together.

    Where what is called the loop holds the others, late ones are as long as it alone.
    """
    loop, one, other = draw(4.5, 5, 4), draw(2, 2.4, 5), draw(1.5, 1.9, 6)
    loop[20 : 20 + 7 * late : 7] += 9
    others = {"track": one, "hub": other}
    period = np.maximum(10, loop + one + other + 0.05)
    assert beside("loop", loop, others, period, end) == told
    assert not beside("loop", loop, others, np.maximum(10, loop + 0.05), end)


def test_two_others_must_outgrow_it_and_fit_in():
    """One that is longer may be the wait; one that is longer than the loop is of something else."""
    steps = steps_of(EVEN)
    one, other = LONGER["track"] * MS + MS, LONGER["hub"] * MS + MS
    assert _outgrown(SCAN * MS, [one, other], steps)
    assert not _outgrown(SCAN * MS, [one, 0.1 * other], steps)
    assert not _outgrown(SCAN * MS, [one, 20 * other], steps)


def test_a_whole_that_alone_moves_the_steps_stays_one():
    """Work of 5 to 8 ms and a sleep of 10 ms: nothing else that is logged makes the loop longer."""
    work = draw(5, 8, 7)
    seen = [Seen("whole", work, MS, (), "loop"), Seen("bare", draw(0, 1, 8), None, (), "mast")]
    roles = {0: Role("whole", MS)}
    assert parts_named_wholes(seen, roles, steps_of(work + 10)) == []
    other = draw(5, 8, 9)
    seen[1] = Seen("bare", other, None, (), "mast")
    assert parts_named_wholes(seen, roles, steps_of(work + other + 10)) == [0]


@pytest.mark.parametrize(("rest", "kept"), [("sleep", True), ("idle", True), ("rest", False)])
@pytest.mark.parametrize("end", [False, True])
def test_work_that_holds_the_parts_is_no_part_beside_a_wait(rest, kept, end):
    """Work and wait make up the step; the work holds the parts and what nobody timed.

    Where no name says that the rest is a wait, the work would be less than all that is logged.
    """
    arm, belt, own = draw(3, 5, 1), draw(2, 4, 2), draw(0.2, 0.4, 3)
    work = arm + belt + own
    period = 20 + draw(-0.3, 0.3, 4)
    columns = {"busy": work, "arm": arm, "belt": belt, rest: period - work}
    seen = [Seen("whole" if name == "busy" else "duration", values, MS, (name,), name)
            for name, values in columns.items()]  # fmt: skip
    roles = {0: Role("whole", MS, "header", "")}
    steps = steps_of(period, end)
    assert parts_named_wholes(seen, roles, steps) == []
    assert bool(work_beside_a_rest(seen, roles, steps)) == (not kept)


def test_a_part_among_those_that_make_up_the_step_stays_one():
    """What is called a scan holds nothing of the others: all of them are parts."""
    arm, belt, scan = draw(3, 5, 1), draw(2, 4, 2), draw(6, 11, 3)
    period = 20 + draw(-0.3, 0.3, 4)
    columns = {"scan": scan, "arm": arm, "belt": belt, "rest": period - scan - arm - belt}
    seen = [Seen("whole" if name == "scan" else "duration", values, MS, (name,), name)
            for name, values in columns.items()]  # fmt: skip
    roles = {0: Role("whole", MS, "header", "")}
    assert parts_named_wholes(seen, roles, steps_of(period)) == [0]
    assert work_beside_a_rest(seen, roles, steps_of(period)) == {}


@pytest.mark.parametrize("meaning", ["whole", "period"])
@pytest.mark.parametrize("empty", [np.nan, 0.0], ids=["blank", "zero"])
def test_what_some_loops_do_is_no_whole_whatever_it_is_called(meaning, empty):
    """One loop in 20 is 7 ms longer by it, which is most of the other loops' steps."""
    turn = np.arange(ROWS) % 20 == 0
    imu, drive, rare = draw(1, 2, 7), draw(5, 7, 8), np.where(turn, draw(6.5, 7.5, 9), empty)
    clock = np.cumsum(imu + drive + np.nan_to_num(rare) + 0.3) * MS
    seen = [Seen("duration", imu, MS), Seen("duration", drive, MS), Seen(meaning, rare, MS)]
    assert [role.taken_as for role in judge(seen, clock).roles] == ["part"] * 3


@pytest.mark.parametrize(("holds", "sure"), [(True, "sure"), (False, "unsure")])
def test_a_whole_that_is_shorter_than_what_lies_beside_it_is_not_sure(holds, sure):
    """Of paced loops no step tells; a total of its own parts holds them, another one not."""
    imu, drive = draw(1, 2, 7), draw(3, 5, 8)
    total = imu + drive + 0.1 if holds else draw(2, 3, 9)
    clock = (np.arange(ROWS) * 20.0 + draw(0, 0.2, 4)) * MS
    seen = [Seen("duration", imu, MS), Seen("duration", drive, MS), Seen("whole", total, MS)]
    found = judge(seen, clock).roles[2]
    assert (found.taken_as, found.sure) == ("whole", sure)


def test_garbled_steps_of_next_to_nothing_are_passed_over():
    """Two steps of 1e-308 ms among those of 10 ms: shares of them cannot be reckoned."""
    period = np.full(ROWS, 10.0)
    steps = steps_of(period)
    steps = replace(steps, after=np.where(np.arange(ROWS) % 100 == 7, 1e-308, steps.after))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert _of_its_steps(np.full(ROWS, 8.0 * MS), steps) == pytest.approx(0.8)
