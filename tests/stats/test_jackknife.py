import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from looptime.errors import NotEnoughError, UsageError
from looptime.stats.jackknife import batch_variance, jackknife
from looptime.stats.quantiles import quantile, worst_mean

NAMES = ["mean", "median", "p95", "p99", "worst1", "worst5", "overruns"]


def brute_force(x, figure):
    """Standard error by deleting batches of a copy, with the formulas written out once more."""
    length = len(x) // 20
    whole = figure(x)
    x = x[len(x) - 20 * length :]
    z = []
    for j in range(20):
        rest = np.delete(x, np.arange(j * length, (j + 1) * length))
        z.append(20 * whole - 19 * figure(rest))
    z = np.array(z)
    if np.ptp(z) < 1e-9:
        return 0.0, False
    j = np.arange(20.0)

    def f(u):
        r = (u[:-1] * u[1:]).sum() / (u * u).sum() + 0.05
        r = min(max(r, 0), 0.8)
        return (1 + r) / (1 - r)

    slope, cut = np.polyfit(j, z, 1)
    e = z - slope * j - cut
    s2e = (e * e).sum() / 18
    if abs(slope) / np.sqrt(s2e * f(e) / ((j - 9.5) ** 2).sum()) > stats.t.ppf(0.975, 18):
        return np.sqrt(s2e * f(e) / 20), True
    return np.sqrt(z.var(ddof=1) * f(z - z.mean()) / 20), False


FIGURES = {
    "mean": np.mean,
    "median": lambda x: quantile(x, 0.5),
    "p95": lambda x: quantile(x, 0.95),
    "p99": lambda x: quantile(x, 0.99),
    "worst1": lambda x: worst_mean(x, 0.01),
    "worst5": lambda x: worst_mean(x, 0.05),
    "overruns": lambda x: (x > 11.5).mean(),
}


@pytest.mark.parametrize("n", [40, 57, 613, 6000])
@pytest.mark.parametrize("trend", [0.0, 1.5])
@pytest.mark.parametrize("coarse", [False, True])
def test_one_sort_equals_deleting_batches_by_hand(n, trend, coarse):
    """Every figure and its error agree with a brute-force jackknife, with ties and without."""
    rng = np.random.default_rng(n)
    x = rng.normal(10, 1, n) + trend * np.linspace(0, 1, n)
    x = np.round(x, 1) if coarse else x
    found = jackknife(x, NAMES, budget=11.5)
    for name, figure in FIGURES.items():
        se, drifting = brute_force(x, figure)
        assert found[name].value == pytest.approx(figure(x), rel=1e-12), name
        assert found[name].se == pytest.approx(se, rel=1e-6, abs=1e-12), name
        assert found[name].drifting == drifting, name
        assert found[name].df == (18 if drifting else 19)


def test_the_interval_is_students():
    """Half-width t(.975, 19) standard errors."""
    e = jackknife(np.random.default_rng(3).normal(10, 1, 2000), ["mean"])["mean"]
    assert e.high - e.value == pytest.approx(stats.t.ppf(0.975, e.df) * e.se)
    assert e.value - e.low == pytest.approx(e.high - e.value)


def test_independent_values_give_the_textbook_error():
    """Averaged over series, the variance of the mean is close to sd^2 / n."""
    rng = np.random.default_rng(4)
    variances = [jackknife(rng.normal(0, 1, 2000), ["mean"])["mean"].se ** 2 for _ in range(200)]
    # the lag factor can only raise it: by some 15 % on average
    assert 1.0 < np.mean(variances) * 2000 < 1.35


def test_a_straight_line_is_taken_out():
    """A pure trend drifts and leaves no error beyond it."""
    e = jackknife(np.arange(2000.0), ["mean"])["mean"]
    assert e.drifting
    assert e.se == pytest.approx(0, abs=1e-6)


def test_batch_variance_of_white_noise_without_correction():
    """Values that alternate have no positive correlation, so the plain formula holds."""
    z = np.tile([1.0, -1.0], 10)
    variance, drifting = batch_variance(z)
    assert not drifting
    assert variance == pytest.approx(z.var(ddof=1) / 20)


