"""Changes to a thread that is in the log, held against the same program played with them."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.planner.play.draft import Setting
from looptime.planner.play.replay import replay
from looptime.planner.play.shared_bus import rests
from tests.build_run import make_run
from tests.planner.play.build import balance
from tests.two_threads import Job, play

OVERSLEEP = float(rests(1.0, 1000).mean()) / 1e6


def program(*, rest=1.0, gyro_lock="a", gyro_ms=3.0, in_loop=False, seed=3):
    """A loop with two encoders on one bus; the gyro in a thread, or in the loop."""
    own = [Job("gyro.read", gyro_ms, "a")] if in_loop else []
    rounds = {
        "main": lambda rng: [
            *own,
            Job("enc.1.read", 2.0, "a"),
            Job("enc.2.read", 1.5, "a"),
            Job("range.read", 2.0, "b"),
            Job("work", 3.0 + rng.uniform(0, 0.5)),
        ]
    }
    if not in_loop:
        rounds["gyro"] = lambda rng: [Job("gyro.read", gyro_ms, gyro_lock, gap_ms=rest)]
    return play(rounds, 1200, seed=seed).run()


def mean_ms(run):
    """Mean period without the first and last loops."""
    return float(run.loop_columns.period_ns[5:-5].mean()) / 1e6


@pytest.fixture(scope="module")
def logged():
    """The gyro in a thread on the loop's bus, with hardly a rest."""
    return program()


@pytest.mark.parametrize(
    ("change", "after"),
    [
        ("scale gyro.read by=1", {}),
        ("rest gyro.read ms=20", {"rest": 20 + OVERSLEEP}),
        ("move gyro.read bus=own", {"gyro_lock": "own"}),
        ("scale gyro.read by=0.5", {"gyro_ms": 1.5}),
        ("cap gyro.read ms=1", {"gyro_ms": 1.0}),
        ("unthread gyro.read", {"in_loop": True}),
        ("drop gyro.read", {"gyro_lock": "own"}),
    ],
)
def test_a_change_to_a_recorded_thread(logged, change, after):
    """The prediction is what the program does once it is changed so."""
    predicted = replay(logged, [change], setting=Setting())
    assert mean_ms(predicted) == pytest.approx(mean_ms(program(**after)), rel=0.02)
    balance(predicted)


def test_an_unthreaded_call_is_made_by_the_loop(logged):
    """It is made once a loop, before the others, and no longer by its thread."""
    run = replay(logged, ["unthread gyro.read"])
    calls = run.calls
    mine = calls[calls["name"] == "gyro.read"]
    assert set(mine["thread"]) == {"main"}
    assert len(mine) == len(run)
    first = calls[calls["thread"] == "main"].groupby("loop")["start_ns"].idxmin()
    assert set(calls.loc[first, "name"]) == {"gyro.read"}
    assert mine["duration_ns"].mean() / 1e6 == pytest.approx(3.0, rel=0.02)


def test_a_dropped_thread_is_gone(logged):
    """None of its calls is left, and the loop is free of its waits."""
    run = replay(logged, ["drop gyro.read"])
    assert set(run.calls["thread"]) == {"main"}


def test_a_thread_that_goes_by_a_timetable_stays_on_it():
    """A read every 25 ms, however long the last one took."""
    begins = np.arange(0, 4000, 25.0)
    took = np.random.default_rng(1).uniform(2, 8, len(begins))

    def calls(k):
        yield "enc.read", 0, 2
        for at, ms in zip(begins, took, strict=True):
            if 10 * k <= at < 10 * k + 10:
                yield "gyro.read", at - 10 * k, ms, "gyro"

    run = make_run([10.0] * 400, calls, {"enc.read": "sensor read", "gyro.read": "sensor read"})
    again = replay(run, ["scale gyro.read by=0.5"])
    mine = again.calls[again.calls["name"] == "gyro.read"]["start_ns"].to_numpy()
    assert np.allclose(np.diff(mine)[:-1], 25e6, atol=1e3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("rest enc.1.read ms=5", "theirs are gyro.read"),
        ("unthread tilt.read", "theirs are gyro.read"),
        ("every gyro.read loops=2", "called by another thread: it can be given a rest"),
    ],
)
def test_what_cannot_be_changed_is_said(logged, change, says):
    """One line that says what can."""
    with pytest.raises(UsageError, match=says):
        replay(logged, [change])


def test_a_log_without_a_thread_has_none_to_change():
    """A rest for what the loop does itself."""
    run = make_run([10.0] * 60, [("gyro.read", 0, 2)], {"gyro.read": "sensor read"})
    with pytest.raises(UsageError, match="no thread besides the loop's"):
        replay(run, ["rest gyro.read ms=5"])
