"""Stalls and the call behind them, against logs in which they were planted."""

import numpy as np

from looptime.heading.stalls import stalls_of
from tests.build_run import make_run


def run_with(stalled, took):
    """Loops of 10 ms; in the `stalled` ones one of two calls takes so much longer [ms]."""
    periods = [10.0 + (took if k in stalled else 0.0) + 0.1 * np.sin(k) for k in range(400)]

    def calls(k):
        more = took if k in stalled else 0.0
        return [("gyro.read", 0.0, 2.0), ("log.send", 3.0, 4.0 + more)]

    return make_run(periods, calls)


def test_the_call_behind_the_stalls_is_named():
    """Five loops of 120 ms, in each of which one call takes all of what is too long."""
    found = stalls_of(run_with({50, 120, 200, 290, 370}, 110.0))
    assert (found.count, found.call, found.by_call) == (5, "log.send", 5)
    assert abs(found.longest_ms - 120.0) < 0.2
    assert abs(found.typical_ms - 10.0) < 0.2


def test_shorter_ones_beside_them_are_told():
    """One loop of 120 ms by the log, nine of 24 ms by the gyro: these are slow, and no stalls."""
    took = {50: (0.0, 110.0)} | dict.fromkeys(range(60, 400, 40), (14.0, 0.0))
    periods = [10.0 + sum(took.get(k, (0, 0))) + 0.1 * np.sin(k) for k in range(400)]

    def calls(k):
        a, b = took.get(k, (0.0, 0.0))
        return [("gyro.read", 0.0, 2.0 + a), ("log.send", 3.0 + a, 4.0 + a + b)]

    found = stalls_of(make_run(periods, calls))
    assert (found.count, found.call) == (1, "log.send")
    assert (found.shorter, found.shorter_call) == (9, "gyro.read")
    assert abs(found.shorter_ms - 24.0) < 0.2


def test_loops_that_are_only_slow_are_no_stalls():
    """Loops of twice the usual length age the heading no more than a slower pace does."""
    assert stalls_of(run_with({50, 120, 200}, 10.0)) is None
