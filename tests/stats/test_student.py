import pytest
from scipy import stats

from looptime.stats.student import t_one_sided, t_quantile, t_two_sided


@pytest.mark.parametrize("df", [1, 2.7, 4, 18, 19, 38, 250])
@pytest.mark.parametrize("p", [0.5, 0.8, 0.95, 0.975, 0.9995])
def test_quantile_agrees_with_the_distribution_object(df, p):
    """The quantile equals that of an independent implementation."""
    assert t_quantile(p, df) == pytest.approx(stats.t.ppf(p, df), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("t", [-3.0, 0.0, 0.4, 2.1, 12.0])
def test_tails_agree_with_the_distribution_object(t):
    """One- and two-sided tails equal those of an independent implementation."""
    assert t_one_sided(t, 5.5) == pytest.approx(stats.t.sf(t, 5.5), rel=1e-9)
    assert t_two_sided(t, 1.0, 5.5) == pytest.approx(2 * stats.t.sf(abs(t), 5.5), rel=1e-9)


def test_no_scatter_gives_a_defined_answer():
    """Without any scatter equal values agree and others differ."""
    assert t_two_sided(0, 0, 5) == 1
    assert t_two_sided(2, 0, 5) == 0
