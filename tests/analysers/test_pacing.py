"""How a loop is paced: simulated loops of each kind."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.kept_grid import on_grid
from looptime.analysers.pacing import _round_period, _slots, pacing
from looptime.analysers.pacing_rule import (
    _always_as_long,
    _makes_up,
    _unmoved,
    by_waits,
    with_unnamed,
)
from looptime.run import Clock, LoopColumns, Run
from tests.build_run import make_flat_run, make_run


def simulate(mode: str, n: int = 1500, seed: int = 1, tick_ms: float = 20.0, sigma: float = 0.25):
    """Work and wait [ns] of a loop that is paced in the given way, event by event."""
    rng = np.random.default_rng(seed)
    work = 14e6 * np.exp(rng.normal(0, sigma, n))
    wake = np.abs(rng.normal(0, 4e4, n))
    wait, now, due = np.zeros(n), 0.0, tick_ms * 1e6
    for k in range(n):
        now += work[k]
        if mode == "sleep":
            wait[k] = 6e6 + wake[k]
        elif mode == "from now":  # the next start counts from now
            wait[k] = max(due - now, 0) + wake[k]
        elif mode == "catch up":
            wait[k] = due - now + wake[k] if due > now else 0
        elif mode == "skip":
            while due <= now:
                due += tick_ms * 1e6
            wait[k] = due - now + wake[k]
        now += wait[k]
        due = now + tick_ms * 1e6 if mode == "from now" else due + tick_ms * 1e6
    return work.astype(np.int64), wait.astype(np.int64)


NAMES = {"work": "compute", "pace": "pacing"}


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        ("sleep", "sleep after work"),
        ("skip", "fixed rate, skips"),
        ("catch up", "fixed rate, catches up"),
        ("free", "free-running"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mode_with_the_wait_logged(mode, expected, seed):
    """Each kind of pacing is told from the waits."""
    work, wait = simulate(mode, seed=seed)
    if mode == "free":
        run = make_flat_run(work + 100, {"work": work}, NAMES)
    else:
        run = make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES)
    assert pacing(run).mode == expected


@pytest.mark.parametrize("seed", range(8))
def test_even_work_and_late_wakes(seed):
    """Nearly even work and a system that sometimes wakes the loop late still keep to a rate."""
    rng = np.random.default_rng(seed)
    n = 400
    work = rng.normal(4.3e6, 0.1e6, n)
    late = np.where(rng.random(n) < 0.04, rng.choice([2.3e6, 8.3e6], n), 0.0)
    wake = np.abs(rng.normal(0, 2e3, n)) + late
    start = 20e6 * np.arange(n + 1) + np.concatenate([[0.0], wake])  # ticks, each kept late
    period = np.diff(start)
    wait = (period - work).astype(np.int64)
    run = make_flat_run(
        work.astype(np.int64) + wait, {"work": work.astype(np.int64), "pace": wait}, NAMES
    )
    found = pacing(run)
    assert found.fixed_rate
    assert found.nominal_hz == pytest.approx(50, rel=1e-3)


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        ("skip", "fixed rate, skips"),
        ("catch up", "fixed rate, catches up"),
        ("free", "free-running"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mode_from_bare_stamps(mode, expected, seed):
    """Skipping and catching up show in the periods alone."""
    work, wait = simulate(mode, seed=seed)
    assert pacing(make_flat_run(work + wait)).mode == expected


def test_free_running_loops_of_every_base_are_not_taken_for_paced():
    """Autocorrelated periods keep to no grid."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        period = 10e6 * np.exp(0.05 * rng.normal(size=2000) + 0.05 * np.sin(np.arange(2000) / 9))
        assert pacing(make_flat_run(period.astype(np.int64))).mode == "free-running"


def test_a_burst_of_catching_up_is_one_event():
    """One loop of 100 ms and the short ones after it: made up once, and the rate is kept."""
    period = np.full(400, 20_000_000)
    period[200], period[201:211] = 100_000_000, 12_000_000
    found = pacing(make_flat_run(period))
    assert found.mode == "fixed rate, catches up"
    assert (found.made_up_count, found.burst_count) == (1, None)  # no wait is logged
    assert found.achieved_hz == pytest.approx(50)


def fixed_rate(work, late_by, nominal=20_000_000):
    """Starts of loops due each 20 ms, each as soon as it is due and the last has ended [ns]."""
    start = np.zeros(len(work) + 1, np.int64)
    for k in range(len(work)):
        start[k + 1] = max(start[k] + work[k], (k + 1) * nominal + late_by[k])
    return np.diff(start)


def test_late_starts_are_no_bursts():
    """Of an executor of 50 Hz every tenth loop wakes 5 ms late, and three work for 90 ms.

    A late start takes nothing but wait from the next loop; after each long one four loops are due
    at once, of which each works for 3 ms.
    """
    work, late = np.full(600, 3_000_000), np.zeros(600, np.int64)
    late[5::10] = 5_000_000
    work[[100, 300, 500]] = 90_000_000
    period = fixed_rate(work, late)
    found = pacing(make_flat_run(period, {"work": work, "pace": period - work}, NAMES))
    assert found.mode == "fixed rate, catches up"
    assert (found.late_count, found.made_up_count) == (63, 63)
    assert found.burst_count == 3
    only_late = fixed_rate(np.full(600, 3_000_000), late)
    slept = {"work": np.full(600, 3_000_000), "pace": only_late - 3_000_000}
    assert pacing(make_flat_run(only_late, slept, NAMES)).burst_count == 0


def test_slots_are_counted():
    """Loops of one, two and three nominal periods."""
    period = np.full(300, 10_000_000)
    period[[50, 100, 150]] = 20_000_000
    period[200] = 30_000_000
    found = pacing(make_flat_run(period))
    assert found.slots == (
        {"periods": 1, "loops": 296},
        {"periods": 2, "loops": 3},
        {"periods": 3, "loops": 1},
    )
    assert found.late_count == 4


