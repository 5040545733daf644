import pytest

from looptime.errors import UsageError
from looptime.stats.statistic import parse_statistic, required_loops


def test_percentiles_may_have_decimals():
    """p99.9 is the 0.999 quantile exactly."""
    assert parse_statistic("p99.9").share == 0.999
    assert parse_statistic("median").share == 0.5


@pytest.mark.parametrize("name", ["", "p", "p0", "p100", "worst", "worst-1", "sd", "mean2", "pnan"])
def test_unknown_names_are_refused(name):
    """The message says what can be asked for."""
    with pytest.raises(UsageError, match="use one such as"):
        parse_statistic(name)


def test_thirty_loops_must_lie_beyond_a_quantile():
    """600 for p95 and 3,000 for p99; p99.9 is let off with 6,000."""
    assert [required_loops(s) for s in ("p90", "p95", "p99", "p99.9")] == [300, 600, 3000, 6000]
    assert required_loops("worst5") == 600
    assert required_loops("median") == 200
