"""How long calls waited for those of other threads, by hand."""

import numpy as np

from looptime.stats.meetings import Track, _open, partners_of, waits


def test_waits_by_hand():
    """The wait lasts until the last end of a partner within the call."""
    calls = Track(0, np.array([0.0, 10.0, 20.0]), np.array([6.0, 12.0, 29.0]))
    first = Track(1, np.array([-1.0, 18.0]), np.array([2.0, 22.0]))
    second = Track(2, np.array([2.0, 22.0]), np.array([4.0, 27.0]))
    wait, who = waits([calls, first, second], 0, [1, 2])
    assert wait.tolist() == [4.0, 0.0, 7.0]
    assert who.tolist() == [2, -1, 2]
    assert partners_of([(0, 1), (0, 2)]) == {0: [1, 2], 1: [0], 2: [0]}


def test_a_lock_is_taken_by_a_call_that_began_before():
    """Begun at once neither holds it; the other one's end frees it."""
    mine = Track(0, np.array([5.0, 6.0, 9.0]), np.array([5.5, 7.0, 12.0]))
    other = Track(1, np.array([5.0]), np.array([9.0]))
    assert _open(other, mine).tolist() == [False, True, False]


def test_who_asks_as_the_lock_is_let_go_waits_for_nobody():
    """An end at the very instant of asking lies not within the call, nor does one at its end."""
    calls = Track(0, np.array([10.0]), np.array([12.0]))
    wait, who = waits([calls, Track(1, np.array([5.0, 10.5]), np.array([10.0, 12.0]))], 0, [1])
    assert (wait.tolist(), who.tolist()) == ([0.0], [-1])