def test_long_term_rate_error():
    """A loop meant for 1 kHz that takes 1.001 ms runs 999 ppm slow."""
    rng = np.random.default_rng(2)
    starts = np.arange(5001) * 1_001_000 + rng.normal(0, 5000, 5001)
    found = pacing(make_flat_run(np.diff(starts).astype(np.int64)))
    assert found.nominal_hz == pytest.approx(1000)
    assert found.rate_error_ppm == pytest.approx(-999, abs=20)


def test_a_late_loop_and_the_shorter_one_behind_it_say_nothing_of_the_rate():
    """One of 250 ticks of 20 ms is 2.1 ms late: 17.9 to the next, and both are none in time."""
    starts = np.arange(251) * 20.0 + np.random.default_rng(4).normal(0, 0.02, 251)
    starts[100] += 2.1
    found = pacing(make_flat_run(np.round(1e6 * np.diff(starts)).astype(np.int64)))
    assert found.mode.startswith("fixed rate")
    assert abs(found.rate_error_ppm) < 40


@pytest.mark.parametrize("ppm", [0, -150, 400])
def test_the_long_term_rate_of_a_loop_that_skips_is_that_of_its_ticks(ppm):
    """Ticks of 10 ms by a clock so far off; one loop in thirty starts up to 25 ms late."""
    rng = np.random.default_rng(6)
    late = np.where(rng.random(3000) < 0.03, rng.uniform(2, 25, 3000), 0.0)
    starts, tick = [], 0
    for more in late:
        starts.append((tick * 10 + more + rng.normal(0, 0.02)) / (1 + 1e-6 * ppm))
        tick = int((tick * 10 + more + 4) // 10) + 1
    found = pacing(make_flat_run(np.round(1e6 * np.diff(starts)).astype(np.int64)))
    assert found.mode == "fixed rate, skips"
    assert found.rate_error_ppm == pytest.approx(ppm, abs=30)


def test_a_pause_of_hundreds_of_ticks_does_not_hide_how_far_off_they_are():
    """Ticks of 20.05 ms, stated as 20, and three pauses of 400: 2,494 ppm slow, as all are."""
    ticks = np.ones(1500)
    ticks[[300, 700, 1100]] = 400
    found = pacing(make_flat_run(np.round(20.05e6 * ticks).astype(np.int64)))
    assert found.rate_error_ppm == pytest.approx(1e6 * (20 / 20.05 - 1), abs=20)


def test_sleep_instead_of_a_tick():
    """A sleep of 100 ms after 50 ms of work: nominal 10 a second, achieved 6.7."""
    rng = np.random.default_rng(2)
    work = rng.normal(50e6, 5e6, 300).astype(np.int64)
    wait = np.full(300, 100_000_000)
    found = pacing(make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES))
    assert found.mode == "sleep after work"
    assert found.nominal_hz == pytest.approx(10)
    assert found.achieved_hz == pytest.approx(6.67, abs=0.05)


def test_a_wait_that_nobody_labelled():
    """A call that fills each loop up to the same length is named as the wait it is."""
    work, wait = simulate("skip", sigma=0.1)
    run = make_flat_run(work + wait, {"work": work, "regulate": wait}, {"work": "compute"})
    found = pacing(run)
    assert found.mode.startswith("fixed rate")
    assert "regulate" in found.mode_from
    assert not found.wait_known


EVEN = {
    "three": {"read": (3.0, 0.08), "control": (0.5, 0.02), "write": (4.0, 0.1)},
    "wait is last of five": {
        "read": (6.0, 0.06), "solve": (1.0, 0.04), "write": (5.0, 0.4), "mast.read": (4.0, 0.05),
    },
    "a short wait for a lock": {"read": (6.0, 0.2), "lock.wait": (0.7, 0.05), "write": (2.0, 0.2)},
}  # fmt: skip


@pytest.mark.parametrize("calls", EVEN.values(), ids=EVEN)
@pytest.mark.parametrize("filler", ["wait", "rest of it"])
def test_of_even_loops_without_a_gap_the_call_that_makes_up_for_the_others_waits(calls, filler):
    """Every call is the period less the rest, but only the wait varies as the rest together."""
    rng = np.random.default_rng(8)
    took = {name: rng.normal(1e6 * m, 1e6 * s, 900) for name, (m, s) in calls.items()}
    tick = 1.3e6 * sum(mean for mean, _ in calls.values())
    took[filler] = tick - sum(took.values())
    names = {"read": "sensor read", "mast.read": "sensor read", "lock.wait": "wait"}
    names |= {"solve": "compute", "control": "compute", "write": "actuator write", "wait": "wait"}
    run = make_flat_run(
        np.full(900, int(tick)), {k: v.astype(np.int64) for k, v in took.items()}, names
    )
    assert pacing(run).mode_from == f"{filler} shrinks as the rest of the loop grows: a wait"
    guessed = tuple(replace(n, kind_from="guessed") for n in run.names)
    labelled = prepare(run.with_names(guessed)).run.names
    assert [name.name for name in labelled if name.kind == "pacing"] == [filler]


def test_a_call_that_varies_while_the_wait_is_not_logged_is_no_wait():
    """Where time outside all calls fills up the slot, a call that varies is not named for it."""
    work, wait = simulate("skip", sigma=0.1)
    steady = np.full(len(work), 500_000)
    calls = {"drive": work - steady, "gyro": steady}
    found = pacing(make_flat_run(work + wait, calls, {"drive": "other", "gyro": "sensor read"}))
    assert found.mode.startswith("fixed rate")
    assert "drive" not in found.mode_from
    run = prepare(make_flat_run(work + wait, calls, {"drive": "other"})).run
    assert "pacing" not in {name.kind for name in run.names}


def test_no_pace_is_told_of_loops_that_are_the_sum_of_their_parts():
    """Without a clock a wait between the parts is not in the log, and none is ruled out."""
    work, _ = simulate("free")
    run = replace(make_flat_run(work, {"work": work}, NAMES), loop_from="the sum of its parts")
    assert pacing(run).mode == "can't tell"


