import math

import pytest
from scipy import stats

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, Tolerance, decide, seen_percent
from looptime.checks.compare.several import runs_needed


def test_what_two_recordings_would_have_shown():
    """4.07 errors of one side at 38 degrees of freedom, 15 % more for quantiles, none for p99.9."""
    factor = math.sqrt(2) * (stats.t.ppf(0.975, 38) + stats.t.ppf(0.8, 38))
    assert factor == pytest.approx(4.07, abs=0.01)
    se = math.sqrt(2) * 0.1  # of the difference, where each side's is 0.1
    assert seen_percent("mean", se, 38, 10.0) == pytest.approx(factor)
    assert seen_percent("p95", se, 38, 10.0) == pytest.approx(1.15 * factor)
    assert seen_percent("p99.9", se, 38, 10.0) is None
    assert seen_percent("mean", se, 38, 0.0) is None


def test_runs_that_would_do():
    """Three runs a side that resolve 2.13 % have a scatter of 0.7 %; four resolve 2 %."""
    change = Change("period", "mean", seen_percent=2.13)
    assert runs_needed(change, 3, Tolerance(percent=2.0)) == 4
    assert runs_needed(change, 3, Tolerance(percent=0.1)) is None
    assert runs_needed(change, 1, Tolerance(percent=2.0)) is None


@pytest.mark.parametrize(
    ("statistic", "difference", "verdict"),
    [("mean", 1.0, "slower"), ("mean", -1.0, "faster"), ("rate", 1.0, "faster"),
     ("rate", -1.0, "slower")],
)  # fmt: skip
def test_a_higher_rate_is_faster(statistic, difference, verdict):
    """Every other figure is the worse the larger it is."""
    change = Change("period", statistic, difference=Figure(difference), p=0.001)
    assert decide(change, Tolerance()).verdict == verdict


@pytest.mark.parametrize(
    ("percent", "ms", "beyond"),
    [(4.0, 0.2, True), (4.0, 0.05, False), (2.0, 0.2, False), (None, 0.2, True), (4.0, None, True)],
)
def test_both_tolerances_must_be_exceeded(percent, ms, beyond):
    """3 % and 0.1 ms: what is small in either does not matter."""
    assert Tolerance(3.0, 0.1).exceeded(percent, ms) is beyond


@pytest.mark.parametrize(
    ("percent", "ms", "verdict"),
    [(-6.8, -0.59, "can't tell"), (-2.0, -0.59, "no change seen"), (-6.8, -0.05, "no change seen")],
)
def test_a_change_beyond_both_tolerances_is_not_called_none(percent, ms, verdict):
    """A test of the tail may find nothing where the quantile moved by more than is tolerated."""
    found = Change("period", "p99", before=8.7, after=8.7 + ms, difference=Figure(ms),
                   percent=Figure(percent), p=0.42, seen_percent=2.1)  # fmt: skip
    assert decide(found, Tolerance()).verdict == verdict
