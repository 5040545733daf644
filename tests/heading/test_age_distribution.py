"""How old a reading in use is: mean, parts and interval."""

import numpy as np
import pytest

from looptime.heading.age_distribution import age_parts, interval_quantile, mean_age_s
from looptime.heading.pattern import Sampling, blocks_of
from tests.heading.logs import jittered


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


def test_two_logs_of_one_mean_rate_differ():
    """Jitter enters through the second moment of the holds."""
    smooth, rough = jittered(sd=0.02, stalls=0.0), jittered(sd=0.5, stalls=0.0)
    scale = smooth.duration_s / rough.duration_s
    rough = Sampling(
        *(getattr(rough, n) * scale for n in ("taken_s", "read_s", "use_s", "start_s")), rough.block
    )
    assert rough.rate_hz == pytest.approx(smooth.rate_hz)
    assert mean_age_s(rough) > 1.1 * mean_age_s(smooth)


@pytest.mark.parametrize("narrow", [0.0, 1e-300, 1e-60, 1e-17, 1e-9])
def test_quantile_beside_very_narrow_parts(narrow):
    """90 of 100 s within hardly anything, 10 s spread over 0 to 1: p95 is 0.5, as by hand.

    The narrow parts lie at rest, at either side of 0.3 and above the rest, which each leaves the
    quantile's place in the wide part as the weights say.
    """
    low = np.array([0.0, 0.0])
    assert interval_quantile(
        low, np.array([narrow, 1.0]), np.array([90.0, 10.0]), 0.95
    ) == pytest.approx(0.5, rel=1e-6)
    low = np.concatenate([np.zeros(50), [0.0, 0.3, 2.0]])
    high = np.concatenate([np.full(50, narrow), [1.0, 0.3 + narrow, 2.0 + narrow]])
    weight = np.concatenate([np.full(50, 1.6), [10.0, 7.0, 3.0]])
    found = [interval_quantile(low, high, weight, q) for q in (0.82, 0.85, 0.95, 0.98)]
    assert found == pytest.approx([0.2, 0.3, 0.8, 2.0], rel=1e-6)
