"""Loops that are late for their tick in many of their loops: each kind simulated in time."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.late_ticks import _below, kept_starts, late_ticks
from looptime.planner.play.pacer import recorded_pace
from looptime.planner.play.replay import replay
from tests.build_run import make_flat_run


def paced(late, work, tick=20.0, wake=0.05, seed=0):
    """Periods and waits [ms] of a loop that waits for its tick only where it has time left."""
    rng = np.random.default_rng(seed)
    now, due, period, wait = 0.0, tick, [], []
    for own in work:
        begun, now = now, now + own
        wait.append(max(due - now, 0.0) + (abs(rng.normal(0, wake)) if now < due else 0.0))
        now += wait[-1]
        if wait[-1] or late == "catch-up":
            due += tick
        elif late == "go-on":
            due = now + tick
        else:
            due = tick * (np.floor(now / tick) + 1)
        if late == "go-on":
            due = now + tick
        period.append(now - begun)
    return np.array(period), np.array(wait)


def work_for(late, loops=1200, seed=1):
    """Work that is too long in most loops: by a little, or by much where that is made up for."""
    rng = np.random.default_rng(seed)
    if late != "catch-up":
        return rng.normal(21.5, 3.0, loops)
    return rng.normal(14, 3, loops) + np.where(rng.random(loops) < 0.02, 180.0, 0.0)


MODES = {"go-on": "skips", "at-once": "skips", "catch-up": "catches up"}


@pytest.mark.parametrize("late", MODES)
@pytest.mark.parametrize("seed", range(3))
def test_a_tick_for_which_most_loops_are_late_is_seen(late, seed):
    """Work of about 21.5 ms for a tick of 20: no loop waits that is late, and it is 20 ms."""
    period, wait = paced(late, work_for(late, seed=seed), seed=seed)
    assert (wait < 1e-9).mean() > 0.5
    kept = late_ticks(period, wait)
    assert kept is not None
    assert kept.late == late
    assert kept.ms == pytest.approx(20, rel=0.005)


def run_of(period, wait, kind="pacing"):
    """The same as a run of calls."""
    half, wait = (np.round(ms * 1e6).astype(np.int64) for ms in ((period - wait) / 2, wait))
    calls = {"scan": half, "drive": half, "pause": wait}
    return make_flat_run(
        2 * half + wait, calls, {"scan": "compute", "drive": "compute", "pause": kind}
    )


@pytest.mark.parametrize("kind", ["pacing", "wait"])
@pytest.mark.parametrize("late", MODES)
def test_such_a_loop_is_at_a_fixed_rate(late, kind):
    """Named as pacing or as any wait: 50 a second."""
    found = prepare(run_of(*paced(late, work_for(late)), kind)).pacing
    assert found.mode == f"fixed rate, {MODES[late]}"
    assert found.nominal_hz == pytest.approx(50)


@pytest.mark.parametrize("late", MODES)
@pytest.mark.parametrize("factor", [0.9, 0.4])
def test_what_is_saved_in_it_is_waited_for(late, factor):
    """Half of the work made shorter: the periods are those of a simulation with as much work."""
    work = work_for(late)
    truth, _ = paced(late, work * (0.5 + 0.5 * factor))
    played = replay(run_of(*paced(late, work)), [f"scale scan by={factor}"])
    found = played.loop_columns.period_ns / 1e6
    assert found.mean() == pytest.approx(truth.mean(), abs=0.1)
    assert found.mean() >= 19.99
    assert np.quantile(found, 0.99) == pytest.approx(np.quantile(truth, 0.99), rel=0.02)


def test_the_ticks_of_such_a_loop_lie_where_its_waits_end():
    """A grid of 20 ms that late loops do not move: 20 ms to the part in a thousand."""
    found, known = recorded_pace(run_of(*paced("at-once", work_for("at-once"))))
    assert known
    assert found.late == "at-once"
    assert found.interval_ns == pytest.approx(20e6, rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_other_waits_keep_no_tick(seed):
    """A lock that a thread lets go each 5 ms or 50 ms, and a sleep in some of the loops."""
    rng = np.random.default_rng(seed)
    work = rng.uniform(10, 14, 1500)
    for every in (5.0, 50.0):
        now, wait = 0.0, np.zeros(1500)
        for k, own in enumerate(work):  # the thread holds it for the last third of its round
            now += own
            wait[k] = every - now % every if now % every > every * 2 / 3 else 0.0
            now += wait[k]
        assert late_ticks(work + wait, wait) is None
    sleep = np.where(rng.random(1500) < 0.6, rng.uniform(2, 4, 1500), 0.0)
    assert late_ticks(work + sleep, sleep) is None
    even = np.where(np.arange(1500) % 3, 3.0, 0.0)
    assert late_ticks(12 + even, even) is None


@pytest.mark.parametrize(
    "period",
    [
        np.random.default_rng(1).normal(10, 1, 3000),
        np.random.default_rng(2).integers(9, 12, 3000) * 1.0,  # many lie on one line
        np.append(np.linspace(5, 15, 500), 0.5),  # each alone above the line to the last
        np.linspace(15, 5, 500),
        np.array([3.0, 1.0]),
        np.empty(0),
    ],
)
def test_no_start_lies_below_the_string_and_each_touched_one_bends_it(period):
    start = np.append(0.0, np.cumsum(period))
    touched = _below(start)
    string = np.interp(np.arange(len(start)), touched, start[touched])
    assert touched[0] == 0
    assert touched[-1] == len(period)
    assert (start >= string - 1e-9).all()
    assert (np.diff(np.diff(start[touched]) / np.diff(touched)) > 0).all()


@pytest.mark.parametrize("step", [0.0, 0.5])
@pytest.mark.parametrize("seed", range(3))
def test_starts_in_time_lie_on_a_line_below_all_others(step, seed):
    """Work of about 19.5 ms for ticks of 20, made up for later; stamps may be in half milliseconds.

    The same work without a tick touches such a line here and there alone.
    """
    work = np.random.default_rng(seed).normal(19.5, 2.5, 3000)
    period, _ = paced("catch-up", work, seed=seed)
    for took, tick in ((period, 20.0), (work, None)):
        end = np.append(0.0, np.cumsum(took))
        stamps = np.floor(end / step) * step if step else end
        found = kept_starts(np.diff(stamps), step)
        assert (found and round(found.ms, 1)) == tick
