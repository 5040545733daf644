"""How errors grow with time: laws, coefficients, and honest doubt."""

import numpy as np
import pytest

from looptime.heading.growth import CANNOT_TELL, growth


def _series(law, rng, n=4000):
    if law == "bounded":
        return rng.standard_normal(n) * 0.3
    if law == "square-root":
        return np.cumsum(rng.standard_normal(n)) * 0.05
    return 0.02 * np.arange(n) + np.cumsum(rng.standard_normal(n)) * 0.01


@pytest.mark.parametrize("law", ["bounded", "linear"])
def test_clear_laws_are_named(law):
    """Noise about a level is bounded, a steady drift linear: named in 40 of 40 series."""
    found = [growth(_series(law, np.random.default_rng(s)), 0.1).law for s in range(40)]
    assert found == [law] * 40


def test_random_walk_is_mostly_named_and_hardly_ever_mistaken():
    """A random walk is square-root or can't tell; another law is named in at most 2 of 100."""
    found = [growth(_series("square-root", np.random.default_rng(s)), 0.1).law for s in range(100)]
    assert found.count("square-root") >= 60
    assert found.count("bounded") + found.count("linear") <= 2


def test_coefficients_are_per_minute():
    """Linear 0.02 a step of 0.1 s is 12 a minute; a walk of 0.05 a step is 0.05 sqrt(600)."""
    rng = np.random.default_rng(3)
    linear = growth(_series("linear", rng), 0.1)
    assert linear.coefficient.value == pytest.approx(0.02 * 600, rel=0.02)
    assert linear.unit == "deg/min"
    walks = [growth(_series("square-root", np.random.default_rng(s)), 0.1) for s in range(60)]
    named = [g for g in walks if g.law == "square-root"]
    assert np.mean([g.coefficient.value for g in named]) == pytest.approx(
        0.05 * np.sqrt(600), rel=0.05
    )
    held = [g.coefficient.low <= 0.05 * np.sqrt(600) <= g.coefficient.high for g in named]
    assert np.mean(held) >= 0.8


def test_bounded_coefficient_is_the_spread_of_a_move():
    """For noise of sd 0.3 about a level the move between two moments has the rms 0.3 sqrt(2)."""
    found = growth(_series("bounded", np.random.default_rng(5)), 0.1)
    assert found.coefficient.value == pytest.approx(0.3 * np.sqrt(2), rel=0.03)
    assert found.unit == "deg"


def test_no_error_is_bounded_at_zero():
    """An error that is only rounding has the coefficient 0."""
    found = growth(1e-13 * np.random.default_rng(1).standard_normal(500), 0.1)
    assert (found.law, found.coefficient.value) == ("bounded", 0.0)


def test_short_series_cannot_tell():
    """A handful of values carries no verdict, and the coefficient is undefined."""
    found = growth(np.random.default_rng(1).standard_normal(30), 0.1)
    assert found.law == CANNOT_TELL
    assert found.coefficient.value is None
    assert found.unit is None


def test_between_two_laws_cannot_tell_or_is_near():
    """Growth as time to the 0.75 is neither square-root nor linear."""
    t = np.arange(1.0, 4001.0)
    laws = set()
    for seed in range(20):
        rng = np.random.default_rng(seed)
        walk = np.cumsum(np.cumsum(rng.standard_normal(4000)) * t**-0.75)
        laws.add(growth(walk, 0.1).law)
    assert CANNOT_TELL in laws


def test_swing_is_not_taken_for_a_drift():
    """Within one swing every error grows; from a period on it is seen to be bounded."""
    t = np.arange(5000) * 0.01
    swing = 0.1 * np.sin(2 * np.pi * t / 40.0)
    assert growth(swing, 0.01).law == "linear"  # lags of 0.6 to 6 s cannot know better
    assert growth(swing, 0.01, shortest_s=40.0).law == CANNOT_TELL  # 50 s hold too few swings
    slow = 0.1 * np.sin(2 * np.pi * np.arange(40_000) * 0.01 / 3.0)
    assert growth(slow, 0.01, shortest_s=3.0).law == "bounded"


def test_several_strands_have_the_coefficient_of_one():
    """Eight walks of 0.05 a step of 0.1 s side by side: still 0.05 sqrt(600) a root minute."""
    walks = np.cumsum(np.random.default_rng(8).standard_normal((4000, 8)), axis=0) * 0.05
    found = growth(walks, 0.1)
    assert found.law == "square-root"
    assert found.coefficient.value == pytest.approx(0.05 * np.sqrt(600), rel=0.2)
