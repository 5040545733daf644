"""Predictions: figures, intervals, contributions, ages, and what is promised."""

import json
import re

import numpy as np
import pytest

from looptime.errors import NotEnoughError, UsageError
from looptime.planner import predict, prepare_run, score, suggest
from looptime.planner.answer.predict import CAUTIONS
from looptime.planner.answer.reading_age import reading_ages
from looptime.planner.known.stretches import spread_sample
from looptime.planner.play.draft import known
from looptime.planner.search.candidates import candidates
from looptime.planner.search.look import pattern_for
from looptime.planner.search.suggest import _Search, _Tried
from looptime.project import Bus
from looptime.views.text.plan_text import render_plan, render_score, render_suggestions
from looptime.views.text.terminal import show
from tests.build_run import make_run
from tests.parsers.build import read
from tests.planner.play.test_replay import balance
from tests.planner.robot import LABELS, Robot, record

BUSES = {"port": Bus(0.5, 0.2, "fair")}


@pytest.fixture(scope="module")
def today():
    """A recording of today's code."""
    return record(Robot(), 1, loops=900)


def finite(value):
    """Assert that JSON can hold a value, without NaN."""
    return json.loads(json.dumps(value, allow_nan=False))


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


def test_the_season_sets_the_run_to_run_part(today):
    """A steadier robot has narrower intervals."""
    wide = predict(today, ["drop odometry"], buses=BUSES)
    narrow = predict(today, ["drop odometry"], buses=BUSES, run_sd=0.001)
    assert narrow.run_sd_from == "given"

    def width(made):
        at = made.predicted.period_ms["mean"]
        return at.high - at.low

    assert width(narrow) < 0.6 * width(wide)


def test_reading_ages_by_hand():
    """Read at 0, written at 5: 5 ms old; thinned out to every second loop: 5 or 15 ms."""
    run = make_run(
        [10.0] * 60, [("gyro.read", 0, 2), ("motor.set", 5, 1)],
        {"gyro.read": "sensor read", "motor.set": "actuator write"},
    )  # fmt: skip
    assert reading_ages(run)["gyro.read"].mean == 5
    assert reading_ages(run, read_instant="end")["gyro.read"].mean == 3
    made = predict(run, ["every gyro.read loops=2"])
    ages = made.predicted.age_at_first_use_ms["gyro.read"]
    # with the read: 5; without it the write comes 3 ms after the loop's start, 8 or so later
    assert ages["mean"].value == pytest.approx((5 + 5 + 8) / 2)
    assert made.baseline.age_at_first_use_ms["gyro.read"]["max"].value == 5


def test_a_sample_stands_for_a_long_run(today):
    """A sample keeps the mean, adjoins its loops and balances."""
    run = record(Robot(), 8, loops=4000)
    short = spread_sample(run, 1000)
    assert len(short) == 1000
    assert short.duration_s / 1000 == pytest.approx(run.duration_s / 4000, rel=0.02)
    balance(short)
    made = predict(run, ["drop odometry"], sample_loops=1000, keep_warmup=True)
    assert made.sampled
    assert made.loops == 1000
    assert not predict(run, ["drop odometry"], keep_warmup=True).sampled


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


def test_suggestions_are_sound():
    """The batch is found; nothing on another bus, no read of the heading made rarer."""
    run = record(Robot(), 10, loops=1500)
    run = run.with_names(tuple(n for n in run.names))
    found = suggest(run, buses=BUSES, target_hz=600, heading_call="gyro.read")
    finite(found.to_dict())
    texts = [change for p in found.proposed for change in p.changes]
    assert "batch encoder.*.read" in texts
    assert not any(text.startswith("every gyro.read") for text in texts)
    assert any("cannot be reached" in line and "floor" in line for line in found.targets)
    gains = [p.gain_ms for p in found.proposed if "later" not in p.changes[0]]
    assert all(gain.low <= gain.value < 0 for gain in gains)
    assert gains[0].high < 0
    several = [len(p.changes) > 1 for p in found.proposed]
    assert several == sorted(several), "single remedies before several together"
    assert all(p.say and p.check for p in found.proposed)
    left = {p.text: p.why for p in found.not_proposed}
    assert "heading" in left["every gyro.read loops=4"]


