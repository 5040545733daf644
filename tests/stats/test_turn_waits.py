"""Waits for turns to compute, by hand: when the lock is handed over follows from its one rule."""

import numpy as np
import pytest

from looptime.stats.meetings import Track
from looptime.stats.turn_waits import turn_waits

MS = 1e6


def tracks(loops=60, switch=5.0, until=20.0, hold=False):
    """Loops of 30 ms; a thread computes from 0 to `until` in each.

    The loop's calls of 1 ms ask at 4, 18.2 and 24 ms: the first is back at 5 and waits a turn, the
    second is back at 19.2 and waits for the end of the computing, the last waits for nothing. Where
    the computing holds the lock throughout, the first waits for its end, too.
    """
    rng = np.random.default_rng(2)
    begin = 30 * np.arange(loops)
    asks = np.array([4.0, 18.2, 24.0]) + rng.uniform(0, 0.2, (loops, 3))
    service = rng.normal(1.0, 0.01, (loops, 3))
    ready = asks + service
    turn = until - ready if hold else np.minimum(switch, until - ready)
    wait = np.where(ready < until, turn, 0.0)
    calls = [
        Track(0, (begin + asks[:, k]) * MS, (begin + asks[:, k] + service[:, k] + wait[:, k]) * MS)
        for k in range(3)
    ]
    return [*calls, Track(1, begin * MS, (begin + until) * MS)], wait.T * MS


@pytest.mark.parametrize("switch", [5.0, 2.0, 9.0])
def test_a_turn_is_as_long_as_the_waits_whose_computing_goes_on(switch):
    """Nobody states it: the waits show it, those that end with the computing are shorter."""
    made, wait = tracks(switch=switch)
    one = Track(0, *(np.sort(np.concatenate([getattr(t, at) for t in made[:3]]))
                     for at in ("start", "end")))  # fmt: skip
    found = turn_waits([one, made[3]], [0], {0: False, 1: None})
    assert found.turn_ns == pytest.approx(switch * MS, rel=0.02)
    waited, who = found.waits[0]
    assert waited.sum() == pytest.approx(wait.sum(), rel=0.02)
    assert set(who.tolist()) == {-1, 1}


def test_calls_of_which_all_end_with_the_computing_show_no_turn():
    """Two calls that end with it: it keeps the lock. One alone may wait for its result."""
    made, wait = tracks(hold=True)
    pairs = [Track(0, np.sort(np.append(made[k].start, made[2].start)),
                   np.sort(np.append(made[k].end, made[2].end))) for k in (0, 1)]  # fmt: skip
    found = turn_waits([*pairs, made[3]], [0, 1], {0: False, 1: False, 2: True})
    assert found.turn_ns is None
    assert sum(w.sum() for w, _ in found.waits.values()) == pytest.approx(wait.sum(), rel=0.02)
    assert turn_waits([pairs[0], made[3]], [0], {0: False, 1: True}) is None


def test_computing_that_is_cut_short_by_others_is_told_once_a_turn_is_seen():
    """The loop's own computing of 3 ms takes 8 where the other has a turn in its midst."""
    made, _ = tracks()
    begin = 30e6 * np.arange(60)
    took = np.where(np.arange(60) % 2 == 0, 8e6, 3e6)
    start = begin + np.where(np.arange(60) % 2 == 0, 10e6, 25.5e6)
    both = Track(0, np.sort(np.append(made[0].start, made[2].start)),
                 np.sort(np.append(made[0].end, made[2].end)))  # fmt: skip
    all_of = [both, Track(0, start, start + took), made[3]]
    found = turn_waits(all_of, [0, 1], {0: False, 1: True, 2: True})
    assert found.waits[1][0].sum() == pytest.approx(30 * 5e6)


@pytest.mark.parametrize("seed", range(20))
def test_threads_that_share_nothing_wait_for_nothing(seed):
    """Calls of two lengths, whatever runs beside them: nobody is accused."""
    rng = np.random.default_rng(seed)
    start = np.cumsum(rng.uniform(4e6, 9e6, 800))
    took = np.where(rng.random(800) < 0.3, 3.4e6, 1e6) * rng.normal(1, 0.03, 800)
    begins = np.cumsum(rng.uniform(20e6, 30e6, 150))
    other = Track(1, begins, begins + rng.uniform(8e6, 15e6, 150))
    made = [Track(0, start, start + took), Track(0, start + took, start + took + 0.4e6), other]
    assert turn_waits(made, [0, 1], {0: False, 1: None, 2: True}) is None
    assert turn_waits(made, [0, 1], {0: False, 1: None, 2: None}, 5e6) is None


@pytest.mark.parametrize("seed", range(10))
def test_a_bus_is_no_processor(seed):
    """A call that waits for a bus goes on when the other's call ends, and is served only then."""
    rng = np.random.default_rng(seed)
    begins = 25e6 * np.arange(200) + rng.uniform(0, 4e6, 200)
    other = Track(1, begins, begins + 6e6)
    asks = begins + rng.uniform(-8e6, 8e6, 200)
    wait = np.where((asks > begins) & (asks < begins + 6e6), begins + 6e6 - asks, 0.0)
    one = Track(0, asks, asks + wait + rng.normal(1e6, 2e4, 200))
    assert turn_waits([one, other], [0], {0: False, 1: None}) is None


@pytest.mark.parametrize(("distance", "seen"), [("one", False), ("varied", True)])
def test_one_call_that_is_longer_as_another_thread_begins_may_have_one_cause_with_it(
    distance, seen
):
    """A frame that is there makes its fetching 5 ms longer, and is what a thread computes on.

    Where the thread begins at any time, and never makes a call longer that is back without it, the
    two have no cause in common.
    """
    rng = np.random.default_rng(4)
    asks = 10.0 * np.arange(240)
    new = np.arange(240) % 4 == 0
    service = rng.normal(1, 0.01, 240)
    fetch = Track(0, asks * MS, (asks + service + 5.0 * new) * MS)
    before = rng.uniform(-3, 0.5, 60) if distance == "varied" else 0.05
    begins = asks[new] + before
    thread = Track(1, begins * MS, (begins + 10) * MS)
    found = turn_waits([fetch, thread], [0], {0: False, 1: None})
    assert (found is not None) is seen
    if seen:
        assert found.waits[0][0].sum() == pytest.approx(60 * 5 * MS, rel=0.02)
