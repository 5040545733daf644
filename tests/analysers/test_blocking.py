"""Blocking calls: durations of known shape give the right reason, others none."""

import numpy as np
import pytest

from looptime.analysers.blocking import blocking, blocking_signs
from tests.build_run import make_flat_run, make_run


def mixed(values):
    """The same values in an order by chance."""
    return np.random.default_rng(1).permutation(values)


def ns(ms):
    """Milliseconds as whole nanoseconds."""
    return np.round(np.asarray(ms) * 1e6).astype(np.int64)


def codes(ms, loops=1000):
    """Signs in durations."""
    return [s.code for s in blocking_signs(ns(ms), loops)]


def waits(rng, count, every_ms, device=True, late=0.0, tick_ms=0.001):
    """Durations and ends [ns] of calls, other work of all lengths between, in which it is waited.

    The device's clock runs up to 100 ppm faster and slower by turns, and its reading is picked up
    late by up to that part of its period; without a device the calls take as long by chance.
    """
    begin, end, now = np.zeros(count), np.zeros(count), 0.0
    for k in range(count):
        now += rng.uniform(30, 30 + 3 * every_ms)
        begin[k] = now
        if device:
            own = now + 0.4 + 1.6 * np.sin(now / 16_000)
            now += 0.4 + every_ms - own % every_ms + rng.uniform(0, late) * every_ms
        else:
            now += 0.4 + rng.uniform(0, every_ms)
        end[k] = now
    begin, end = (np.floor(at / tick_ms) * tick_ms for at in (begin, end))
    return ns(end - begin), ns(end)


@pytest.mark.parametrize(("late", "tick_ms"), [(0, 0.001), (0.15, 0.001), (0.1, 1.0)])
def test_waiting_for_a_device(late, tick_ms):
    """Ends in the beat of a device: its period is told to 1 %, the waiting to 10 %."""
    for seed in range(5):
        took, ends = waits(np.random.default_rng(seed), 900, 33, late=late, tick_ms=tick_ms)
        (sign,) = blocking_signs(took, 300, ns(tick_ms), ends)
        assert sign.code == "device wait"
        assert sign.value_ms == pytest.approx(33, rel=0.01)
        # three calls a loop
        assert sign.ms_per_loop == pytest.approx(3 * 33 * (1 + late) / 2, rel=0.1)


@pytest.mark.parametrize("tick_ms", [0.001, 1.0])
def test_lengths_spread_evenly_alone_are_no_device(tick_ms):
    """A call that takes 0.4 to 25.4 ms by chance, in a free loop and in one of 25 ms each."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        took, ends = waits(rng, 250, 25, device=False, tick_ms=tick_ms)
        assert not blocking_signs(took, 250, ns(tick_ms), ends)
        paced = ns(50 * np.arange(250)) + took
        assert not blocking_signs(took, 250, ns(tick_ms), paced)


def test_calls_that_begin_on_a_beat_wait_for_none() -> None:
    """Loops of 20 ms on a clock of 1 ms: whatever its steps let show lies on each divisor of 20."""
    rng = np.random.default_rng(4)
    took = rng.choice([2, 3, 4], 2000, p=[0.01, 0.78, 0.21])
    begun = 20 * np.arange(2000) + (rng.random(2000) < 0.1)
    assert not blocking_signs(ns(took), 2000, ns(1.0), ns(begun + took))


@pytest.mark.parametrize("seed", range(5))
def test_timeout(seed):
    """Five calls of 1000 ms among thousands of 1 ms are a driver's timeout."""
    rng = np.random.default_rng(seed)
    x = np.exp(rng.normal(0, 0.1, 5000))
    x[rng.choice(5000, 5, replace=False)] = 1000.5 + rng.normal(0, 0.5, 5)
    (sign,) = blocking_signs(ns(x), 5000)
    assert (sign.code, sign.count) == ("timeout", 5)
    assert sign.value_ms == pytest.approx(1000.5, rel=0.01)
    assert sign.ms_per_loop == pytest.approx(1.0, abs=0.05)


def test_adapter_tick():
    """Calls that cluster at 15 to 16 ms."""
    rng = np.random.default_rng(1)
    assert codes(rng.normal(15.7, 0.2, 500)) == ["adapter tick"]


