"""What the sensor adds: delay, update period, noise, bias."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.age_distribution import age_parts, mean_age_s
from looptime.heading.integrated import AssumedStep, errors_along, noise_variance
from looptime.heading.motion import Steady, Weave
from looptime.heading.pattern import even
from looptime.heading.sensor import PERFECT, Sensor
from tests.heading.logs import jittered


def simulated_rates(motion, sampling, sensor):
    """Turn rates that code would read along a log, with noise and bias [rad/s].

    The same for the same seed; readings of one held value share its noise.
    """
    fresh = np.concatenate([[True], np.diff(sampling.taken_s) > 0])
    at = np.cumsum(fresh) - 1
    noise = np.random.default_rng(sensor.seed + 1).standard_normal(int(at[-1]) + 1)
    error = sensor.bias_deg_s + sensor.noise_deg_s * noise[at]
    return motion.rate(sampling.taken_s) + np.radians(error)


def test_delay_adds_to_every_age():
    """A fixed delay of 7 ms makes every reading 7 ms older."""
    log = jittered(n=1000)
    assert mean_age_s(Sensor(delay_ms=7).apply(log)) == pytest.approx(mean_age_s(log) + 0.007)
    assert PERFECT.apply(log) is log


def test_update_period_adds_half_of_itself():
    """A sensor that updates every 30 ms, read by jittered loops, is 15 ms older on average."""
    log = jittered(n=20_000)
    made = Sensor(update_ms=30, seed=5).apply(log)
    assert mean_age_s(made) == pytest.approx(mean_age_s(log) + 0.015, rel=0.01)
    assert np.all(made.taken_s <= log.taken_s)
    assert (
        np.unique(np.round(np.diff(np.unique(np.round(made.taken_s, 9))), 6)).min() >= 0.03 - 1e-6
    )
    # 96 loops a second on 33 updates a second: each value is held for about three loops
    assert 2.5 < len(log) / len(np.unique(np.round(made.taken_s, 9))) < 3.5


def test_greatest_age_with_a_slow_sensor():
    """No reading is older than its delay, one update and its own age in the loop."""
    log = jittered(n=5000)
    plain, made = age_parts(log), age_parts(Sensor(delay_ms=4, update_ms=20).apply(log))
    assert plain.max_ms + 4 <= made.max_ms <= plain.max_ms + 24


def test_seed_repeats_and_matters():
    """The same seed gives the same readings, another seed others."""
    log = jittered(n=300)
    one, same, other = (
        simulated_rates(Weave("", 0.4, 1.0), log, Sensor(noise_deg_s=0.5, seed=s))
        for s in (1, 1, 2)
    )
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_simulated_noise_has_the_stated_size_and_spread():
    """Noise and bias of the readings are as stated, and add up as the variance formula says."""
    log = jittered(n=4000)
    motion = Steady("", 1.0)
    sensor = Sensor(noise_deg_s=0.5, bias_deg_s=0.2)
    off = np.degrees(simulated_rates(motion, log, sensor) - 1.0)
    assert off.mean() == pytest.approx(0.2, abs=0.03)
    assert off.std() == pytest.approx(0.5, rel=0.05)
    ends = []
    for seed in range(400):
        rates = simulated_rates(motion, log, Sensor(noise_deg_s=0.5, seed=seed))
        ends.append(np.sum(np.diff(log.read_s) * rates[:-1]) - (log.read_s[-1] - log.read_s[0]))
    wanted = noise_variance(log, "hold-first", AssumedStep(), np.radians(0.5))
    assert np.var(ends) == pytest.approx(wanted, rel=0.25)


def test_held_readings_share_their_noise():
    """A value held for several loops carries one draw of noise."""
    made = Sensor(update_ms=40, noise_deg_s=1.0).apply(even(100, 400))
    rates = simulated_rates(Steady("", 0.0), made, Sensor(update_ms=40, noise_deg_s=1.0))
    held = np.diff(made.taken_s) <= 0
    assert held.sum() > 250
    assert np.all(np.diff(rates)[held] == 0)
    assert np.all(np.diff(rates)[~held] != 0)


def test_delay_shifts_the_integrated_heading():
    """A delayed rate integrates to the heading of a moment ago."""
    motion, log = Weave("", 0.5, 0.7), even(1000, 3000)
    made = Sensor(delay_ms=20).apply(log)
    error = errors_along(motion, made, "trapezoid", AssumedStep())
    t = log.read_s
    wanted = motion.heading(t - 0.02) - motion.heading(t) - motion.heading(-0.02)
    assert error == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize(
    "wrong", [{"delay_ms": -1}, {"noise_deg_s": float("nan")}, {"update_ms": float("inf")}]
)
def test_impossible_sensors_are_refused(wrong):
    """Delays, periods and noise are numbers of 0 or more."""
    with pytest.raises(UsageError, match=next(iter(wrong))):
        Sensor(**wrong)
