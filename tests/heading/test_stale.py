"""Stale heading: closed forms, resolutions, leads."""

import numpy as np
import pytest
from scipy.special import struve

from looptime.heading.age_distribution import mean_age_s
from looptime.heading.motion import Profile, Steady, Weave, turn
from looptime.heading.pattern import Sampling, blocks_of, even
from looptime.heading.stale import stale_along, stale_everywhere, values_everywhere
from tests.heading.build import W, table_of
from tests.heading.closed_forms import even_lateral
from tests.heading.logs import jittered


@pytest.mark.parametrize("period", [0.002, 0.01, 0.05])
@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_steady_turn_with_even_loops(period, share):
    """Mean w (T/2 + L), rms w sqrt((T/2 + L)^2 + T^2/12), max w (L + T), p95 w (L + 0.95 T)."""
    latency = share * period
    sampling = even(1 / period, 400, latency)
    found = stale_everywhere(Steady("", W), sampling, table_of(Steady("", W), sampling))
    middle = period / 2 + latency
    assert found.mean.value == pytest.approx(W * middle, rel=1e-9)
    assert found.rms.value == pytest.approx(W * np.sqrt(middle**2 + period**2 / 12), rel=1e-9)
    assert found.p95.value == pytest.approx(W * (latency + 0.95 * period), rel=1e-9)
    assert found.max == pytest.approx(W * (latency + period), rel=1e-9)
    assert found.lateral.value == pytest.approx(even_lateral(W, latency, period), rel=1e-9)
    assert found.sideways.value == pytest.approx(found.lateral.value, rel=1e-12)


def test_steady_turn_with_uneven_loops():
    """Mean w x mean age and max w max(L + T), whatever the loops are like."""
    sampling = jittered()
    found = stale_everywhere(Steady("", W), sampling, table_of(Steady("", W), sampling))
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
    found = stale_everywhere(motion, sampling, table_of(motion, sampling))
    assert np.degrees(found.max) == pytest.approx(10.0, rel=1e-9)


@pytest.mark.parametrize(("frequency", "latency"), [(0.5, 0.0), (2.0, 0.004), (8.0, 0.01)])
def test_weave_closed_forms(frequency, latency):
    """At age a: rms sqrt(2) A |sin(pi f a)|, mean (4/pi) A |sin(pi f a)|; averaged over the age."""
    size, period = np.radians(20), 0.02
    motion, sampling = Weave("", size, frequency), even(1 / period, 200, latency)
    found = stale_everywhere(motion, sampling, table_of(motion, sampling))
    k = np.pi * frequency
    a, b = latency, latency + period
    square = 2 * size**2 * (0.5 - (np.sin(2 * k * b) - np.sin(2 * k * a)) / (4 * k * period))
    assert found.rms.value == pytest.approx(np.sqrt(square), rel=1e-4)
    mean = 4 / np.pi * size * (np.cos(k * a) - np.cos(k * b)) / (k * period)
    assert found.mean.value == pytest.approx(mean, rel=1e-4)
    assert found.max == pytest.approx(2 * size * np.sin(k * b), rel=1e-4)


@pytest.mark.parametrize(("frequency", "latency"), [(0.2, 0.004), (2.0, 0.0), (3.0, 0.06)])
def test_left_and_right_of_a_weave_cancel_only_in_the_signed_mean(frequency, latency):
    """At age a the error is ``B cos x``, B = 2 A sin(pi f a), its mean ``|sin|`` Struve's H0(B)."""
    size, period = np.radians(60), 0.02
    motion, sampling = Weave("", size, frequency), even(1 / period, 200, latency)
    found = stale_everywhere(motion, sampling, table_of(motion, sampling))
    ages = latency + period * (np.arange(2000) + 0.5) / 2000
    wanted = struve(0, np.abs(2 * size * np.sin(np.pi * frequency * ages))).mean()
    assert found.sideways.value == pytest.approx(wanted, rel=1e-4)
    assert found.lateral.value == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("motion", [Steady("", W), Weave("", 0.3, 2.0), turn(180, 180, 720)])
@pytest.mark.parametrize("sampling", [jittered(), even(100, 200, 0.004)])
def test_values_alone_are_those_with_intervals(motion, sampling):
    """The same to the bit, of even loops and of uneven ones."""
    table = table_of(motion, sampling)
    found = stale_everywhere(motion, sampling, table, exact=False)
    expected = (found.mean.value, found.rms.value, found.p95.value)
    expected += (found.lateral.value, found.sideways.value)
    assert values_everywhere(motion, sampling, table) == expected


def test_slow_turn_error_is_rate_times_age():
    """In a turn much longer than the ages the mean error is mean rate x mean age."""
    motion, sampling = turn(3600, 180, 720), jittered()
    found = stale_everywhere(motion, sampling, table_of(motion, sampling))
    mean_rate = motion.angle / motion.duration_s
    # less what is not yet seen of the last age, which is of second order
    assert found.mean.value == pytest.approx(mean_rate * mean_age_s(sampling), rel=1e-3)


def test_placed_motion_matches_everywhere_for_a_steady_turn():
    """A steady turn has the same figures wherever it is placed."""
    motion, sampling = Steady("", W), jittered(n=2000)
    placed = stale_along(motion, sampling)
    anywhere = stale_everywhere(motion, sampling, table_of(motion, sampling))
    for name in ("mean", "rms", "lateral", "sideways"):
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


@pytest.mark.parametrize("seed", range(6))
def test_figures_of_a_motion_in_its_place_against_a_fine_grid(seed):
    """Mean, rms, p95 and max of a random motion with long rests are those of a fine grid of time.

    The grid samples each hold at 400 moments and sorts the sizes: no closed form is shared.
    """
    rng = np.random.default_rng(seed)
    sampling = jittered(n=1500, sd=0.2, stalls=0.02, latency=rng.choice([0.0, 0.5]), seed=seed)
    times = np.concatenate([[0.0], np.cumsum(rng.uniform(0.1, 1.5, 24))])
    moving = rng.random(25) < rng.choice([0.1, 0.3, 0.9])
    rates = np.where(moving, rng.uniform(-4.0, 4.0, 25), 0.0)
    rates[rng.integers(25)] = 2.0
    motion = Profile("", times, rates)
    use = sampling.use_s
    share = (np.arange(400) + 0.5) / 400
    when = (use[:-1, None] + np.diff(use)[:, None] * share).ravel()
    size = np.abs(motion.heading(when) - np.repeat(motion.heading(sampling.taken_s[:-1]), 400))
    weight = np.repeat(np.diff(use), 400)
    order = np.argsort(size)
    at = np.searchsorted(np.cumsum(weight[order]), 0.95 * weight.sum())
    found = stale_along(motion, sampling)
    assert found.mean.value == pytest.approx(np.average(size, weights=weight), rel=2e-3)
    assert found.rms.value == pytest.approx(np.sqrt(np.average(size**2, weights=weight)), rel=2e-3)
    assert found.p95.value == pytest.approx(size[order][at], rel=5e-3, abs=1e-9)
    assert found.max == pytest.approx(size.max(), rel=2e-2)
    assert found.p95.low <= found.p95.value <= found.p95.high
