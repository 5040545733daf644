"""How long calls are served, by hand: what is left of each once its partner let go."""

import numpy as np
import pytest

from looptime.stats.bare_service import Services
from looptime.stats.meetings import Track, meetings

MS = 1e6


def services(took, waits=(), kept=((0, 1),)):
    """Services of calls that last so long [ms], the first of which wait for another thread's."""
    took, waits = np.array(took, float), np.array(waits, float)
    end = 100.0 * np.arange(1, len(took) + 1)
    wait = np.append(waits, np.zeros(len(took) - len(waits)))
    lets_go = (end - took)[: len(waits)]
    mine = Track(0, (end - took - wait) * MS, end * MS)
    # the other's calls end where the waits do, and for others long before
    other = Track(1, (lets_go - 30) * MS, lets_go * MS)
    found = {m.pair: m for m in meetings([mine, other])}
    return Services([mine, other], found, set(kept)), found


def test_what_is_left_after_a_wait_is_the_service():
    """Three of five calls of 2 ms wait 1, 4 and 9 ms first; two met nobody."""
    made, found = services([2, 2, 2, 2.5, 3], [1, 4, 9])
    assert made.of(0) / MS == pytest.approx([2, 2, 2, 2.5, 3])
    assert made.unhindered(0) / MS == pytest.approx([2.5, 3])
    assert made.middle[0] == pytest.approx(2 * MS)
    assert made.scatter(0) == 0.0
    side = found[0, 1].sides[0]
    assert side.wait / MS == pytest.approx([1, 4, 9])
    assert made.of(0, without=1) / MS == pytest.approx([3, 6, 11, 2.5, 3])


def test_a_pair_that_was_dropped_explains_no_wait():
    """All that lies between begin and end is then the call's own, once it is taken again."""
    kept = {(0, 1)}
    made, _ = services([2, 2, 2, 2, 2], [1, 4, 9])
    made._kept.clear()
    made.renew(0)
    assert made.middle[0] == pytest.approx(3 * MS)
    assert kept


@pytest.mark.parametrize(
    ("free", "least", "wide"),
    [([2.0] * 40, 1.5, False), ([1.0] * 4 + [2.0] * 36, 1.0, False),
     ([0.5] * 4 + [2.0] * 36, 0.8, True), ([0.5] * 4 + [2.0] * 15, 1.5, False)],
)  # fmt: skip
def test_the_least_service_of_calls_that_vary(free, least, wide):
    """A twentieth of 40 that met nobody is shorter: 2 ms, 1, or 0.5, of a middle of 2 ms.

    It counts from 0.4 to 0.75 of the middle; of 19 calls none is told.
    """
    made, _ = services(free)
    assert made.middle[0] == pytest.approx(2 * MS)
    assert made.least[0] == pytest.approx(least * MS)
    assert made.wide[0] == wide


def test_whether_the_lock_was_taken_when_it_was_asked_for():
    """Waits of 4 ms find the other at work. Those of 0.1 ms are none beside a service of 2 ms."""
    made, found = services([2.0] * 12, [4.0] * 6 + [0.1] * 2)
    side = found[0, 1].sides[0]
    side.open_all[:] = False
    side.open_all[:3] = True
    assert made.was_taken(side) == pytest.approx(3 / 6)
    made, found = services([2.0] * 12, [0.1] * 8)
    side = found[0, 1].sides[0]
    side.open_all[:] = False
    side.open_all[:2] = True
    assert made.was_taken(side) == pytest.approx(2 / 8)