def test_what_a_remedy_rests_on_is_said_once(capsys):
    """Plans of several remedies do not say again what is said of each; every one is named once."""
    found = suggest(record(Robot(), 10, loops=1000), buses=BUSES)
    together = [p for p in found.proposed if len(p.changes) > 1]
    assert together, "the robot has remedies that go together"
    alone = {r.changes: r.why for r in found.remedies}
    assert len(alone) == len(found.remedies)
    assert {c for p in found.proposed for c in p.changes} == {c for r in alone for c in r}
    for plan in found.proposed:
        said = {why for why in alone.values() if why in plan.why}
        assert said == ({alone[plan.changes]} if plan.changes in alone else set())
    show(render_suggestions(found).parts(full=True))
    text = " ".join(capsys.readouterr().out.split()).partition("What each remedy is")[2]
    shown = {c for p in found.proposed for c in p.changes}
    reasons = {why for changes, why in alone.items() if shown.issuperset(changes)}
    reasons |= {p.why for p in found.not_proposed}
    assert len(reasons) > 3
    assert {why: text.count(why) for why in reasons} == dict.fromkeys(reasons, 1)


def test_targets_within_reach_come_first():
    """A target that some plan meets: that plan leads, and the line says so."""
    run = record(Robot(), 10, loops=1000)
    found = suggest(run, buses=BUSES, target_hz=110)
    assert found.proposed[0].meets_targets
    assert "can be reached" in found.targets[0]
    easy = suggest(run, buses=BUSES, target_hz=20)
    assert "met today" in easy.targets[0]
    with pytest.raises(UsageError, match="--target-hz"):
        suggest(run, target_hz=-1)


def test_reads_on_two_buses_are_not_batched_together():
    """Each proposed batch stays on one bus."""
    labels = {**LABELS, "encoder.rl.read": {"kind": "sensor read", "bus": "aux"},
              "encoder.rr.read": {"kind": "sensor read", "bus": "aux"}}  # fmt: skip
    run = make_run(
        [10.0] * 80,
        [(f"encoder.{w}.read", 2 * i, 1.5) for i, w in enumerate(("fl", "fr", "rl", "rr"))],
        labels,
    )
    found = suggest(run)
    batches = {c for p in found.proposed for c in p.changes if c.startswith("batch")}
    assert batches == {"batch encoder.fl.read encoder.fr.read",
                       "batch encoder.rl.read encoder.rr.read"}  # fmt: skip


@pytest.mark.parametrize(
    ("names", "others", "pattern"),
    [
        (["a.l.read", "a.r.read"], ["b.read"], ("a.*.read",)),
        (["a.l.read", "a.r.read"], ["a.x.read"], ("a.l.read", "a.r.read")),
        (["a[1].read", "a[2].read"], [], ("a[1].read", "a[2].read")),
    ],
)
def test_patterns_mean_just_these(names, others, pattern):
    """A pattern is used only where it matches nothing else."""
    assert pattern_for(names, others) == pattern


def test_texts_tell_the_story(today, capsys):
    """Verdict, both sides, changes and cautions are in the text; log text cannot steer it."""
    run = today.with_names(
        tuple(
            n if n.name != "odometry" else type(n)(**{**n.__dict__, "name": "odo\x1b[31m[bold]x"})
            for n in today.names
        )
    )
    made = predict(run, ["batch encoder.*.read", "thread gyro.read rest-ms=2"], budget_ms=12)
    show(render_plan(made))
    show(render_score(score(made, today)))
    show(render_suggestions(suggest(run)))
    text = capsys.readouterr().out
    assert "Before and after" in text
    assert "caution:" in text
    assert "odo?[31m[bold]x" in text
    assert "\x1b" not in text
    assert "thread gyro.read rest-ms=2" in text


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


def test_a_target_is_met_only_at_the_less_favourable_end():
    """A p99 of 10 to 12 ms does not keep to 11 ms, nor a mean of 8 to 9 ms to 120 Hz."""
    tried = _Tried((8.5, 8.0, 9.0), (10.0, 12.0), (8.5, 8.0, 9.0), {})

    def meets(hz, p99):
        return _Search(None, hz, p99, print)._meets(tried)

    assert (meets(None, 11.0), meets(None, 12.0)) == (False, True)
    assert (meets(120.0, None), meets(110.0, None)) == (False, True)
    assert (meets(110.0, 11.0), meets(110.0, 12.0)) == (False, True)
    assert meets(None, None) is None


def test_before_stands_before_after(today, capsys):
    """Half of every cost: the period, its rate and the overruns have the recorded figure first."""
    made = predict(today, ["scale encoder.*.read by=0.1"], buses=BUSES, keep_warmup=True)
    show(render_plan(made))
    line = next(x for x in capsys.readouterr().out.splitlines() if x.startswith("period mean"))
    first, second = (float(x) for x in re.findall(r"([\d.]+) \(", line))
    assert first == pytest.approx(made.baseline.period_ms["mean"].value, rel=0.01)
    assert second == pytest.approx(made.predicted.period_ms["mean"].value, rel=0.01)
    assert first > second + 0.5


