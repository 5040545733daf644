"""A thread that waits for the loop, and others that only seem to; simulated in time."""

from itertools import pairwise

import numpy as np
import pytest

from looptime.analysers.threads_rest import thread_rhythms
from looptime.findings import summarise
from tests.build_run import make_run

LOOPS = 500


def a_loop(rng, tick=None, every=1):
    """Calls of the loop [ms], its starts, and when what it shares is there."""
    at, starts, calls, shared = 0.0, [], [], []
    for k in range(LOOPS):
        starts.append(at)
        made, now = [], at
        for name, usual, by in (("imu", 1.4, 0.05), ("odometry", 3.0, 0.15)):
            took = rng.normal(usual, by)
            made.append((name, now - at, took))
            now += took
        if k % every == 0:
            made.append(("share", now - at, 0.15))
            now += 0.15
            shared.append(now)
        took = rng.normal(4.5, 0.2)
        made.append(("wheels", now - at, took))
        now += took + 0.05
        calls.append(made)
        at = now if tick is None else max(now, at + tick)
    return np.array([*starts, at]), calls, shared


def beside(starts, calls, rows):
    """A run of the loop and of a helper's rows (name, begin, length) [ms]."""
    by_loop = [list(made) for made in calls]
    for name, begin, took in rows:
        k = int(np.searchsorted(starts, begin, side="right")) - 1
        if 0 <= k < LOOPS:
            by_loop[k].append((name, begin - starts[k], took, "helper"))
    return make_run(np.diff(starts).tolist(), lambda k: by_loop[k])


def helped(rng, shared, work, logged):
    """Rows of a helper that takes what is shared next, works on it, and waits for more."""
    free, rows = 0.0, []
    for ready in shared:
        if ready < free:
            continue
        woken = ready + rng.uniform(0.01, 0.03)
        if logged:
            rows.append(("take", free, woken - free))
        took = max(rng.normal(work, work / 10), 0.1)
        rows.append(("plan", woken + 0.004, took))
        free = woken + 0.01 + took
    return rows


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize(("tick", "every"), [(None, 1), (16.0, 1), (None, 3)])
def test_a_thread_that_waits_for_the_loop_keeps_no_rest(tick, every, logged):
    """It goes on as the loop has shared something, in its wait's row or with that unlogged."""
    rng = np.random.default_rng(3)
    starts, calls, shared = a_loop(rng, tick, every)
    run = beside(starts, calls, helped(rng, shared, 4.0, logged))
    (told,) = thread_rhythms(run)
    assert (told.follows, told.rule.name, told.rule.value) == ("share", "loops", every)
    assert told.call == ("take" if logged else "plan")
    assert told.turn_ns / 1e6 == pytest.approx(4.0, rel=0.03)
    (text,) = [f.text for f in summarise(run).findings if f.code == "thread_rhythm"]
    often = "in every loop" if every == 1 else "every 3 loops"
    assert f"{told.call} follows the end of share {often}:" in text


def test_where_it_misses_some_that_is_said():
    """Work of 12 ms beside loops of 9 ms: it takes every second one as a rule, never each."""
    rng = np.random.default_rng(4)
    starts, calls, shared = a_loop(rng)
    (told,) = thread_rhythms(beside(starts, calls, helped(rng, shared, 12.0, True)))
    assert (told.follows, told.rule.value) == ("share", 2)


def test_a_timer_of_the_same_rate_follows_nothing():
    """Every 16 ms beside a loop of 16: a little after its calls, which vary while it does not."""
    rng = np.random.default_rng(5)
    starts, calls, _ = a_loop(rng, 16.0)
    rows = [("log", 16 * k + 4.9 + rng.exponential(0.02), rng.normal(5, 0.5))
            for k in range(LOOPS - 1)]  # fmt: skip
    (told,) = thread_rhythms(beside(starts, calls, rows))
    assert (told.follows, told.rule.name) == ("", "timetable")


def test_a_device_that_the_loop_waits_for_follows_nothing():
    """A camera gives a frame in 20 ms about; the loop goes on as it is there."""
    rng = np.random.default_rng(6)
    frames = np.cumsum(rng.normal(20, 0.3, LOOPS + 1))
    rows = [("grab", begin + 0.05, end - begin - 0.05)
            for begin, end in pairwise(frames)]  # fmt: skip
    starts = frames + 0.03
    calls = [[("solve", 0.0, rng.normal(6, 0.5)), ("get_frame", 8.0, length - 8.0)]
             for length in np.diff(starts)]  # fmt: skip
    (told,) = thread_rhythms(beside(starts, calls, rows))
    assert (told.follows, told.rule.name) == ("", "rest")
