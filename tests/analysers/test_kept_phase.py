"""Timetables on a busy machine: played loops whose pace is known, and loops that have none."""

import numpy as np
import pytest

from looptime.analysers.kept_phase import kept_phase
from looptime.analysers.pacing import pacing
from looptime.analysers.skipped_ticks import skipped_ticks
from looptime.run import Clock, LoopColumns, Run


def stamped(start_ms, step_ms=0.001):
    """A run of bare stamps by a clock that steps by so much."""
    start = (np.floor(start_ms / step_ms) * step_ms * 1e6).round().astype(np.int64)
    loops = LoopColumns(np.arange(len(start) - 1), start[:-1], np.diff(start))
    return Run(loops, clock=Clock("us", "header", round(step_ms * 1e6)))


def woken(rng, count, tick_ms, share):
    """By how much each start is late: hardly, and a share by up to a tick, as others run first."""
    late = np.abs(rng.normal(0, 0.001 * tick_ms, count))
    return late + np.where(rng.random(count) < share, rng.exponential(0.25 * tick_ms, count), 0.0)


def timetable(rng, tick_ms, share, count=600, work=(0.3, 0.6), heavy=0):
    """Starts of a loop that waits for its next tick and is late by itself or by its work."""
    took = tick_ms * rng.uniform(*work, count + 1)
    if heavy:
        took[::heavy] += 0.8 * tick_ms
    late = woken(rng, count + 1, tick_ms, share)
    start, end, tick = np.zeros(count + 1), 0.0, 0
    for k in range(count + 1):
        tick = max(tick + 1, int(np.ceil(end / tick_ms)))
        start[k] = max(tick * tick_ms + late[k], end)
        end = start[k] + took[k]
    return start


@pytest.mark.parametrize("tick_ms", [8.0, 12.5, 20.0])
@pytest.mark.parametrize("how", [
    {"share": 0.03}, {"share": 0.1}, {"share": 0.3}, {"share": 0.1, "work": (0.6, 1.15)},
    {"share": 0.15, "heavy": 20},
])  # fmt: skip
@pytest.mark.parametrize("seed", [1, 2])
def test_a_timetable_is_told_however_often_starts_are_late(tick_ms, how, seed):
    """From 3 to 30 % of late wakes, ticks skipped for work, a heavy call in each twentieth loop."""
    start = timetable(np.random.default_rng(seed), tick_ms, **how)
    found = pacing(stamped(start))
    assert found.fixed_rate
    assert found.nominal_ms == pytest.approx(tick_ms, rel=0.003)


@pytest.mark.parametrize("varied_ms", [0.0, 0.5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_timetable_is_told_from_whole_milliseconds(varied_ms, seed):
    """The stamp stands after a first call that varies, and is cut to whole ms."""
    rng = np.random.default_rng(seed)
    start = timetable(rng, 25.0, 0.1)
    run = stamped(start + np.abs(rng.normal(0, varied_ms, len(start))), 1.0)
    found = pacing(run)
    assert (found.fixed_rate, found.nominal_ms) == (True, 25.0)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("scatter", [0.005, 0.02, 0.1])
@pytest.mark.parametrize("step_ms", [0.001, 1.0])
@pytest.mark.parametrize("tick_ms", [12.0, 12.7])
def test_what_is_late_for_good_keeps_no_timetable(share, scatter, step_ms, tick_ms):
    """Loops that begin when the last one ends, held up now and then, and never shorter for that."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        period = tick_ms * np.exp(rng.normal(0, scatter, 600)) + woken(rng, 600, tick_ms, share)
        start = np.append(0.0, np.cumsum(period))
        cut = np.floor(start / step_ms) * step_ms
        found = kept_phase(np.diff(cut), step_ms if step_ms == 1.0 else 0.0)
        assert found is None or found.known == "clock"


@pytest.mark.parametrize("apart", [0.005, 0.02, 0.1])
def test_loops_that_take_turns_keep_no_timetable(apart):
    """A long and a short loop by turns make up for one another, and are on no clock."""
    rng = np.random.default_rng(1)
    period = 20 * (1 + apart * (-1.0) ** np.arange(600)) + rng.normal(0, 0.05, 600)
    assert kept_phase(period) is None


def test_few_late_loops_that_come_back_are_no_proof():
    """Cut to whole ms, starts of 20 ms each tell nothing by themselves; three late ones hint."""
    period = np.full(300, 20.0)
    assert kept_phase(period, 1.0).known == "clock"
    assert "within the steps of the clock to a timetable of 20 ms" in kept_phase(period, 1.0).said
    assert kept_phase(0 * period) is None
    for k in (50, 120, 200):
        period[k : k + 2] = 27, 13
    assert kept_phase(period, 1.0).known == "likely"
    assert kept_phase(period[:90], 1.0) is None


@pytest.mark.parametrize("odd_ms", [-5e4, 1e12])
def test_a_clock_that_is_set_back_or_far_ahead_tells_no_timetable(odd_ms):
    """Nor does it fail; and a single such step is no reason to believe one."""
    rng = np.random.default_rng(3)
    period = rng.uniform(8, 30, 400)
    period[3] = odd_ms
    assert kept_phase(period) is None


def test_a_tick_that_nearly_all_loops_miss_is_none():
    """Loops of 20 and 21 steps of 0.6 ms are not meant to run each 0.6 ms."""
    rng = np.random.default_rng(2)
    ticks = np.append(0, np.cumsum(rng.choice([20, 21], 600)))
    start = 0.6 * ticks + np.abs(rng.normal(0, 0.01, 601))
    assert skipped_ticks(np.diff(start)) is None
    found = pacing(stamped(start))
    assert found.nominal_ms is None or found.nominal_ms > 6
