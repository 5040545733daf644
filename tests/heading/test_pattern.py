"""Sampling patterns at other loop rates."""

import numpy as np
import pytest

from looptime.errors import NotEnoughError, UsageError
from looptime.heading import pattern
from looptime.heading.pattern import (
    BLOCKS,
    LogShape,
    Sampling,
    blocks_of,
    even,
    sample_stretches,
    scaled,
    slow_limit_s,
)
from tests.heading.logs import jittered


def test_shape_at_the_own_rate_is_the_log():
    """Taken apart and put together at its own rate, a log is itself to the last loop."""
    log = jittered(n=3000)
    same = LogShape(log).at(LogShape(log).own_rate_hz)
    assert len(same) == 3000
    for name in ("taken_s", "read_s", "use_s", "start_s"):
        assert getattr(same, name) == pytest.approx(getattr(log, name), abs=1e-9)
    assert np.array_equal(same.block, log.block)


@pytest.mark.parametrize("factor", [0.25, 0.5, 2.0, 7.3])
def test_stalls_keep_their_milliseconds_and_their_rhythm(factor):
    """At any rate the log's stalls add the same time, at the same moments; loops are scaled."""
    log = jittered(n=4000, sd=0.05)
    shape = LogShape(log)
    rate = shape.own_rate_hz * factor
    made = shape.at(rate)
    assert made.duration_s == pytest.approx(log.duration_s, rel=0.01)
    # what the holds are longer than the scaled loops could be is the stalls' own
    bound = 1.05 * slow_limit_s(log) / factor
    assert made.hold_s.max() <= bound + 3 * shape.excess.max()
    scaled_time = shape.base.mean() * len(made) / factor
    assert made.duration_s - scaled_time == pytest.approx(shape.excess.sum(), rel=0.1)
    assert 1 / rate == pytest.approx(shape.base.mean() / factor, rel=1e-9)
    excess = made.hold_s - shape.base.mean() / factor
    # moments: every stall lies within a loop or two of where it was in time
    first = made.use_s[:-1][excess > 0.02]
    was = log.use_s[:-1][shape.excess > 0.02]
    apart = np.abs(was[:, None] - first[None, :]).min(axis=1)
    assert np.quantile(apart, 0.95) < 3 * max(1 / rate, 0.01)


def test_a_stall_of_the_clock_is_rarer_in_each_loop_of_a_faster_log():
    """Ten times the rate, a tenth of the loops stalled."""
    log = jittered(n=4000, sd=0.02)
    fast = LogShape(log).at(10 * LogShape(log).own_rate_hz)
    share, before = np.mean(fast.hold_s > 0.02), np.mean(log.hold_s > 0.03)
    assert share == pytest.approx(before / 10, rel=0.05)


def test_latency_scales_unless_it_is_given():
    """Half the rate, twice the latency; or the latency that is asked for."""
    log = jittered(n=2000, stalls=0.0)
    own = LogShape(log).own_rate_hz
    half = LogShape(log).at(own / 2)
    assert half.latency_s.mean() == pytest.approx(2 * log.latency_s.mean(), rel=0.02)
    given = LogShape(log).at(own / 2, latency_s=0.003)
    assert given.latency_s == pytest.approx(0.003)
    assert scaled(log, 50, latency_s=0.003).latency_s == pytest.approx(0.003)


def test_scaled_scales_everything():
    """Every hold and latency is multiplied alike."""
    log = jittered(n=500)
    made = scaled(log, log.rate_hz / 3)
    assert made.hold_s == pytest.approx(3 * log.hold_s)
    assert made.latency_s == pytest.approx(3 * log.latency_s)
    assert made.rate_hz == pytest.approx(log.rate_hz / 3)


@pytest.mark.parametrize("rate", [0.0, -50.0, float("nan"), float("inf")])
def test_impossible_rates_are_refused(rate):
    """A loop rate is a number above 0."""
    for make in (lambda: even(rate, 10), lambda: scaled(even(10, 10), rate),
                 lambda: LogShape(even(10, 100)).at(rate)):  # fmt: skip
        with pytest.raises(UsageError, match="cannot be"):
            make()


def test_negative_latency_is_refused():
    """A reading cannot be used before it is taken."""
    with pytest.raises(UsageError, match="latency"):
        even(100, 10, latency_s=-0.001)


def test_sample_of_a_long_log_represents_it():
    """Stretches from every block have the log's figures, each hold and latency as recorded."""
    log = jittered(n=60_000)
    some = sample_stretches(log, 20_000)
    assert len(some) == 20_000
    assert np.bincount(some.block).tolist() == [1000] * BLOCKS
    assert some.hold_s.mean() == pytest.approx(log.hold_s.mean(), rel=0.02)
    assert some.latency_s[:1000] == pytest.approx(log.latency_s[:1000])
    assert "20,000 of 60,000 loops" in some.notes[-1]
    assert sample_stretches(log, 60_000) is log
    with pytest.raises(NotEnoughError, match="too small"):
        sample_stretches(log, 100)


@pytest.mark.parametrize("factor", [0.1, 0.7, 3.0])
def test_blocks_keep_their_place_in_time(factor):
    """At any rate a block's loops fill the time that they had in the log."""
    log = jittered(n=4003)
    made = LogShape(log).at(LogShape(log).own_rate_hz * factor)
    assert set(made.block) == set(range(BLOCKS))
    for b in range(BLOCKS):
        was = log.use_s[:-1][log.block == b].mean()
        assert made.use_s[:-1][made.block == b].mean() == pytest.approx(was, abs=0.5)


def test_hours_of_a_slow_loop_make_no_more_loops_than_tell_of_it(monkeypatch):
    """A part of each block's time is left: stalls take the same share of it as in the log."""
    monkeypatch.setattr(pattern, "MOST_LOOPS", 5000)
    log = jittered(n=4000, sd=0.05)
    shape = LogShape(log)
    rate = 5 * shape.own_rate_hz  # 20,000 loops in the log's time
    made = shape.at(rate)
    assert len(made) == 5000
    assert np.bincount(made.block).tolist() == [250] * BLOCKS
    assert made.duration_s == pytest.approx(log.duration_s / 4, rel=0.05)
    stalled = 1 - len(made) / rate / made.duration_s
    assert stalled == pytest.approx(shape.excess.sum() / log.duration_s, rel=0.3)
    assert len(shape.at(0.5 * shape.own_rate_hz)) == 2000


def test_a_stall_between_reading_and_use_ages_that_reading():
    """Even loops, readings 4 ms old; one use comes 30 ms late: its own reading is 34 ms old."""
    hold = np.full(400, 0.01)
    hold[200] += 0.03
    use = np.concatenate([[0.0], np.cumsum(hold)])
    lag = np.full(401, 0.004)
    lag[201] += 0.03
    log = Sampling(use - lag, use - lag, use, use - lag, blocks_of(400))
    shape = LogShape(log, slow_s=0.01)
    same = shape.at(shape.own_rate_hz)
    assert same.use_s - same.taken_s == pytest.approx(lag)
    half = shape.at(shape.own_rate_hz / 2)
    ages = np.sort(half.use_s - half.taken_s)
    assert ages[-1] == pytest.approx(0.038)  # twice the usual age, and the stall as long as it was
    assert ages[:-1] == pytest.approx(0.008)
    late = int(np.argmax(half.use_s - half.taken_s))
    assert half.hold_s[late - 1] == pytest.approx(0.05)
