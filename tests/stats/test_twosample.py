import math

import numpy as np
import pytest
from scipy import stats

from looptime.errors import NotEnoughError
from looptime.stats.jackknife import Estimate
from looptime.stats.twosample import (
    compare_overruns,
    compare_recordings,
    difference,
    exceedance_test,
    usual_scatter,
)

NAMES = ("mean", "median", "p95", "p99", "p99.9", "worst1", "overruns")


def estimate(name="mean", value=10.0, se=0.1, n=6000):
    return Estimate(name, value, se, 19, value - 2 * se, value + 2 * se, False, n, True)


def test_the_difference_is_welchs():
    """Difference, error, degrees of freedom and p worked out from the formulas."""
    d = difference(estimate(value=10.0, se=0.1), estimate(value=10.4, se=0.2))
    assert d.difference == pytest.approx(0.4)
    assert d.se == pytest.approx(math.sqrt(0.05))
    assert d.df == pytest.approx(0.05**2 / (0.01**2 / 19 + 0.04**2 / 19))
    assert d.p == pytest.approx(2 * stats.t.sf(0.4 / math.sqrt(0.05), d.df))
    assert d.percent == pytest.approx(4)
    assert d.low < 0.4 < d.high
    assert (d.high - d.low) / 2 == pytest.approx(stats.t.ppf(0.975, d.df) * d.se)


def test_the_sides_may_be_exchanged():
    """Exchanging them changes the sign and nothing else."""
    a, b = estimate(value=10.0, se=0.1), estimate(value=10.4, se=0.2)
    there, back = difference(a, b), difference(b, a)
    assert (there.difference, there.low, there.p) == pytest.approx(
        (-back.difference, -back.high, back.p)
    )


@pytest.mark.parametrize(("name", "need"), [("p95", "600"), ("p99", "3,000"), ("p99.9", "6,000")])
def test_short_recordings_are_not_judged(name, need):
    """The figures stay, the verdict does not, and the length that would do is named."""
    d = difference(estimate(name, n=6000), estimate(name, 11, n=599))
    assert d.p is None
    assert d.low is None
    assert d.difference == 1
    assert f"needs {need} loops" in d.refused


def test_recordings_that_never_vary_cannot_be_told_apart():
    """Constant periods that differ: the clock is too coarse for a verdict."""
    d = compare_recordings(np.full(6000, 10.0), np.full(6000, 11.0), ["mean"])["mean"]
    assert d.p is None
    assert "too coarse" in d.refused


@pytest.mark.parametrize("tick", [0.0, 1.0])
def test_the_same_recording_twice_does_not_differ(tick):
    """Every difference is exactly 0 and every p exactly 1, dithered or not."""
    x = np.random.default_rng(1).lognormal(2.3, 0.2, 6000)
    x = np.round(x) if tick else x
    for d in compare_recordings(x, x.copy(), NAMES, tick, budget=14.0).values():
        assert d.difference == 0
        assert d.judged == 0
        assert d.p == 1


@pytest.mark.parametrize("value", [0.0, 10.0])
def test_constant_recordings_do_not_differ(value):
    """Constant periods and all zeros: no difference, no warning."""
    x = np.full(6000, value)
    for d in compare_recordings(x, x.copy(), NAMES, budget=20.0).values():
        assert d.difference == 0
        assert d.p == 1


def test_the_exceedance_test_is_welch_on_batch_shares():
    """Pooled threshold, shares in 20 batches and Welch's test by an independent implementation."""
    rng = np.random.default_rng(6)
    a, b = rng.lognormal(2, 0.3, 6000), rng.lognormal(2.01, 0.31, 4000)
    found = exceedance_test(a, b, 0.99)
    pooled = np.sort(np.concatenate([a, b]))
    assert found.threshold == pooled[9899]
    shares = [np.array([(c > found.threshold).mean() for c in np.split(x, 20)]) for x in (a, b)]
    assert found.p == pytest.approx(stats.ttest_ind(*shares, equal_var=False).pvalue)
    assert (found.share_a, found.share_b) == pytest.approx((shares[0].mean(), shares[1].mean()))


def test_the_exceedance_test_decides_on_p99():
    """The p of p99 is that of the exceedance test, that of p95 is the jackknife's."""
    rng = np.random.default_rng(7)
    a, b = rng.lognormal(2, 0.3, 6000), rng.lognormal(2, 0.3, 6000)
    found = compare_recordings(a, b, ["p95", "p99"])
    assert found["p99"].p == exceedance_test(a, b, 0.99).p
    assert found["p95"].exceedance is None


def test_few_overruns_are_compared_exactly():
    """Nine events over both sides go to the exact binomial test, ten to the jackknife."""
    a, b = np.full(2000, 10.0), np.full(2000, 10.0)
    b[::250] = 30
    a[0] = 30
    few = compare_overruns(a, b, 20)
    assert few.counts == (1, 8)
    assert few.p == pytest.approx(stats.binomtest(8, 9, 0.5).pvalue)
    a[1000] = 30
    assert compare_overruns(a, b, 20).p != pytest.approx(stats.binomtest(8, 10, 0.5).pvalue)


def test_no_overrun_on_either_side():
    """Nothing counted is no difference."""
    d = compare_overruns(np.full(500, 10.0), np.full(500, 10.0), 20)
    assert (d.counts, d.p, d.difference) == ((0, 0), 1.0, 0.0)


def test_dither_shows_what_whole_ticks_hide():
    """A slow-down of a fifth of a tick: shown as 0, judged as near 0.2 and seen."""
    rng = np.random.default_rng(8)
    a, b = (np.round(rng.normal(m, 0.6, 6000)) for m in (10.0, 10.2))
    d = compare_recordings(a, b, ["median"], tick=1.0)["median"]
    assert d.difference == 0
    assert d.judged == pytest.approx(0.2, abs=0.08)
    assert d.low < d.judged < d.high
    assert d.p < 1e-4
    assert compare_recordings(a, b, ["median"])["median"].p == 1


def test_the_assumed_scatter_is_about_four_percent():
    """t(.975, 4) sqrt(2) of 1 % is 3.93 %, on the logarithm."""
    found = usual_scatter(estimate(se=0.0), estimate(value=10.5, se=0.0))
    assert found.limit == pytest.approx(stats.t.ppf(0.975, 4) * math.sqrt(2) * 0.01)
    assert found.beyond
    assert found.change == pytest.approx(math.log(1.05))
    assert found.p == pytest.approx(2 * stats.t.sf(math.log(1.05) / (math.sqrt(2) * 0.01), 4))
    assert not usual_scatter(estimate(se=0.0), estimate(value=10.3, se=0.0)).beyond


def test_the_assumed_scatter_grows_with_the_error_of_the_recordings():
    """A noisier pair needs a larger change."""
    sharp = usual_scatter(estimate(se=0.0), estimate(se=0.0)).limit
    vague = usual_scatter(estimate(se=0.1), estimate(se=0.1)).limit
    assert vague == pytest.approx(sharp * math.sqrt(2))


@pytest.mark.parametrize("bad", [("overruns", 0.1), ("mean", 0.0)])
def test_the_assumed_scatter_does_not_serve_counts_or_zeros(bad):
    """Counts have no such default, and zeros no relative change."""
    with pytest.raises(NotEnoughError):
        usual_scatter(estimate(bad[0], bad[1]), estimate(bad[0], bad[1]))


def test_a_recording_of_forty_loops_is_the_least():
    """Below that there is no error to be had."""
    with pytest.raises(NotEnoughError, match="at least 40"):
        compare_recordings(np.ones(39), np.ones(6000))
