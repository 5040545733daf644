"""Ticks that loops miss, from stamps alone: played loops whose pace is known, and their like."""

import numpy as np
import pytest

from looptime.analysers.pacing import pacing
from looptime.analysers.skipped_ticks import skipped_ticks
from looptime.findings import summarise
from looptime.run import Clock, LoopColumns, Run


def stamped(start_ms, step_ms=0.001):
    """A run of bare stamps by a clock that steps by so much."""
    start = (np.floor(start_ms / step_ms) * step_ms * 1e6).round().astype(np.int64)
    period = np.diff(start)
    loops = LoopColumns(np.arange(len(period)), start[:-1], period)
    return Run(loops, clock=Clock("us", "header", round(step_ms * 1e6)))


def paced(tick_ms, missed, late_ms=0.1, n=1500, seed=1, numbers=(2,)):
    """Starts on a grid that leave out ticks; the share of loops that take more than one."""
    rng = np.random.default_rng(seed)
    more = rng.choice(numbers, n)
    ticks = np.append(0, np.cumsum(np.where(rng.random(n) < missed, more, 1)))
    return 7.3 + tick_ms * ticks + np.abs(rng.normal(0, late_ms, n + 1)), ticks


@pytest.mark.parametrize("missed", [0.03, 0.1, 0.3, 0.4, 0.6, 0.8])
@pytest.mark.parametrize(("tick_ms", "step_ms"), [
    (20.0, 0.001), (20.0, 1.0), (10.0, 1.0), (50.0, 1.0), (16.7, 0.001), (16.7, 1.0), (5.0, 1.0),
])  # fmt: skip
def test_a_loop_that_misses_ticks_is_paced_to_them(tick_ms, step_ms, missed):
    """However many it misses, and whatever the clock's step; the ticks missed are counted."""
    start, ticks = paced(tick_ms, missed)
    found = pacing(stamped(start, step_ms))
    assert found.mode == "fixed rate, skips"
    assert found.nominal_ms == pytest.approx(tick_ms, rel=0.003)
    lost = sum((s["periods"] - 1) * s["loops"] for s in found.slots)
    assert lost == pytest.approx(ticks[-1] - 1500, rel=0.05, abs=4)


@pytest.mark.parametrize("late_ms", [0.05, 0.5, 1.0])
def test_a_timer_that_is_late_by_turns_is_one(late_ms):
    """Loops of one, two and three ticks, each start as late as 1 ms."""
    start, ticks = paced(20.0, 0.5, late_ms, numbers=(2, 3))
    found = skipped_ticks(np.diff(start))
    assert (found.ms, found.known) == (pytest.approx(20.0, rel=0.002), "grid")
    assert found.missed == pytest.approx(1 - 1500 / ticks[-1], abs=0.002)


def test_a_loop_that_never_takes_one_tick():
    """Work of more than a tick: two or three of 10 ms each time."""
    rng = np.random.default_rng(2)
    ticks = np.append(0, np.cumsum(rng.choice([2, 3], 1500)))
    found = pacing(stamped(10.0 * ticks + np.abs(rng.normal(0, 0.1, 1501))))
    assert (found.mode, found.nominal_ms) == ("fixed rate, skips", 10.0)


def test_what_is_said_names_the_tick_what_is_missed_and_what_to_do():
    """Nothing is fine with it, and no stall is at no regular interval."""
    start, ticks = paced(20.0, 0.6)
    told = summarise(stamped(start), keep_warmup=True).findings
    every = ticks[-1]
    assert told[0].code == "pacing_skips"
    assert told[0].severity in ("look", "act")
    assert f"{every - 1500} of {every} ticks" in told[0].text
    assert "Time the calls" in told[0].text
    assert not {"healthy", "slow_unexplained"} & {f.code for f in told}


def free(kind, rng, n=1000):
    """Lengths of loops that wait for nothing [ms]."""
    two = rng.random(n) < rng.uniform(0.1, 0.9)
    if kind == "two ways":  # of 10 and 20 ms by chance, as even as work is
        return 10.0 * (1 + two) * rng.normal(1, 0.01, n)
    if kind == "in turns":
        return np.where(np.arange(n) % 2, 10.0, 20.0) * rng.normal(1, 0.005, n)
    if kind == "every fifth":
        return np.where(np.arange(n) % 5, 12.0, 24.3) + rng.normal(0, 0.3, n)
    if kind == "stalls":
        return 20 + rng.gamma(2, 0.5, n) + rng.exponential(20, n) * two
    return 20 * np.exp(rng.normal(0, rng.choice([0.003, 0.02, 0.1, 0.3]), n))


@pytest.mark.parametrize("kind", ["two ways", "in turns", "every fifth", "stalls", "spread"])
@pytest.mark.parametrize("step_ms", [0.001, 1.0])
def test_free_loops_are_paced_to_nothing(kind, step_ms):
    """Starts that are near whole multiples leave any grid in the long run."""
    for seed in range(20):
        lengths = free(kind, np.random.default_rng(seed))
        start = np.floor(np.append(0, np.cumsum(lengths)) / step_ms) * step_ms
        grain = step_ms if step_ms == 1.0 else 0.0
        assert skipped_ticks(np.diff(start), grain, step_ms) is None, seed


@pytest.mark.parametrize("unit_ms", [0.001, 1.0])
def test_steps_of_a_coarse_clock_are_no_timer(unit_ms):
    """A clock that steps by 15.625 ms, written in finer digits, makes any loop whole."""
    rng = np.random.default_rng(3)
    start = np.cumsum(np.where(rng.random(2000) < 0.3, 33.0, 20.0) + rng.normal(0, 1, 2000))
    seen = np.floor(np.floor(start / 15.625) * 15.625 / unit_ms) * unit_ms
    found = skipped_ticks(np.diff(seen), unit_ms, unit_ms)
    assert found.known == "clock"
    assert not pacing(stamped(seen, unit_ms)).fixed_rate


def test_waits_that_begin_anew_leave_it_open():
    """One or two sleeps of 20 ms from each start: two ways through the work might be as even."""
    rng = np.random.default_rng(4)
    ticks = np.where(rng.random(1500) < 0.4, 2, 1)
    length = 20.0 * ticks + np.abs(rng.normal(0, 0.04, 1500))
    found = pacing(stamped(np.append(0, np.cumsum(length))))
    assert found.mode == "can't tell"
    assert "whole multiples of 20" in found.mode_from
    assert "time the wait" in found.mode_from


def test_a_few_loops_tell_nothing():
    """Too few sums to tell a grid from a random walk."""
    start, _ = paced(20.0, 0.4, n=60)
    assert skipped_ticks(np.diff(start)) is None
