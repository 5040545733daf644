"""Stale heading: closed forms, resolutions, leads."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.age_distribution import age_parts, interval_quantile, mean_age_s
from looptime.heading.lag_table import make_table
from looptime.heading.lead import NO_LEAD, Lead, parse_lead
from looptime.heading.motion import Steady, Weave, turn
from looptime.heading.path import even_drift
from looptime.heading.pattern import Sampling, blocks_of, even
from looptime.heading.stale import stale_along, stale_everywhere
from tests.heading.logs import jittered

W = np.radians(180.0)


def _table(motion, sampling, lead=NO_LEAD, **resolution):
    return make_table(
        motion, lead, float((sampling.latency_s + sampling.hold_s).max()), **resolution
    )


@pytest.mark.parametrize("period", [0.002, 0.01, 0.05])
@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_steady_turn_with_even_loops(period, share):
    """Mean w (T/2 + L), rms w sqrt((T/2 + L)^2 + T^2/12), max w (L + T), p95 w (L + 0.95 T)."""
    latency = share * period
    sampling = even(1 / period, 400, latency)
    found = stale_everywhere(Steady("", W), sampling, _table(Steady("", W), sampling))
    middle = period / 2 + latency
    assert found.mean.value == pytest.approx(W * middle, rel=1e-9)
    assert found.rms.value == pytest.approx(W * np.sqrt(middle**2 + period**2 / 12), rel=1e-9)
    assert found.p95.value == pytest.approx(W * (latency + 0.95 * period), rel=1e-9)
    assert found.max == pytest.approx(W * (latency + period), rel=1e-9)
    assert found.drift.value == pytest.approx(even_drift(W, latency, period), rel=1e-9)


def test_steady_turn_with_uneven_loops():
    """Mean w x mean age and max w max(L + T), whatever the loops are like."""
    sampling = jittered()
    found = stale_everywhere(Steady("", W), sampling, _table(Steady("", W), sampling))
    T, L = sampling.hold_s, sampling.latency_s
    assert found.mean.value == pytest.approx(W * mean_age_s(sampling), rel=1e-9)
    assert found.max == pytest.approx(W * (L + T).max(), rel=1e-9)
    assert found.rms.value == pytest.approx(
        W * np.sqrt(np.sum(((L + T) ** 3 - L**3) / 3) / T.sum()), rel=1e-9
    )


def test_held_heading_of_a_slow_sensor():
    """At 100 deg/s a heading held for 100 ms jumps by 10 deg."""
    motion = Steady("", np.radians(100))
    sampling = even(10, 100)
    found = stale_everywhere(motion, sampling, _table(motion, sampling))
    assert np.degrees(found.max) == pytest.approx(10.0, rel=1e-9)


def test_parts_of_the_mean_age_by_hand():
    """Holds of 10 and 30 ms, latencies of 4 and 8 ms: each part comes out as worked by hand."""
    use = np.concatenate([[0.0], np.cumsum(np.tile([0.01, 0.03], 40))])
    latency = np.append(np.tile([0.004, 0.008], 40), 0.004)
    sampling = Sampling(use - latency, use - latency, use, use - latency, blocks_of(80))
    parts = age_parts(sampling)
    assert parts.latency_ms.value == pytest.approx((4 * 10 + 8 * 30) / 40)
    assert parts.hold_ms.value == pytest.approx(10.0)
    assert parts.unevenness_ms.value == pytest.approx(100 / (2 * 20))
    assert parts.mean_ms.value == pytest.approx(7 + 10 + 2.5)
    assert parts.max_ms == pytest.approx(38.0)


def test_parts_add_up_and_intervals_hold_the_value():
    """Latency, hold and unevenness add up to the mean age; each interval holds its figure."""
    parts = age_parts(jittered())
    total = sum(f.value for f in (parts.latency_ms, parts.hold_ms, parts.unevenness_ms))
    assert total == pytest.approx(parts.mean_ms.value, rel=1e-12)
    for f in (parts.mean_ms, parts.hold_ms, parts.unevenness_ms):
        assert f.low < f.value < f.high


def test_interval_of_the_mean_age_is_honest():
    """The 95 % interval holds the true mean age in about 95 of 100 logs of a known process."""
    # E[T^2]/(2 E[T]) with T = 10 ms exp(0.3 z) + 30 ms with probability 0.05
    m1, m2 = 10 * np.exp(0.045) + 1.5, 100 * np.exp(0.18) + 2 * 1.5 * 10 * np.exp(0.045) + 45
    truth = m2 / (2 * m1)
    held = 0
    for seed in range(200):
        mean = age_parts(
            jittered(n=1500, sd=0.3, stalls=0.05, latency=0.0, seed=100 + seed)
        ).mean_ms
        held += mean.low <= truth <= mean.high
    assert 176 <= held <= 199


@pytest.mark.parametrize(("frequency", "latency"), [(0.5, 0.0), (2.0, 0.004), (8.0, 0.01)])
def test_weave_closed_forms(frequency, latency):
    """At age a: rms sqrt(2) A |sin(pi f a)|, mean (4/pi) A |sin(pi f a)|; averaged over the age."""
    size, period = np.radians(20), 0.02
    motion, sampling = Weave("", size, frequency), even(1 / period, 200, latency)
    found = stale_everywhere(motion, sampling, _table(motion, sampling))
    k = np.pi * frequency
    a, b = latency, latency + period
    square = 2 * size**2 * (0.5 - (np.sin(2 * k * b) - np.sin(2 * k * a)) / (4 * k * period))
    assert found.rms.value == pytest.approx(np.sqrt(square), rel=1e-4)
    mean = 4 / np.pi * size * (np.cos(k * a) - np.cos(k * b)) / (k * period)
    assert found.mean.value == pytest.approx(mean, rel=1e-4)
    assert found.max == pytest.approx(2 * size * np.sin(k * b), rel=1e-4)


def test_slow_turn_error_is_rate_times_age():
    """In a turn much longer than the ages the mean error is mean rate x mean age."""
    motion, sampling = turn(3600, 180, 720), jittered()
    found = stale_everywhere(motion, sampling, _table(motion, sampling))
    mean_rate = motion.angle / motion.duration_s
    # less what is not yet seen of the last age, which is of second order
    assert found.mean.value == pytest.approx(mean_rate * mean_age_s(sampling), rel=1e-3)


@pytest.mark.parametrize("motion", [turn(180, 180, 720), Weave("", 0.3, 1.5)])
@pytest.mark.parametrize("finer", [{"cells": 3200}, {"phases": 512}, {"sizes": 4000}])
def test_halving_the_resolution_moves_nothing(motion, finer):
    """Halving the steps of age or of phase moves no figure by more than 1e-4."""
    sampling = jittered()
    usual = stale_everywhere(motion, sampling, _table(motion, sampling))
    fine = stale_everywhere(motion, sampling, _table(motion, sampling, **finer))
    for name in ("mean", "rms", "p95"):
        assert getattr(fine, name).value == pytest.approx(getattr(usual, name).value, rel=1e-4)
    assert fine.max == pytest.approx(usual.max, rel=1e-4)
    assert fine.drift.value == pytest.approx(usual.drift.value, rel=1e-4, abs=1e-9)


def test_two_logs_of_one_mean_rate_differ():
    """Jitter enters through the second moment of the holds."""
    smooth, rough = jittered(sd=0.02, stalls=0.0), jittered(sd=0.5, stalls=0.0)
    scale = smooth.duration_s / rough.duration_s
    rough = Sampling(
        *(getattr(rough, n) * scale for n in ("taken_s", "read_s", "use_s", "start_s")), rough.block
    )
    assert rough.rate_hz == pytest.approx(smooth.rate_hz)
    assert mean_age_s(rough) > 1.1 * mean_age_s(smooth)


@pytest.mark.parametrize("lead", [Lead("measured"), Lead("fixed", 0.004)])
def test_lead_leaves_only_the_hold_of_a_steady_turn(lead):
    """With the reading's age at use added, a steady turn leaves w x T/2 (heading extrapolation)."""
    motion, sampling = Steady("", W), even(100, 400, 0.004)
    leads = np.array([0.004])
    found = stale_everywhere(motion, sampling, _table(motion, sampling, lead, leads=leads))
    assert found.mean.value == pytest.approx(W * 0.005, rel=1e-9)
    assert found.max == pytest.approx(W * 0.01, rel=1e-6)
    assert found.p95.value == pytest.approx(W * 0.0095, rel=1e-9)


