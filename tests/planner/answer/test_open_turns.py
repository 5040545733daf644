"""Plans about a thread that is seen to take turns with the loop, whatever is said of it.

What comes of a plan is known from the same two threads simulated with the change made.
"""

import pytest

from looptime.analysers.pacing import pacing
from looptime.analysers.thread_rule import ThreadRule
from looptime.planner.answer.predict import Prepared, predict
from looptime.planner.play.draft import known
from tests.planner.play.test_turn_services import RULE, as_run, simulated

ALONE_MS = 12.0  # what the loop's own calls take


@pytest.fixture(scope="module")
def logged():
    """A log whose thread rests for 2 ms, and its mean period [ms]."""
    run = as_run(simulated(2.0))
    return run, float(run.loop_columns.period_ns.mean()) / 1e6


def _after(change):
    """Mean period with the change made [ms]."""
    if change.startswith("drop"):
        return ALONE_MS
    periods = as_run(simulated(float(change.partition("=")[2]))).loop_columns.period_ns
    return float(periods.mean()) / 1e6


def test_calls_that_wait_for_turns_wait_for_no_device(logged):
    """A read and a step both end evenly, for the lock lets each go on as evenly as it turns."""
    assert pacing(logged[0]).beat_call is None
    assert {r.recurs for r in known(logged[0]).rhythms.calls} == {"loop"}


@pytest.mark.parametrize(
    "change", ["rest screen.draw ms=20", "rest screen.draw ms=60", "drop screen.draw"]
)
def test_the_answer_holds_both_ways_where_nobody_says_whether_threads_take_turns(logged, change):
    """At once nothing is gained; taking turns, what the same threads gain that rest so long."""
    run, now = logged
    told, gain = predict(run, [change]), _after(change) - now
    assert told.verdict == "can't tell"
    assert 'threads = "at once" or "take turns"' in told.until
    assert "screen.draw" in told.unknown_turns.calls
    assert told.unknown_turns.at_once_ms.value == pytest.approx(0, abs=0.1)
    assert told.unknown_turns.in_turn_ms.value == pytest.approx(gain, rel=0.2)
    assert told.change_ms.low <= gain
    assert told.change_ms.high >= 0
    assert "hold the loop up by its turns" in " ".join(told.warnings)


def test_where_it_is_stated_the_mean_is_that_of_turns_though_they_come_out_a_little_off(logged):
    """Prepared without turns, as where they come out off the log: from the mean recorded."""
    run, now = logged
    at = Prepared(known(run, threads=RULE, plays_turns=False), len(run), 0)
    told, gain = predict(at, ["rest screen.draw ms=20"]), _after("rest screen.draw ms=20") - now
    assert (told.verdict, told.unknown_turns) == ("faster", None)
    mean = told.predicted.period_ms["mean"]
    assert mean.value == pytest.approx(now + gain, rel=0.08)
    assert mean.value - now == pytest.approx(told.change_ms.value, abs=0.02)
    assert told.predicted.rate_hz.value == pytest.approx(1e3 / mean.value)


def test_threads_that_compute_at_once_and_calls_of_the_loop_leave_nothing_open(logged):
    """Stated so, or a change that no thread of the log is about."""
    run, _ = logged
    for change, rule in (
        ("rest screen.draw ms=20", ThreadRule("at once")),
        ("scale imu.read by=0.5", None),
    ):
        told = predict(run, [change], threads=rule)
        assert told.unknown_turns is None
        assert told.until == ""
