"""What is told of a plan and of suggestions, as text."""

import re

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.analysers.pacing import pacing
from looptime.planner import predict, score, suggest
from looptime.planner.known.stretches import spread_sample
from looptime.planner.search.proposals import Proposal, Suggestions
from looptime.run import Run
from looptime.views.text.plan_text import plan_sentence, render_plan
from looptime.views.text.plan_words import gain_ends, gain_of
from looptime.views.text.score_text import render_score
from looptime.views.text.suggestions_text import render_suggestions
from looptime.views.text.terminal import number, show
from tests.build_run import make_run
from tests.planner.build import BUSES, finite, wandering
from tests.planner.robot import Robot, record


@pytest.fixture(scope="module")
def today():
    """A recording of today's code."""
    return record(Robot(), 1, loops=900)


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


def test_a_reading_that_moves_into_a_thread_tells_its_age(today):
    """What the loop gains is paid for in the age of that reading, whatever others change by."""
    made = predict(today, ["thread gyro.read rest-ms=40"], buses=BUSES, keep_warmup=True)
    was, now = (side.age_at_first_use_ms["gyro.read"]["mean"].value
                for side in (made.baseline, made.predicted))  # fmt: skip
    assert now > 1.5 * was
    told = plan_sentence(made)
    assert f"gyro.read gets older: {number(now)} (" in told
    assert f"today {number(was)} ms" in told


def test_before_stands_before_after(today, capsys):
    """Half of every cost: the period, its rate and the overruns have the recorded figure first."""
    made = predict(today, ["scale encoder.*.read by=0.1"], buses=BUSES, keep_warmup=True)
    show(render_plan(made))
    line = next(x for x in capsys.readouterr().out.splitlines() if x.startswith("period mean"))
    first, second = (float(x) for x in re.findall(r"([\d.]+) \(", line))
    assert first == pytest.approx(made.baseline.period_ms["mean"].value, rel=0.01)
    assert second == pytest.approx(made.predicted.period_ms["mean"].value, rel=0.01)
    assert first > second + 0.5


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


def test_a_new_pace_is_answered_with_its_rate(capsys):
    """Work of 10 ms, paced to 50 a second, is to run at 80: that is the first line."""
    calls = [("work", 0, 10.0), ("wait", 10, 10.0)]
    run = make_run([20.0] * 200, calls, {"work": "compute", "wait": "pacing"})
    show(render_plan(predict(run, ["pace hz=80"], keep_warmup=True)))
    told = " ".join(capsys.readouterr().out.split())
    assert re.match(r"At that pace the loop makes 80\.0 .*loops a second, today 50\.0 ", told)


def test_a_gain_that_runs_scatter_by_more_than_is_not_promised(capsys):
    """A tenth off 5 of 10 ms while the load moves the mean by far more: can't tell, and both said.

    With the load of the log the gain is the same share of the odometry's mean.
    """
    run = wandering(2)
    made = predict(run, ["scale odometry by=0.9"], keep_warmup=True)
    calls = run.call_columns
    own = [n.name for n in run.names].index("odometry")
    gain = 0.1 * calls.duration_ns[calls.name == own].mean() / 1e6
    assert made.verdict == "can't tell"
    assert made.change_ms.value == pytest.approx(-gain, rel=1e-3)
    show(render_plan(made))
    text = " ".join(capsys.readouterr().out.split())
    assert text.startswith("Can't tell from one recording a side, as this log wanders")
    assert f"With the very load of this log it would by {made.change_ms.value:.3g}" in text
    assert "from run to run, as this log wanders)" in text


def test_a_scatter_that_is_only_assumed_is_said_at_the_figures(capsys):
    """A calm log: what runs scatter by stands over the figures, with that nobody saw it."""
    show(render_plan(predict(wandering(2, load=0.0), ["drop odometry"], keep_warmup=True)))
    text = " ".join(capsys.readouterr().out.split())
    told = "Before and after (1.0 % from run to run, assumed: one log shows none)"
    assert told in text


def reordered():
    """A gyro read 8 ms before its use, and a write for which it is read."""
    calls = [("gyro.read", 0, 1), ("work", 1, 8), ("motor.set", 9, 1)]
    names = {"gyro.read": "sensor read", "work": "compute", "motor.set": "actuator write"}
    return make_run([10.5] * 300, calls, names)


def test_a_reading_that_gets_younger_is_told_before_the_time(capsys):
    """Read just before the write it is 1 ms old there, not 9 ms; the loop takes as long."""
    show(render_plan(predict(reordered(), ["later gyro.read before=motor.set"], keep_warmup=True)))
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("gyro.read gets younger: 1.00")
    assert "today 9.00 ms" in first


def test_half_of_the_loop_gained_may_end_at_a_set_pace():
    """8 of 10.5 ms are more than two fifths, 1 ms is not."""
    much = predict(reordered(), ["drop work"], keep_warmup=True)
    little = predict(reordered(), ["drop gyro.read"], keep_warmup=True)
    said = "if the code has a set rate that it is too slow for today, it gets no faster than that"
    assert said in much.warnings
    assert said not in little.warnings


