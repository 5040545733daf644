"""Findings about the rate that a loop keeps."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.pacing_rules import _made_up, missed, pacing_findings
from tests.build_run import make_flat_run, make_run
from tests.findings.build import codes


def test_one_overrun_is_told_as_one():
    """A single loop above the budget, of 30 ms among 399 of 10 ms."""
    periods = [10.0] * 399 + [30.0]
    (found,) = [f for f in pacing_findings(summarise(make_run(periods), budget_ms=20, serious_ms=25,
                                                  keep_warmup=True))
                if f.code == "overruns"]  # fmt: skip
    assert found.text == (
        "1 loop (0.25 %) overruns 20 ms; it holds 0.75 % of the time. It is longer than 25 ms."
    )


def test_overruns_carry_their_loops():
    """The overrun finding counts them and names the loops."""
    period = np.full(1000, 10_000_000)
    period[[200, 700]] = 45_000_000
    found = {f.code: f for f in summarise(make_flat_run(period), budget_ms=20).findings}
    over = found["overruns"]
    assert over.value == pytest.approx(0.2)
    assert set(over.evidence.loops) == {200, 700}
    assert "2 loops (0.2 %) overrun 20 ms" in over.text


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
    assert "If one each 20.1 ms is meant" in first.text  # nobody says that it is
    (said,) = [f.text for f in summarise(replace(run, meta={"period": "20 ms"})).findings
               if f.code == "pacing_sleep"]  # fmt: skip
    assert "instead of until the next tick" in said
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
    assert "lift makes 30 of the 30 slow events" in late.text
    assert late.evidence.calls == ("lift",)


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
    assert "20 loops (2.5 %) took longer than their 20 ms, and no later one made up for" in text


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


@pytest.mark.parametrize(
    ("stated", "told"),
    [("20 ms", "2 times as many"), ("100 Hz", None), ("98 Hz", None), ("5 ms", None), ("", None)],
)
def test_loops_that_come_more_often_than_the_log_says(stated, told):
    """10 ms each; slower ones than stated are told with what makes them late."""
    period = 10_000_000 + np.random.default_rng(1).integers(-30_000, 30_000, 600)
    run = replace(make_flat_run(period), meta={"target": stated} if stated else {})
    found = [f.text for f in summarise(run).findings if f.code == "faster_than_stated"]
    assert [told in text for text in found] == [True] * (told is not None)


def test_loops_that_catch_up_are_no_faster_than_stated():
    """Of ten one takes 65 ms and nine take 15: 20 ms, as stated, on average."""
    period = np.tile([65_000_000, *[15_000_000] * 9], 60)
    run = replace(make_flat_run(period), meta={"target": "20 ms"})
    assert "faster_than_stated" not in codes(run)


@pytest.mark.parametrize(
    ("stated", "usual_ms", "told"),
    [("50 Hz", 22.5, True), ("50 Hz", 20.3, False), ("40 Hz", 22.5, False), ("", 22.5, False)],
)
def test_a_stated_rate_that_is_missed_is_told_with_where_the_time_goes(stated, usual_ms, told):
    """Loops without a wait, of which the log says 50 a second: 1000 / 22.5 = 44.4."""
    draw = np.random.default_rng(3)
    drive = draw.normal((usual_ms - 8) * 1e6, 5e5, 900).astype(np.int64)
    imu = draw.normal(8e6, 2e5, 900).astype(np.int64)
    run = make_flat_run(imu + drive, {"imu": imu, "drive": drive}, {"drive": "other"})
    run = replace(run, meta={"target": stated} if stated else {})
    found = [f for f in summarise(run).findings if f.code == "slower_than_stated"]
    assert bool(found) is told
    if told:
        assert "44.4 a second, not 50" in found[0].text
        assert "drive" in found[0].text
        assert found[0].evidence.calls == ("drive",)


def test_the_call_that_makes_loops_late_says_how_many_ticks_they_miss():
    """A gripper that waits 41 ms for nothing in every 25th loop: 3 ticks of 20 ms instead of 1."""
    draw = np.random.default_rng(6)
    slow = draw.random(2500) < 0.04
    gripper = np.where(slow, draw.normal(41, 0.1, 2500), draw.normal(3, 0.1, 2500))
    rest = draw.normal(11, 0.3, 2500)
    took = gripper + rest
    period = 20 * np.ceil(took / 20)
    run = make_flat_run(
        (period * 1e6).astype(np.int64),
        {"gripper": (gripper * 1e6).astype(np.int64), "rest": (rest * 1e6).astype(np.int64),
         "sleep": ((period - took) * 1e6).astype(np.int64)}, {"sleep": "pacing"},
    )  # fmt: skip
    first = summarise(run).findings[0]
    assert first.text.startswith("gripper")
    assert f"It makes the {slow.sum()} loops" in first.text
    assert f"{2 * slow.sum()} ticks are missed" in first.text


@pytest.mark.parametrize(("culprits", "said"), [
    ({"gyro.read": 44}, "It makes the 44 loops (4.4 %) late"),
    ({"gyro.read": 40, "mast.read": 4}, "It makes most of the 44 loops (4.4 %) late"),
])  # fmt: skip
def test_a_call_behind_all_late_loops_is_not_behind_most(culprits, said):
    """44 late loops of 1,000, by one call or by two."""
    at = SimpleNamespace(
        pacing=SimpleNamespace(late_count=44, nominal_ms=10.0, mode="fixed rate"),
        pace=SimpleNamespace(loops=1000), slow=SimpleNamespace(by_culprit=culprits, count=44),
    )  # fmt: skip
    assert said in missed(at)
