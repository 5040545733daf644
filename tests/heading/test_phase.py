"""Phase lost by a controller that acts on old readings."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.age_distribution import age_parts
from looptime.heading.pattern import Sampling, blocks_of, even
from looptime.heading.phase import phase_lost


def test_sampled_sinusoid_lags_by_the_mean_age():
    """A sinusoid read, held and passed on comes out late by 360 f (L + T/2) degrees."""
    f, latency, period = 1.7, 0.004, 0.02
    sampling = even(1 / period, 5000, latency)
    lost = phase_lost(sampling, age_parts(sampling).mean_ms, f).whole_run_deg.value
    t = (np.arange(1_000_000) + 0.5) / 1_000_000 * 50 / f  # 50 whole swings
    k = np.minimum((t / period).astype(int), 4999)
    held = np.sin(2 * np.pi * f * (k * period - latency))
    swing = np.mean(held * np.exp(-2j * np.pi * f * t))
    lag = -np.degrees(
        np.angle(swing / np.mean(np.sin(2 * np.pi * f * t) * np.exp(-2j * np.pi * f * t)))
    )
    assert lost == pytest.approx(360 * f * 0.014, rel=1e-9)
    assert lag == pytest.approx(lost, rel=1e-3)


def test_worst_stretch_is_ten_loops_around_the_stalls():
    """Ten loops with a stall of 100 ms: the mean age over them, worked by hand."""
    hold = np.full(200, 0.01)
    hold[70] = 0.1
    use = np.concatenate([[0.0], np.cumsum(hold)])
    sampling = Sampling(use, use, use, use, blocks_of(200))
    lost = phase_lost(sampling, age_parts(sampling).mean_ms, 2.0)
    mean_age = (9 * 0.01**2 / 2 + 0.1**2 / 2) / (9 * 0.01 + 0.1)
    assert lost.worst_stretch_deg == pytest.approx(360 * 2.0 * mean_age, rel=1e-9)
    assert lost.worst_stretch_deg > lost.whole_run_deg.value


@pytest.mark.parametrize("crossover", [0.0, -1.0, float("inf"), float("nan")])
def test_bad_crossover_is_refused(crossover):
    """A crossover frequency is a number above 0."""
    sampling = even(100, 50)
    with pytest.raises(UsageError, match="crossover"):
        phase_lost(sampling, age_parts(sampling).mean_ms, crossover)