def test_too_few_loops():
    """Nineteen loops do not tell how they are paced."""
    found = pacing(make_run([10] * 19))
    assert found.mode == "can't tell"
    assert "20 would do" in found.mode_from


def test_a_sleep_that_shrinks_a_little_is_still_a_sleep():
    """A fifth of what the work takes longer is taken off the wait: no tick does that."""
    rng = np.random.default_rng(6)
    work = 14e6 + rng.normal(0, 1e6, 1500)
    wait = 6e6 - 0.2 * (work - 14e6) + np.abs(rng.normal(0, 4e4, 1500))
    columns = {"work": work.astype(np.int64), "pace": wait.astype(np.int64)}
    found = pacing(make_flat_run(sum(columns.values()), columns, NAMES))
    assert found.mode == "sleep after work"


def test_a_short_loop_now_and_then_is_no_catching_up():
    """Late loops lose their slot; one in five happens to be followed by a shorter loop."""
    period = np.full(1000, 20_000_000)
    period[::20] = 40_000_000
    period[1::100] = 18_000_000
    work = np.full(1000, 12_000_000) + np.random.default_rng(7).integers(0, 2_000_000, 1000)
    work[::20] = 25_000_000
    found = pacing(make_flat_run(period, {"work": work, "pace": period - work}, NAMES))
    assert found.mode == "fixed rate, skips"
    assert found.burst_count == 0


def test_a_wait_outside_the_loops_row_is_no_uncovered_work():
    """Of 20 ms periods 5 to 11 ms are work, with 1 ms that no call covers: only that is left."""
    work = [5 + k % 7 for k in range(70)]
    run = make_run([20] * 70, lambda k: [("update", 0, work[k] - 1)], body_ms=work)
    basis = prepare(run)
    assert basis.judged == "work"
    assert (basis.judged_ns / 1e6).tolist() == work
    assert basis.unattributed_ns.tolist() == [1_000_000] * 70


def test_one_step_of_the_clock_more_is_not_late():
    """An even loop of 5.0025 ms on a clock of 1 ms is 6 ms long each 400 loops, and never late."""
    start = np.arange(4001) * 5_002_500 // 1_000_000 * 1_000_000
    found = pacing(make_flat_run(np.diff(start), tick_ns=1_000_000))
    assert found.fixed_rate
    assert found.late_count == 0


def test_loops_that_mostly_have_no_length_have_no_pace():
    """A log whose periods are mostly 0, rounded away, is no fixed rate of 1/0."""
    period = np.where(np.arange(200) % 9 == 0, 1_000_000, 0)
    found = pacing(Run(LoopColumns(np.arange(200), np.cumsum(period), period)))
    assert found.mode == "can't tell"
    assert found.nominal_hz is None


def guessed_run(work, wait, name: str, kind: str):
    """A loop of work and one call whose kind was guessed from its name."""
    run = make_flat_run(work + wait, {"work": work, name: wait}, {"work": "compute", name: kind})
    return run.with_names(tuple(replace(call, kind_from="guessed") for call in run.names))


@pytest.mark.parametrize(("name", "kind"), [("loop.wait", "wait"), ("endOfPass", "other")])
def test_a_wait_for_the_tick_under_another_name(name, kind):
    """A call that fills each loop up to its tick is the pacing wait, whatever it is called."""
    work, wait = simulate("catch up", sigma=0.1)
    basis = prepare(guessed_run(work, wait, name, kind))
    assert basis.judged == "work"
    assert np.array_equal(basis.judged_ns, work)


def test_a_read_that_waits_for_its_sensor_stays_a_read():
    """A sensor read that fills the loop up to a beat is not taken for the loop's own wait."""
    work, wait = simulate("catch up", sigma=0.1)
    basis = prepare(guessed_run(work, wait, "gyro.read", "sensor read"))
    assert basis.run.names[1].kind == "sensor read"
    assert not basis.pacing.wait_known


@pytest.mark.parametrize("every", [10, 30, 64])
def test_stalls_every_so_many_loops_are_no_pace(every):
    """Rare stalls at even distances keep sums of periods alike, and yet nothing paces the loop."""
    period = 7e6 * np.exp(np.random.default_rng(every).normal(0, 0.05, 1500))
    period[every - 1 :: every] += 25e6
    period = period.astype(np.int64)
    run = Run(LoopColumns(np.arange(1500), np.cumsum(period) - period, period))
    assert pacing(run).mode == "free-running"


def test_periods_alike_for_a_coarse_clock_are_no_pace():
    """Loops of 6.6 to 7.4 ms read 7 ms as a rule on a clock of whole milliseconds."""
    true = np.random.default_rng(5).normal(7e6, 0.3e6, 3000)
    start = np.cumsum(true) // 1_000_000 * 1_000_000
    period = np.diff(start).astype(np.int64)
    run = Run(LoopColumns(np.arange(2999), start[:-1].astype(np.int64), period))
    assert np.median(period) == 7e6
    assert pacing(run).mode == "free-running"


def test_waits_in_whole_milliseconds_for_a_tick_are_a_fixed_rate():
    """A wait cut down to milliseconds starts early and late by turns, yet keeps to 50 a second."""
    work = np.random.default_rng(3).normal(6.26e6, 0.01e6, 600)
    wait, now = np.zeros(600), 0.0
    for k in range(600):
        now += work[k]
        wait[k] = ((k + 1) * 20e6 - now) // 1e6 * 1e6 + 0.07e6  # 0.07 ms of waking up
        now += wait[k]
    work, wait = work.astype(np.int64), wait.astype(np.int64)
    found = pacing(make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES))
    assert found.mode == "fixed rate"
    assert found.nominal_ms == 20.0


def test_stalls_every_so_many_loops_before_a_sleep_are_no_rate():
    """A sleep of 10 ms stays one though every tenth loop works longer: sums of ten are alike."""
    rng = np.random.default_rng(4)
    work = rng.normal(6e6, 0.001e6, 600)
    work[9::10] += 5e6
    wait = 10e6 + rng.uniform(0, 0.6e6, 600)
    work, wait = work.astype(np.int64), wait.astype(np.int64)
    found = pacing(make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES))
    assert found.mode == "sleep after work"


