"""Fair and barging locks, told by who is served next."""

import numpy as np
import pytest

from looptime.stats.retaking import Retakes, lock_kind, retakes
from tests.two_threads import Job, play


def sides(chance, seed=1):
    """Contested releases by the loop on a lock with the chance given."""
    played = play(
        {
            "main": lambda rng: [Job(f"enc.{k}", 1.0, "a") for k in range(5)] + [Job("calc", 2.0)],
            "gyro": lambda rng: [Job("gyro.read", 2.0, "a", gap_ms=rng.uniform(1, 4))],
        },
        500,
        chance=chance,
        seed=seed,
    )
    tracks = []
    for thread in ("main", "gyro"):
        rows = [(a, e) for t, name, a, e, _ in played.rows if t == thread and name != "calc"]
        tracks.append(tuple(np.array(rows).T * 1e6))
    return retakes(tracks[0], tracks[1]), retakes(tracks[1], tracks[0])


def test_fair_lock():
    """Where the one that waits is always next, the lock is fair."""
    found = sides(lambda lost: 0.0)
    assert found[0].first == found[0].later == 0
    assert lock_kind(found) == "fair"


@pytest.mark.parametrize(("first", "later"), [(0.9, 0.3), (0.6, 0.1)])
def test_chance_to_take_again(first, later):
    """The chance that was played comes out of the order of the ends."""
    found = sides(lambda lost: later if lost else first)[0]
    both = (found.first, found.first_of, first), (found.later, found.later_of, later)
    for took, of, p in both:
        assert of > 100
        assert took / of == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / of) + 0.02)
    assert lock_kind([found]) == "barging"


def test_few_contests_say_nothing():
    """Nineteen releases are too few, and so is a share between fair and barging."""
    assert lock_kind([Retakes(0, 19, 0, 0)]) == "unknown"
    assert lock_kind([Retakes(1, 30, 0, 0)]) == "unknown"
    assert retakes((np.array([0.0]), np.array([1.0])), (np.empty(0), np.empty(0))).first_of == 0