@pytest.mark.parametrize("seed", range(10))
def test_ordinary_work_shows_no_sign(seed):
    """Lognormal durations, with and without a tail, are nobody's timeout."""
    rng = np.random.default_rng(seed)
    assert codes(5 * np.exp(rng.normal(0, 0.3, 3000))) == []
    tail = np.where(rng.random(3000) < 0.01, rng.exponential(20, 3000), 0)
    assert codes(2 * np.exp(rng.normal(0, 0.1, 3000)) + tail) == []
    assert codes(rng.normal(12.0, 2.0, 3000)) == []


def test_processor_time():
    """A call whose processor works a tenth of its time waits."""
    run = make_run(
        [10] * 40, [("fetch", 0, 3), ("solve", 4, 3)], cpu_share={"fetch": 0.1, "solve": 0.98}
    )
    (only,) = blocking(run)
    assert only.name == "fetch"
    assert [s.code for s in only.signs] == ["cpu"]
    assert "10 %" in only.signs[0].text
    assert only.inferred


def test_labels_and_names():
    """A kind that was stated and one that was guessed give different reasons."""
    run = make_run(
        [10] * 40,
        [("a", 0, 1), ("b", 2, 1), ("c", 4, 1)],
        {"a": "sensor read", "b": {"kind": "wait", "kind_from": "guessed"}, "c": "compute"},
    )
    found = {b.name: b for b in blocking(run)}
    assert [s.code for s in found["a"].signs] == ["labelled"]
    assert [s.code for s in found["b"].signs] == ["name"]
    assert found["a"].signs[0].text == "labelled sensor read"
    assert found["b"].signs[0].text == "its name suggests a wait"
    assert "c" not in found
    assert not found["a"].inferred


def test_floor():
    """A call far above the others that never varies is a fixed wait."""
    rng = np.random.default_rng(3)
    small = 0.1 + 0.05 * rng.random(200)
    run = make_run(
        [12] * 200,
        lambda k: [("x", 0, small[k]), ("y", 1, small[-k]), ("settle", 2, 5 + 0.002 * (k % 3))],
    )
    (only,) = blocking(run)
    assert (only.name, only.signs[0].code) == ("settle", "floor")


def test_too_few_calls_say_nothing():
    """Ten equal durations are no evidence."""
    assert codes([15.6] * 10) == []


def test_zero_durations():
    """A clock too coarse to see the calls gives no sign and no warning."""
    assert codes(np.zeros(1000)) == []


def test_the_period_of_a_device_reaches_beyond_the_quantiles_looked_at():
    """Evenly spread over 20 ms: what is cut off at both ends, a hundredth, is put back."""
    took, ends = mixed(ns(5 + np.linspace(0, 20, 4001))), ns(20.0 * np.arange(4001))
    (sign,) = blocking_signs(took, 4001, ends_ns=ends)
    assert sign.value_ms == pytest.approx(20, rel=0.003)


def test_a_processor_busy_most_of_the_time_is_no_wait():
    """From half of its time on a call works; below, it waits for something."""
    run = make_run(
        [10] * 40, [("busy", 0, 3), ("idle", 4, 3)], cpu_share={"busy": 0.7, "idle": 0.45}
    )
    assert [b.name for b in blocking(run)] == ["idle"]


def test_a_timeout_costs_what_it_takes_beyond_the_usual():
    """Ten of a thousand calls take 60 ms instead of 10 ms: half a ms a loop is lost, not 0.6."""
    x = 10 * np.exp(np.random.default_rng(1).normal(0, 0.1, 1000))
    x[::100] = 60.0
    (sign,) = [s for s in blocking_signs(ns(x), 1000) if s.code == "timeout"]
    assert sign.ms_per_loop == pytest.approx(10 * 50 / 1000, rel=0.02)


