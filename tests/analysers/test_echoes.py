"""Long turns that another thread's turns make, and those that come by a rule of their own."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.echoes import others_ms
from looptime.findings import summarise
from tests.build_run import make_run

LOOPS = 3000


def on_one_bus(every_loops, seed=1):
    """Loops of about 10 ms whose read waits where a thread polls for 6 ms, each 60 ms.

    Every so many loops the output takes 4 ms more, whatever the thread does.
    """
    rng = np.random.default_rng(seed)
    at, free, starts, by_loop, polls = 0.0, 3.0, [], [], []
    for k in range(LOOPS):
        starts.append(at)
        while free + 6.0 <= at + 1.0:
            polls.append(free)
            free += 60.0
        asked = at + 1.0
        begin = asked
        if free <= asked < free + 6.0:
            begin = free + 6.0
        took = rng.normal(2.0, 0.05)
        if begin < free < begin + took:  # the thread asks meanwhile and waits
            free = begin + took
        out = rng.normal(5.0, 0.1) + (4.0 if every_loops and k % every_loops == 7 else 0.0)
        read = begin + took - asked
        by_loop.append([("plan", 0.0, 0.9), ("gyro.read", 1.0, read), ("output", 1.1 + read, out)])
        at += 1.3 + read + out
    starts = np.array([*starts, at])
    for begin in polls:
        k = int(np.searchsorted(starts, begin, side="right")) - 1
        by_loop[k].append(("gyro.poll", begin - starts[k], 6.0, "reader"))
    return make_run(np.diff(starts).tolist(), lambda k: by_loop[k])


@pytest.mark.parametrize("seed", range(3))
def test_what_waits_for_another_has_no_rhythm_of_its_own(seed):
    """The read is long where the thread polls, and is told as waiting for it and nothing else."""
    at = summarise(on_one_bus(0, seed))
    assert at.contention.wait_ms.get("gyro.read", 0.0) > 0.1
    assert at.recurrence.found == ()


@pytest.mark.parametrize("seed", range(3))
def test_a_rhythm_beside_it_is_told(seed):
    """What the output takes every 30 loops has nothing to do with the thread."""
    at = summarise(on_one_bus(30, seed))
    (own,) = at.recurrence.found
    assert (own.call, own.every_loops) == ("output", 30)


def test_how_long_a_thread_runs_within_a_loop_is_its_share_of_it():
    """A read from 8 to 13 ms lies 2 ms in the first loop and 3 in the next; no other row counts."""
    rows = {
        0: [("gyro", 1.0, 4.0), ("gyro", 8.0, 5.0, "reader"), ("log", 2.0, 3.0, "reader")],
        2: [("gyro", 4.0, 0.5, "reader"), ("gyro", 6.0, 0.25, "reader")],
    }
    run = make_run([10.0] * 4, lambda k: rows.get(k, [("work", 0.0, 1.0)]))
    waiting = SimpleNamespace(found=[SimpleNamespace(thread="reader", partners=("gyro",))])
    assert others_ms(run, waiting, np.arange(4)).tolist() == [2.0, 3.0, 0.75, 0.0]
