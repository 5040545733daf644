"""Predictions: figures, intervals, contributions, ages, and what is promised."""

import numpy as np
import pytest

from looptime.errors import NotEnoughError, UsageError
from looptime.planner import predict, prepare_run, score, suggest
from looptime.planner.answer.predict import CAUTIONS
from tests.build_run import make_run
from tests.parsers.build import read
from tests.planner.build import BUSES, finite
from tests.planner.play.build import balance
from tests.planner.robot import LABELS, Robot, record


def test_the_json_has_its_keys(today):
    """Keys as documented; each predicted figure has value, low and high, in order."""
    made = finite(predict(today, ["batch encoder.*.read"], buses=BUSES, budget_ms=12).to_dict())
    for side in ("baseline", "predicted"):
        assert {"period_ms", "rate_hz", "overruns", "calls", "age_at_first_use_ms", "bus"} <= set(
            made[side]
        )
        assert set(made[side]["period_ms"]) == {"mean", "p50", "p90", "p99"}
        for at in (*made[side]["period_ms"].values(), made[side]["rate_hz"]):
            assert at["low"] <= at["value"] <= at["high"]
        assert set(made[side]["bus"]["port"]) == {"utilisation", "wait_ms_per_loop"}
        assert set(made[side]["age_at_first_use_ms"]["gyro.read"]) == {"mean", "p95", "max"}
    assert set(made["changes"][0]) == {"text", "alone_ms", "in_order_ms"}
    assert made["warnings"] == []
    assert made["cautions"] == list(CAUTIONS)
    assert made["run_sd_from"] == "assumed"


def test_nothing_planned_changes_nothing(today):
    """Without changes the sides are alike and nothing is promised."""
    made = predict(today, [], buses=BUSES, keep_warmup=True)
    assert made.run is today
    assert made.change_ms.value == 0
    assert made.verdict == "can't tell"
    assert made.baseline.to_dict() == made.predicted.to_dict()


@pytest.mark.parametrize(
    ("changes", "after"),
    [
        (["batch encoder.*.read"], {"batched": True}),
        (["every encoder.*.read loops=3 together"], {"encoders_every": 3}),
        (["every telemetry.send ms=500"], {"telemetry_ms": 500.0}),
        (["pace hz=80 late=skip"], {"pace_ms": 12.5}),
        (["thread gyro.read rest-ms=4"], {"thread": True, "rest": 4.0}),
        (["move gyro.read bus=aux", "thread gyro.read"], {"thread": True, "gyro_bus": "aux"}),
    ],
)
def test_predictions_come_true(changes, after):
    """Mean and median within 2 % of a robot simulated apart from the planner."""
    was = record(Robot(), 3, loops=2000, run_sd=0.0)
    came = record(Robot(**after), 4, loops=2000, run_sd=0.0)
    made = predict(was, changes, buses=BUSES, keep_warmup=True)
    held = score(made, came, keep_warmup=True)
    for figure in held.period_ms[:2]:
        assert abs(figure.error_percent) < 2
    assert held.period_ms[0].inside
    assert held.sign_right is not False
    balance(made.run)


def test_contributions_add_up(today):
    """In the order given the steps add up to the whole change."""
    changes = ["batch encoder.*.read", "every telemetry.send ms=500", "scale odometry by=0.5"]
    made = predict(today, changes, buses=BUSES, keep_warmup=True)
    assert sum(c.in_order_ms.value for c in made.changes) == pytest.approx(made.change_ms.value)
    assert made.changes[2].alone_ms.value == pytest.approx(-1.0, abs=0.05)


def test_a_change_of_what_another_makes_has_no_effect_alone(today):
    """A change of the batch that an earlier change makes cannot stand alone."""
    changes = ["batch encoder.*.read as=board", "scale board by=0.5"]
    made = predict(today, changes, buses=BUSES)
    assert made.changes[1].alone_ms.value is None
    assert made.changes[1].in_order_ms.value < -0.3


def test_a_prepared_run_gives_the_same_answer(today):
    """What is worked out once changes no figure."""
    ready = prepare_run(today, buses=BUSES)
    once = predict(ready, ["batch encoder.*.read"]).to_dict()
    assert once == predict(today, ["batch encoder.*.read"], buses=BUSES).to_dict()


def test_too_short_a_log_is_refused():
    """One line that says how many loops it takes."""
    run = make_run([10.0] * 5, [("a", 0, 1)], source="short.csv")
    with pytest.raises(NotEnoughError, match=r"short.csv: has 5 loops; a plan needs at least 40"):
        predict(run, ["drop a"])
    with pytest.raises(NotEnoughError, match="at least 40"):
        suggest(run)


def test_bare_stamps_can_be_paced():
    """A log without calls has nothing to drop, and can still be paced."""
    run = make_run([8.0] * 60)
    made = predict(run, ["pace hz=100"])
    assert made.predicted.period_ms["mean"].value == pytest.approx(10)
    with pytest.raises(UsageError, match="the log has no calls"):
        predict(run, ["drop a"])
    assert suggest(run).proposed == ()


def test_calls_without_length_do_no_harm():
    """All-zero durations: no warning, no division by zero."""
    run = make_run([10.0] * 60, [("a.read", 0, 0), ("b.read", 1, 0)], LABELS)
    for text in ("batch *.read", "thread a.read", "cap a.read ms=1", "every a.read ms=20"):
        finite(predict(run, [text]).to_dict())


@pytest.mark.parametrize(("by", "verdict"), [(0.5, "faster"), (1.5, "slower")])
def test_the_wait_outside_a_loops_row_is_no_work(by, verdict):
    """Rows of about 8 ms in periods of 20 ms: at half the cost the work is half, and no more."""
    work = np.random.default_rng(1).uniform(6, 10, 400)
    run = make_run([20.0] * 400, lambda k: [("update", 0, work[k])], body_ms=work)
    made = predict(run, [f"scale update by={by}"], keep_warmup=True)
    assert (made.judged, made.verdict) == ("work", verdict)
    assert made.baseline.work_ms["mean"].value == pytest.approx(work.mean(), rel=0.001)
    assert made.predicted.work_ms["mean"].value == pytest.approx(by * work.mean(), rel=0.001)
    assert made.change_ms.value == pytest.approx((by - 1) * work.mean(), rel=0.01)
    assert made.predicted.period_ms["mean"].value == pytest.approx(20.0, rel=0.001)


def test_a_wait_that_runs_on_into_the_next_row_is_waited_anew(tmp_path):
    """Rows cut to whole milliseconds leave the wait over their end: next to nothing is changed."""
    rng, now = np.random.default_rng(2), 0.0
    text = "time_ms,gyro_us,update_us,sleep_us,telemetry_us\n"
    for k in range(400):
        work, due = rng.uniform(6000, 10000), 20000 * (k + 1) + rng.uniform(0, 60)
        text += f"{int(now / 1000)},10,{work - 10:.0f},{due - now - work:.0f},0\n"
        now = due
    made = predict(read(tmp_path, text), ["scale gyro by=0.99"], keep_warmup=True)
    assert made.judged == "work"
    assert made.change_ms.value == pytest.approx(0, abs=0.01)