@given(
    st.integers(0, 10_000), st.floats(0.01, 100), st.floats(-50, 50), st.sampled_from(NAMES[:-1])
)
@settings(max_examples=30)
def test_figures_move_with_shift_and_scale(seed, scale, shift, name):
    """Times in another unit give the same figures in that unit; a constant moves no error."""
    x = np.random.default_rng(seed).lognormal(2, 0.3, 400)
    old, new = jackknife(x, [name])[name], jackknife(scale * x + shift, [name])[name]
    assert new.value == pytest.approx(scale * old.value + shift, rel=1e-9, abs=1e-9)
    assert new.se == pytest.approx(scale * old.se, rel=1e-6, abs=1e-9)


def test_loops_within_a_batch_may_change_places():
    """The order inside a batch says nothing."""
    rng = np.random.default_rng(5)
    x = rng.lognormal(2, 0.3, 400)
    mixed = rng.permuted(x.reshape(20, 20), axis=1).ravel()
    for name in NAMES[:-1]:
        a, b = jackknife(x, [name])[name], jackknife(mixed, [name])[name]
        assert (a.value, a.se) == pytest.approx((b.value, b.se))


@pytest.mark.parametrize("value", [0.0, 0.1, 10.0])
def test_constant_runs_have_no_error(value):
    """Constant periods and all-zero durations give an error of exactly 0, and no warning."""
    for e in jackknife(np.full(6000, value), NAMES, budget=20).values():
        assert e.se == 0
        assert e.low == e.value == e.high
        assert not e.drifting


def test_short_runs_are_refused():
    """Fewer than two loops a batch say nothing about errors."""
    with pytest.raises(NotEnoughError, match="at least 40"):
        jackknife(np.ones(39))


def test_enough_follows_the_figure():
    """A thousand loops carry p95 but not p99."""
    found = jackknife(np.random.default_rng(1).normal(10, 1, 1000), ["p95", "p99"])
    assert found["p95"].enough
    assert not found["p99"].enough


def test_overruns_need_a_budget():
    """Without a budget there is nothing to count."""
    with pytest.raises(UsageError, match="budget"):
        jackknife(np.ones(100), ["overruns"])


def test_slow_levels_are_told_apart_from_white_noise():
    """Levels of sd s that last a fifth of a run: the two-point fit has 20 s^2 / 19 on average.

    The 5 stretches vary by s^2 + w / 4 on average, the 20 batches by 16 s^2 / 19 + w; white noise
    by itself has nothing left over on average, so half of the fits are nought.
    """
    rng = np.random.default_rng(11)
    white = rng.normal(0, 1, (400, 1000))
    levels = np.repeat(rng.normal(0, 0.5, (400, 5)), 200, axis=1)
    told = [jackknife(10 + x, ["mean"])["mean"].wander for x in white + levels]
    assert np.mean(np.square(told)) == pytest.approx(20 / 19 * 0.25, rel=0.1)
    none = [jackknife(10 + x, ["mean"])["mean"].wander for x in white]
    assert 0.4 < np.mean(np.array(none) == 0) < 0.65
    assert np.mean(none) < np.sqrt(5 / 1000)


def test_flicker_noise_makes_runs_differ_as_their_stretches_do():
    """Runs cut out of one long 1/f noise: the mean of the next lies within what the last promises.

    A limit at 90 % from the error within a run alone holds seldom.
    """
    rng = np.random.default_rng(12)
    hits = {"within": 0, "between": 0}
    pairs = 60
    for _ in range(pairs):
        n = 1 << 14
        tones = rng.normal(size=n // 2 + 1) + 1j * rng.normal(size=n // 2 + 1)
        tones[1:] /= np.sqrt(np.arange(1, n // 2 + 1))
        tones[0] = 0
        x = np.fft.irfft(tones)
        x = 10 + x / x.std() + rng.normal(0, 0.5, n)
        old, new = (jackknife(y, ["mean"])["mean"] for y in (x[:1000], x[9000:10_000]))
        off = abs(new.value - old.value)
        hits["within"] += off <= 1.73 * np.sqrt(2) * old.se
        hits["between"] += off <= 2.1 * np.sqrt(2) * old.between_runs * old.value
    assert hits["between"] > hits["within"] + 0.1 * pairs
    assert hits["between"] > 0.7 * pairs
