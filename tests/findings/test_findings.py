"""Findings: each with support, in order of what acting would buy, in plain words."""

import re
from dataclasses import replace

import numpy as np
import pytest

from looptime.findings import SEVERITIES, find, summarise
from looptime.findings.about import ms, percent, three
from looptime.findings.finding import Finding, ranked
from looptime.questions import Asked, summary
from looptime.run import SetAside
from looptime.schema import REASONS
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_flat_run, make_run
from tests.two_threads import Job, play


def even_run(n=4000, seed=1):
    """Loops of 10 ms with a little noise."""
    rng = np.random.default_rng(seed)
    return make_flat_run((10e6 * np.exp(rng.normal(0, 0.04, n))).astype(np.int64))


def codes(run, **options):
    """Codes of the findings in order."""
    return [f.code for f in summarise(run, **options).findings]


def test_healthy_log_says_so():
    """An even log has one finding: that nothing stands out, with its rate."""
    (only,) = summarise(even_run()).findings
    assert (only.code, only.severity) == ("healthy", "fine")
    assert only.value == pytest.approx(100, rel=0.01)
    assert not only.moves


@pytest.mark.parametrize("scenario", SCENARIOS[::4], ids=lambda s: s.name)
def test_every_finding_is_whole(scenario):
    """Severity, sentence, evidence and JSON of whatever is found."""
    for f in summarise(scenario.make(np.random.default_rng(3)), budget_ms=14).findings:
        assert f.severity in SEVERITIES
        assert f.text[-1] in ".?"
        assert f.text[0].isupper() or f.text.split()[0] in f.text  # a name may begin it
        assert not re.search(r"\de[+-]\d|nan|inf\b|None", f.text)
        assert f.evidence.n_loops > 0
        assert set(f.to_dict()) >= {"code", "severity", "text", "value", "unit", "evidence"}
        assert f.command == "" or f.command.startswith("looptime ")


def test_ranked_by_worth():
    """What would buy more comes first; notes come last."""
    run = SCENARIOS[0].make(np.random.default_rng(1))
    findings = summarise(run, budget_ms=2.5).findings
    main = [f.worth for f in findings if f.severity in ("act", "look")]
    assert main == sorted(main, reverse=True)
    kinds = [f.severity == "note" for f in findings]
    assert kinds == sorted(kinds)


def test_overruns_carry_their_loops():
    """The overrun finding counts them and names the loops."""
    period = np.full(1000, 10_000_000)
    period[[200, 700]] = 45_000_000
    found = {f.code: f for f in summarise(make_flat_run(period), budget_ms=20).findings}
    over = found["overruns"]
    assert over.value == pytest.approx(0.2)
    assert set(over.evidence.loops) == {200, 700}
    assert "2 loops (0.2 %) overrun 20 ms" in over.text


def test_lines_of_the_evidence():
    """Loops in the evidence come with their lines of the log."""
    period = np.full(1000, 10_000_000)
    period[[200, 700]] = 45_000_000
    run = make_flat_run(period)
    run = replace(run, loop_columns=replace(run.loop_columns, line=np.arange(1000) * 3 + 2))
    over = next(f for f in summarise(run, budget_ms=20).findings if f.code == "overruns")
    assert sorted(over.evidence.lines) == [602, 2102]


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


@pytest.mark.parametrize(("first_ms", "told"), [(90.0, True), (30.0, False)])
def test_a_first_call_is_told_where_it_costs_several_loops(first_ms, told):
    """Usually 0.5 ms in a loop of 10 ms; the first takes nine loops, or three."""
    run = make_run(
        [max(10.0, first_ms + 8), *[10.0] * 400],
        lambda k: [("camera.read", 0, first_ms if k == 0 else 0.5)],
        {"camera.read": "sensor read"},
    )
    assert ("first_call" in codes(run, keep_warmup=True)) is told


def test_rows_at_the_ends_of_a_log_are_no_loss():
    """A tenth of the rows before the first loop is nothing to warn of; lost in between, it is."""
    run = replace(even_run(), rows_read=1000)
    for reason, told in (("before first loop", False), ("unfinished last loop", False),
                         ("missing value", True)):  # fmt: skip
        code = REASONS.index(reason)
        aside = SetAside(np.arange(100), np.full(100, code), ("",) * 100)
        assert ("rows_set_aside" in codes(replace(run, set_aside=aside))) is told


@pytest.mark.parametrize(("height_ms", "told"), [(3.0, True), (0.7, False)])
def test_stalls_that_come_back_count_from_a_tenth_of_the_loop_on(height_ms, told):
    """Every 40 loops of 10 ms; a loop that is hardly longer for it is not worth a line."""
    rng = np.random.default_rng(6)
    work = 9e6 * np.exp(rng.normal(0, 0.003, 4000))
    send = np.full(4000, -1.0)
    send[13::40] = height_ms * 1e6
    made = {"work": work.astype(np.int64), "send": send.astype(np.int64)}
    period = made["work"] + np.maximum(made["send"], 0) + 1_000_000
    found = summarise(make_flat_run(period, made))
    assert found.recurrence.found
    assert any(f.text.startswith("send stalls the loop") for f in found.findings) is told


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


