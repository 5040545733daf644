"""Stretches taken out of a run are what the run's own selection gives."""

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from looptime_dashboards.cut import blocks_of, cut, range_of, stretches

from looptime.run import CallColumns, LoopColumns
from tests.build_run import make_run


def three_threads():  # type: ignore[no-untyped-def]
    """A run of 40 loops whose calls stand on three threads."""
    calls = [("a", 1, 3), ("b", 2, 1), ("c", 0.5, 6, "gyro"), ("d", 3, 2, "aux")]
    return make_run([10 + k % 3 for k in range(40)], calls)


@pytest.mark.parametrize("pieces", [[(0, 40)], [(5, 9)], [(0, 3), (10, 11), (30, 40)], []])
def test_cut_is_select(pieces: list[tuple[int, int]]) -> None:
    """Column by column the same as a mask gives, on all threads."""
    run = three_threads()
    keep = np.zeros(40, bool)
    for a, b in pieces:
        keep[a:b] = True
    ours, theirs = cut(run, pieces, blocks_of(run)), run.select(keep)
    for kind, name in ((LoopColumns, "loop_columns"), (CallColumns, "call_columns")):
        for one in fields(kind):
            mine = getattr(getattr(ours, name), one.name)
            other = getattr(getattr(theirs, name), one.name)
            if isinstance(other, np.ndarray):
                assert mine.tolist() == other.tolist(), one.name


def test_a_range_counts_loops_by_their_start() -> None:
    """From and to in seconds, as the analysers' own part of a run has it."""
    from looptime.analysers import part

    run = three_threads()
    first, last = range_of(run, 0.1, 0.2)
    assert (
        run.loop_columns.loop[first:last].tolist()
        == part(run, None, 0.1, 0.2).loop_columns.loop.tolist()
    )


def test_stretches_cover_the_ends() -> None:
    """Evenly spread, none over another, the first and the last loop among them."""
    made = stretches(100, 10_100, 1000, 10)
    assert made[0][0] == 100
    assert made[-1][1] == 10_100
    assert sum(b - a for a, b in made) == 1000
    assert all(a[1] <= b[0] for a, b in pairwise(made))


def test_a_range_holds_the_loops_that_start_within_it() -> None:
    """From the loop that starts at 50 ms to the last one before 100 ms: the end is not in it."""
    run = make_run([10.0] * 40)
    assert range_of(run, 0.05, 0.1) == (5, 10)
    assert range_of(run, None, 0.1) == (0, 10)
    assert range_of(run, 0.3, None) == (30, 40)
    assert range_of(run, 0.3, 0.1) == (30, 30)


def test_calls_that_reach_into_the_next_loop_keep_their_parts() -> None:
    """A call of 7 ms that begins 4 ms before its loop ends takes 3 ms of the next."""
    run = make_run([10.0] * 12, lambda k: [("send", 6, 7)] if k == 4 else [("a", 4, 1)])
    keep = np.zeros(12, bool)
    keep[3:8] = True
    ours, theirs = cut(run, [(3, 8)], blocks_of(run)), run.select(keep)
    assert ours.unattributed_ns().tolist() == theirs.unattributed_ns().tolist()
    assert ours.unattributed_ns().tolist() == [9e6, 6e6, 6e6, 9e6, 9e6]
