"""A plan held against the recording that came of it."""

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.planner import predict, score
from looptime.planner.answer.score import Scored
from tests.build_run import make_run
from tests.planner.build import BUSES, finite
from tests.planner.robot import Robot, record


def test_a_wrong_promise_is_seen(today):
    """A recording that went the other way is called out."""
    made = predict(today, ["drop odometry"], buses=BUSES, keep_warmup=True)
    assert made.verdict == "faster"
    slower = record(Robot(compute=6.0), 2, loops=900)
    held = score(made, slower, keep_warmup=True)
    assert held.sign_right is False
    assert held.period_ms[0].inside is False
    assert finite(held.to_dict())["sign_right"] is False
    assert "odometry" in held.only_actual
    assert np.isfinite(held.period_ms[0].error_percent)


@pytest.mark.parametrize(
    ("actual", "inside"), [(9.9, False), (10.0, True), (11.0, True), (12.0, True), (12.1, False)]
)
def test_the_ends_of_a_prediction_belong_to_it(actual, inside):
    """A range of 10 to 12 ms holds both of its ends."""
    assert Scored("mean", 14.0, Figure(11.0, 10.0, 12.0), actual).inside is inside


def bench_loop(rng, n=600, thread=False, share=0.0):
    """A gyro of 3 ms, an encoder of 2 ms and 3 ms of work, each by 2 %; the gyro by `share` more.

    With `thread` the gyro is read beside the loop, on a bus of its own.
    """
    ms = np.array([3 * (1 + share), 2, 3]) * (1 + 0.02 * rng.uniform(-1, 1, (n, 3)))
    ms = np.round(ms, 6)
    names = {"gyro.read": "sensor read", "enc.read": "sensor read", "work": "compute"}

    def calls(j):
        gyro, enc, work = ms[j].tolist()
        if not thread:
            return [("gyro.read", 0, gyro), ("enc.read", gyro, enc), ("work", gyro + enc, work)]
        return [("gyro.read", 0.5, gyro, "gyro"), ("enc.read", 0, enc), ("work", enc, work)]

    return make_run(ms[:, thread:].sum(axis=1), calls, names)


def test_a_plan_that_left_open_which_case_holds_is_held_against_each():
    """The gyro has a bus of its own: then the loop takes 5 ms, on a shared one 8 and more."""
    made = predict(
        bench_loop(np.random.default_rng(1)), ["thread gyro.read rest-ms=0"], keep_warmup=True
    )
    own, shared = made.cases
    assert own.predicted.period_ms["mean"].value == pytest.approx(5, rel=0.01)
    assert shared.predicted.period_ms["mean"].low > 5.5
    after = made.predicted.period_ms["mean"]
    assert after.value == pytest.approx(5, rel=0.01)  # no mean of both
    assert after.low > 4.7  # nothing gets shorter than the calls that are left
    assert after.high >= shared.predicted.period_ms["mean"].high
    assert made.predicted.rate_hz.high < 1e3 / 4.7
    came = score(made, bench_loop(np.random.default_rng(2), thread=True), keep_warmup=True)
    assert came.went_like.what == "a bus of its own"
    assert came.period_ms[0].error_percent == pytest.approx(0, abs=1)
    assert came.not_like.mean.inside is False
    held = score(made, bench_loop(np.random.default_rng(3), share=0.6), keep_warmup=True)
    assert held.went_like.what == "a shared bus"
    assert finite(held.to_dict())["went_like"]["what"] == "a shared bus"


def ticked(rng, reads, tick_ms, n=600):
    """Encoders of 2 ms each and 4 ms of work, then a wait for the next tick, of which some late."""
    now, due, rows, periods = 0.0, 0.0, [], []
    for _ in range(n):
        ms = [round(x, 6) for x in (2 * (1 + 0.02 * rng.uniform(-1, 1, reads))).tolist()]
        work = round(float(4 * (1 + 0.02 * rng.uniform(-1, 1))), 6)
        took, calls = 0.0, []
        for i, one in enumerate(ms):
            calls.append((f"enc.{i}.read", took, one))
            took += one
        calls.append(("work", took, work))
        took += work
        due = max(due + tick_ms, now + took)
        wait = round(due - now - took, 6)
        calls.append(("pacing.wait", took, wait))
        rows.append(calls)
        periods.append(round(took + wait, 6))
        now += periods[-1]
    kinds = {f"enc.{i}.read": "sensor read" for i in range(reads)}
    return make_run(
        periods, lambda j: rows[j], {**kinds, "work": "compute", "pacing.wait": "pacing"}
    )


def test_a_loop_that_now_waits_for_its_tick_is_judged_by_its_work():
    """16 ms of calls overran a tick of 12; without four of the reads 8 are left, and 4 of wait."""
    made = predict(ticked(np.random.default_rng(1), 6, 12.0), ["drop enc.[2-5].read"])
    came = score(made, ticked(np.random.default_rng(2), 2, 12.0))
    assert came.judged == "work"
    assert came.tick_ms == pytest.approx(12, rel=0.01)
    mean = came.work_ms[0]
    assert mean.actual == pytest.approx(8, rel=0.01)
    assert mean.inside
    assert came.sign_right
    assert came.period_ms[0].actual == pytest.approx(12, rel=0.01)
    free = score(made, ticked(np.random.default_rng(3), 2, 0.0))
    assert (free.judged, free.tick_ms) == ("period", None)