def test_a_logged_wait_after_the_work_is_counted_once(tmp_path):
    """Work of 11 ms and what is left of 20 in a column "idle": 9 ms of wait, not 18."""
    rng = np.random.default_rng(4)
    work = np.round(11 + 0.5 * rng.normal(size=400), 2)
    vision = np.round(4 + 0.3 * rng.normal(size=400), 2)
    rows = [f"{0.02 * k:.4f},{w:.2f},{20 - w:.2f},{v:.2f}"
            for k, (w, v) in enumerate(zip(work, vision, strict=True))]  # fmt: skip
    log = tmp_path / "log.csv"
    log.write_text("\n".join(["time_s,work_ms,idle_ms,vision_ms", *rows]) + "\n")
    basis = prepare(looptime.read(log, cache=False))
    assert basis.judged == "work"
    assert basis.judged_ms == pytest.approx(work[:399])
    left = basis.unattributed_ns / 1e6
    assert left == pytest.approx(work[:399] - vision[:399])


def test_instants_are_no_sleep():
    """A log that gives the begin of each loop and no end shows no wait after it."""
    rng = np.random.default_rng(2)
    period = (20e6 * np.exp(rng.normal(0, 0.05, 800))).astype(np.int64)
    run = make_flat_run(period)
    loops = replace(run.loop_columns, body_ns=np.zeros(800, np.int64))
    found = pacing(replace(run, loop_columns=loops))
    assert not found.wait_known
    assert found.mode == "free-running"


def test_stalls_that_come_evenly_do_not_move_the_rate():
    """Every 30th loop of 16.1 ms takes 18.8 ms more: sums keep alike, but the pace is 16.1 ms."""
    rng = np.random.default_rng(3)
    period = 16.1 + np.diff(rng.normal(0, 0.02, 3001))
    period[::30] += 18.8
    found = pacing(make_flat_run((1e6 * period).astype(np.int64)))
    assert found.fixed_rate
    assert found.nominal_ms == pytest.approx(16.1, rel=0.004)


@pytest.mark.parametrize("least", [1.0, 2.0, 5.0, 16.1])
def test_even_loops_that_each_begin_at_the_last_ones_end_keep_no_rate(least):
    """Work of 0.4 % above a round length, with a tail: nothing shows a wait for a tick, or none."""
    rng = np.random.default_rng(3)
    period = least * (1.004 + rng.gamma(1.2, 0.0015, 3000))
    found = pacing(make_flat_run((1e6 * period).astype(np.int64)))
    assert (found.mode, found.nominal_ms) == ("can't tell", None)
    assert "work as even as that" in found.mode_from


def test_a_wait_that_vanishes_where_the_work_is_long_is_for_a_tick():
    """Even work of 5.2 ms, 22.7 every 20 loops; waits in whole ms to the next tick."""
    rng = np.random.default_rng(4)
    work = 5.2 + rng.normal(0, 0.03, 800)
    work[19::20] += 17.5
    now = tick = 0.0
    periods, waits = [], []
    for ms in work:
        tick = max(tick + 20.0, now + ms)
        wait = np.floor(tick - now - ms)
        wait += 0.08 * (wait > 0) + rng.exponential(0.2) * (rng.random() < 0.2 and wait > 0)
        periods.append(ms + wait)
        waits.append(wait)
        now += ms + wait
    calls = [[("work", 0.0, ms), ("pacing.wait", ms, wait)]
             for ms, wait in zip(work, waits, strict=True)]  # fmt: skip
    run = make_run(periods, lambda k: calls[k], {"pacing.wait": "pacing"})
    assert pacing(run).mode.startswith("fixed rate")


@pytest.mark.parametrize("missed", [0.26, 0.4, 0.6])
def test_a_tick_that_many_loops_miss_is_still_the_rate(missed):
    """Work longer than 20 ms in so many loops waits for the next tick: 50 Hz, with skips."""
    rng = np.random.default_rng(5)
    share = rng.random(2000) < missed
    work = (1e6 * np.where(share, rng.uniform(21, 27, 2000), rng.uniform(12, 19, 2000))).astype(int)
    period = -(-work // 20_000_000) * 20_000_000 + rng.integers(0, 40_000, 2000)
    found = pacing(make_flat_run(period, {"work": work, "pace": period - work}, NAMES))
    assert (found.mode, found.nominal_hz) == ("fixed rate, skips", 50.0)
    assert found.late_count == share.sum()


def test_a_sleep_after_work_of_two_lengths_is_no_tick():
    """Work of 10 and 20 ms before a sleep of 10 ms: periods are multiples of 10, as the work is."""
    rng = np.random.default_rng(6)
    work = np.where(rng.random(2000) < 0.4, 30e6, 10e6) * rng.normal(1, 0.004, 2000)
    wait = 10e6 + rng.uniform(0, 4e4, 2000)
    work, wait = work.astype(int), wait.astype(int)
    found = pacing(make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES))
    assert found.mode == "sleep after work"


@pytest.mark.parametrize("missed", [0.1, 0.36, 0.45])
def test_a_tick_that_is_made_up_for_later_is_caught_up(missed):
    """Work of 11 to 13 ms in so many loops of a 10 ms tick: later loops make the backlog good."""
    rng = np.random.default_rng(7)
    work = np.where(rng.random(4000) < missed, rng.uniform(11, 13, 4000), rng.uniform(4, 7, 4000))
    work = (1e6 * work).astype(np.int64)
    period = fixed_rate(work, rng.integers(0, 40_000, 4000), 10_000_000)
    found = pacing(make_flat_run(period, {"work": work, "pace": period - work}, NAMES))
    assert (found.mode, found.nominal_hz) == ("fixed rate, catches up", 100.0)
    assert found.made_up_count > 0.5 * found.late_count > 0