def held_up(which):
    """4,000 loops of three calls; every 100th has 25 ms more, in the call that `which` says."""
    rng = np.random.default_rng(11)
    usual = {"gyro": 2e6, "pose": 3e6, "send": 1e6}
    made = {name: ns * (1 + 0.03 * rng.standard_normal(4000)) for name, ns in usual.items()}
    for k in range(50, 4000, 100):
        made[which(rng)][k] += 25e6
    took = {name: ns.astype(np.int64) for name, ns in made.items()}
    run = make_flat_run(sum(took.values()) + 100_000, took)
    return {b.name for b in blocking(run) if any(s.code == "timeout" for s in b.signs)}


def test_a_delay_that_hits_calls_by_their_share_of_the_time_is_no_timeout():
    """Calls of 2, 3 and 1 ms are hit 2, 3 and 1 times in 6: it is none of them."""
    assert (
        held_up(lambda rng: rng.choice(["gyro", "pose", "send"], p=[2 / 6, 3 / 6, 1 / 6])) == set()
    )


def test_the_same_timeout_of_two_calls_is_theirs():
    """Two calls of half the time take all of the delays: chance forbids that it is anybody's."""
    assert held_up(lambda rng: rng.choice(["gyro", "send"])) == {"gyro", "send"}
    assert held_up(lambda rng: "gyro") == {"gyro"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_call_that_drifts_waits_for_no_device(seed):
    """From 1 to 7 ms along the run, each ending on a beat of 6 ms: it may as well be chance."""
    rng = np.random.default_rng(seed)
    rising = ns(np.linspace(1, 7, 3000) + rng.normal(0, 0.05, 3000))
    ends = ns(6.0 * np.arange(3000))
    assert "device wait" not in [s.code for s in blocking_signs(rising, 3000, ends_ns=ends)]
    mixed = rng.permutation(rising)
    assert "device wait" in [s.code for s in blocking_signs(mixed, 3000, ends_ns=ends)]


def test_what_takes_as_long_each_time_it_is_made_is_no_timeout():
    """A camera of 25 ms that is read in every 20th loop, with rows of 0.02 ms in the others."""
    x = np.full(1000, 0.02)
    x[::20] = 25.0
    assert "timeout" not in [s.code for s in blocking_signs(ns(x), 1000)]
    x[x < 1] = 2.0  # beside turns of 2 ms it is one
    assert "timeout" in [s.code for s in blocking_signs(ns(x), 1000)]


def test_a_mean_near_a_tick_is_none():
    """Work of 15.6 ms, give or take half a one, sits on no tick; whole ones can't tell."""
    rng = np.random.default_rng(3)
    assert codes(rng.normal(15.6, 0.5, 800)) == []
    assert [s.code for s in blocking_signs(ns(np.full(800, 16)), 800, 1_000_000)] == []


def test_ticks_show_where_some_wait_for_two():
    """One in ten ends a tick later, and none in between, on a clock of whole milliseconds."""
    took = mixed(np.repeat([15.0, 16.0, 31.0, 32.0], [270, 450, 30, 50]))
    assert [s.code for s in blocking_signs(ns(took), 800, 1_000_000)] == ["adapter tick"]


@pytest.mark.parametrize(("others", "told"), [(0.08, True), (0.012, False)])
def test_on_a_tick_is_what_is_far_more_even_than_other_calls(others, told):
    """A read of 15.7 ms, even to 1 %, beside calls that vary by 8 % or are as even themselves."""
    rng = np.random.default_rng(5)
    varies = {"arm.read": (15.7, 0.01), "gyro.read": (2.0, others), "steer": (5.0, others)}
    took = {name: ns(rng.normal(ms, of * ms, 600)) for name, (ms, of) in varies.items()}
    run = make_flat_run(ns(np.full(600, 30.0)), took, {"arm.read": "sensor read"})
    found = {one.name: [s.code for s in one.signs] for one in blocking(run)}
    assert ("adapter tick" in found["arm.read"]) is told


def test_what_holds_other_calls_is_on_no_tick():
    """15.6 ms, even to a hundredth, of which two calls within it make up all but 0.2."""
    calls = [("pass", 0.0, 15.6), ("gyro", 0.1, 5.4), ("drive", 5.5, 10.0)]
    run = make_run([20.0] * 300, lambda _: calls, {})
    assert "adapter tick" not in [s.code for one in blocking(run) for s in one.signs]
