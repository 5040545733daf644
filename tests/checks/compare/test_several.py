"""Several recordings a side: judged by the scatter between runs."""

import numpy as np
import pytest

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import record
from looptime.stats.between_runs import compare_runs
from tests.checks.build import recording
from tests.checks.compare.build import change_named, compare_sides, made_sides


def test_three_against_three_tell_three_percent():
    """The mean is judged by Student's t on the logarithms of the run means."""
    before, after = made_sides((1.0, 1.03))
    found = compare_sides(before, after)
    assert (found.verdict, found.recordings) == ("slower", "")
    assert found.order.letters == "ABBAAB"
    window = min(record(run).left_s(1.0) for run in (*before, *after))
    means = [
        [measure(record(run).series(1.0, window)).get("mean").value for run in side]
        for side in (before, after)
    ]
    expected = compare_runs(*np.log(means))
    row = change_named(found, "mean")
    assert row.p == pytest.approx(expected.p, rel=1e-9)
    assert row.percent.value == pytest.approx(expected.percent, rel=1e-9)
    assert row.percent.low < 3 < row.percent.high
    assert compare_sides(after, before).verdict == "faster"


def test_three_against_three_of_the_same_code():
    """No change is seen, and the change that would have been seen is named."""
    found = compare_sides(*made_sides())
    assert found.verdict == "no change seen"
    assert "would have been seen" in found.sentences[0]
    assert found.ranking == ()


def test_noise_that_hides_everything_is_said_with_what_would_do():
    """Scatter of 4 % between runs: can't tell, and how many runs a side would do."""
    found = compare_sides(*made_sides(sd=0.04))
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "runs a side would" in change_named(found, "mean").note


def test_no_count_falls_by_more_than_all_of_it():
    """Some forty overruns and then none: -100 %, though the interval of the counts goes below."""
    found = compare_sides([recording(1, stalls=0.01)], [recording(2, stalls=0.0)])
    change = change_named(found, "overruns")
    assert change.before > 25
    assert change.after == 0
    assert change.difference.low < -change.before
    assert (change.percent.value, change.percent.low) == (-100.0, -100.0)
    assert change.percent.high < 0


def test_two_runs_against_one_are_too_few_for_a_trend():
    """Three runs carry a comparison; a trend along the session would need a fourth."""
    a, b = made_sides(runs=2, order="ABBB")
    found = compare_sides(a, b[:2])
    assert len(found.before) + len(found.after) == 3
    assert change_named(found, "mean").p is not None
