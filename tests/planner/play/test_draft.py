"""What is known of a run before it is played, and what a draft of it begins with."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.planner.play.draft import Draft, Setting, known
from looptime.planner.play.shared_bus import HAND_OVER_NS
from tests.build_run import make_run
from tests.planner.play.build import plain


@pytest.mark.parametrize(
    ("more", "left"), [(0, 2_000_000), (30_000, 1_970_000), (9_000_000, 0)]
)  # fmt: skip
def test_a_longer_hand_over_was_in_the_log_after_each_wait(more, left):
    """What a hand-over takes beyond the usual is no part of the call that waited."""
    at = known(plain(3))
    wait = np.zeros(len(at.line.row))
    wait[0] = 1e6  # the first read of the gyro, which takes 2 ms
    draft = Draft.of(replace(at, wait_ns=wait), Setting(wake=HAND_OVER_NS + more))
    assert "wake" in draft.ranges
    first = at.line.last[0]
    assert draft.length[first] == left
    assert np.array_equal(np.delete(draft.length, first), np.delete(at.line.length, first))


@pytest.mark.parametrize("wait", [None, np.zeros(12)])
def test_where_nobody_waits_no_hand_over_is_in_question(wait):
    """Without threads, and where the loop never waits for one, no length depends on it."""
    at = replace(known(plain(3)), wait_ns=wait)
    draft = Draft.of(at, Setting(wake=HAND_OVER_NS + 30_000))
    assert draft.ranges == draft.asked == set()
    assert np.array_equal(draft.length, at.line.length)
    assert at.wait_by_bus() == {}


def test_waits_are_summed_by_bus():
    """Two waits for the port, 1 ms and 0.5 ms; telemetry has no bus and counts for none."""
    run = plain(3, [("gyro.read", 0, 2), ("enc.a", 2, 1), ("send", 3, 1)])
    wait = np.zeros(9)
    wait[[0, 4, 8]] = 1e6, 0.5e6, 7e6
    assert replace(known(run), wait_ns=wait).wait_by_bus() == {"port": 1_500_000}


def test_calls_of_each_name_are_those_of_the_name_alone():
    """A name within another and within its own kind, one of which none is left, in any order."""
    calls = [("outer", 0, 8), ("inner", 1, 2), ("outer", 4, 3), ("inner", 5, 1), ("gone", 9, 1)]
    draft = Draft.of(known(make_run([12] * 6, calls)), Setting())
    names = [one.name for one in draft.names]
    draft.keep[draft.name == names.index("gone")] = False
    codes = [names.index(name) for name in ("gone", "outer", "inner")]
    each = draft.rows_of_each(codes)
    assert list(each) == codes
    for code, rows in each.items():
        assert rows.tolist() == draft.rows([code]).tolist()
    assert [len(rows) for rows in each.values()] == [0, 6, 12]
