"""The two ends of every predicted figure."""

import numpy as np
import pytest

from looptime.planner import predict
from looptime.planner.answer.intervals import RunScatter, figure_of, side
from looptime.planner.answer.measures import Measures, Number, measure
from tests.build_run import make_run
from tests.planner.build import BUSES, NAMES, wandering
from tests.planner.robot import Robot, record


def test_an_unknown_lock_spans_both_disciplines(today):
    """The interval holds the recording under either lock, and the direction is right for both."""
    was = record(Robot(), 5, loops=2000, run_sd=0.0)
    made = predict(was, ["thread gyro.read"], keep_warmup=True)
    mean = made.predicted.period_ms["mean"]
    for lock in ("fair", "barging"):
        came = record(Robot(thread=True, lock=lock), 6, loops=2000, run_sd=0.0)
        assert mean.low <= came.loop_columns.period_ns.mean() / 1e6 <= mean.high
        assert came.loop_columns.period_ns.mean() > was.loop_columns.period_ns.mean()
    assert made.verdict == "slower"
    assert any("let the thread rest" in text for text in made.warnings)
    assert any("is in use" in text for text in made.warnings)
    assert made.rest[0].rest_ms is not None
    assert made.predicted.bus["port"]["utilisation"].value > 0.6


def test_the_season_sets_the_run_to_run_part(today):
    """A steadier robot has narrower intervals."""
    wide = predict(today, ["drop odometry"], buses=BUSES)
    narrow = predict(today, ["drop odometry"], buses=BUSES, run_sd=0.001)
    assert narrow.run_sd_from == "given"

    def width(made):
        at = made.predicted.period_ms["mean"]
        return at.high - at.low

    assert width(narrow) < 0.6 * width(wide)


@pytest.mark.parametrize("skips", [21, 24])
def test_a_quantile_between_two_plateaus_stays_between_them(skips):
    """One loop in a hundred skips a tick: p99 may be 20 or 40 ms in a run to come, and no more."""
    rng = np.random.default_rng(9)
    period = rng.permutation(np.repeat([40.0, 20.0], [skips, 2000 - skips]))
    period += rng.uniform(0, 0.05, 2000)
    measures = measure(make_run(period, [("gyro.read", 0, 2)], NAMES), full=False)
    at = figure_of({0: measures.period_ms["p99"]}, lambda v: (v[0], v[0], v[0]), RunScatter(0.02))
    assert at.low == pytest.approx(20, rel=0.05)
    assert at.high == pytest.approx(40, rel=0.05)


def test_where_the_log_wanders_the_promise_is_as_wide_as_runs_differ():
    """Of other runs of the same loaded machine most lie within what one log promises; of a calm
    one the promise stays that of an assumed 1 %: 1.73 sqrt(2) of it either way.
    """
    made = [
        figure_of({0: measure(wandering(k), full=False).period_ms["mean"]},
                  lambda v: (v[0], v[0], v[0]), RunScatter())
        for k in range(12)
    ]  # fmt: skip
    held = [a.low <= b.value <= a.high for a in made for b in made if a is not b]
    assert np.mean(held) > 0.7
    calm = measure(wandering(1, load=0.0), full=False)
    at = figure_of({0: calm.period_ms["mean"]}, lambda v: (v[0], v[0], v[0]), RunScatter())
    assert at.high / at.value - 1 == pytest.approx(1.729 * np.sqrt(2) * 0.01, rel=0.1)


def test_no_end_lies_where_arithmetic_forbids_it():
    """A p99 known to nothing is not below the median, nor a paced loop's mean below its tick."""
    numbers = {
        "mean": Number(21.0, 3.0), "p50": Number(20.0, 0.1), "p90": Number(25.0, 20.0),
        "p99": Number(50.0, 40.0),
    }  # fmt: skip
    played = {0: Measures(numbers)}
    made = side(played, lambda v: (v[0], v[0], v[0]), wandering(1), RunScatter(), None, 20.0)
    at = made.period_ms
    assert at["p90"].low == at["p50"].low > 18
    assert at["p99"].low == at["mean"].low == 20.0
    assert at["p50"].low < 20.0
    assert at["p90"].high <= at["p99"].high
    assert made.rate_hz.high == pytest.approx(50.0)
