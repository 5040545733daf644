"""The tick that a recorded loop keeps, and by how much it misses it."""

import numpy as np
import pytest

from looptime.planner.answer.predict import predict
from looptime.planner.play.pacer import late_wakes, recorded_pace
from tests.build_run import make_flat_run


@pytest.mark.parametrize("least_wait_ms", [0.5, 8.0])
def test_jitter_counts_from_the_earliest_wakes(least_wait_ms):
    """Ticks of 20 ms, woken up to 1 ms late: half a millisecond on average, however long the wait.

    The earliest twentieth of the wakes, 0.05 ms late, is where the tick is taken to be.
    """
    rng = np.random.default_rng(2)
    n = 2000
    wake = rng.uniform(0, 1, n + 1)
    period = 20 + np.diff(wake)
    work = 20 - least_wait_ms - 1 - rng.uniform(0, 3, n)
    wait = period - work
    run = make_flat_run(
        (period * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": (wait * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )
    found, wait_known = recorded_pace(run)
    assert wait_known
    assert found.interval_ns == pytest.approx(20e6, rel=1e-4)
    assert found.jitter_ns.mean() / 1e6 == pytest.approx(0.5 - 0.05, abs=0.03)


def test_the_wait_of_a_loop_that_goes_on_misses_by_what_its_period_does():
    """A sleep of 20 ms less the work ends up to 1 ms late: jitter is what a period has more."""
    rng = np.random.default_rng(4)
    late = rng.uniform(0, 1, 1500)
    work = rng.uniform(5, 9, 1500)
    period = 20 + late
    run = make_flat_run(
        (period * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": ((period - work) * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )
    found, _ = recorded_pace(run)
    assert found.late == "go-on"
    assert np.ptp(found.jitter_ns) / 1e6 == pytest.approx(1.0, abs=0.01)
    assert np.corrcoef(found.jitter_ns, late)[0, 1] > 0.999


def busy_paced(seed=3, loops=1500):
    """A loop of 20 ms ticks that count anew from the end of each loop that came too late.

    Its thread wakes 0.1 ms late, and in one of five waits 4 ms more: 0.9 ms on average.
    """
    rng = np.random.default_rng(seed)
    work = rng.uniform(10, 16, loops)
    work[rng.random(loops) < 0.35] += 9.3
    late = 0.1 + 4.0 * (rng.random(loops) < 0.2)
    now, tick, period, wait = 0.0, 0.0, [], []
    for own, more in zip(work, late, strict=True):
        start, tick = now, tick + 20
        now += own
        if now < tick:
            now = tick + more
        else:
            tick = now
        period.append(now - start)
        wait.append(now - start - own)
    return make_flat_run(
        np.round(np.array(period) * 1e6).astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": (np.array(wait) * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )


def test_late_loops_that_move_the_ticks_do_not_stretch_them():
    """A third of the loops come too late, and the next tick counts from there: still 20 ms."""
    found, wait_known = recorded_pace(busy_paced())
    assert wait_known
    assert found.interval_ns == pytest.approx(20e6, rel=2e-3)


def test_how_late_the_loops_own_waits_end_is_read_from_the_log():
    """Waits that end 0.9 ms late on average, on ticks that late loops have moved."""
    assert late_wakes(busy_paced()).mean() / 1e6 == pytest.approx(0.9, abs=0.15)


def test_how_late_a_fixed_sleep_ends_is_read_from_the_log():
    """A sleep of 5 ms after the work that lasts up to 1 ms longer: half of that on average."""
    rng = np.random.default_rng(5)
    work = rng.uniform(5, 9, 1500)
    wait = 5 + rng.uniform(0, 1, 1500)
    run = make_flat_run(
        ((work + wait) * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": (wait * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )
    assert late_wakes(run).mean() / 1e6 == pytest.approx(0.5, abs=0.05)


def test_a_log_without_waits_tells_nothing_of_how_late_they_end():
    """A free loop: nothing is known of its sleeps."""
    assert late_wakes(make_flat_run(np.full(500, 10_000_000), {"work": np.full(500, 1)})) is None


def test_a_loop_that_loses_its_slot_more_often_than_not_keeps_the_single_tick():
    """Work of 6 to 16 ms on ticks of 10 ms: most loops take two, and the tick is one."""
    rng = np.random.default_rng(7)
    work = rng.uniform(6, 16, 1500)
    period = 10 * np.ceil(work / 10)
    assert np.median(period) == 20
    run = make_flat_run(
        (period * 1e6).astype(np.int64),
        {"scan": (work * 1e6).astype(np.int64), "pace": ((period - work) * 1e6).astype(np.int64)},
        {"scan": "sensor read", "pace": "pacing"},
    )
    found, _ = recorded_pace(run)
    assert (found.late, found.interval_ns) == ("skip", pytest.approx(10e6, rel=1e-4))


def test_a_tick_that_was_skipped_is_no_sleep_that_lasted_too_long():
    """Each tenth loop is too long for its tick and waits for the next; all wake 0.1 ms late."""
    rng = np.random.default_rng(8)
    work = np.where(np.arange(1500) % 10 == 0, 12.0, rng.uniform(6, 8, 1500))
    wake = 10 * np.cumsum(np.where(work > 10, 2, 1)) + rng.uniform(0, 0.2, 1500)
    period = np.diff(wake, prepend=0.0)
    run = make_flat_run(
        (period * 1e6).astype(np.int64),
        {"scan": (work * 1e6).astype(np.int64), "pace": ((period - work) * 1e6).astype(np.int64)},
        {"scan": "sensor read", "pace": "pacing"},
    )
    assert late_wakes(run).mean() / 1e6 < 0.2


def mostly_late(wait_of, share=0.05, loops=1500, seed=6):
    """A loop of 10 ms to whose work, 10 to 12 ms, some loops have less to do; a wait in some."""
    rng = np.random.default_rng(seed)
    work = rng.uniform(10.2, 12, loops)
    few = rng.random(loops) < share
    work[few] = rng.uniform(8.0, 9.9, int(few.sum()))
    wait = np.where(few, wait_of(work, rng), 0.0)
    period = work + wait
    return make_flat_run(
        (period * 1e6).round().astype(np.int64),
        {"work": (work * 1e6).astype(np.int64), "pace": (wait * 1e6).astype(np.int64)},
        {"work": "compute", "pace": "pacing"},
    )


@pytest.mark.parametrize("share", [0.015, 0.05])
def test_the_few_waits_of_a_loop_that_is_mostly_late_tell_where_it_ends(share):
    """One loop in a few waits until 10 ms after its start: halved work would take 10 ms, not 5."""
    run = mostly_late(lambda work, rng: 10 - work + rng.uniform(0, 0.04, len(work)), share)
    found, wait_known = recorded_pace(run)
    assert found.seldom
    assert wait_known
    assert found.late == "go-on"
    assert found.interval_ns == pytest.approx(10e6, rel=1e-3)
    made = predict(run, ["scale work by=0.5"], keep_warmup=True)
    assert made.judged == "period"
    assert made.predicted.period_ms["mean"].value == pytest.approx(10.02, abs=0.02)
    assert any("will end the gain" in text for text in made.warnings)
    untouched = predict(run, ["scale work by=0.95"], keep_warmup=True)
    assert untouched.predicted.period_ms["mean"].value > 10.2
    assert predict(run, [], keep_warmup=True).change_ms.value == pytest.approx(0, abs=0.002)


@pytest.mark.parametrize(
    "wait_of",
    [
        lambda work, rng: np.full(len(work), 0.4),
        lambda work, rng: rng.uniform(0.1, 3.0, len(work)),
        lambda work, rng: np.maximum(9 - work, 0.0) + 0.1,
    ],
    ids=[
        "a fixed sleep",
        "for something else",
        "as much as the work leaves, and loops are shorter",
    ],
)
def test_few_waits_that_end_anywhere_keep_no_pace(wait_of):
    """Sleeps now and then after which no loop is of one length say nothing of others."""
    assert recorded_pace(mostly_late(wait_of)) is None
