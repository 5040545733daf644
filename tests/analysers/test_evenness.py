"""Evenness: what is even, and each thing that is not."""

import numpy as np
import pytest

from looptime.analysers.evenness import evenness, turns
from looptime.stats.dither import untold_ms


def periods(n=500, sd=0.5):
    """Periods of 20 ms."""
    return np.random.default_rng(1).normal(20, sd, n)


def test_even():
    """A fortieth of scatter is even; so are whole milliseconds of the same loop."""
    assert evenness(periods()).even
    assert evenness(np.round(periods()), 1.0).even


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (lambda x: x + np.random.default_rng(2).uniform(-8, 8, len(x)), "spread"),
        (lambda x: np.where(np.arange(len(x)) == 77, 120.0, x), "one period took 6 usual ones"),
        (lambda x: x + np.where(np.arange(len(x)) % 2, 1.5, -1.5), "take turns"),
    ],
)
def test_uneven(changed, why):
    """Scatter of half a period, one gap of six periods, long and short in turn."""
    found = evenness(changed(periods()))
    assert found.even is False
    assert why in found.why


@pytest.mark.parametrize(
    "x",
    [
        np.where(np.arange(500) == 77, 90.0, 20.0),  # one of four and a half usual ones
        np.where(np.arange(500) % 2, 20.1, 19.9),  # in turns that differ by a hundredth
        np.where(np.arange(500) % 4 < 2, 21.0, 19.0),  # two and two: neighbours are as often alike
    ],
)
def test_what_is_still_even(x):
    """Each just short of what is told as uneven."""
    assert evenness(x).even


@pytest.mark.parametrize(("x", "tick"), [(np.full(10, 20.0), 0.0), (np.full(500, 20.0), 16.0)])
def test_cannot_be_told(x, tick):
    """Ten loops; a clock that steps by most of a period."""
    assert evenness(x, tick).even is None


@pytest.mark.parametrize(
    ("order", "every", "long"),
    [([13, 27], 2, 1), ([10, 10, 30], 3, 1), ([10, 30, 30], 3, 2), ([8, 8, 8, 8, 20], 5, 1)],
)
def test_long_and_short_loops_in_turns(order, every, long):
    """The order of the loops is found beside 3 % of noise, and through slips of one loop."""
    draw = np.random.default_rng(every)
    period = np.tile(np.array(order, float), 400) * draw.normal(1, 0.03, 400 * len(order))
    slipped = np.delete(period, [300, 600])
    for one in (period, slipped):
        found = turns(one, 0.001)
        assert (found.every, found.long) == (every, long)
        assert found.low_ms == pytest.approx(min(order), rel=0.02)
        assert found.high_ms == pytest.approx(max(order), rel=0.02)


@pytest.mark.parametrize("kind", ["noise", "drift", "slow wave", "stalls", "two levels"])
def test_other_spreads_are_no_turns(kind):
    """Scatter, trends, waves and rare stalls follow no order of a few loops."""
    for seed in range(60):
        draw = np.random.default_rng(seed)
        n, at = 800, np.arange(800)
        period = {
            "noise": draw.gamma(4, 3, n),
            "drift": np.linspace(10, 20, n) + draw.normal(0, 1, n),
            "slow wave": 15 + 5 * np.sin(at / draw.uniform(3, 40)) + draw.normal(0, 1, n),
            "stalls": np.where(at % 31 == 5, 40, 10) + draw.normal(0, 1, n),
            "two levels": np.where(draw.random(n) < 0.5, 13, 27) + draw.normal(0, 1, n),
        }[kind]
        assert turns(period, 0.001) is None


def test_lengths_that_do_not_differ_tell_nothing_of_evenness():
    """16 ms 500 times may be 16 ticks or one; 20 and 25 ms in ticks of 5 are 22 +- 1 ms as well."""
    one, two = evenness(np.full(500, 16.0), 1.0), evenness(np.tile([20.0, 25.0], 250), 5.0)
    assert (one.even, two.even) == (None, None)
    assert "finer clock" in one.why
    assert "finer clock" in two.why
    assert untold_ms(np.full(500, 16.0), 1.0) == 16
    assert untold_ms(np.tile([20.0, 25.0], 250), 5.0) == 5
    assert untold_ms(np.round(periods()), 1.0) == untold_ms(periods()) == 0