def test_a_reading_is_moved_before_the_first_write_of_the_loop():
    """The write that comes first uses it too, whatever the calls are called."""
    names = {"gyro.read": "sensor read", "wheels.write": "actuator write",
             "arm.write": "actuator write"}  # fmt: skip
    calls = [("gyro.read", 0, 1), ("work", 1, 4), ("wheels.write", 5, 1), ("arm.write", 7, 1)]
    made, _ = candidates(known(make_run([10.0] * 60, calls, names)), heading_call="gyro.read")
    later = [c.changes for c in made if c.changes[0].startswith("later")]
    assert later == [("later gyro.read before=wheels.write",)]


def test_messages_are_proposed_at_a_fifth_of_their_rate():
    """Sent every 100 ms they go out every 500 ms; from every loop, four times a second."""
    made, _ = candidates(known(record(Robot(), 10, loops=1000)))
    assert ("every telemetry.send ms=500",) in [c.changes for c in made]
    made, _ = candidates(
        known(make_run([10.0] * 60, [("telemetry.send", 1, 1)], {"telemetry.send": "telemetry"}))
    )
    assert ("every telemetry.send ms=250",) in [c.changes for c in made]


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


@pytest.mark.parametrize(("busy_ms", "proposed"), [(1.0, True), (8.0, False)])
def test_a_busy_bus_takes_no_more(busy_ms, proposed):
    """A bus in use for a tenth of the time may take a read over, one in use for 80 % may not."""
    bus = {"kind": "sensor read", "bus": "port"}
    names = {"gyro.read": bus, "wheels.read": bus,
             "range.read": {"kind": "sensor read", "bus": "aux"}}  # fmt: skip
    calls = [("gyro.read", 0, 3), ("wheels.read", 3, 1), ("range.read", 1, busy_ms, "range")]
    made, _ = candidates(known(make_run([10.0] * 60, calls, names)))
    moved = ("move gyro.read bus=aux", "thread gyro.read rest-ms=5")
    assert (moved in [c.changes for c in made]) is proposed


def test_figures_of_a_sample_are_said_to_be_of_it(today, capsys):
    """Of 2,600 loops 2,000 are tried: the mean shown is theirs, and the line says so."""
    run = record(Robot(), 12, loops=2600)
    found = suggest(run, keep_warmup=True)
    assert (found.loops, found.loops_in_log) == (2000, 2600)
    assert found.now_ms["mean"] == pytest.approx(
        spread_sample(run, 2000).loop_columns.period_ns.mean() / 1e6
    )
    show(render_suggestions(found))
    text = " ".join(capsys.readouterr().out.split())
    assert "ms, in the 2,000 loops tried, of 2,600 in the run." in text
    show(render_suggestions(suggest(today, keep_warmup=True)))
    assert f"in {len(today):,} loops of the run." in capsys.readouterr().out


def test_what_a_paced_loop_gains_is_called_work(capsys):
    """12 ms of work in ticks of 20 ms: half the writes spare 1 ms of work, and no period."""
    calls = [("gyro.read", 0, 4), ("wheel.set", 4, 2), ("math", 6, 6), ("idle", 12, 8)]
    names = {"gyro.read": "sensor read", "wheel.set": "actuator write", "idle": "pacing"}
    found = suggest(make_run([20.0] * 200, calls, names), keep_warmup=True)
    told = finite(found.to_dict())
    assert (told["judged"], told["now_work_ms"]) == ("work", pytest.approx(12))
    assert told["now_ms"]["mean"] == pytest.approx(20)
    gains = {p.changes: p.gain_ms.value for p in found.proposed}
    assert gains["on-change wheel.set share=0.5",] == pytest.approx(-1, abs=0.05)
    show(render_suggestions(found).parts(full=True))
    text = " ".join(capsys.readouterr().out.split())
    assert "work mean 12.0 ms, period mean 20.0 ms" in text
    assert "8 % of the work" in text
    assert text.partition("All plans")[2].count("work mean -") == len(found.proposed)
    unpaced = suggest(make_run([12.0] * 200, calls[:3], names), keep_warmup=True)
    assert (unpaced.judged, unpaced.now_work_ms) == ("period", None)
    show(render_suggestions(unpaced))
    assert "work mean" not in capsys.readouterr().out


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
