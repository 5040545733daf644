"""Calls that took the place of others."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.schema import CallName
from tests.checks.build import recording
from tests.checks.compare.build import compare_sides


def test_calls_that_took_the_place_of_others_stand_beside_them():
    """Four encoder reads of 0.6 ms became one of 1 ms: sums by hand, and one sentence."""
    old = {**{f"drive.wheel{k}.read": 0.6 for k in range(4)}, "gyro.read": 2.0}
    new = {"drive.all.read": 1.0, "gyro.read": 2.0, "lamp.write": 0.2}
    found = compare_sides([recording(1, calls=old)], [recording(2, calls=new)])
    pair, fresh = found.replaced
    assert (pair.before_name, pair.after_name) == ("drive.wheel*.read", "drive.all.read")
    assert len(pair.before) == 4
    assert pair.before_ms == pytest.approx(2.4, rel=0.01)
    assert pair.after_ms == pytest.approx(1.0, rel=0.01)
    assert (fresh.before, fresh.after) == ((), ("lamp.write",))
    assert any(s.startswith("4 x drive.wheel*.read 2.4 ms a loop, became") for s in found.sentences)


def test_a_call_keeps_its_name_at_the_head_of_a_sentence():
    """One read of 1 ms became four: it is written as the log has it, without a capital."""
    old = {"drive.all.read": 1.0, "gyro.read": 2.0}
    new = {**{f"drive.wheel{k}.read": 0.6 for k in range(4)}, "gyro.read": 2.0}
    found = compare_sides([recording(1, calls=old)], [recording(2, calls=new)])
    assert any(s.startswith("drive.all.read 1 ms a loop, became 4 x") for s in found.sentences)


def test_one_batch_takes_the_place_of_reads_of_several_devices():
    """Four wheels of 0.6 ms and a lift of 1.5 became one read of 2: 3.9 ms by hand."""
    old = {**{f"wheel{k}.read": 0.6 for k in range(4)}, "lift.height.read": 1.5, "gyro.read": 2.0}
    new = {"all.devices.read": 2.0, "gyro.read": 2.0}
    (pair,) = compare_sides([recording(1, calls=old)], [recording(2, calls=new)]).replaced
    assert len(pair.before) == 5
    assert pair.after == ("all.devices.read",)
    assert pair.before_ms == pytest.approx(3.9, rel=0.01)
    assert pair.text.startswith("5 x (")


@pytest.mark.parametrize(("new_ms", "paired"), [(0.61, True), (0.9, False)])
def test_a_new_name_is_told_by_what_it_costs(new_ms, paired):
    """A computation of 0.6 ms gone and a read of 0.61 ms new are one; one of 0.9 ms is another."""
    old, new = ({name: 2.0, **more} for name, more in (
        ("gyro.read", {"path.plan": 0.6}), ("gyro.read", {"range.read": new_ms})))  # fmt: skip
    found = compare_sides([recording(1, calls=old)], [recording(2, calls=new)]).replaced
    assert (len(found) == 1) is paired


def test_a_call_that_left_for_a_thread_is_told_with_the_thread():
    """A read of 2 ms that another thread makes now is no longer in the loop."""
    old, new = {"gyro.read": 2.0, "path.plan": 3.0}, {"path.plan": 3.0}
    after = recording(2, calls=new)
    calls, n = after.call_columns, len(after)
    at = after.loop_columns.start_ns
    table = replace(
        calls,
        loop=np.concatenate([calls.loop, np.arange(n, dtype=np.int32)]),
        thread=np.concatenate([calls.thread, np.ones(n, np.int16)]),
        name=np.concatenate([calls.name, np.ones(n, np.int32)]),
        start_ns=np.concatenate([calls.start_ns, at]),
        duration_ns=np.concatenate([calls.duration_ns, np.full(n, 2_000_000)]),
        self_ns=np.concatenate([calls.self_ns, np.full(n, 2_000_000)]),
        depth=np.concatenate([calls.depth, np.zeros(n, np.int16)]),
    )
    order = np.lexsort((table.thread, table.start_ns))
    table = replace(table, **{f: getattr(table, f)[order] for f in
                              ("loop", "thread", "name", "start_ns", "duration_ns", "self_ns",
                               "depth")})  # fmt: skip
    after = replace(after, call_columns=table, thread_names=("main", "sampler"),
                    names=(*after.names, CallName("gyro.read")))  # fmt: skip
    found = compare_sides([recording(1, calls=old)], [after])
    assert "gyro.read 2 ms a loop, gone to thread sampler." in found.sentences


@pytest.mark.parametrize(("new", "paired"), [
    ("encall", True), ("encs", True), ("enc_batch.get", True), ("encore.play", False),
])  # fmt: skip
def test_a_name_for_all_takes_the_place_of_numbered_ones(new, paired):
    """Whatever kind it is guessed to be: four of 0.6 ms became one of 1 ms beside another."""
    old = {f"enc{k}": 0.6 for k in range(1, 5)}
    before = recording(1, calls={**old, "ctl": 1.0, "mot": 2.0})
    after = recording(2, calls={new: 1.0, "ctl": 1.0, "mot": 2.0, "lamp": 0.2})
    found = compare_sides([before], [after])
    assert ((tuple(old), (new,)) in [(r.before, r.after) for r in found.replaced]) is paired
