"""Logs that are pieces of one recording, cut where the test says."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.recording.cut_in_pieces import chains, follows, joined
from tests.checks.build import cut, recording


@pytest.mark.parametrize(
    ("gap_s", "anew", "together"),
    [(0.0, False, True), (0.0, True, True), (0.4, False, True), (0.4, True, False),
     (5.0, False, False)],
)  # fmt: skip
def test_what_follows_is_told_by_clock_and_numbers(gap_s, anew, together):
    """Without numbers that go on, only the next loop follows; five seconds on, nothing does."""
    one, two = cut(recording(1), 2000, gap_s=gap_s, anew=anew)
    assert follows(two, one) is together
    assert not follows(one, two)


def test_a_clock_that_begins_anew_goes_on_from_nothing():
    """Four recordings of one length whose clocks all begin at 0 are four."""
    assert chains([recording(k) for k in range(4)]) == [[0], [1], [2], [3]]


def test_other_times_of_recording_are_other_recordings():
    """Clocks that meet by chance on two days are no pieces."""
    one, two = cut(recording(1), 2000)
    days = [replace(run, meta={"time": f"2026-03-0{k}"}) for k, run in ((1, one), (2, two))]
    assert not follows(days[1], days[0])


def test_pieces_are_joined_to_what_was_cut():
    """Loops, calls, self times and what runs on into later loops are those of the whole."""
    run = recording(3)
    whole = joined(cut(run, 900, 2500))
    for key in ("loop", "start_ns", "period_ns"):
        assert np.array_equal(getattr(whole.loop_columns, key), getattr(run.loop_columns, key))
    for key in ("loop", "name", "start_ns", "duration_ns", "self_ns"):
        assert np.array_equal(getattr(whole.call_columns, key), getattr(run.call_columns, key))
    assert np.array_equal(whole.unattributed_ns(), run.unattributed_ns())
