import numpy as np
import pytest
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.slope import _correlation, drift, drift_of_part, theil_sen

T = np.arange(6000) * 0.010


def test_theil_sen_agrees_with_an_independent_implementation():
    """Same slope."""
    rng = np.random.default_rng(1)
    t, y = np.sort(rng.uniform(0, 10, 30)), rng.normal(0, 1, 30)
    assert theil_sen(t, y) == pytest.approx(stats.theilslopes(y, t).slope)


def test_theil_sen_without_two_times():
    """Points at the same time have no slope."""
    assert theil_sen(np.zeros(5), np.arange(5.0)) == 0


def test_a_planted_drift_is_measured():
    """0.3 ms over a minute."""
    results = []
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0, 0.3, 6000)
        results.append(drift(10 + 0.005 * T + noise, T))
    assert all(r.found for r in results)
    assert np.mean([r.change for r in results]) == pytest.approx(0.3, abs=0.02)
    assert np.mean([r.per_minute for r in results]) == pytest.approx(0.3, abs=0.02)
    assert np.mean([r.relative for r in results]) == pytest.approx(0.03, rel=0.07)
    assert 16 <= sum(r.low < 0.3 < r.high for r in results) <= 20


def test_a_significant_drift_below_one_percent_is_not_reported():
    """0.5 % over the run, hardly any noise."""
    x = 10 * (1 + 0.005 * T / 60) + np.random.default_rng(3).normal(0, 0.01, 6000)
    found = drift(x, T)
    assert found.p < 1e-6
    assert not found.found


def test_the_test_is_least_squares_with_a_lag_factor():
    """The p-value worked out with an independent regression on the middle halves of the windows."""
    rng = np.random.default_rng(4)
    x = 10 + 0.002 * T + rng.normal(0, 0.5, 6000)
    y = np.sort(x.reshape(30, 200), axis=1)[:, 50:150].mean(axis=1)
    t = T.reshape(30, 200).mean(axis=1)
    fit = stats.linregress(t, y)
    e = y - fit.intercept - fit.slope * t
    r = min(max((e[:-1] * e[1:]).sum() / (e * e).sum() + 2 / 30, 0) / (1 - 4 / 30), 0.8)
    f = (1 + r) / (1 - r)
    expected = 2 * stats.t.sf(abs(fit.slope / fit.stderr) / np.sqrt(f), 28 / f)
    assert drift(x, T).p == pytest.approx(expected)


@pytest.mark.parametrize("value", [0.0, 0.1, 10.0])
def test_a_constant_run_does_not_drift(value):
    """Constant periods and zeros: change 0, p 1."""
    found = drift(np.full(6000, value), T)
    assert (found.change, found.p, found.found) == (0, 1, False)


def test_a_clock_that_stands_still():
    """All starts at the same time have no slope."""
    found = drift(np.random.default_rng(5).normal(10, 1, 600), np.zeros(600))
    assert (found.change, found.found) == (0, False)


def test_three_hundred_loops_are_the_least():
    """Ten in each window."""
    with pytest.raises(NotEnoughError, match="at least 300"):
        drift(np.ones(299), np.arange(299.0))


@pytest.mark.parametrize("n", [300, 331, 6029])
def test_any_length_gives_thirty_windows(n):
    """Loops that fill no window are left out at the start."""
    x = np.random.default_rng(n).normal(10, 1, n)
    assert np.isfinite(drift(x, np.arange(n) * 0.01).p)


def test_short_windows_look_at_the_second_lag():
    """Slow states of a few windows make the test more careful than the first lag alone."""
    e = np.tile(np.repeat([1.0, -1.0], 6), 3)[:30] + np.tile([0.9, -0.9], 15)
    second = ((e[:-2] * e[2:]).sum() / (e * e).sum() + 2 / 30) / (1 - 4 / 30)
    assert _correlation(e, 1.0) == pytest.approx(min(second**0.5, 0.8))
    assert _correlation(e, 2.0) < _correlation(e, 1.0)