def test_blocking_is_worth_less_where_the_wait_swallows_it():
    """A read of a quarter of the work in a paced loop with headroom is no reason to hurry."""
    read, work = np.full(400, 2_500_000), np.full(400, 7_500_000)
    rng = np.random.default_rng(2)
    work = (work * np.exp(rng.normal(0, 0.05, 400))).astype(np.int64)
    names = {"gyro.read": "sensor read", "update": "compute", "pace": "pacing"}
    free = make_flat_run(read + work, {"gyro.read": read, "update": work}, names)
    wait = 30_000_000 - read - work
    paced = make_flat_run(
        read + work + wait, {"gyro.read": read, "update": work, "pace": wait}, names
    )
    worth = [
        next(f.worth for f in summarise(r).findings if f.code == "blocking_call")
        for r in (free, paced)
    ]
    assert worth[1] == pytest.approx(0.4 * worth[0], rel=0.05)


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


def test_a_robot_that_stands_still_is_not_stale():
    """A heading that does not change for a minute says nothing of the sensor."""
    heading = np.where(np.arange(3000) < 10, np.arange(3000), 10.0)
    rng = np.random.default_rng(1)
    run = make_run(10 * np.exp(rng.normal(0, 0.04, 3000)), signals={"heading_deg": heading})
    assert "stale_signal" not in codes(run)


def two_threads(lock, rest_ms):
    """A loop that reads two encoders on bus a, and a gyro thread on some lock."""
    return play(
        {
            "main": lambda rng: [
                Job("enc.1.read", 1.2, "a"),
                Job("enc.2.read", 1.2, "a"),
                Job("calc", 2.0 + rng.uniform(0, 1)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.6, lock, gap_ms=rng.uniform(*rest_ms))],
        },
        600,
    )


def test_thread_that_hinders_the_loop_comes_first():
    """The first finding says with its milliseconds what the loop waits for a thread."""
    played = two_threads("a", (0.5, 2))
    top = summarise(played.run()).findings[0]
    assert (top.code, top.severity) == ("thread_wait", "act")
    assert top.value == pytest.approx(sum(played.wait_ms().values()), rel=0.05)
    assert top.low < top.value < top.high
    assert set(top.evidence.calls) == {"enc.1.read", "enc.2.read", "gyro.read"}
    assert "for gyro.read on thread gyro" in top.text


def test_calls_that_do_not_hinder_each_other_are_not_on_one_bus():
    """A label that puts both on one bus is doubted where both are served at once."""
    run = two_threads("b", (0.5, 2)).run()
    assert not {"thread_wait", "bus_label"} & set(codes(run))
    names = tuple(replace(n, bus=None if n.name == "calc" else "port") for n in run.names)
    found = codes(run.with_names(names))
    assert "bus_label" in found
    assert "thread_wait" not in found


def test_warm_up_is_said_once():
    """A phase that holds none of the warm-up does not mention it."""
    t = np.arange(6000) * 0.01
    rng = np.random.default_rng(1)
    period = 10 * (1 + 0.3 * np.exp(-t / 1.5)) * np.exp(rng.normal(0, 0.04, 6000))
    run = make_run(period, phases=["unattended"] * 2500 + ["operator"] * 3500)
    operator, unattended = summary(Asked(), run)
    assert "warm_up" not in [f.code for f in operator.findings]
    assert "warm_up" in [f.code for f in unattended.findings]


def test_nothing_to_say_of_no_loops():
    """An empty run has no findings."""
    empty = summarise(make_run([]))
    assert find(empty) == ()


def test_words():
    """Figures in words never have an exponent."""
    assert [ms(x) for x in (999.8, 1234, 0.0001)] == ["1 s", "1.23 s", "0.0001 ms"]
    assert [three(x) for x in (1000, 99.95, -0.5)] == ["1000", "100", "-0.5"]
    assert percent(0.0995) == "10 %"


@pytest.mark.parametrize(("worth", "severity"), [(0.2, "act"), (0.1999, "look")])
def test_a_fifth_of_the_loop_should_be_acted_upon(worth, severity):
    """The border itself belongs to what should be done."""
    (made,) = ranked([Finding("blocking_call", "look", "It blocks.", worth=worth)])
    assert made.severity == severity


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


def test_pauses_come_as_often_as_they_are_counted():
    """One in so many seconds: the run's length over their number."""
    run = next(s for s in SCENARIOS if s.name == "collector, irregular").make(
        np.random.default_rng(2)
    )
    found = summarise(run)
    (text,) = [f.text for f in found.findings if f.code == "pauses"]
    count = int(text.split()[0])
    often, unit = re.search(r"one in ([\d.]+) (m?s) on average", text).groups()
    seconds = float(often) / (1e3 if unit == "ms" else 1)
    assert seconds == pytest.approx(found.pace.duration_s / count, rel=0.01)