def test_a_wait_in_few_loops_may_end_any_gain():
    """Loops of 10 ms and a little less or more, of which one in 100 waits: no pace is seen."""
    work = [10 + 0.03 * (k * 7919 % 101 - 50) for k in range(600)]
    lengths = [ms + 2.0 * (k % 100 == 50) for k, ms in enumerate(work)]
    calls = [[("range.read", 0, ms), *([("tick.sleep", ms, 2.0)] if k % 100 == 50 else [])]
             for k, ms in enumerate(work)]  # fmt: skip
    run = make_run(
        lengths, calls.__getitem__, {"range.read": "sensor read", "tick.sleep": "pacing"}
    )
    assert pacing(run).mode_from == "it hardly ever waits"
    plan = predict(run, ["scale range.read by=0.9"], keep_warmup=True)
    assert any(told.startswith("tick.sleep waits now and then") for told in plan.warnings)


@pytest.mark.parametrize(
    ("low", "value", "high", "said"),
    [(-3.5, -3.0, -2.5, "3.00 ms less (2.50 to 3.50)"),
     (-4.29, -2.26, 0.259, "2.26 ms less (4.29 less to 0.259 more)"),
     (0.5, 1.0, 2.0, "1.00 ms more (0.5 to 2.00)"),
     (-1.0, -0.5, 0.0, "0.5 ms less (0 to 1.00)")],
)  # fmt: skip
def test_the_ends_of_a_gain_are_said_in_its_own_words(low, value, high, said):
    """No sign beside less or more; which of both holds at either end is said where both may."""
    plan = Proposal(("skip a",), Figure(value, low, high), 9.0, 12.0, 1.0, "low", "", None, {})
    assert f"{gain_of(plan)} ({gain_ends(plan)})" == said


def arm() -> Run:
    """Loops of a read and a write of each of two joints, one call after another."""
    calls = [("arm.left.get", 0, 1.0), ("arm.right.get", 1, 1.0), ("arm.left.set", 2, 1.5),
             ("arm.right.set", 3.5, 1.5)]  # fmt: skip
    kinds = {
        name: "sensor read" if name.endswith("get") else "actuator write" for name, *_ in calls
    }
    return make_run([5.0] * 200, calls, kinds)


def test_writes_in_a_batch_of_reads_are_told():
    """A pattern that takes both is no batched read; the reads alone are."""
    both = predict(arm(), ["batch arm.*"], keep_warmup=True)
    assert any("takes 2 writes (arm.left.set and arm.right.set)" in w for w in both.warnings)
    reads = predict(arm(), ["batch arm.*.get"], keep_warmup=True)
    assert not any("writes" in w for w in reads.warnings)


def test_why_a_bus_of_its_own_buys_nothing_by_itself(capsys):
    """Calls of one thread wait for each other on any bus."""
    show(render_plan(predict(arm(), ["move arm.*.get bus=second"], keep_warmup=True)))
    assert "why     the loop makes its calls one after another" in capsys.readouterr().out
    show(render_plan(predict(arm(), ["batch arm.*.get"], keep_warmup=True)))
    assert "one after another" not in capsys.readouterr().out


def test_a_limit_that_the_mean_hardly_shows_is_told_by_the_longest_loops(capsys):
    """Nine stalls of 18 ms in 900 loops: 0.15 ms on average, and loops of 28 ms then take 13."""
    rng = np.random.default_rng(3)
    ms = np.array([7.5, 0.9, 2.4]) * (1 + 0.02 * rng.uniform(-1, 1, (900, 3)))
    ms[50::100, 1] = 18
    ms = np.round(ms, 6)
    names = {"mix": "other", "lift.read": "sensor read", "drive": "other"}
    rows = [[(name, m[:i].sum(), m[i]) for i, name in enumerate(names)] for m in ms]
    run = make_run(ms.sum(axis=1), lambda j: rows[j], names)
    told = plan_sentence(predict(run, ["cap lift.read ms=3"], keep_warmup=True))
    assert told.startswith("Can't tell whether the loop gets faster: the mean changes by -0.15")
    assert "But its long loops get shorter: the longest 1 in 100 take 12.9" in told
    assert "(9 of 900 loops over 19." in told


@pytest.mark.parametrize(("high", "p99_ms", "told"), [
    (0.1, 13.0, True), (-0.1, 13.0, False), (0.1, 26.0, False),
])  # fmt: skip
def test_a_suggestion_whose_mean_may_stay_tells_its_p99(high, p99_ms, told, capsys):
    """Half a millisecond less or a tenth more, and a p99 of 28 ms becomes 13: both are said."""
    gain = Figure(-0.15, -0.5, high)
    plan = Proposal(("cap lift.read ms=3",), gain, 11.0, p99_ms, 1.0, "low", "", None, {})
    found = Suggestions({"mean": 11.2, "p99": 28.0}, {"mean": 11.0, "p99": 13.0}, (plan,), (), (),
                        (), (), 900, 900)  # fmt: skip
    show(render_suggestions(found))
    said = "Period p99 is 28.0 ms today, 13.0 ms then." in capsys.readouterr().out
    assert said == told