@pytest.mark.parametrize(("alternating", "second"), [(0.65, 0.28), (0.52, 0.0373)])
def test_a_second_lag_counts_from_fifteen_hundredths_on(alternating, second):
    """A pattern whose first lag is negative and whose second, freed from its bias, is 0.4 or 0.12.

    Thirty values that change sign each time have a second lag of 28/30, those that change it every
    two times one of -28/30; the two patterns are at right angles.
    """
    e = np.sqrt(alternating) * np.tile([1.0, -1.0], 15)
    e += np.sqrt(1 - alternating) * np.tile([1.0, 1.0, -1.0, -1.0], 8)[:30]
    unbiased = (second + 2 / 30) / (1 - 4 / 30)
    expected = np.sqrt(unbiased) if unbiased > 0.15 else 0.0
    assert _correlation(e, 1.0) == pytest.approx(expected, abs=0.02)
    assert _correlation(e, 2.0) == 0


def test_a_loop_that_gets_faster_drifts_as_well():
    """A run turned upside down has the same p and is found, its change with the other sign."""
    noise = np.random.default_rng(5).normal(0, 0.3, 6000)
    up, down = drift(10 + 0.005 * T + noise, T), drift(10 - 0.005 * T - noise, T)
    assert up.found
    assert down.found
    assert down.p == pytest.approx(up.p)
    assert down.change == pytest.approx(-up.change)


def test_a_drift_is_not_found_that_its_own_interval_denies():
    """A tenth of the run at its end is longer: least squares see a trend, the median slope may not.

    Both must be sure of what is reported.
    """
    denied = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        late = 0.22 * (T[:900] > 8.1)
        result = drift(10 + late + np.repeat(rng.normal(0, 0.06, 30), 30), T[:900], 0.05)
        within = result.low <= 0 <= result.high
        denied += within and result.p < 0.05 and abs(result.relative) >= 0.01
        assert not (result.found and within)
    assert denied > 3


@pytest.mark.parametrize("late", [True, False])
def test_a_loop_that_slows_down_in_half_of_the_run_only_drifts(late):
    """A tenth more, gained in one half of the run, is a trend: it is no wandering about a line."""
    part = T / T[-1]
    ramp = np.maximum(2 * part - 1, 0) if late else np.minimum(2 * part, 1)
    found = drift(10 + ramp + np.random.default_rng(8).normal(0, 0.3, len(T)), T)
    assert found.found
    # 16 of 30 windows lie on either side; the median of all slopes is near the mean one
    assert found.change == pytest.approx(1.0, abs=0.05)


def test_a_step_is_no_trend_however_well_a_bend_fits_it():
    """A level that changes at once is told as a step, and leaves a bend as much as a line."""
    step = 5.0 * (np.arange(len(T)) > len(T) // 2)
    assert not drift(10 + step + np.random.default_rng(8).normal(0, 0.3, len(T)), T).found


@pytest.mark.parametrize(("percent", "found"), [(0.9, False), (1.1, True)])
def test_one_percent_of_the_run_is_worth_reporting(percent, found):
    """A straight line without noise, of a clock that began long before; its change to the digit."""
    rise = 10 * percent / 100
    made = drift(10 - rise / 2 + rise * T / T[-1], 1000 + T)
    assert made.change == pytest.approx(rise)
    assert made.per_minute == pytest.approx(rise / T[-1] * 60)
    assert (made.relative, made.found) == (pytest.approx(percent / 100), found)


def test_what_parts_add_to_a_trend_is_the_trend():
    """Two parts that rise and one that falls: 0.9, 0.3 and -0.6 ms over the run.

    What one part does in the slow loops alone is no trend of the typical ones.
    """
    line, noise = T / T[-1], np.random.default_rng(7).normal(0, 0.3, len(T))
    slow = np.where(np.arange(len(T)) % 10 == 0, 40.0 * line, 0.0)
    parts = [2 + 0.9 * line, 3 + 0.3 * line + noise, 4 - 0.6 * line + slow]
    whole = np.sum(parts, axis=0)
    added = [drift_of_part(part, whole, 1000 + T) for part in parts]
    assert added[0] == pytest.approx(0.9, abs=1e-3)
    assert added[1] == pytest.approx(0.3, abs=0.04)
    assert added[2] == pytest.approx(-0.6, abs=0.04)
    assert sum(added) == pytest.approx(drift(whole, 1000 + T).change, abs=0.02)
