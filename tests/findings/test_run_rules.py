"""Findings about the run as a whole."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.reading_rules import reading_findings
from looptime.findings.run_rules import healthy, rate_alone
from looptime.heading.instants import Labels, sampling_from_run
from looptime.schema import ONE_IN
from tests.build_run import make_flat_run, make_run
from tests.findings.build import even_run


@pytest.mark.parametrize(
    ("name", "stated", "closer"),
    [
        ("pose.read", None, "looptime plan a.csv"),
        ("pose.read", "pose.read", "looptime heading a.csv --read-call pose.read"),
        ("side gyro.read", None, 'looptime heading a.csv --read-call "side gyro.read"'),
    ],
)
def test_a_stale_reading_leads_to_itself(name, stated, closer):
    """A reading that waits two loops: the plan, or the heading of just this call."""
    loops, marks = 200, []
    for k in range(0, loops, 4):
        marks.append((10.0 * k + 1, name, "published", "reader"))
        marks += [(10.0 * (k + j) + 9, name, "used") for j in range(4)]
    calls = [("work", 0.0, 8.0), ("motor.write", 9.2, 0.3)]
    read = (name, 0.2, 0.8, "reader")
    kinds = {"motor.write": "actuator write", name: "sensor read"}
    run = make_run([10.0] * loops, lambda k: calls if k % 4 else [*calls, read], kinds,
                   marks=marks, source="a.csv")  # fmt: skip
    (found,) = [f for f in reading_findings(summarise(run), stated) if f.code == "stale_reading"]
    # taken at 0.2 ms: 8.8, 18.8, 28.8 and 38.8 ms old in turn when picked up
    assert found.value == pytest.approx(23.8, abs=5.1)
    assert found.command == closer
    if "heading" in closer:  # which can be looked at so
        assert len(sampling_from_run(run, Labels(read_call=name))) > loops - 5
    unread = make_run([10.0] * loops, calls, kinds, marks=marks)  # the read itself is not timed
    (found,) = [f for f in reading_findings(summarise(unread), stated) if f.code == "stale_reading"]
    assert found.command == "looptime plan LOG"


@pytest.mark.parametrize(("early_ms", "late_ms", "word"), [(10, 13, "slower"), (13, 10, "faster")])
def test_a_step_says_which_way_it_goes(early_ms, late_ms, word):
    """Half of the run at one level, half at another."""
    rng = np.random.default_rng(4)
    level = np.repeat([early_ms, late_ms], 2000) * 1e6
    run = make_flat_run((level * np.exp(rng.normal(0, 0.03, 4000))).astype(np.int64))
    (step,) = [f for f in summarise(run).findings if f.code == "change_point"]
    assert f"on the loop is {word}: " in step.text
    assert step.value == pytest.approx(late_ms - early_ms, abs=0.1)


@pytest.mark.parametrize(
    ("share", "code", "words", "left_out"),
    [(0.5, "warm_up", "slower than the rest: warm-up", True),
     (-0.3, "faster_start", "faster than the rest (", True)],
)  # fmt: skip
def test_a_start_is_slower_or_faster_than_the_rest(share, code, words, left_out):
    """Half as long again at the start, or a third shorter: both settle within 2 s."""
    t = np.arange(3000) * 0.01
    start = 1 + share * np.exp(-t / 0.7)
    periods = 10 * start * np.random.default_rng(4).lognormal(0, 0.02, 3000)
    at = summarise(make_run(periods))
    found = {f.code: f.text for f in at.findings}
    assert f"% {words}" in found[code]
    assert (at.pace.loops < 3000) == left_out


def test_loops_in_turns_are_told_with_the_call_that_makes_them_long():
    """A mast that is read in every second loop takes 6 of its 16 ms; the other takes 10."""
    draw = np.random.default_rng(12)
    mast = np.where(np.arange(900) % 2, 6.0, 0.1) * draw.normal(1, 0.02, 900)
    belt = draw.normal(9.9, 0.1, 900)
    run = make_run(mast + belt, lambda k: [("mast", 0, mast[k]), ("belt", mast[k], belt[k])],
                   {"mast": "other", "belt": "other"})  # fmt: skip
    told = [f for f in summarise(run).findings if "mast" in f.evidence.calls]
    assert told
    bare = next(f for f in summarise(make_run(mast + belt)).findings if f.code == "turns")
    assert "of every 2 loops 1 long" in bare.text
    assert bare.value == pytest.approx(5.9, abs=0.1)


def test_steps_the_same_way_by_one_call_are_a_climb():
    """10, 12, then 14 ms, all in the belt: one finding from the first step to the last."""
    draw = np.random.default_rng(4)
    belt = np.repeat([4, 6, 8], 1200) * 1e6 * np.exp(draw.normal(0, 0.02, 3600))
    made = {"belt": belt.astype(np.int64), "rest": np.full(3600, 6_000_000)}
    found = summarise(make_flat_run(made["belt"] + made["rest"], made))
    (step,) = [f for f in found.findings if f.code == "change_point"]
    assert " the loop gets slower bit by bit: 14 ms instead of 10 ms, mostly belt" in step.text
    assert step.text.startswith("From 12 s (loop 1200) to 26.4 s")
    assert step.value == pytest.approx(4, abs=0.05)


@pytest.mark.parametrize("way", [1, -1])
def test_work_that_grows_within_its_rate_is_told_as_work(way):
    """8 to 11 ms, or back, in a rate of 50 Hz that hides it: the loop is no slower, its work is."""
    draw = np.random.default_rng(4)
    work = np.linspace(8e6, 11e6, 3000)[::way] * np.exp(draw.normal(0, 0.01, 3000))
    made = {"work": work.astype(np.int64)}
    made["pace"] = 20_000_000 - made["work"]
    run = make_flat_run(sum(made.values()), made, {"work": "compute", "pace": "pacing"})
    (drift,) = [f for f in summarise(run).findings if f.code == "drift"]
    word = "longer" if way > 0 else "shorter"
    assert drift.text.startswith(f"The loop's work gets {word} along the run: ")
    assert drift.value == pytest.approx(3 * way, abs=0.1)


def test_a_loop_whose_slowest_take_three_usual_ones_is_not_even():
    """2 in 100 loops, anywhere, take 3.3 times as long: no call is there to be blamed."""
    draw = np.random.default_rng(12)
    period = 10e6 * np.exp(draw.normal(0, 0.04, 4000))
    at = replace(summarise(even_run()), findings=())
    assert healthy(at).text.startswith("Nothing stands out: the loop runs evenly at ")
    assert healthy(at).severity == "fine"
    period[draw.choice(4000, 80, replace=False)] *= 3.3
    told = healthy(summarise(make_flat_run(period.astype(np.int64))))
    assert told.text.startswith("Nothing stands out: the loop runs unevenly, with no cause in ")
    assert told.severity == "look"


def test_of_a_rate_alone_is_said_what_to_log():
    """A clock of 1 s, or some of the loops only."""
    run = even_run()
    at = summarise(run)
    assert rate_alone(at).text.endswith("Log the time of a finer clock.")
    some = rate_alone(replace(at, run=replace(run, loop_from=ONE_IN))).text
    assert some.startswith("The log holds some of the loops only: 4,000 loops in ")
    assert some.endswith("Log every loop.")


@pytest.mark.parametrize(("rise", "told"), [(0.02, False), (0.05, True)])
def test_a_drift_as_small_as_a_wander_does_not_stand_out(rise, told):
    """2 % more at the end than at the start is among the figures, 5 % among what stands out."""
    period = 10e6 * np.linspace(1, 1 + rise, 6000) * np.random.default_rng(3).normal(1, 0.005, 6000)
    found = summarise(make_flat_run(period.astype(np.int64), {}))
    assert found.changes.drift.found
    assert found.changes.better == "drift"
    assert ("drift" in [f.code for f in found.findings]) is told


@pytest.mark.parametrize(
    ("loops", "code"), [(1, "too_few_loops"), (19, "too_few_loops"), (60, "healthy")]
)
def test_hardly_a_loop_is_not_called_fine(loops, code):
    """One loop, or nineteen, say nothing of what stands out; how many would is said."""
    period = 20e6 + 1e5 * np.sin(np.arange(loops))
    found = summarise(
        make_flat_run(period.astype(np.int64), {"gyro.read": np.full(loops, 3_000_000)})
    )
    (said,) = (f for f in found.findings if f.code in ("healthy", "too_few_loops"))
    assert said.code == code
    if code == "too_few_loops":
        assert said.severity == "look"
        assert f"{loops} loop" in said.text
        assert "20 tell the pace and 50 whether it is even" in said.text
        assert "99 of 100" not in said.text