@pytest.mark.parametrize("missed", [0.1, 0.5])
def test_a_tick_is_told_by_whole_multiples_where_the_wait_is_not_logged(missed):
    """Starts on the grid of 20 ms, so many of them one tick later, and calls that vary: 50 Hz."""
    rng = np.random.default_rng(8)
    late = rng.random(1500) < missed
    work = (1e6 * np.where(late, rng.uniform(21, 30, 1500), rng.uniform(9, 18, 1500))).astype(int)
    period = np.where(late, 40_000_000, 20_000_000) + rng.integers(0, 30_000, 1500)
    found = pacing(make_flat_run(period, {"work": work}, NAMES))
    assert (found.mode, found.nominal_hz) == ("fixed rate, skips", 50.0)


def test_what_no_call_covers_may_be_a_sleep_where_it_never_varies():
    """15 ms outside calls that vary by a third: a sleep or work without a row, nobody can tell."""
    rng = np.random.default_rng(9)
    work = (9e6 * rng.lognormal(0, 0.3, 1000)).astype(int)
    rest = 15_000_000 + rng.integers(0, 60_000, 1000)
    found = pacing(make_flat_run(work + rest, {"work": work}, NAMES))
    assert found.mode == "can't tell"
    assert "15 ms however long the calls take" in found.mode_from
    rest = (15e6 * rng.lognormal(0, 0.2, 1000)).astype(int)
    assert pacing(make_flat_run(work + rest, {"work": work}, NAMES)).mode == "free-running"


@pytest.mark.parametrize("seed", range(12))
def test_a_call_that_is_long_now_and_then_is_no_wait(seed):
    """What makes loops miss their slot of 10 ms fills none of them up, whatever chance has it."""
    random = np.random.default_rng(seed)
    sense, think, act = (1e6 * m * random.normal(1, 0.06, 600) for m in (1.9, 1.6, 2.1))
    act[random.random(600) < 0.06] += random.uniform(6e6, 9e6)
    period = np.maximum(sense + think + act + 1e5, 1e7) + 1e4 * random.random(600)
    calls = {"sense": sense, "think": think, "act_out": act}
    run = make_flat_run(period.astype(int), {k: v.astype(int) for k, v in calls.items()},
                        dict.fromkeys(calls, "other"))  # fmt: skip
    run = run.with_names(tuple(replace(call, kind_from="guessed") for call in run.names))
    assert {name.kind for name in prepare(run).run.names} == {"other"}


def loaded(rng, way, aim, work_ms, logged, n=1200):
    """A loop on a machine under load: half of its loops take about half as long again.

    It sleeps until the next tick that is `aim` ms after the last, which begins anew after a loop
    that is late, or for `aim` ms; sleeps end late, one in four by much.
    """
    work = work_ms * rng.lognormal(0, 0.06, n)
    work *= np.where(np.sin(np.arange(n) / 40) > 0.1, rng.lognormal(0.4, 0.3, n), 1.0)
    over = rng.exponential(0.02, n) + (rng.random(n) < 0.25) * rng.exponential(1.0, n)
    period, now, tick = np.empty(n), 0.0, 0.0
    for k in range(n):
        done = now + work[k]
        tick = tick + aim if way == "tick" else done + aim
        tick = max(tick, done)
        woke = tick + over[k] if tick > done else done
        period[k], now = woke - now, woke
    ns, own = (1e6 * period).astype(np.int64), (1e6 * work).astype(np.int64)
    share = rng.uniform(0.5, 0.7)
    calls = {"read": (share * own).astype(np.int64)}
    calls["drive"] = own - calls["read"]
    if logged:
        calls["pace"] = ns - own
    return make_flat_run(ns, calls, NAMES if logged else None)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize(("tick", "work"), [(12.5, 9.0), (20.0, 15.5), (10.0, 7.4)])
def test_a_tick_that_most_loops_end_after_is_where_most_lie_close_together(
    seed, logged, tick, work
):
    """Under load most periods are longer than the tick; where calls leave time they end at it."""
    run = loaded(np.random.default_rng(seed), "tick", tick, work, logged)
    found = pacing(run)
    assert found.fixed_rate
    assert found.nominal_ms == pytest.approx(tick, rel=0.004)
    assert found.wait_known == logged


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("sleep", "work"), [(4.0, 6.0), (5.0, 3.5)])
def test_a_sleep_without_a_row_that_ends_late_under_load_cant_be_told(seed, sleep, work):
    """What no call covers never takes less than the sleep: it may be one, and that is said."""
    found = pacing(loaded(np.random.default_rng(seed), "sleep", sleep, work, False))
    assert found.mode == "can't tell"
    assert "a sleep after the work, or work without a row" in found.mode_from


@pytest.mark.parametrize("seed", range(3))
def test_much_that_varies_and_no_call_covers_is_said_to_hide_a_sleep_at_most(seed):
    """Work of 2 to 6 ms without a row beside calls of 7 to 10 ms: no pace, with that doubt."""
    rng = np.random.default_rng(seed)
    calls = rng.uniform(7, 10, 1000)
    rest = rng.uniform(2, 6, 1000)
    ns = {"read": (1e6 * calls).astype(np.int64)}
    found = pacing(make_flat_run((1e6 * (calls + rest)).astype(np.int64), ns))
    assert found.mode == "free-running"
    assert "would look the same" in found.mode_from
    few = pacing(make_flat_run((1e6 * (calls + 0.1 * rest)).astype(np.int64), ns))
    assert "would look the same" not in few.mode_from


