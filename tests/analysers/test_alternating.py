"""Calls of which each loop makes one, by the loops in which they are made."""

import numpy as np
import pytest

from looptime.analysers.alternating import alternating


@pytest.mark.parametrize("several", [2, 3, 8])
def test_calls_made_in_turn_alternate(several):
    """Of some calls each loop makes the next one; a beat that falls into some of theirs is none."""
    made = [np.arange(k, 240, several) for k in range(several)]
    assert alternating([np.arange(5, 240, 24), *made], 240) == [tuple(range(1, several + 1))]


def test_two_sets_are_told_apart():
    """Sides alternate by loop, and maps by the half second: each call is in one set."""
    left, right = np.arange(0, 200, 2), np.arange(1, 200, 2)
    near = np.flatnonzero(np.arange(200) // 20 % 2)
    far = np.flatnonzero(np.arange(200) // 20 % 2 == 0)
    assert sorted(alternating([left, near, right, far], 200)) == [(0, 2), (1, 3)]


def test_calls_that_leave_loops_out_or_fall_together_do_not():
    """Two of four slots; and two that share every tenth loop."""
    assert alternating([np.arange(0, 200, 4), np.arange(1, 200, 4)], 200) == []
    both = np.union1d(np.arange(1, 200, 2), np.arange(0, 200, 20))
    assert alternating([np.arange(0, 200, 2), both], 200) == []
    assert alternating([], 200) == []
