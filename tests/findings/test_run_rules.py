"""Findings about the run as a whole."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import looptime
from looptime.findings import summarise
from looptime.findings.reading_rules import reading_findings
from looptime.findings.run_rules import _made_up, healthy, rate_alone, run_findings
from looptime.heading.instants import Labels, sampling_from_run
from looptime.run import SetAside
from looptime.schema import ONE_IN, REASONS
from tests.build_run import make_flat_run, make_run
from tests.findings.build import codes, even_run


def test_many_rows_set_aside(tmp_path):
    """Calls of two threads without a thread column overlap: the summary says what is missing."""
    rows = "".join(
        f"a.read,{k * 1000},303\nb.read,{k * 1000 + 207},301\nc.write,{k * 1000 + 700},100\n"
        for k in range(100)
    )
    path = tmp_path / "log.csv"
    path.write_text("name,start_us,duration_us\n" + rows, encoding="utf-8")
    found = {f.code: f for f in summarise(looptime.read(path)).findings}
    assert "thread column" in found["rows_set_aside"].text
    assert found["rows_set_aside"].value == pytest.approx(100 * 100 / 300, abs=1)


@pytest.mark.parametrize("marked", [False, True])
def test_values_beside_calls_are_read_by_their_mark(tmp_path, marked):
    """Without it such a row lacks a duration, and what to write is said; with it none is lost."""
    mark, head = (",signal", ",mark") if marked else ("", "")
    none = "," if marked else ""
    rows = "".join(
        f"{k},gyro.read,{k * 10_000},1801{none},\n{k},heading_deg,{k * 10_000 + 1900},{mark},{k}\n"
        for k in range(100)
    )
    path = tmp_path / "log.csv"
    path.write_text(f"loop,name,start_us,duration_us{head},value\n{rows}", encoding="utf-8")
    run = looptime.read(path, cache=False)
    said = {f.code: f.text for f in summarise(run).findings}
    assert ("says `signal` in a column `mark`" in said.get("rows_set_aside", "")) is not marked
    if marked:
        assert run.signals.values["heading_deg"].tolist() == list(range(99))


def test_one_overrun_is_told_as_one():
    """A single loop above the budget, of 30 ms among 399 of 10 ms."""
    periods = [10.0] * 399 + [30.0]
    (found,) = [f for f in run_findings(summarise(make_run(periods), budget_ms=20, serious_ms=25,
                                                  keep_warmup=True))
                if f.code == "overruns"]  # fmt: skip
    assert found.text == (
        "1 loop (0.25 %) overruns 20 ms; it holds 0.75 % of the time. It is longer than 25 ms."
    )


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


def test_overruns_carry_their_loops():
    """The overrun finding counts them and names the loops."""
    period = np.full(1000, 10_000_000)
    period[[200, 700]] = 45_000_000
    found = {f.code: f for f in summarise(make_flat_run(period), budget_ms=20).findings}
    over = found["overruns"]
    assert over.value == pytest.approx(0.2)
    assert set(over.evidence.loops) == {200, 700}
    assert "2 loops (0.2 %) overrun 20 ms" in over.text


@pytest.mark.parametrize(("early_ms", "late_ms", "word"), [(10, 13, "slower"), (13, 10, "faster")])
def test_a_step_says_which_way_it_goes(early_ms, late_ms, word):
    """Half of the run at one level, half at another."""
    rng = np.random.default_rng(4)
    level = np.repeat([early_ms, late_ms], 2000) * 1e6
    run = make_flat_run((level * np.exp(rng.normal(0, 0.03, 4000))).astype(np.int64))
    (step,) = [f for f in summarise(run).findings if f.code == "change_point"]
    assert f"on the loop is {word}: " in step.text
    assert step.value == pytest.approx(late_ms - early_ms, abs=0.1)


@pytest.mark.parametrize(("kept_ms", "word"), [(20.05, "slower"), (19.95, "faster")])
def test_a_rate_that_is_off_says_which_way(kept_ms, word):
    """A quarter of a percent beside 50 loops a second."""
    rng = np.random.default_rng(5)
    work = (rng.uniform(8, 12, 2000) * 1e6).astype(np.int64)
    wait = round(kept_ms * 1e6) - work
    run = make_flat_run(work + wait, {"work": work, "pace": wait},
                        {"work": "compute", "pace": "pacing"})  # fmt: skip
    text = next(f.text for f in summarise(run).findings if f.code == "rate_off")
    assert f"0.25 % {word} than 50" in text


def test_rows_at_the_ends_of_a_log_are_no_loss():
    """A tenth of the rows before the first loop is nothing to warn of; lost in between, it is."""
    run = replace(even_run(), rows_read=1000)
    for reason, told in (("before first loop", False), ("unfinished last loop", False),
                         ("missing value", True)):  # fmt: skip
        code = REASONS.index(reason)
        aside = SetAside(np.arange(100), np.full(100, code), ("",) * 100)
        assert ("rows_set_aside" in codes(replace(run, set_aside=aside))) is told


def test_work_unknown():
    """A fixed rate without its wait: can't tell, headroom unknown."""
    found = summarise(make_run([20] * 400, [("update", 0, 5)])).findings
    note = next(f for f in found if f.code == "work_unknown")
    assert "Can't tell" in note.text
    assert note.severity == "note"