def test_scatter_that_a_coarse_clock_hides_is_no_grid():
    """Loops of 5.4 ms that scatter by 0.15: cut to whole milliseconds most of it is the cutting."""
    true = np.random.default_rng(5).normal(5.4e6, 0.15e6, 1200)
    start = (np.cumsum(true) // 1_000_000 * 1_000_000).astype(np.int64)
    coarse = Clock("ms", "header", 1_000_000)
    run = Run(LoopColumns(np.arange(1199), start[:-1], np.diff(start)), clock=coarse)
    assert pacing(run).mode == "free-running"
    even = (np.arange(1200) * 6_250_000 // 1_000_000 * 1_000_000).astype(np.int64)
    run = Run(LoopColumns(np.arange(1199), even[:-1], np.diff(even)), clock=coarse)
    assert (pacing(run).mode, pacing(run).nominal_ms) == ("fixed rate", 6.25)


@pytest.mark.parametrize("paced", [False, True])
def test_fine_calls_beside_a_coarse_clock_tell_a_tick_by_their_slope_alone(paced):
    """Calls in us and stamps in ms: most periods read 9 ms in a loop that nothing paces, too."""
    draw = np.random.default_rng(6)
    calls = draw.normal(8.3e6, 0.25e6, 600)
    true = np.full(600, 9e6) if paced else calls + 0.5e6
    start = np.append(0, np.cumsum(true) // 1_000_000 * 1_000_000).astype(np.int64)
    run = make_flat_run(np.diff(start), {"imu": calls.astype(np.int64)}, tick_ns=1_000_000)
    found = pacing(run)
    assert np.median(run.loop_columns.period_ns) == 9e6
    assert found.mode == ("fixed rate" if paced else "free-running")


@pytest.mark.parametrize("seed", range(3))
def test_stamps_in_ms_beside_fine_calls_make_no_tick_of_a_loop_that_waits_for_nothing(seed):
    """Calls of 6.4, 2.4 and 1.8 ms in us, a message now and then: most periods are cut to 11 ms."""
    draw = np.random.default_rng(seed)
    calls = {"enc.read": draw.normal(6.4e6, 0.11e6, 900), "drive": draw.normal(2.4e6, 0.06e6, 900),
             "gyro.read": draw.normal(1.8e6, 0.09e6, 900)}  # fmt: skip
    message = np.where(np.arange(900) % 9 == 4, 5e6, 0)
    ends = np.append(0, np.cumsum(sum(calls.values()) + message + 0.25e6))
    period = np.diff((ends // 1_000_000 * 1_000_000).astype(np.int64))
    cut = {name: took.astype(np.int64) // 1000 * 1000 for name, took in calls.items()}
    found = pacing(make_flat_run(period, cut, tick_ns=1_000_000))
    assert (np.median(period), found.mode) == (11e6, "free-running")


def unlogged(rng, calls, kept, n=1500):
    """Calls [ns] of which each is logged in that share of the loops, as where values change."""
    return {
        name: np.where(rng.random(n) < share, series, 0)
        for (name, series), share in zip(calls.items(), kept, strict=True)
    }


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_calls_that_are_not_logged_in_every_loop_fill_no_loop_up(seed):
    """Loops as long as their calls, logged in 80, 70 and 50 % of them: nothing is waited for."""
    rng = np.random.default_rng(seed)
    means = {"gyro": 1.1e6, "drive": 3.4e6, "vision": 2.0e6}
    calls = {name: rng.normal(m, 0.05 * m, 1500).astype(np.int64) for name, m in means.items()}
    period = np.sum(list(calls.values()), axis=0) + 170_000
    run = make_flat_run(period, unlogged(rng, calls, (0.5, 0.8, 0.7)))
    assert pacing(run).mode == "free-running"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tick_is_told_though_a_call_is_made_in_some_loops_only(seed):
    """Started anew 7 ms after each start, give or take 0.1 ms, one call made in half the loops."""
    rng = np.random.default_rng(seed)
    calls = {name: rng.normal(m, 0.2e6, 1500) for name, m in (("drive", 3e6), ("vision", 2e6))}
    made = unlogged(rng, {name: x.astype(np.int64) for name, x in calls.items()}, (1, 0.5))
    period = (7e6 + np.abs(rng.normal(0, 1e5, 1500))).astype(np.int64)
    assert pacing(make_flat_run(period, made)).fixed_rate


def test_a_sleep_shorter_than_the_work_is_no_rate():
    """2 ms of sleep after 8 ms of work: nobody meant 500 loops a second."""
    rng = np.random.default_rng(3)
    work = rng.normal(8e6, 5e5, 300).astype(np.int64)
    wait = np.full(300, 2_000_000)
    found = pacing(make_flat_run(work + wait, {"work": work, "pace": wait}, NAMES))
    assert (found.mode, found.nominal_ms, found.nominal_hz) == ("sleep after work", 2.0, None)


@pytest.mark.parametrize(
    ("typical", "nominal"),
    [
        (20.05, 20.0), (20.07, 20.07), (16.64, 1000 / 60), (16.9, 1000 / 59), (3.33, 1000 / 300),
        (7.51, 1000 / 133), (7.01, 7.0), (33.3, 1000 / 30), (1001.2, 1001.0), (0.9995, 1.0),
        (3.3, 1000 / 303), (2.003, 2.0), (110.2, 110.0), (66.5, 1000 / 15), (142.45, 1000 / 7),
        (400.9, 401.0),
    ],
)  # fmt: skip
def test_the_roundest_rate_or_period_near_by(typical, nominal):
    """Within 0.3 %: fifties a second, whole ms from 4 on, tens, fives, ones, then half ms."""
    assert _round_period(typical) == pytest.approx(nominal)


def test_loops_of_whole_ticks():
    """One, two or three periods of 20 ms, a tenth more or less."""
    period = np.array([20.0, 21.9, 22.1, 17.9, 40.0, 41.0, 60.0, 5.0])
    assert _slots(period, 20.0) == (
        {"periods": 1, "loops": 2}, {"periods": 2, "loops": 2}, {"periods": 3, "loops": 1},
    )  # fmt: skip


def spreading(low, high, seed=1, count=400):
    """Lengths [ms] between two bounds."""
    return np.random.default_rng(seed).uniform(low, high, count)


@pytest.mark.parametrize(
    ("work", "wait", "mode", "why"),
    [
        (spreading(5, 9), np.zeros(400), "free-running", "hardly ever"),
        (spreading(5, 9), 20 - spreading(5, 9), "fixed rate", "although the work is not"),
        (spreading(5, 9), 8 + 0.05 * spreading(0, 1, 2), "sleep after work", "stays the same"),
        (spreading(5, 9), 20 - 0.8 * spreading(5, 9), "fixed rate", "although the work is not"),
        (spreading(5, 9), 20 - 0.55 * spreading(5, 9) + spreading(0, 3, 5), "fixed rate",
         "shrinks as the work grows"),
        (np.full(400, 5.0), 15 + spreading(-2, 2), "sleep after work", "period is not"),
    ],
)  # fmt: skip
def test_the_rule_that_waits_show(work, wait, mode, why):
    """Work of 5 to 9 ms, and what is left of 20 ms, or 8 ms however long it takes."""
    made, because = by_waits(work + wait, wait, None, 0.0, named=True)
    assert (made, why in because) == (mode, True)


def test_a_wait_that_is_gone_where_work_takes_the_period():
    """Three loops of 22 ms of work leave none of 20; two are too few to tell."""
    work = spreading(5, 5.001)
    wait = 15 + spreading(-2, 2)
    for long, said in ((3, "no wait where the work takes"), (2, "period is not")):
        work[:3], wait[:3] = 5.0, 15.0
        work[:long], wait[:long] = 22.0, 0.5
        assert said in by_waits(work + wait, wait, None, 0.0, named=True)[1]


def test_starts_on_a_grid():
    """Each loop 3 ms early or late of its slot; where each begins behind the last, by chance."""
    off = spreading(-3, 3, 4, 2001)
    assert on_grid(20 + np.diff(off), 0.0)
    assert not on_grid(20 + off, 0.0)
    assert not on_grid(20 + np.diff(off)[:127], 0.0)
    assert on_grid(20 + np.diff(off)[:128], 0.0)


def test_what_no_call_covers_fills_up_or_stays():
    """It shrinks as calls of 5 to 9 ms grow, by what they vary at least; or is 8 ms all along."""
    calls = spreading(5, 9)
    assert _makes_up(np.full(400, 20.0), 20 - calls, 0.5)
    assert not _makes_up(np.full(400, 20.0), 20 - calls, 2.0)
    assert not _makes_up(calls + 8, np.full(400, 8.0), 0.5)
    assert not _makes_up(20 + 0.5 * calls, 20 - 0.5 * calls, 0.5)
    rest = 8 + 0.01 * spreading(0, 1, 3)
    assert _always_as_long(rest, calls, calls + rest)
    assert not _always_as_long(rest / 12, calls, calls + rest / 12)
    assert not _always_as_long(20 - calls, calls, np.full(400, 20.0))
    late = 8 + 0.05 * spreading(0, 1, 3) + 4 * spreading(0, 1, 6) ** 4
    assert _always_as_long(late, calls, calls + late)


def caught_up(mean, sd, seed, n=3000):
    """Starts [ms] of loops that begin at a tick of 20 ms, or at once where the last was late."""
    rng = np.random.default_rng(seed)
    start = np.zeros(n + 1)
    for k, work in enumerate(rng.normal(mean, sd, n)):
        done, tick = start[k] + work, 20.0 * (k + 1)
        start[k + 1] = done if done > tick else tick + 0.06 + rng.exponential(0.04)
    return start


@pytest.mark.parametrize(("mean", "sd"), [(19.8, 2.5), (19.9, 1.5), (19.0, 4.0)])
def test_work_of_about_a_tick_shows_the_grid_in_the_loops_that_are_in_time(mean, sd):
    """Late loops are followed by short ones: over many, one loop a tick of 20 ms is made."""
    period = np.diff(caught_up(mean, sd, 3))
    found = pacing(make_flat_run((1e6 * period).astype(np.int64)))
    assert (found.mode, found.nominal_ms) == ("fixed rate, catches up", pytest.approx(20))
    assert "in time" in found.mode_from


@pytest.mark.parametrize("mean", [19.0, 19.8, 20.5])
def test_the_same_work_without_a_wait_keeps_no_grid(mean):
    """Each loop begins where the last one ends."""
    period = np.random.default_rng(3).normal(mean, 2.5, 3000)
    assert pacing(make_flat_run((1e6 * period).astype(np.int64))).mode == "free-running"


@pytest.mark.parametrize("paced", [True, False])
def test_periods_that_do_not_move_with_the_calls_are_kept_by_something(paced):
    """Loops of 5 ms stamped to 0.02 ms, calls of 2.3 that vary by 0.035: a wait nobody logged.

    Else 2.7 ms pass that know nothing of the calls, and the periods move with these.
    """
    rng = np.random.default_rng(6)
    calls = rng.normal(2.3, 0.035, 3000)
    begin = 5 * np.arange(3001) if paced else np.append(0, np.cumsum(calls + 2.7))
    period = np.diff(begin + rng.uniform(0, 0.06, 3001))
    found = prepare(make_run(period.tolist(), lambda k: [("read", 0, calls[k])])).pacing
    assert found.fixed_rate is paced
    assert ("do not move with what the calls take" in found.mode_from) is paced
    assert not found.wait_known


@pytest.mark.parametrize("share", [0.07, 0.1])
def test_where_few_loops_wait_the_usual_one_is_no_tick(share):
    """Work of 23 ms in most loops and 13 in a few, which wait until 20 are over or so."""
    draw = np.random.default_rng(8)
    work = np.where(
        draw.random(2000) < share, draw.normal(13, 0.8, 2000), draw.normal(23, 0.8, 2000)
    )
    wait = np.maximum(20 - work, 0)
    wait += np.where(wait > 0, np.abs(draw.normal(0, 0.5, 2000)), 0)
    parts = {"work": (work * 1e6).astype(np.int64), "sleep": (wait * 1e6).astype(np.int64)}
    found = pacing(make_flat_run(parts["work"] + parts["sleep"], parts, {"sleep": "pacing"}))
    assert found.mode == "fixed rate, skips"
    assert found.nominal_ms == pytest.approx(20, rel=0.03)


def test_a_few_waits_that_keep_no_tick_tell_no_rate():
    """A wait of 3 to 5 ms in one loop of ten, whatever the work took."""
    draw = np.random.default_rng(9)
    work = draw.normal(23, 1.5, 2000)
    wait = np.where(draw.random(2000) < 0.1, draw.uniform(3, 5, 2000), 0)
    parts = {"work": (work * 1e6).astype(np.int64), "sleep": (wait * 1e6).astype(np.int64)}
    found = pacing(make_flat_run(parts["work"] + parts["sleep"], parts, {"sleep": "pacing"}))
    assert not found.fixed_rate


@pytest.mark.parametrize("stepping_ms", [0, 0.02])
@pytest.mark.parametrize("loops", [60, 127, 200])
def test_few_even_loops_are_paced_only_where_a_short_one_follows_a_long(loops, stepping_ms):
    """Ends that scatter about ticks of 10 ms: neighbours correlate by -1/2, else not at all.

    In 60 loops that is four standard errors. A clock of steps wider than what loops vary by makes
    the same of any, and is no proof. Even so no loop whose begins just follow is called paced.
    """
    told = {"paced": [], "in a row": []}
    for seed in range(10):
        rng = np.random.default_rng(seed)
        off = rng.exponential(0.02, loops + 1)
        for key, start in (
            ("paced", 10 * np.arange(loops + 1) + off),
            ("in a row", np.cumsum(9.98 + off)),
        ):
            stamps = np.floor(start / stepping_ms) * stepping_ms if stepping_ms else start
            run = make_flat_run((1e6 * np.diff(stamps)).round().astype(np.int64))
            run = replace(run, clock=replace(run.clock, tick_ns=max(int(1e6 * stepping_ms), 1)))
            found = pacing(run)
            told[key].append((found.mode, found.mode_from))
    if not stepping_ms:
        begun = [why for mode, why in told["in a row"] if mode == "can't tell"]
        assert sum("each counts from the one before" in why for why in begun) >= len(begun) - 2
        assert not any("each counts" in why for _, why in told["paced"])
    told = {key: [mode for mode, _ in found] for key, found in told.items()}
    assert told["in a row"].count("can't tell") >= 9
    assert "free-running" not in told["paced"]
    assert sum(mode.startswith("fixed rate") for mode in told["paced"]) >= (0 if stepping_ms else 8)


@pytest.mark.parametrize(
    ("gap", "mode", "why"),
    [
        (0.3 + 0.01 * spreading(0, 1, 3), "free-running", "so short would look the same"),
        (
            8 + 0.01 * spreading(0, 1, 3),
            "can't tell",
            "ms pass after each loop's row, however long",
        ),
        (spreading(3, 8, 3), "free-running", "no grid; a sleep in the part"),
    ],
)
def test_what_passes_after_the_row_of_a_loop_is_told_by_its_length(gap, mode, why):
    """A moment is none, as long each time may be slept, and what varies freely may hide a sleep."""
    work = spreading(5, 9)
    told, because = with_unnamed(gap, work + gap, "no grid")
    assert (told, why in because) == (mode, True)
    said = with_unnamed(spreading(3, 8, 3), work + spreading(3, 8, 3), "a would look the same b")
    assert said == ("free-running", "a would look the same b")


def test_periods_follow_calls_unless_surely_by_less_than_half():
    """Slopes of 0, 0.45 and 1 with a standard error of 0.01; of calls that never vary none."""
    calls, noise = spreading(5, 9), 0.2 * spreading(-1, 1, 2)
    assert _unmoved(20 + noise, calls)
    assert _unmoved(20 + noise + 0.4 * calls, calls)
    assert not _unmoved(20 + noise + 0.48 * calls, calls)
    assert not _unmoved(10 + noise + calls, calls)
    assert not _unmoved(20 + noise, np.full(400, 5.0))
    assert not _unmoved(20 + noise[:19], calls[:19])


def test_a_call_that_waits_in_few_loops_is_not_said_to_be_none():
    """A sleep of 2 ms in one loop of a hundred of 10 ms, which a read fills."""
    run = make_run(
        [10 + 0.1 * (k % 7) + 2 * (k % 100 == 50) for k in range(600)],
        lambda k: [("read", 0, 10 + 0.1 * (k % 7)), *[("sleep", 10.8, 2.0)] * (k % 100 == 50)],
        {"read": "sensor read", "sleep": "pacing"},
    )
    assert (pacing(run).mode, pacing(run).mode_from) == ("free-running", "it hardly ever waits")


@pytest.mark.parametrize(("paced", "apart_ms", "tick_ms", "mode"), [
    (False, 0.1, 1.0, "free-running"),
    (False, 0.5, 4.0, "free-running"),
    (False, 0.02, 7.0, "can't tell"),
    (True, 0.1, 1.0, "fixed rate"),
    (True, 0.1, 7.0, "can't tell"),
])  # fmt: skip
def test_the_grid_of_a_coarse_clock_is_not_that_of_the_loop(paced, apart_ms, tick_ms, mode):
    """Loops of 12 ms: free ones wander by what they differ, and only that outgrows a clock's step.

    After 875 loops 0.1 ms has become 3 ms; 0.02 ms only 0.6, no more than paced ones seem to be off
    by the steps.
    """
    draw = np.random.default_rng(7).normal(0, apart_ms, 7000)
    starts = 12.0137 * np.arange(7000) + draw if paced else np.cumsum(12.0137 + draw)
    cut = np.round(np.floor(starts / tick_ms) * tick_ms * 1e6).astype(np.int64)
    clock = Clock("ms", "header", round(tick_ms * 1e6))
    run = Run(LoopColumns(np.arange(6999), cut[:-1], np.diff(cut)), clock=clock)
    assert pacing(run).mode == mode


@pytest.mark.parametrize("every", [2, 3, 4, 5])
def test_a_free_loop_with_a_long_turn_every_few_loops_keeps_to_no_grid(every):
    """Of 10 and 20 ms in turns: whole turns add up like those of any free loop."""
    rng = np.random.default_rng(every)
    length = np.where(np.arange(2000) % every, 10.0, 20.0) * rng.normal(1, 0.01, 2000)
    ns = (1e6 * length).astype(np.int64)
    assert pacing(make_flat_run(ns)).mode == "free-running"
