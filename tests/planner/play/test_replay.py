"""Replay: a run played again with changes, held against answers worked out by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from looptime.errors import UsageError
from looptime.planner.play.replay import replay
from tests.build_run import make_run
from tests.planner.play.build import LABELS, balance, built, nested_loops, plain


def same(run, other):
    """Assert that two runs have the same loops and calls to the nanosecond."""
    assert np.array_equal(run.loop_columns.start_ns, other.loop_columns.start_ns)
    assert np.array_equal(run.loop_columns.period_ns, other.loop_columns.period_ns)
    for column in ("loop", "name", "start_ns", "duration_ns", "self_ns", "depth"):
        ours, theirs = getattr(run.call_columns, column), getattr(other.call_columns, column)
        assert np.array_equal(ours, theirs), column


def test_no_change_gives_the_run_back():
    """An empty list of changes is the recorded run."""
    run = plain()
    same(replay(run, []), run)


@pytest.mark.parametrize("text", ["scale * by=1", "every gyro.read loops=1", "cap * ms=1000"])
def test_changes_that_change_nothing(text):
    """The whole way through the planner, and still the recorded run to the nanosecond."""
    run = make_run(
        [10, 9, 12.5], [("update", 1, 6), ("gyro.read", 2, 2), ("enc.a", 4.5, 0.3)], LABELS
    )
    same(replay(run, [text]), run)


changes = st.lists(
    st.sampled_from(
        [
            "drop inner1", "scale inner0 by=0.37", "scale outer by=1.9", "cap inner0 ms=0.7",
            "every inner0 loops=2", "every inner0 ms=5", "on-change inner1 share=0.5",
            "thread inner0 rest-ms=1", "pace hz=200", "move inner0 bus=aux", "scale over by=0.5",
        ]
    ),
    min_size=1,
    max_size=4,
    unique=True,
)  # fmt: skip


@settings(max_examples=150)
@given(nested_loops, st.integers(0, 2_000), changes)
def test_books_balance_in_every_prediction(loops, reach, wanted):
    """Whatever the changes, self times and unattributed time add up to every period."""
    run = built(loops, reach)
    try:
        predicted = replay(run, wanted)
    except UsageError:
        return
    balance(predicted)
