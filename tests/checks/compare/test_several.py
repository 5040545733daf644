"""Several recordings a side: judged by the scatter between runs."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.several import Scatter, run_changes
from looptime.checks.compare.sides import equalise
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.stats.between_runs import compare_runs
from tests.checks.build import paced, recording
from tests.checks.compare.build import change_named, compare_sides, made_sides, with_spikes


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


def at_rate(hz, seeds):
    """Runs of a loop of some 8 ms that waits for the next of so many ticks a second."""
    return [paced(recording(seed, loops=hz * 60), 1000 / hz) for seed in seeds]


@pytest.mark.parametrize("runs", [1, 3])
def test_overruns_are_compared_per_loop(runs):
    """At 50 and at 40 Hz every loop is beyond 15 ms: a fifth fewer in a minute, none per loop."""
    sides = at_rate(50, range(runs)), at_rate(40, range(10, 10 + runs))
    found = compare(*sides, settings=Settings(budget_ms=15.0))
    change = change_named(found, "overruns")
    assert change.before == pytest.approx(50 * found.window_s, abs=2)
    assert change.after == pytest.approx(40 * found.window_s, abs=2)
    assert change.percent.value == pytest.approx(0, abs=1e-9)
    assert change.verdict != "faster"
    assert change.note.startswith("counted per loop: 100 % before, 100 % after")
    assert (change.before_share, change.after_share) == (1.0, 1.0)


def test_a_share_of_overruns_that_doubles_is_told_at_half_the_pace():
    """1 in 50 loops at 50 Hz, 2 in 50 at 25 Hz: as many in a minute, twice as many per loop."""
    sides = (
        [paced(with_spikes(s, 0.02, 60.0, loops=3000), 20.0) for s in range(3)],
        [paced(with_spikes(s, 0.04, 60.0, loops=1500), 40.0) for s in range(20, 23)],
    )
    found = change_named(compare(*sides, settings=Settings(budget_ms=45.0)), "overruns")
    assert found.before == pytest.approx(found.after, rel=0.3)
    assert found.percent.low < 100 < found.percent.high
    assert found.verdict == "slower"
    assert (found.before_share, found.after_share) == pytest.approx((0.02, 0.04), rel=0.25)


def at_budget(run, budget_ms):
    return measure(record(run, Settings(budget_ms=budget_ms)).series())


def test_overruns_of_unlike_budgets_are_not_compared():
    """With a budget of 9 ms every loop is beyond it, with 11 ms hardly any: of the same loops."""
    sides = made_sides()
    for budgets, compared in (((11.0, 11.0), True), ((9.0, 11.0), False)):
        stored = [
            [at_budget(run, b) for run in side] for side, b in zip(sides, budgets, strict=True)
        ]
        found = compare(*stored)
        assert ("overruns" in {c.statistic for c in found.changes}) == compared
        assert change_named(found, "mean").verdict == "no change seen"


def test_a_history_of_other_budgets_says_nothing_of_overruns():
    """Its counts scatter by far more: with it the interval would be as wide, so it is left out."""
    before, after = (tuple(side) for side in equalise(made_sides(stalls=0.01), Settings(11.0)))
    rng = np.random.default_rng(4)
    runs = [recording(50 + k, loops=2600, stalls=0.01) for k in range(8)]
    wild = [recording(70 + k, loops=2600, stalls=rng.uniform(0.001, 0.1)) for k in range(8)]

    def interval(history):
        at = Scatter(before, after, tuple(history))
        (found,) = [c for c in run_changes(at, "period") if c.statistic == "overruns"]
        return found.difference.low, found.difference.high

    other = [replace(v, facts=replace(v.facts, budget_ms=12.0))
             for v in (at_budget(run, 11.0) for run in wild)]  # fmt: skip
    assert interval(other) == interval([])
    assert interval([at_budget(run, 11.0) for run in runs]) != interval([])