def test_headroom():
    """Work that needs more than the nominal period in two loops of a hundred."""
    rng = np.random.default_rng(1)
    work = np.where(rng.random(1500) < 0.03, 21.0, rng.uniform(10, 12, 1500))
    wait = np.maximum(20 - work, 0.0)
    made = {"update": (work * 1e6).astype(np.int64), "pace": (wait * 1e6).astype(np.int64)}
    run = make_flat_run(sum(made.values()), made, {"update": "compute", "pace": "pacing"})
    found = {f.code: f for f in summarise(run).findings}
    assert found["headroom"].value == pytest.approx(-1.0)


@pytest.mark.parametrize(("most_ms", "told"), [(19.0, True), (15.0, False)])
def test_little_headroom_is_worth_a_look(most_ms, told):
    """One of 20 ms is left to the busiest loops, or five."""
    rng = np.random.default_rng(1)
    work = np.where(rng.random(1500) < 0.03, most_ms, rng.uniform(10, 12, 1500))
    made = {"update": (work * 1e6).astype(np.int64), "pace": ((20 - work) * 1e6).astype(np.int64)}
    run = make_flat_run(sum(made.values()), made, {"update": "compute", "pace": "pacing"})
    assert ("headroom" in codes(run)) is told


def test_what_weakens_the_figures():
    """A coarse clock, lost rows, a dear recorder and a short run are said."""
    run = make_run([10, 11] * 30, [("a", 0, 1), ("b", 3, 1)], tick_ns=1_000_000)
    run = replace(run, dropped=7, meta={"row_cost_ns": "120000"})
    assert {"coarse_clock", "rows_lost", "recorder_cost", "too_short"} <= set(codes(run))


def test_what_a_recorder_left_out():
    """Rows go by whole loops where the recorder says so, and marks that it ignored are counted."""
    run = make_run([10, 11] * 30, [("a", 0, 1)])
    meta = {"looptime-recorder": "cpp 1", "ignored": "3"}
    said = {f.code: f.text for f in summarise(replace(run, dropped=7, meta=meta)).findings}
    assert "7 rows, by whole loops" in said["rows_lost"]
    assert "3 marks" in said["marks_ignored"]
    assert (
        "too short"
        in {f.code: f.text for f in summarise(replace(run, dropped=7)).findings}["rows_lost"]
    )


@pytest.mark.parametrize("cost", ["nan", "inf", "-5", "1e300", "dear"])
def test_a_cost_that_cannot_be_is_none(cost):
    """What a recorder states of itself is believed where it is a time within the run."""
    run = replace(make_run([10, 11] * 30, [("a", 0, 1)]), meta={"row_cost_ns": cost})
    assert summarise(run).recorder_share is None


@pytest.mark.parametrize(
    ("share", "code", "words", "left_out"),
    [(0.5, "warm_up", "slower than the rest: warm-up", True),
     (-0.3, "faster_start", "faster than the rest. They stay in the figures", False)],
)  # fmt: skip
def test_a_start_is_slower_or_faster_than_the_rest(share, code, words, left_out):
    """Half as long again at the start is cut, a third shorter is told; both settle within 2 s."""
    t = np.arange(3000) * 0.01
    start = 1 + share * np.exp(-t / 0.7)
    periods = 10 * start * np.random.default_rng(4).lognormal(0, 0.02, 3000)
    at = summarise(make_run(periods))
    found = {f.code: f.text for f in at.findings}
    assert f"% {words}" in found[code]
    assert (at.pace.loops < 3000) == left_out


@pytest.mark.parametrize(("sleep_ms", "told"), [(12.0, True), (0.3, False)])
def test_a_sleep_shorter_than_the_work_is_no_tick(sleep_ms, told):
    """Work of 7 to 9 ms fits into a tick of 12 ms, not into one of 0.3."""
    rng = np.random.default_rng(3)
    work = rng.integers(7_000_000, 9_000_000, 600)
    wait = np.full(600, int(sleep_ms * 1e6))
    run = make_flat_run(
        work + wait, {"update": work, "rest": wait}, {"update": "compute", "rest": "pacing"}
    )
    assert ("pacing_sleep" in codes(run)) is told


def test_calls_that_nobody_asked_whom_they_wait_for():
    """Of 101 calls of another thread the 32 of most time are looked at; the others are said."""
    calls = [("a", 0, 1), *((f"job{n}", 0.02 * n, 0.01, "w") for n in range(101))]
    said = {f.code: f.text for f in summarise(make_run([10, 11] * 30, calls)).findings}
    assert said["waits_not_asked"].startswith("Of 69 calls,")


