"""What a plan says where the log leaves open which clock a call keeps."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.planner.answer.predict import predict, prepare_run
from looptime.planner.answer.prediction import either
from looptime.planner.play import draft, recorded
from tests.build_run import make_run


def recording(name, between=3, n=900):
    """A gyro of 10 ms and 5 ms of work in every loop, and 9 ms of something every so many loops.

    Of the work itself where it is named so.
    """
    rng = np.random.default_rng(5)
    gyro, work = rng.normal(10, 0.02, n), rng.normal(5, 0.02, n)
    sends = np.where(np.arange(n) % between == 0, 9.0, 0.0)

    def calls(k):
        long = sends[k] if name == "solve" else 0.0
        made = [("gyro.read", 0, gyro[k]), ("solve", gyro[k], work[k] + long)]
        return made + ([(name, gyro[k] + work[k], 9.0)] if sends[k] > long else [])

    return make_run(
        gyro + work + sends, calls, names={name: "telemetry" if "send" in name else "sensor read"}
    )


@pytest.mark.parametrize("sample", [None, 450])
@pytest.mark.parametrize("name", ["telemetry.send", "camera.poll", "solve"])
def test_both_clocks_that_fit_are_in_the_answer(name, sample):
    """Every third loop the mean is 5 + 9/3 = 8 ms, every 54 ms it is 5/(1 - 9/54) = 6 ms."""
    told = predict(recording(name), ["drop gyro.read"], sample_loops=sample)
    mean = told.predicted.period_ms["mean"]
    assert mean.low < 6.0
    assert mean.high > 8.0
    for change in (told.change_ms, told.changes[0].alone_ms):
        assert change.low < -11.9
        assert change.high > -10.1
    assert any(f"--recurs {name}=loop" in warning for warning in told.warnings)
    assert [r["name"] for r in told.rhythms] == [name]


def test_a_run_is_prepared_once_for_both_clocks(monkeypatch):
    """Once a run is ready nothing of it is worked out again, and a reader's rest holds for both."""
    ready = prepare_run(recording("telemetry.send"))

    def never(*_, **__):
        raise AssertionError("prepared again")

    for place in (draft, recorded):
        monkeypatch.setattr(place, "known", never)
    told = predict(ready, ["drop gyro.read"])
    assert any("--recurs" in warning for warning in told.warnings)


@pytest.mark.parametrize(("clock", "mean"), [("loop", 8.0), ("time", 6.0)])
def test_who_says_which_gets_one_answer(clock, mean):
    """A clock that is stated is played alone."""
    told = predict(
        recording("telemetry.send"), ["drop gyro.read"], recurs={"telemetry.send": clock}
    )
    found = told.predicted.period_ms["mean"]
    assert found.value == pytest.approx(mean, rel=0.03)
    assert found.high - found.low < 1.5
    assert not any("--recurs" in warning for warning in told.warnings)


def test_a_plan_that_leaves_the_pace_needs_no_clock():
    """Where the loops stay as long as they were both clocks say the same."""
    told = predict(recording("telemetry.send"), ["every gyro.read loops=1"])
    assert not any("--recurs" in warning for warning in told.warnings)


def test_an_interval_that_one_clock_leaves_open_stays_open():
    """Faster on one clock and unknown on the other is not told for faster."""
    told = predict(recording("gyro.poll", n=90), ["drop gyro.read"], recurs={"gyro.poll": "loop"})
    assert told.verdict == "faster"
    unknown = replace(told, change_ms=Figure(told.change_ms.value))
    for pair in ((told, unknown), (unknown, told)):
        found = either(*pair, ())
        assert (found.change_ms.low, found.change_ms.high) == (None, None)
        assert found.verdict == "can't tell"


def test_calls_of_every_third_and_every_sixth_loop_may_meet_or_not():
    """A gyro of 10 ms every third loop, 9 ms every sixth: by where it falls they add up or do not.

    Beside 5 ms of work one loop in six is of 24 ms if they fall together, else none: those of every
    third are of 15 ms then, and of every sixth of 14.
    """
    told = predict(recording("telemetry.send", between=6), ["every gyro.read loops=3"])
    figures = told.predicted.period_ms
    for key in ("p90", "p99"):
        assert figures[key].low < 15.1
        assert figures[key].high > 23.9
    assert any("falls into the loops of telemetry.send" in text for text in told.warnings)
    alone = predict(recording("telemetry.send", between=200), ["every gyro.read loops=3"])
    assert not any("falls into" in text for text in alone.warnings)
