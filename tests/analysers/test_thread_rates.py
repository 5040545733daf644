"""Threads that fall behind or end, against runs in which that was planted."""

import numpy as np
import pytest

from looptime.analysers.thread_rates import thread_rates
from looptime.findings import summarise
from tests.build_run import make_run


def run_with(turns, period=20.0, loops=1000):
    """Even loops, and a thread that takes 2 ms at each of these moments [ms]."""
    extra = {}
    for at in turns:
        extra.setdefault(int(at // period), []).append(("odom.update", at % period, 2.0, "odom"))
    return make_run([period] * loops,
                    lambda k: [("gyro.read", 0.0, 2.0), *extra.get(k, [])])  # fmt: skip


def starved(seed=0):
    """Every 20 ms until 9 s, then every 150 to 260 ms until 20 s."""
    rng = np.random.default_rng(seed)
    return [*np.arange(0, 9000, 20.0), *(9000 + np.cumsum(rng.uniform(150, 260, 50)))]


@pytest.mark.parametrize("seed", range(3))
def test_a_thread_that_is_starved_is_told_with_both_paces_and_when(seed):
    """The pace before, the pace after and the moment are those that were planted."""
    (found,) = thread_rates(run_with(starved(seed)))
    assert (found.thread, found.call) == ("odom", "odom.update")
    assert found.before_ms == pytest.approx(20.0)
    assert 150 <= found.after_ms <= 260
    assert found.from_s == pytest.approx(9.0, abs=0.3)
    told = summarise(run_with(starved(seed))).findings[0]
    assert told.text.startswith("odom.update on thread odom runs every 20 ms until ")


def test_a_thread_that_ends_is_told_with_its_last_moment():
    """The last of its turns is at 7 s of 20."""
    (found,) = thread_rates(run_with(np.arange(0, 7000, 25.0)))
    assert found.after_ms is None
    assert found.from_s == pytest.approx(6.977, abs=0.001)


@pytest.mark.parametrize("spread", [0.0, 0.9])
def test_a_thread_that_keeps_its_pace_is_not_told(spread):
    """Even turns, and turns at random moments that keep one mean pace."""
    rng = np.random.default_rng(3)
    gaps = 30.0 * (1 + spread * rng.uniform(-1, 1, 2000))
    turns = np.cumsum(gaps)
    assert thread_rates(run_with(turns[turns < 19_900])) == ()


def test_turns_that_come_in_bursts_are_not_told():
    """Ten turns, then a rest of half a second, again and again."""
    turns = [1000.0 * burst + 30.0 * k for burst in range(20) for k in range(10)]
    assert thread_rates(run_with(turns)) == ()
