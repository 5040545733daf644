"""How a plan came true, in words."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.planner import predict, score
from looptime.views.text.score_text import render_score, score_sentence
from looptime.views.text.terminal import show
from tests.planner.answer.test_score import bench_loop, ticked
from tests.planner.build import BUSES
from tests.planner.robot import Robot, record


@pytest.fixture(scope="module")
def today():
    """A recording of today's code."""
    return record(Robot(), 1, loops=900)


def test_how_a_plan_came_true_is_told_first(today):
    """Half of every encoder read left out, and nothing changed: the mean lies above its range."""
    made = predict(today, ["scale encoder.*.read by=0.1"], buses=BUSES, keep_warmup=True)
    mean = made.predicted.period_ms["mean"]
    assert mean.high < made.baseline.period_ms["mean"].value
    assert score_sentence(score(made, today)).startswith(
        "The plan did not come true: the mean came"
    )
    same = score(made, today)
    kept = tuple(replace(s, actual=s.predicted.value) for s in same.period_ms)
    assert score_sentence(replace(same, period_ms=kept)).startswith("The plan came true: the mean")
    one = (*kept[:3], replace(kept[3], actual=10 * kept[3].predicted.high))
    told = score_sentence(replace(same, period_ms=one))
    assert told.startswith("The plan came true but for p99, out of their ranges:")


def test_a_plan_that_left_it_open_neither_came_true_nor_failed(capsys):
    """It is said what had been left open, and which case it went like, with that one's figures."""
    made = predict(
        bench_loop(np.random.default_rng(1)), ["thread gyro.read rest-ms=0"], keep_warmup=True
    )
    came = score(made, bench_loop(np.random.default_rng(2), thread=True), keep_warmup=True)
    told = score_sentence(came)
    assert told.startswith("The plan had left open whether gyro.read shares a bus with enc.read. ")
    assert "It went as with a bus of its own: the mean came to 5.00 ms, predicted 5." in told
    show(render_score(came))
    assert "predicted with a bus of its own" in " ".join(capsys.readouterr().out.split())
    neither = replace(
        came, went_like=replace(came.went_like, mean=replace(came.went_like.mean, actual=5.6))
    )
    assert "It went like neither" in score_sentence(neither)


def test_a_plan_that_promised_no_direction_does_not_come_true(today):
    """A change that no recording could show: what came lies in its ranges, which is all."""
    made = predict(today, ["scale encoder.*.read by=0.999"], buses=BUSES, keep_warmup=True)
    assert made.verdict == "can't tell"
    told = score_sentence(score(made, today, keep_warmup=True))
    assert told.startswith("The plan had left open whether the loop gets faster; what came lies in")


def test_a_loop_that_now_waits_for_its_tick_is_told_by_its_work():
    """Its period is the tick, and the change is about the work: that comes first."""
    made = predict(ticked(np.random.default_rng(1), 6, 12.0), ["drop enc.[2-5].read"])
    told = score_sentence(score(made, ticked(np.random.default_rng(2), 2, 12.0)))
    assert told.startswith("The plan came true: the work mean came to 8.00 ms, predicted 8.")
    assert "The loop now waits 4.0" in told or "The loop now waits 3.9" in told
    assert "for its tick of 12" in told
