"""A loop held to a rate: what it waits, and what becomes of a saving."""

import numpy as np
import pytest

from looptime.planner.answer.predict import predict
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
    found = {
        late: replay(run, ["pace hz=100"], setting=Setting(late=late)).loop_columns.period_ns / 1e6
        for late in (0.0, 0.5, 1.0)
    }
    assert found[1.0].tolist() == [10.0] * 5 + [30.0] + [10.0] * 10
    # 15 ms behind, 2 ms made up in each loop
    assert found[0.0][5:].tolist() == [25.0, *[8.0] * 7, 9.0, 10.0, 10.0]
    assert found[0.5].tolist() == [10.0] * 5 + [25.0] + [10.0] * 10
    assert np.array_equal(replay(run, ["pace hz=100"]).loop_columns.period_ns / 1e6, found[0.5])


def now_and_then(n=1000, every=25):
    """Loops of 12 ms, each 25th of 28: free-running."""
    work = np.where(np.arange(n) % every == 7, 28.0, 12.0)
    return make_run(work, lambda j: [("tray.read", 0, work[j])])


def by_rule(work, tick, rule):
    """Periods of paced code, as it would be written."""
    now, due, made = 0.0, 0.0, []
    for ms in work:
        begin, ends = now, now + ms
        due += tick
        if rule == "skip":
            while due < ends:
                due += tick
        now = max(ends, due)
        if rule == "go-on":
            due = now
        made.append(now - begin)
    return np.array(made)


def test_what_follows_a_late_loop_is_told_and_no_midpoint_answered():
    """Of three rules one is taken and named, with what the others give; the range holds all."""
    run = now_and_then()
    work = run.loop_columns.period_ns / 1e6
    played = {rule: by_rule(work, 20.0, rule) for rule in ("go-on", "skip", "catch-up")}
    p99 = {rule: float(np.percentile(at, 99)) for rule, at in played.items()}
    assert (p99["go-on"], p99["skip"]) == (28.0, 40.0)
    made = predict(run, ["pace hz=50"], keep_warmup=True)
    period = made.predicted.period_ms
    assert period["p99"].value == pytest.approx(28.0)
    assert period["mean"].value == pytest.approx(played["go-on"].mean(), rel=1e-4)
    for rule, at in played.items():
        assert period["mean"].low <= at.mean() <= period["mean"].high
        assert period["p99"].low <= p99[rule] <= period["p99"].high
        assert any(f"late={rule}" in said for said in made.warnings)
        told = predict(run, [f"pace hz=50 late={rule}"], keep_warmup=True)
        assert told.predicted.period_ms["mean"].value == pytest.approx(at.mean(), rel=1e-4)
        assert not any("late=" in said for said in told.warnings)
    assert any("gives 20.8 and 40 (late=skip)" in said for said in made.warnings)


def test_a_pace_that_every_loop_keeps_leaves_no_rule_open():
    """Nothing is late: nothing to be asked."""
    made = predict(now_and_then(), ["pace hz=30"], keep_warmup=True)
    assert made.predicted.period_ms["p99"].value == pytest.approx(1e3 / 30)
    assert not any("late=" in said for said in made.warnings)


@pytest.mark.parametrize("rule", ["skip", "go-on"])
def test_the_rule_that_the_log_shows_is_taken(rule):
    """A loop that is paced already, and late now and then, shows what it does then."""
    rng = np.random.default_rng(3)
    work = np.where(np.arange(1200) % 20 == 7, 28.0, 12.0) + rng.uniform(-0.5, 0.5, 1200)
    period = by_rule(work, 20.0, rule)
    run = make_run(
        period, lambda j: [("tray.read", 0, work[j]), ("rest", work[j], period[j] - work[j])],
        {"rest": "pacing"},
    )  # fmt: skip
    made = predict(run, ["pace hz=40"], keep_warmup=True)
    assert made.predicted.period_ms["mean"].value == pytest.approx(
        by_rule(work, 25.0, rule).mean(), rel=2e-3
    )
    assert not any("late=" in said for said in made.warnings)


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