def test_too_much_lead_overshoots():
    """A lead of L + T/2 centres the error of a steady turn: mean size w T/4."""
    motion, sampling = Steady("", W), even(100, 400, 0.004)
    lead = Lead("fixed", 0.009)
    found = stale_everywhere(motion, sampling, _table(motion, sampling, lead))
    assert found.mean.value == pytest.approx(W * 0.0025, rel=1e-9)
    assert found.drift.value == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("text", ["fixed", "fixed:-1", "ahead", "measured:3", ""])
def test_bad_lead_is_refused(text):
    """Only none, fixed:MS and measured are leads."""
    with pytest.raises(UsageError, match="fixed:MS"):
        parse_lead(text)


def test_placed_motion_matches_everywhere_for_a_steady_turn():
    """A steady turn has the same figures wherever it is placed."""
    motion, sampling = Steady("", W), jittered(n=2000)
    placed = stale_along(motion, sampling)
    anywhere = stale_everywhere(motion, sampling, _table(motion, sampling))
    for name in ("mean", "rms", "drift"):
        assert getattr(placed, name).value == pytest.approx(getattr(anywhere, name).value, rel=1e-9)
    assert placed.p95.value == pytest.approx(anywhere.p95.value, rel=1e-4)
    assert placed.max == pytest.approx(anywhere.max, rel=1e-9)


def test_stall_is_weighed_by_the_rate_at_which_it_happened():
    """A stall while the robot turns costs; the same stall while it stands costs nothing."""
    motion = turn(180, 180, 720)  # from 0 s to 1.25 s
    hold = np.full(300, 0.01)
    costs = []
    for at in (60, 250):
        stalled = hold.copy()
        stalled[at] = 0.1
        use = np.concatenate([[0.0], np.cumsum(stalled)])
        costs.append(stale_along(motion, Sampling(use, use, use, use, blocks_of(300))).max)
    assert np.degrees(costs[0]) == pytest.approx(18.0, rel=1e-6)
    assert np.degrees(costs[1]) < 1.81


def test_quantile_of_uniform_mixtures_is_exact():
    """The quantile solves the mixture's distribution function, points included."""
    rng = np.random.default_rng(2)
    low = rng.random(50)
    high = low + rng.random(50) * (rng.random(50) < 0.8)
    weight = rng.random(50)
    x = interval_quantile(low, high, weight, 0.6)
    inside = np.where(
        high > low, np.clip((x - low) / np.maximum(high - low, 1e-12), 0, 1), low <= x
    )
    assert weight @ inside == pytest.approx(0.6 * weight.sum(), rel=1e-9)
