import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from looptime.errors import NotEnoughError
from looptime.stats import changepoints
from looptime.stats.changepoints import (
    change_points,
    long_run_variance,
    partition,
    segment_means,
)

T = np.arange(6000) * 0.010


def cost(y, cuts, penalty):
    parts = np.split(np.array(y, dtype=float), cuts)
    return sum(((p - p.mean()) ** 2).sum() + penalty for p in parts)


@given(
    st.lists(st.integers(0, 8), min_size=4, max_size=10),
    st.floats(0.5, 20),
    st.integers(1, 3),
)
def test_no_partition_is_cheaper(y, penalty, least):
    """Trying all partitions finds none that costs less."""
    found = partition(y, penalty, least)
    lengths = np.diff([0, *found, len(y)])
    assert (lengths >= least).all()
    places = range(1, len(y))
    best = min(
        cost(y, list(cuts), penalty)
        for k in range(len(y))
        for cuts in itertools.combinations(places, k)
        if (np.diff([0, *cuts, len(y)]) >= least).all()
    )
    assert cost(y, found, penalty) == pytest.approx(best)


@pytest.mark.parametrize("length", [1000, 1001, 1007])
def test_long_series_are_cut_where_short_steps_would_cut_them(monkeypatch, length):
    """Tried at every tenth place and then about it, the cuts are those of the full search."""
    y = np.random.default_rng(length).normal(0, 1, length)
    y[333:] += 4
    y[702:] -= 3
    exact = partition(y, 30.0, 3)
    monkeypatch.setattr(changepoints, "MOST_WINDOWS", 100)
    assert partition(y, 30.0, 3) == exact
    assert len(exact) == 2


def test_segment_means():
    """Means between the cuts."""
    assert segment_means(np.array([1.0, 3, 5, 5, 8]), [2, 4]).tolist() == [2, 5, 8]


def test_the_long_run_variance_of_white_noise_is_its_variance():
    """Averaged over series; the correction can only raise it."""
    rng = np.random.default_rng(1)
    assert np.mean([long_run_variance(rng.normal(0, 2, 120)) for _ in range(200)]) == pytest.approx(
        4, rel=0.35
    )


def test_the_long_run_variance_ignores_steps():
    """A step of ten standard deviations does not count as noise."""
    y = np.random.default_rng(2).normal(0, 1, 120) + np.repeat([0, 10], 60)
    assert long_run_variance(y) < 3


def test_the_long_run_variance_sees_correlation():
    """For rho = 0.5 it is three times the variance."""
    rng, out = np.random.default_rng(3), []
    for _ in range(100):
        y = np.zeros(400)
        for j, shock in enumerate(rng.normal(0, 1, 399), 1):
            y[j] = 0.5 * y[j - 1] + shock
        out.append(long_run_variance(y))
    assert np.median(out) == pytest.approx(3 / 0.75, rel=0.25)


def test_two_steps_are_found_where_they_are():
    """10 ms, 11 ms from 20 s on, 10 ms from 40 s on."""
    x = np.where((T >= 20) & (T < 40), 11.0, 10.0) + np.random.default_rng(4).normal(0, 0.4, 6000)
    found = change_points(x, T)
    assert found.times_s == pytest.approx([20, 40], abs=0.5)
    assert found.levels == pytest.approx([10, 11, 10], abs=0.05)
    assert found.relative_steps == pytest.approx([0.1, -1 / 11], abs=0.01)
    assert (found.loops == np.round(found.times_s * 100)).all()


def test_steps_below_one_percent_are_not_reported():
    """0.5 %, hardly any noise; asked for, it is there."""
    x = np.where(T < 30, 10.0, 10.05) + np.random.default_rng(5).normal(0, 0.02, 6000)
    assert len(change_points(x, T).loops) == 0
    assert len(change_points(x, T, least_step=0.001).loops) == 1


def test_a_step_without_noise():
    """Constant but for one step: found exactly."""
    found = change_points(np.where(T < 30, 10.0, 12.0), T)
    assert found.loops.tolist() == [3000]
    assert found.levels.tolist() == [10, 12]


@pytest.mark.parametrize("value", [0.0, 0.1, 10.0])
def test_a_constant_run_has_one_level(value):
    """Constant periods and zeros, without a warning."""
    found = change_points(np.full(6000, value), T)
    assert len(found.loops) == 0
    assert found.levels == pytest.approx([value])


def test_steps_from_zero():
    """A call that begins to cost something half-way: the step has no finite percentage."""
    found = change_points(np.where(T < 30, 0.0, 2.0), T)
    assert found.loops.tolist() == [3000]
    assert np.isfinite(found.relative_steps).all()


def test_long_runs_get_wider_windows():
    """The search stays quick: at most 1,500 windows."""
    n = 200_000
    x = np.random.default_rng(6).normal(10, 1, n)
    assert change_points(x, np.arange(n) * 0.01).loops_per_window == math.ceil(n / 1500)


def test_a_short_run_is_refused():
    """Twelve windows of 50 loops."""
    with pytest.raises(NotEnoughError, match="at least 600 loops"):
        change_points(np.ones(100), np.arange(100) * 0.06)


