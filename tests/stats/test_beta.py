"""The incomplete beta function and what hangs on it, against another implementation."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from looptime.stats.beta import binomial_at_least, incomplete_beta
from looptime.stats.counts import poisson_at_least
from looptime.stats.student import t_one_sided, t_quantile


@given(st.floats(0.2, 5000), st.floats(0.2, 5000), st.floats(0, 1))
def test_incomplete_beta(a, b, x):
    """It agrees with SciPy's over the whole range that the tests use."""
    assert incomplete_beta(a, b, x) == pytest.approx(special.betainc(a, b, x), rel=1e-9, abs=1e-13)


@given(st.integers(1, 3000), st.floats(0.001, 0.999), st.data())
def test_binomial_tail(total, share, data):
    """The tail is the one that SciPy sums."""
    count = data.draw(st.integers(1, total))
    expected = special.bdtrc(count - 1, total, share)
    assert binomial_at_least(count, total, share) == pytest.approx(expected, rel=1e-8, abs=1e-13)


@pytest.mark.parametrize("df", [1, 2.5, 4, 18, 19, 38, 200, 5000])
@pytest.mark.parametrize("p", [0.001, 0.05, 0.5, 0.8, 0.975, 0.9995])
def test_t_quantile(p, df):
    """Quantiles of Student's t agree with SciPy's, and lead back to their probability."""
    t = t_quantile(p, df)
    assert t == pytest.approx(special.stdtrit(df, p), rel=1e-9, abs=1e-12)
    assert 1 - t_one_sided(t, df) == pytest.approx(p, rel=1e-10)
    assert math.isfinite(t)


@given(st.integers(1, 400), st.floats(0.01, 300))
def test_poisson_tail(count, expected):
    """The tail of a Poisson count is the one that SciPy gives."""
    assert poisson_at_least(count, expected) == pytest.approx(
        special.pdtrc(count - 1, expected), rel=1e-9, abs=1e-12
    )
