"""Rows of each name on the loop's thread, found in parts of a long run."""

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
    gaps = own_gaps.OwnGaps.of(run)
    at = run.call_columns
    for code, rows in gaps.by_name.items():
        every = np.flatnonzero(at.name == code)
        first = [int(every[at.loop[every] == loop][0]) for loop in range(7)]
        assert rows.tolist() == first
    assert sorted(gaps.by_name) == sorted(np.unique(at.name).tolist())
    assert len(gaps.every_loop) == 2
