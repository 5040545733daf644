"""Figures against loop rate, and the rate that a tolerance asks for."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.heading.curve import (
    RATES_HZ,
    Models,
    gathered,
    rate_curve,
)
from looptime.heading.integrated import AssumedStep
from looptime.heading.motion import Steady, Weave, turn
from looptime.heading.pattern import LogShape, Sampling, blocks_of
from looptime.heading.required import stops_helping_hz
from looptime.heading.sensor import Sensor
from tests.heading.logs import jittered
from tests.heading.points import STEADY, W, curve_point


def test_rates_run_from_5_hz_to_1_khz():
    """The curve covers 5 Hz to 1 kHz in even ratios."""
    assert (RATES_HZ[0], RATES_HZ[-1]) == (pytest.approx(5), pytest.approx(1000))
    assert np.diff(np.log(RATES_HZ)) == pytest.approx(np.log(10) / 20, abs=0.02)
    assert {20.0, 50.0, 100.0, 200.0, 500.0} < set(RATES_HZ)


def test_even_curve_is_the_closed_form():
    """For a steady turn: w (T/2 + L), with L the log's share of the period."""
    log = jittered(n=3000)
    share = log.latency_s.mean() / log.hold_s.mean()
    for point in rate_curve(STEADY, log, patterns=("even",)):
        T = 1 / point.rate_hz
        assert point.stale.mean.value == pytest.approx(W * T * (0.5 + share), rel=1e-6)
        assert point.stale.p95.value == pytest.approx(W * T * (0.95 + share), rel=1e-3)
        assert point.stale.max == pytest.approx(W * T * (1 + share), rel=1e-3)
        assert point.age_ms.value == pytest.approx(1e3 * T * (0.5 + share), rel=1e-6)
        assert point.age_ms.low <= point.age_ms.value <= point.age_ms.high
        assert point.integrated_rms.value == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("motion", [Steady("", W), turn(180, 180, 720), Weave("", 0.3, 1.5)])
def test_curve_at_the_own_rate_is_the_log(motion):
    """At the log's own rate its shape has the figures of the log, intervals and all."""
    log = jittered(n=4000)
    models = Models(motion)
    (at_own,) = rate_curve(
        models, log, rates_hz=(LogShape(log).own_rate_hz,), patterns=("log shape",)
    )
    itself = curve_point(models, log)
    for name in ("mean", "rms", "p95"):
        one, other = getattr(at_own.stale, name), getattr(itself.stale, name)
        assert (one.value, one.low, one.high) == pytest.approx(
            (other.value, other.low, other.high), rel=2e-4
        )
    assert at_own.stale.max == pytest.approx(itself.stale.max, rel=1e-3)
    assert at_own.integrated_rms.value == pytest.approx(itself.integrated_rms.value, rel=1e-6)


def test_interval_comes_from_leaving_out_blocks():
    """The jackknife's values are those of the log without each block of loops."""
    log = jittered(n=2000)
    T, L = log.hold_s, log.latency_s
    area = T * (L + T / 2)
    whole = area.sum() / T.sum()
    left = np.array([area[log.block != b].sum() / T[log.block != b].sum() for b in range(20)])
    z = 20 * whole - 19 * left
    found = curve_point(STEADY, log).stale.mean
    from looptime.stats.jackknife import batch_variance

    variance, drifting = batch_variance(z)
    half = (2.100922 if drifting else 2.093024) * np.sqrt(variance)
    assert found.value == pytest.approx(W * whole)
    assert found.high - found.value == pytest.approx(W * half, rel=1e-6)


def test_stalls_do_not_shrink_with_the_rate():
    """With stalls that belong to the clock, faster loops stop helping; even loops never do."""
    log = jittered(n=6000, stalls=0.02)
    curve = rate_curve(STEADY, log)
    even = [p.stale.mean.value for p in curve if p.pattern == "even"]
    shape = [p.stale.mean.value for p in curve if p.pattern == "log shape"]
    assert np.all(np.diff(even) < 0)
    # each stall of x seconds adds about x^2 / 2 to the integral of the age: no rate takes it away
    excess = LogShape(log).excess
    floor = W * np.sum(excess**2) / 2 / log.duration_s
    assert shape[-1] > floor
    assert shape[-1] == pytest.approx(floor + even[-1], rel=0.15)
    assert stops_helping_hz(curve) is None  # half of the age at 1 kHz is still the loops' own
    often = rate_curve(STEADY, jittered(n=6000, stalls=0.1), patterns=("log shape",))
    assert 300 < stops_helping_hz(often) < 900
    smooth = rate_curve(STEADY, jittered(n=3000, stalls=0.0, sd=0.02))
    assert stops_helping_hz(smooth) is None


def test_fixed_step_of_the_log_scales_with_the_rate():
    """Without a stated step the assumed one is the median of each pattern: even loops have none."""
    models = replace(STEADY, step=AssumedStep("fixed"))
    curve = rate_curve(models, jittered(n=2000), rates_hz=(50.0, 200.0))
    for point in curve:
        if point.pattern == "even":
            assert point.integrated_rms.value == pytest.approx(0.0, abs=1e-9)
        else:
            assert point.integrated_rms.value > 1e-3


def test_trapezoid_falls_faster_than_hold_first():
    """With jitter the error of a turn falls with the rate, the trapezoid's faster."""
    log = jittered(n=8000, stalls=0.0)
    falls = {}
    for rule in ("hold-first", "trapezoid"):
        models = Models(turn(180, 180, 720), integration=rule, over_s=1.25)
        points = rate_curve(models, log, rates_hz=(50.0, 400.0), patterns=("log shape",))
        falls[rule] = points[0].integrated_rms.value / points[1].integrated_rms.value
    assert falls["hold-first"] == pytest.approx(8**1.5, rel=0.3)  # T^2 a step, sqrt(1/T) steps
    assert falls["trapezoid"] > 1.5 * falls["hold-first"]


def test_sensor_sets_a_floor():
    """A sensor that updates every 50 ms leaves 25 ms of age at any rate."""
    models = replace(STEADY, sensor=Sensor(update_ms=50, delay_ms=5))
    (fast,) = rate_curve(models, jittered(n=4000), rates_hz=(1000.0,), patterns=("log shape",))
    assert fast.age_ms.value > 30
    assert fast.stale.mean.value == pytest.approx(W * fast.age_ms.value / 1e3, rel=1e-6)


def test_an_error_counts_by_how_long_it_stands():
    """Over 0.3 s: the gain from each reading to 0.3 s later, weighted by its hold."""
    use = np.array([0.0, 0.1, 0.3, 0.4, 0.8, 1.0])
    log = Sampling(use, use, use, use, blocks_of(5))
    at, error, weight = gathered(2.0 * use**2, log, 0.3)
    assert at.tolist() == [0, 1, 2, 3]  # 0.8 and 0.3 would reach beyond the last reading
    reached = np.interp(use[:4] + 0.3, use, 2.0 * use**2)
    assert error == pytest.approx(reached - 2.0 * use[:4] ** 2)
    assert weight == pytest.approx([0.1, 0.2, 0.1, 0.4])
