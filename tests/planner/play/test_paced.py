"""A loop held to a rate: what it waits, and what becomes of a saving."""

import numpy as np
import pytest

from looptime.planner.play.draft import Setting
from looptime.planner.play.replay import replay
from tests.build_run import make_run
from tests.planner.play.build import balance, mean_ms, plain


def test_pace_waits_for_ticks():
    """Loops of 8 ms paced to 100 Hz take 10 ms, of which 2 ms is the wait."""
    predicted = replay(plain(), ["pace hz=100"])
    assert set((predicted.loop_columns.period_ns / 1e6).tolist()) == {10.0}
    waits = predicted.calls[predicted.calls["name"] == "pace.wait"]
    assert set(waits["duration_ns"].tolist()) == {2_000_000}
    balance(predicted)


def test_a_late_loop_skips_or_catches_up():
    """After one loop of 25 ms a 10 ms pace skips to 30 ms, or makes up for it."""
    periods = [8.0] * 5 + [25.0] + [8.0] * 10
    run = make_run(periods, lambda j: [("work", 0, periods[j])])
    skip = replay(run, ["pace hz=100"]).loop_columns.period_ns / 1e6
    assert skip.tolist() == [10.0] * 5 + [30.0] + [10.0] * 10
    caught = replay(run, ["pace hz=100"], setting=Setting(late=0)).loop_columns.period_ns / 1e6
    # 15 ms behind, 2 ms made up in each loop
    assert caught[5:].tolist() == [25.0, *[8.0] * 7, 9.0, 10.0, 10.0]


def test_a_paced_loop_waits_for_what_it_saves():
    """In a loop that keeps 50 Hz a saving lengthens the wait and not the rate."""
    rng = np.random.default_rng(4)
    work = 12 + rng.normal(0, 0.5, 500)
    run = make_run(
        [20.0] * 500,
        lambda j: [("work", 0, work[j]), ("idle", work[j], 20 - work[j])],
        {"idle": "pacing"},
    )
    predicted = replay(run, ["scale work by=0.5"])
    assert mean_ms(predicted) == pytest.approx(20, abs=1e-3)
    idle = predicted.calls[predicted.calls["name"] == "idle"]["duration_ns"].mean() / 1e6
    assert idle == pytest.approx(20 - work.mean() / 2, abs=0.01)
    slower = replay(run, ["scale work by=2"])
    assert mean_ms(slower) > 24
