"""Recurrence: planted rhythms are found with their clock, height and cause."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.recurrence import Recurrence, _known, recurrence
from looptime.analysers.slow import slow_events
from tests.build_run import make_flat_run, make_run


def found_in(made, seed=1):
    """Recurrences of a run of the given calls [ns] and 0.5 ms that no call covers."""
    made = {k: v.astype(np.int64) for k, v in made.items()}
    period = sum(np.maximum(v, 0) for v in made.values()) + 500_000
    basis = prepare(make_flat_run(period, made))
    slow = slow_events(basis)
    return recurrence(basis, costs(basis, slow.is_slow), slow)


def parts(n=6000, seed=1):
    """Four calls of 2.5 ms."""
    rng = np.random.default_rng(seed)
    return {f"part{k}": 2.5e6 * np.exp(rng.normal(0, 0.05, n)) for k in range(4)}


def test_every_so_many_loops():
    """A call made every 40 loops: its name, period, clock and height."""
    made = parts()
    made["send"] = np.full(6000, -1.0)
    made["send"][13::40] = 5e6
    (only,) = found_in(made).found
    assert (only.of, only.clock, only.call) == ("loop", "loops", "send")
    assert only.period_loops == pytest.approx(40, abs=0.01)
    assert only.height_ms == pytest.approx(5, abs=0.3)
    assert only.loops[:2] == (13, 53)


@pytest.mark.parametrize(
    ("period_s", "clocks"),
    [
        (0.1, ("time",)),
        (0.25, ("time",)),
        (1.0, ("time", "either")),
    ],
)
def test_every_so_many_seconds(period_s, clocks):
    """Stalls by the clock on the wall are told from those by loops; few of them perhaps not."""
    made = parts()
    start = np.cumsum(sum(made.values()) + 5e5)
    due, send = 0.03e9, np.full(6000, -1.0)
    added = 0.0
    for k in range(6000):
        if start[k] + added >= due:
            send[k] = 5e6
            added += 5e6
            due += period_s * 1e9
    made["send"] = send
    first = found_in(made).found[0]
    assert first.clock in clocks
    assert first.call == "send"
    assert first.period_s == pytest.approx(period_s, rel=0.01)


def test_a_rhythm_that_belongs_to_no_call():
    """Stalls every 60 loops in whatever call happens to run are put down to none."""
    rng = np.random.default_rng(4)
    made = parts()
    for k in range(20, 6000, 60):
        made[f"part{rng.integers(4)}"][k] += 8e6
    first = found_in(made).found[0]
    assert first.period_loops == pytest.approx(60, abs=0.05)
    assert first.call is None
    assert first.together == ()


def test_several_calls_together():
    """Four reads made in every third loop are named together, not called a pause."""
    made = parts(3000)
    for k in range(4):
        made[f"read{k}"] = np.full(3000, -1.0)
        made[f"read{k}"][1::3] = 1.5e6
    first = found_in(made).found[0]
    assert first.period_loops == pytest.approx(3, abs=0.01)
    assert first.call is None
    assert set(first.together) == {"read0", "read1", "read2", "read3"}


def test_one_call_in_every_second_loop():
    """A call made in every other loop is the rhythm itself, whatever statistics make of it."""
    made = parts(1000)
    made["read"] = np.full(1000, -1.0)
    made["read"][::2] = 3e6
    (only,) = found_in(made).found
    assert (only.period_loops, only.call, only.events) == (2, "read", 500)
    assert only.height_ms == pytest.approx(3, abs=0.1)


def test_few_events_of_a_long_interval():
    """A flush in every 700th loop is not said to come more often than it does."""
    made = parts(6000, seed=3)
    made["flush"] = np.full(6000, -1.0)
    made["flush"][300::700] = 40e6
    found = [r for r in found_in(made).found if r.call == "flush"]
    for r in found:  # fewer than ten cycles: not found at all, or with its true interval
        assert r.period_loops == pytest.approx(700, rel=0.02)


def test_pauses_at_irregular_intervals():
    """Pauses of the whole process: counted, with their size, and blamed on no call."""
    rng = np.random.default_rng(7)
    made = parts(12_000)
    at = np.cumsum(rng.gamma(8, 50, 40)).astype(int)
    at = at[at < 12_000]
    for k in at:
        made[f"part{rng.integers(4)}"][k] += 9e6
    found = found_in(made)
    assert found.found == ()
    assert found.pauses.count == len(at)
    assert found.pauses.median_ms == pytest.approx(9, abs=0.5)


def test_a_culprit_is_no_pause():
    """Stalls that always fall into one call belong to that call."""
    rng = np.random.default_rng(7)
    made = parts()
    made["part1"][rng.random(6000) < 0.01] += 9e6
    assert found_in(made).pauses is None


def test_two_rhythms():
    """A slow call of its own rhythm beside that of the loop is found too."""
    made = parts(8000)
    made["send"] = np.full(8000, -1.0)
    made["send"][5::50] = 6e6
    made["part2"][3::17] += 2e6
    periods = {r.call: r.period_loops for r in found_in(made).found}
    assert periods["send"] == pytest.approx(50, abs=0.05)
    assert periods["part2"] == pytest.approx(17, abs=0.05)


@pytest.mark.parametrize("n", [0, 1, 60, 1000])
def test_degenerate(n):
    """Constant loops have no rhythm."""
    made = {"a": np.full(n, 5e6)}
    found = found_in(made)
    assert found.found == ()
    assert found.pauses is None
    assert bool(found.note) == (n < 50)


@pytest.mark.parametrize("seed", [2, 3])
def test_small_events_in_step_do_not_shorten_the_period_of_large_ones(seed):
    """A read that hangs for 10 ms every 50 loops, and a call of 0.6 ms in every fifth."""
    n, rng = 2000, np.random.default_rng(seed)
    took = {"read": 2e6, "part0": 1.5e6, "part1": 1.5e6, "part2": 0.7e6, "part3": 1e6}
    made = {name: ns * (1 + rng.normal(0, 0.05, n)) for name, ns in took.items()}
    made["read"][30::50] += 10e6
    made["send"] = np.where(np.arange(n) % 5 == 0, 0.6e6 * (1 + rng.normal(0, 0.05, n)), -1.0)
    read = [at for at in found_in(made).found if at.call == "read"]
    assert len(read) == 1
    assert read[0].period_loops == pytest.approx(50, abs=0.01)
    assert read[0].height_ms == pytest.approx(10, abs=0.3)
    assert read[0].events == pytest.approx(40, abs=2)


def test_rare_calls_of_another_thread_are_passed_over():
    """A call that another thread makes every tenth loop stretches no loop of this one."""
    run = make_run(
        [10.0] * 100,
        lambda k: [("update", 0, 9), *([("save", 1, 5, "disk")] if k % 10 == 0 else [])],
    )
    basis = prepare(run)
    slow = slow_events(basis)
    assert recurrence(basis, costs(basis, slow.is_slow), slow).found == ()


@pytest.mark.parametrize(
    ("period_loops", "known"), [(40.3, True), (80.1, True), (41.5, False), (60.0, False)]
)
def test_a_rhythm_or_its_multiple_is_told_once(period_loops, known):
    """Found before with 40 loops: 40.3 and 80.1 are the same stalls, 41.5 and 60 are others."""
    before = Recurrence("loop", "loops", 0.4, 40.0, 5.0, 20, None, (), 0.0, ())
    assert _known(period_loops, [before]) is known


def test_a_beat_of_which_the_noise_shows_little_is_told_in_full():
    """A call every 6 loops, of which one in many stands out of the noise: its own beat is told."""
    rng = np.random.default_rng(7)
    n = 60_000
    made = {f"part{k}": rng.gamma(60, 0.7e6 / 60, n) for k in range(20)}
    made["part0"][rng.random(n) < 0.002] += 12e6
    made["send"] = np.where(np.arange(n) % 6 == 0, rng.gamma(60, 0.7e6 / 60, n), -1.0)
    (only,) = found_in(made).found
    assert only.call == "send"
    assert only.period_loops == pytest.approx(6, abs=0.001)
    assert only.height_ms == pytest.approx(0.7, abs=0.05)
    assert only.events == n // 6


def test_only_loops_that_hold_the_call_are_counted_as_its_events():
    """Other stalls that happen to keep the beat are not counted as made by the call."""
    made = parts()
    made["send"] = np.full(6000, -1.0)
    made["send"][13::40] = 5e6
    skipped = np.arange(13, 6000, 40)[5:150:15]
    made["send"][skipped] = -1.0
    made["part2"][skipped] += 5e6
    first = found_in(made).found[0]
    assert first.call == "send"
    assert 137 <= first.events <= 140
    assert not set(first.loops) & set(skipped.tolist())
