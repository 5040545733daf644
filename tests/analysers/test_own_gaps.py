"""Rows of each name on the loop's thread, found in parts of a long run."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers import own_gaps
from tests.build_run import make_run


@pytest.mark.parametrize("at_once", [1, 3, 1000])
def test_rows_of_a_name_are_the_first_of_each_loop_however_many_are_sorted_at_once(
    monkeypatch, at_once
):
    """Three calls a loop, one of them made twice: a row a loop and name, in order of the loops."""
    calls = [("gyro.read", 0, 2), ("motor.a", 2, 1), ("gyro.read", 3, 2)]
    run = make_run([8] * 7, calls, {})
    monkeypatch.setattr(own_gaps, "_AT_ONCE", at_once)
    gaps = own_gaps.OwnGaps(run)
    at = run.call_columns
    for code, rows in gaps.by_name.items():
        every = np.flatnonzero(at.name == code)
        first = [int(every[at.loop[every] == loop][0]) for loop in range(7)]
        assert rows.tolist() == first
    assert sorted(gaps.by_name) == sorted(np.unique(at.name).tolist())
    assert len(gaps.every_loop) == 2


def test_rows_of_a_thread_out_of_loop_order_come_in_loop_order():
    """Seven loops whose calls are logged last loop first: the same loops, rising."""
    run = make_run([8] * 7, [("gyro.read", 0, 2), ("motor.a", 2, 1)], {})
    at = run.call_columns
    backwards = {
        key: getattr(at, key)[::-1].copy()
        for key in ("loop", "thread", "name", "start_ns", "duration_ns", "self_ns", "depth")
    }
    turned = own_gaps.OwnGaps(replace(run, call_columns=replace(at, **backwards)))
    for rows in turned.by_name.values():
        assert turned.run.call_columns.loop[rows].tolist() == list(range(7))