@pytest.mark.parametrize(
    ("places", "said"),
    [([200], "One loop came late; the next are shorter"),
     ([200, 300], "2 loops came late; after 2 of them the next are shorter")],
)  # fmt: skip
def test_how_late_loops_are_made_up_is_said_of_as_many(places, said):
    """A loop of 100 ms in a rate of 50 Hz, and ten of 12 ms after it."""
    period = np.full(400, 20_000_000)
    for k in places:
        period[k], period[k + 1 : k + 11] = 100_000_000, 12_000_000
    found = summarise(make_flat_run(period)).findings
    (text,) = [f.text for f in found if f.code == "pacing_catches_up"]
    assert text.startswith(said)
    assert "back to back" not in text  # no wait is logged


def test_loops_missing_from_the_log(tmp_path):
    """Ten of 200 numbered loops left out: a note with their count."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{k},{16_000 * k + 37 * (k % 9)}\n" for k in range(200) if k % 19 != 5)
    path.write_text("packet,time_us\n" + rows, encoding="utf-8")
    note = {f.code: f for f in summarise(looptime.read(path)).findings}["loops_missing"]
    assert (note.severity, note.value) == ("note", sum(k % 19 == 5 for k in range(200)))
    assert note.rests_on["value"] == note.value


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


def test_a_sleep_after_the_work_comes_before_what_the_work_is_made_of():
    """20 ms are slept after 3.5 of work, of which the wheels take 2.2: the sleep sets the pace."""
    draw = np.random.default_rng(3)
    took = {"wheels": draw.normal(2.2, 0.15, 900), "gyro": draw.normal(1.3, 0.1, 900),
            "sleep": draw.normal(20.1, 0.02, 900)}  # fmt: skip
    ns = {name: (1e6 * ms).astype(np.int64) for name, ms in took.items()}
    run = make_flat_run(sum(ns.values()), ns, {"wheels": "other", "gyro": "other",
                                               "sleep": "pacing"})  # fmt: skip
    first = summarise(run).findings[0]
    assert first.code == "pacing_sleep"
    assert first.value == pytest.approx(1000 / 23.6, rel=0.01)


def test_late_loops_are_told_with_the_call_behind_them():
    """A lift takes 14 ms instead of 4 in every 60th loop of 20 ms that waits unlogged."""
    draw = np.random.default_rng(5)
    at = np.arange(1800)
    lift = np.where(at % 60 == 11, draw.normal(14, 0.3, 1800), draw.normal(4, 0.1, 1800))
    rest = draw.normal(8.5, 0.1, 1800)
    start = np.zeros(1801)
    for k in range(1800):  # each loop begins on its tick, or as soon as the one before is done
        start[k + 1] = max(20.0 * (k + 1), start[k] + lift[k] + rest[k])
    run = make_run(np.diff(start), lambda k: [("drive", 0, rest[k]), ("lift", rest[k], lift[k])],
                   {"drive": "other", "lift": "other"})  # fmt: skip
    late = next(f for f in summarise(run).findings if f.code == "pacing_catches_up")
    assert "lift makes 30 of the 30 longest" in late.text
    assert late.evidence.calls == ("lift",)


def test_an_even_run_has_none_of_the_cautions():
    """A fine clock, no row lost and nothing ignored: no note is made of them."""
    notes = {"coarse_clock", "rows_lost", "marks_ignored", "loops_missing", "rows_set_aside",
             "waits_not_asked", "recorder_cost"}  # fmt: skip
    assert not notes & set(codes(even_run()))


@pytest.mark.parametrize(
    ("late_ms", "said"),
    [
        (40, "A loop that is late loses its slot: 20 loops"),
        (27, "after a late loop the rate starts anew"),
    ],
)
def test_late_loops_that_nothing_makes_up_for(late_ms, said):
    """Every 40th of 800 loops of 20 ms takes two slots, or 7 ms more than its own."""
    period = np.full(800, 20_000_000)
    period[13::40] = late_ms * 1_000_000
    (text,) = [f.text for f in summarise(make_flat_run(period)).findings
               if f.code == "pacing_skips"]  # fmt: skip
    assert said in text
    assert "20 loops (2.5 %) took longer than their 20 ms, and no later one made up for it" in text


@pytest.mark.parametrize(
    ("late", "made_up", "bursts", "said"),
    [
        (1, 1, 0, "One loop came late; the next are shorter and the time is made up, by shorter "
         "waits alone."),
        (3, 1, 1, "3 loops came late; after 1 of them the next is shorter and the time is made up, "
         "once by loops back to back, without a wait."),
        (3, 2, 2, "3 loops came late; after 2 of them the next are shorter and the time is made "
         "up, 2 times by loops back to back, without a wait."),
        (3, 2, None, "3 loops came late; after 2 of them the next are shorter and the time is made "
         "up."),
    ],
)  # fmt: skip
def test_loops_back_to_back_are_told_where_the_log_shows_the_wait(late, made_up, bursts, said):
    """How late loops are made up for, by counts."""
    told = SimpleNamespace(late_count=late, made_up_count=made_up, burst_count=bursts)
    assert _made_up(told).startswith(said)


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
