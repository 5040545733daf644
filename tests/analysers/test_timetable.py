"""Timetables that late wakes and overruns hide, simulated event by event."""

import numpy as np
import pytest

from looptime.analysers.pacing import pacing
from looptime.analysers.timetable import as_long_each_time, kept_timetable
from tests.build_run import make_flat_run

T, SLEEP = 10.0, 3.0


def late_wakes(rng, n, share, scattered):
    """Lateness of each wake: scattered a little, or widely; a share of them by milliseconds."""
    usual = rng.lognormal(np.log(0.15), 1.4, n) if scattered else rng.exponential(0.03, n)
    return 0.05 + usual + np.where(rng.random(n) < share, rng.lognormal(0.7, 0.7, n), 0.0)


def simulate(rule, share=0.05, *, scattered=False, heavy=True, n=700, seed=1):
    """Work and wait [ms] of each loop by a rule."""
    rng = np.random.default_rng([seed, round(100 * share), scattered, heavy])
    work = rng.lognormal(np.log(6.0), 0.12, n)
    if heavy:
        work += np.where(rng.random(n) < 0.3, rng.exponential(4, n), 0.0)
    late, wait, now, due = late_wakes(rng, n, share, scattered), np.zeros(n), 0.0, 0.0
    for k in range(n):
        start, now = now, now + work[k]
        if rule == "sleep":
            due = now + SLEEP
        elif rule == "one of two sleeps":
            due = now + (2.0 if rng.random() < 0.5 else 4.0)
        elif rule == "anew":
            due = max(due + T, now)
        elif rule == "skips":
            due += T * max(np.ceil((now - due) / T), 1.0)
        elif rule == "catches up":
            due += T
        elif rule == "from start":
            due = start + T
        wait[k] = due - now + late[k] if due > now else 0.06
        now += wait[k]
    return work, wait


def told(work, wait, *, logged=True):
    """The pace of these loops, with the wait under a name or in what no call covers."""
    work, wait = (work * 1e6).astype(np.int64), (wait * 1e6).astype(np.int64)
    parts = {"work": work, "until next": wait} if logged else {"work": work}
    return pacing(make_flat_run(work + wait, parts, {"work": "compute", "until next": "pacing"}))


SHARES = pytest.mark.parametrize("share", [0.01, 0.05, 0.2])
SCATTERED = pytest.mark.parametrize("scattered", [False, True])
HEAVY = pytest.mark.parametrize("heavy", [False, True])
LOGGED = pytest.mark.parametrize("logged", [True, False])


@SHARES
@SCATTERED
@HEAVY
@LOGGED
@pytest.mark.parametrize("rule", ["anew", "skips", "catches up"])
def test_a_timetable_is_told_with_its_tick(rule, share, scattered, heavy, logged):
    """Late wakes and overruns hide neither that there is one nor how long a tick is."""
    found = told(*simulate(rule, share, scattered=scattered, heavy=heavy), logged=logged)
    assert found.fixed_rate
    assert found.nominal_ms == pytest.approx(T, rel=0.006)


@SHARES
@SCATTERED
@HEAVY
def test_a_tick_counted_from_each_start_holds_what_wakes_are_late_by(share, scattered, heavy):
    """No log tells 10 ms and wakes 0.1 ms late from 10.1 ms."""
    found = told(*simulate("from start", share, scattered=scattered, heavy=heavy))
    assert found.fixed_rate
    assert T - 0.01 <= found.nominal_ms < T + 0.4


@SHARES
@SCATTERED
@HEAVY
def test_a_sleep_of_one_length_stays_one(share, scattered, heavy):
    """Its wakes are late, too, and none is early."""
    work, wait = simulate("sleep", share, scattered=scattered, heavy=heavy)
    found = told(work, wait)
    assert found.mode == "sleep after work"
    assert found.nominal_ms == pytest.approx(SLEEP + 0.1, abs=0.25)
    assert kept_timetable(work + wait, wait) is None
    assert not told(work, wait, logged=False).fixed_rate


@SHARES
@HEAVY
def test_waits_of_several_lengths_are_not_said_to_stay_the_same(share, heavy):
    """They follow no timetable either, and what to log is said."""
    found = told(*simulate("one of two sleeps", share, heavy=heavy))
    assert found.mode == "can't tell"
    assert "neither a sleep of one length" in found.mode_from
    assert "log what each wait is asked to last" in found.mode_from


@pytest.mark.parametrize(
    ("rule", "late"), [("anew", "go-on"), ("skips", "at-once"), ("catches up", "catch-up")]
)
def test_what_late_loops_do_to_the_next(rule, late):
    """Overruns tell the rules apart."""
    work, wait = simulate(rule)
    assert kept_timetable(work + wait, wait).late == late


def test_a_coarse_clock_tells_no_lateness():
    """Waits of 3 and 4 steps are as long each time as that clock tells."""
    assert as_long_each_time(np.tile([3.0, 4.0], 50), 1.0)
    work, wait = simulate("anew")
    assert kept_timetable(work + wait, wait, 1.0) is None


def test_loops_are_not_faster_than_they_are_paced_to():
    """A timetable of 10 ms for half of the run, then one of 14: neither is that of all loops."""
    rng = np.random.default_rng(8)
    work = rng.lognormal(1.9, 0.25, 2000)
    due = np.repeat([10.0, 14.0], 1000)
    wait = np.maximum(due - work, 0) + rng.normal(0.05, 0.01, 2000).clip(0)
    ns = {"belt": (work * 1e6).astype(np.int64), "wait": (wait * 1e6).astype(np.int64)}
    found = pacing(make_flat_run(sum(ns.values()), ns, {"wait": "pacing"}))
    assert found.nominal_hz is None or found.achieved_hz <= 1.02 * found.nominal_hz
