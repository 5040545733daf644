"""Rows of locks: whose part they are, by hand, in the ways that people log them."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.contention import contention
from looptime.analysers.lock_rows import fold_locks
from looptime.findings import summarise
from tests.build_run import make_run

KINDS = {"arm.get": "sensor read", "scale.get": "sensor read"}


def looped(way, loops=300):
    """Loops of 10 ms: the loop waits for a thread's turn in a lock, by a length of its own.

    It asks at 3 ms, the thread has the lock from 2 ms until 3.5 to 5.5 ms; its own service is 1 ms.
    """
    until = 3.5 + 2 * np.random.default_rng(3).random(loops)

    def calls(k):
        wait, end = until[k] - 3, until[k] + 1
        thread = [("scale.get", 2, until[k] - 2, "scale"), ("lock.wait", 2, 0, "scale"),
                  ("lock.held", 2, until[k] - 2, "scale")]  # fmt: skip
        mine = {
            "around": [("arm.get", 3, wait + 1), ("lock.wait", 3, wait), ("lock.held", end - 1, 1)],
            "holding": [("lock.wait", 3, wait), ("lock.held", end - 1, 1), ("arm.get", end - 1, 1)],
            "bare": [("lock.wait", 3, wait), ("lock.held", end - 1, 1)],
            "only waits": [("mutex.acquire", 3, wait), ("arm.get", end - 1, 1)],
        }[way]
        return [*mine, ("pose", 7, 1), *(thread if way != "only waits" else thread[:1])]

    return make_run([10] * loops, calls, KINDS), float((until - 3).mean())


@pytest.mark.parametrize(
    ("way", "name"),
    [("around", "arm.get"), ("holding", "arm.get"), ("bare", "lock.held"),
     ("only waits", "arm.get")],
)  # fmt: skip
def test_each_way_of_logging_a_lock_tells_who_waits_for_whom(way, name):
    """The wait as logged, the call that waits by its own name, and the thread's call it is for."""
    run, wait = looped(way)
    (entry,) = contention(prepare(run)).found
    assert (entry.calls, entry.thread, entry.partners) == ((name,), "scale", ("scale.get",))
    assert entry.wait_ms_per_loop.value == pytest.approx(wait, abs=1e-3)
    assert entry.service_ms_per_loop.value == pytest.approx(1, abs=1e-3)
    assert not [f for f in summarise(run).findings if "lock.held blocks" in f.text]


@pytest.mark.parametrize("way", ["around", "holding", "bare", "only waits"])
def test_books_balance_when_rows_are_folded(way):
    """What was a row's own time is its call's: no loop loses or gains any."""
    run, _ = looped(way)
    folded = fold_locks(run)
    assert np.array_equal(folded.run.unattributed_ns(), run.unattributed_ns())
    calls = folded.run.call_columns
    assert calls.depth.max() == 0
    assert folded.run.names == run.names
    assert len(folded.waited) == len(calls)


def test_a_lock_that_is_part_of_a_machine_is_a_call_as_any_other():
    """`gripper.lock` locks a gripper; a call after a call that waits for nothing stays one."""
    run = make_run([10] * 50, [("gripper.lock", 1, 1), ("arm.move", 2, 3)])
    assert fold_locks(run).waited is None
    assert fold_locks(run).run is run


def test_two_waits_in_one_call_are_each_their_own():
    """A whole subsystem is not what waits: each wait goes to what follows it."""
    run = make_run(
        [10] * 50,
        [("update", 0, 8), ("lock.wait", 0, 1), ("lock.held", 1, 2), ("lock.wait", 4, 1),
         ("lock.held", 5, 2)],
    )  # fmt: skip
    folded = fold_locks(run)
    assert folded.run.calls["name"].tolist()[:3] == ["update", "lock.held", "lock.held"]
    assert folded.waited[:3].tolist()[1:] == [1e6, 1e6]
    assert folded.run.call_columns.self_ns[:3].tolist() == [2_000_000, 3_000_000, 3_000_000]


def test_two_names_that_differ_in_wait_and_held_are_of_a_lock():
    """`bus wait` beside `bus held` is what events of a lock become; neither need say "lock"."""
    run, wait = looped("holding")
    plain = {"lock.wait": "bus wait", "lock.held": "bus held"}
    names = tuple(replace(n, name=plain.get(n.name, n.name)) for n in run.names)
    (entry,) = contention(prepare(run.with_names(names))).found
    assert (entry.calls, entry.partners) == (("arm.get",), ("scale.get",))
    assert entry.wait_ms_per_loop.value == pytest.approx(wait, abs=1e-3)


def test_a_gripper_that_holds_and_waits_is_no_lock():
    """`arm.hold` holds a tray."""
    run = make_run([10] * 50, [("arm.wait", 1, 1), ("arm.hold", 2, 3)])
    assert fold_locks(run).waited is None