def test_the_long_run_variance_ignores_a_step_of_three_sigmas_too():
    """Half of the series lies 3 higher: as noise that would be 2.25 more than the 1 there is."""
    rng = np.random.default_rng(2)
    step = np.repeat([0.0, 3.0], 30)
    found = [long_run_variance(rng.normal(0, 1, 60) + step) for _ in range(100)]
    assert np.median(found) == pytest.approx(1, rel=0.35)


def test_a_step_is_told_relative_to_the_level_before_it():
    """From 10 to 12 is 20 % more, and back is 16.7 % less."""
    x = np.repeat([10.0, 12.0, 10.0], 2000) + np.random.default_rng(3).normal(0, 0.05, 6000)
    found = change_points(x, T)
    assert found.relative_steps == pytest.approx([0.2, -1 / 6], abs=0.003)


@pytest.mark.parametrize("at_s", [21.0, 21.2, 21.37, 21.45])
def test_a_step_within_a_window_is_one_step(at_s):
    """Loops of 10 ms become 12.4 ms once, wherever between two windows: one point, whole size."""
    rng = np.random.default_rng(int(100 * at_s))
    for _ in range(10):
        period = np.where(np.arange(5000) * 0.0100 < at_s, 10.0, 12.4) * rng.lognormal(
            0, 0.05, 5000
        )
        start = np.cumsum(period) / 1e3
        found = change_points(period, start - start[0])
        assert len(found.loops) == 1
        assert abs(found.times_s[0] - at_s) <= 1.0
        assert found.levels[1] - found.levels[0] == pytest.approx(2.4, rel=0.05)


def test_two_steps_a_few_windows_apart_stay_two():
    """10, 11.2 and 12.4 ms: the one between is as high as the other."""
    rng = np.random.default_rng(3)
    level = np.repeat([10.0, 11.2, 12.4], [2000, 270, 2000])
    found = change_points(level * rng.lognormal(0, 0.03, 4270), np.cumsum(level) / 1e3)
    assert len(found.loops) == 2


def _wandering(draw, way, step=0.0, n=2500):
    """Loops of 10 ms and 3 % noise whose level wanders, and from half-way on takes more [ms].

    It goes back to its mean within 10 s or 40 s with a standard deviation of 0.8 %, or never, and
    ends 1.5 % away.
    """
    if way == "at random":
        level = np.cumsum(draw.normal(0, 0.015 / n**0.5, n))
    else:
        keeps = math.exp(-0.01 / way)
        shocks = draw.normal(0, 0.008 * math.sqrt(1 - keeps**2), n)
        level = np.array(list(itertools.accumulate(shocks, lambda last, new: keeps * last + new)))
    x = 10 * (1 + level) * (1 + 0.03 * draw.standard_normal(n))
    x[n // 2 :] *= 1 + step
    return x, (np.cumsum(x) - x) / 1e3


@pytest.mark.parametrize("way", [10.0, 40.0, "at random"])
def test_a_level_that_wanders_has_no_steps_and_a_tenth_more_is_one(way):
    """Told in one log of twenty at most of those without a step; a tenth, up or down, in all."""
    draw = np.random.default_rng(31)
    told = [len(change_points(*_wandering(draw, way)).loops) > 0 for _ in range(40)]
    assert sum(told) <= 2
    for step in (0.1, -0.1):
        for _ in range(10):
            x, start = _wandering(draw, way, step)
            found = change_points(x, start)
            assert np.abs(found.times_s - start[1250]).min() <= 1.0


def test_a_climb_bit_by_bit_by_a_fifth_is_told():
    """No single step stands out from the others; all of them together do."""
    level = 10 + 2 * np.clip((T - 20) / 20, 0, 1)
    found = change_points(level * np.random.default_rng(32).normal(1, 0.02, 6000), T)
    assert len(found.loops) > 1
    assert found.levels[[0, -1]] == pytest.approx([10, 12], rel=0.02)


@pytest.mark.parametrize("first", [30, 80, 201, 333])
def test_a_clear_change_is_known_to_the_loop(first):
    """100 ms for some loops, then 20 ms: also where they fill no four windows."""
    draw = np.random.default_rng(first)
    x = np.where(np.arange(900) < first, 100.0, 20.0) + draw.normal(0, 0.5, 900)
    x[[first + 40, first + 300]] += 90  # two stalls
    found = change_points(x, np.append(0, np.cumsum(x)[:-1]) / 1e3)
    assert found.loops.tolist() == [first]
    assert found.levels == pytest.approx([100, 20], abs=0.5)
    assert found.relative_steps == pytest.approx([-0.8], abs=0.01)


def test_two_clear_changes_are_known_to_the_loop_each():
    """10, 14 and 8 ms, from loops 421 and 777 on."""
    level = np.repeat([10.0, 14.0, 8.0], [421, 356, 500])
    x = level + np.random.default_rng(3).normal(0, 0.4, len(level))
    found = change_points(x, np.append(0, np.cumsum(x)[:-1]) / 1e3)
    assert found.loops.tolist() == [421, 777]
    assert found.levels == pytest.approx([10, 14, 8], abs=0.1)


def test_a_slow_spell_at_the_start_that_comes_again_is_no_level():
    """30 loops of 100 ms, and 60 more of them later on."""
    x = np.repeat([100.0, 20.0, 100.0, 20.0], [30, 1500, 60, 1500])
    x += np.random.default_rng(5).normal(0, 0.5, len(x))
    found = change_points(x, np.append(0, np.cumsum(x)[:-1]) / 1e3)
    assert found.loops.tolist() == []
