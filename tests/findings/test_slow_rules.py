"""Findings of slow loops."""

import re
from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.contrast import Part
from looptime.analysers.pauses import Pauses
from looptime.findings import summarise
from looptime.findings.slow_rules import _pause_words, _recurring
from looptime.schema import UNATTRIBUTED
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_flat_run


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


@pytest.mark.parametrize(("height_ms", "told"), [(900.0, True), (30.0, False)])
def test_a_single_long_loop_names_its_call(height_ms, told):
    """One stall of 900 ms in 2,000 loops of 10 ms is told with its call; one of 30 ms is not."""
    work = np.full(2000, 9_000_000) + np.random.default_rng(3).integers(0, 40_000, 2000)
    lift = np.full(2000, 500_000)
    lift[700] += int(height_ms * 1e6)
    found = summarise(make_flat_run(work + lift + 500_000, {"work": work, "lift": lift}))
    said = [f.text for f in found.findings if f.code == "lone_stall"]
    assert bool(said) is told
    if told:
        assert said[0].startswith(
            "One loop took 910 ms, 90.8 usual ones, 900 ms of it in lift, at 7"
        )
        assert "clock" not in said[0]  # the call was timed by it all along


@pytest.mark.parametrize(("longest_ms", "told"), [(700.0, True), (80.0, False)])
def test_a_single_long_loop_is_told_beside_what_comes_back(longest_ms, told):
    """A send of 30 ms in every 50th loop, one of which may be longer by far."""
    draw = np.random.default_rng(3)
    send, work = np.full(3000, -1), draw.normal(9e6, 5e4, 3000).astype(np.int64)
    send[20::50] = draw.normal(30e6, 3e5, 60).astype(np.int64)
    send[1020] = longest_ms * 1e6
    period = work + np.maximum(send, 0) + 500_000
    found = summarise(make_flat_run(period, {"work": work, "send": send})).findings
    codes = [f.code for f in found]
    assert "recurring_stall" in codes
    assert ("lone_stall" in codes[:2]) is told


def test_two_long_loops_are_told_together():
    """A net of 400 and of 380 ms more beside a dash of 8 ms in every 50th loop."""
    draw = np.random.default_rng(3)
    net, dash = draw.normal(7e6, 5e4, 3000).astype(np.int64), np.full(3000, -1)
    dash[20::50] = 8_000_000
    net[1111] += 400_000_000
    net[2222] += 380_000_000
    found = summarise(make_flat_run(net + np.maximum(dash, 0), {"net": net, "dash": dash})).findings
    (told,) = [f for f in found if f.code == "lone_stall"]
    assert told.text.startswith("2 loops took up to 407 ms, 58.1 usual ones")
    assert "407 ms of it in net, the longest at 7.95" in told.text
    assert told.evidence.n_loops == 2


def test_the_longest_of_many_unlike_pauses_is_none_by_far():
    """Forty pauses of exponential length in two calls: the longest is as chance has it."""
    draw = np.random.default_rng(3)
    made = {name: draw.normal(4.5e6, 5e4, 8000).astype(np.int64) for name in ("work", "send")}
    for k in draw.choice(8000, 40, replace=False).tolist():
        made[str(draw.choice(["work", "send"]))][k] += int(30e6 + draw.exponential(60e6))
    found = summarise(make_flat_run(sum(made.values()) + 500_000, made)).findings
    assert [f.code for f in found if f.code in ("pauses", "lone_stall")] == ["pauses"]


def test_stalls_outside_the_only_call_are_told():
    """Where a log times one call, a stall of 30 ms every 50 loops is told as outside it."""
    work = np.full(3000, 2_000_000) + np.random.default_rng(8).integers(0, 90_000, 3000)
    period = work + 8_000_000
    period[20::50] += 30_000_000
    (said,) = [f.text for f in summarise(make_flat_run(period, {"gyro": work})).findings
               if f.code == "recurring_stall"]  # fmt: skip
    assert said.startswith("The loop stalls for 30 ms every 50 loops")
    assert "outside gyro, which is all that the log times" in said


def test_a_single_long_loop_of_a_paced_one_is_held_against_its_period():
    """Work of 3 ms in a period of 20 ms: one of 256 ms is 12.8 periods."""
    work = 3_000_000 + np.random.default_rng(2).integers(0, 40_000, 1000)
    work[400] = 256_000_000
    wait = np.maximum(20_000_000 - work, 0)
    calls, kinds = {"work": work, "pace": wait}, {"pace": "pacing"}
    found = summarise(make_flat_run(work + wait, calls, kinds)).findings
    (said,) = [f.text for f in found if f.code == "lone_stall"]
    assert said.startswith("One loop took 256 ms of work, 12.8 periods of 20 ms, 256 ms of it in")


@pytest.mark.parametrize(("often", "height_ms", "severity"), [(300, 5, "look"), (50, 12, "act")])
def test_how_loud_stalls_are_fits_what_they_cost(often, height_ms, severity):
    """A flush of 5 ms in 0.3 % of loops of 10 ms is worth a look, 12 ms in 2 % are to act upon."""
    work = 9_000_000 + np.random.default_rng(4).integers(0, 90_000, 6000)
    work[7::often] += height_ms * 1_000_000
    found = summarise(make_flat_run(work + 1_000_000, {"work": work})).findings
    (stall,) = [f for f in found if f.code == "recurring_stall"]
    assert stall.severity == severity
    assert stall.worth < 0.2 or stall.worth >= 0.24  # at least the share of time, 12 / 10 / 50


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("outside", "5 pauses of about 8 ms (longest 21 ms), one in 2.5 s on average, hit whatever "
         "call happens to run: something outside the calls"),
        ("own", "5 stalls of about 8 ms (longest 21 ms), one in 2.5 s on average, are spread over "
         "time in no call, imu, arm and 1 more: each has rare long turns of its own."),
        ("several", " and 1 more and differ in length between them: there is more than one cause."),
        ("", " and 1 more: can't tell whether each has rare long turns or all are held up "
         "together."),
    ],
)  # fmt: skip
def test_whose_the_pauses_are_is_said_as_far_as_a_test_tells(source, said):
    """Five of them, over four names."""
    names = (UNATTRIBUTED, "imu", "arm", "drive")
    assert said in _pause_words(Pauses(5, 8.0, 21.0, 2.5, 0.1, (), source, names))
    three = _pause_words(Pauses(5, 8.0, 21.0, 2.5, 0.1, (), source, names[1:]))
    assert "more" not in three.replace("more than one cause", "")


def test_a_single_long_loop_outside_its_calls_names_none():
    """900 ms of which no call has a part are said to lie in none."""
    work = np.full(2000, 9_000_000) + np.random.default_rng(3).integers(0, 40_000, 2000)
    period = work + 500_000
    period[700] += 900_000_000
    run = make_flat_run(period, {"work": work, "tail": np.full(2000, 100_000)})
    (one,) = [f for f in summarise(run).findings if f.code == "lone_stall"]
    assert ", most of it in no timed call, at 6." in one.text
    assert "or whether its clock was set" in one.text
    assert one.evidence.calls == ()


@pytest.mark.parametrize("count", [3, 4])
def test_calls_that_are_made_together_now_and_then_are_told_together(count):
    """Every 50 loops three or four more calls are made, of 5 ms in all."""
    draw = np.random.default_rng(7)
    made = {"work": (1e7 * np.exp(draw.normal(0, 0.01, 4000))).astype(np.int64)}
    for name in ("imu", "arm", "belt", "mast")[:count]:
        made[name] = np.full(4000, -1)
        made[name][20::50] = 5_000_000 // count
    rest = np.full(4000, 300_000)
    period = sum(np.maximum(one, 0) for one in made.values()) + rest
    found = summarise(make_flat_run(period, made)).findings
    (text,) = [f.text for f in found if f.code == "recurring_stall"]
    assert text.startswith("The loop takes 5 ms more every 50 loops")
    assert text.endswith(
        f"in the same calls each time: imu, arm, belt{' and 1 more' * (count > 3)}."
    )


def test_freezes_that_come_back_are_one_finding():
    """Every 50 loops each of four calls takes 5 ms more: one cause, told once with its rhythm."""
    draw = np.random.default_rng(7)
    made = {}
    for name, ms in (("imu", 2), ("arm", 3), ("drive", 4), ("belt", 3)):
        took = ms * 1e6 * np.exp(draw.normal(0, 0.02, 4000))
        took[20::50] += 5e6
        made[name] = took.astype(np.int64)
    found = summarise(make_flat_run(sum(made.values()) + 300_000, made)).findings
    told = [f for f in found if f.code in ("everything_at_once", "recurring_stall")]
    assert [f.code for f in told] == ["everything_at_once"]
    assert told[0].text.startswith("80 times, every 50 loops (635 ms; can't tell whether by count ")
    assert "every call stretched at once, by 20 ms in all" in told[0].text


def test_what_comes_back_apart_from_the_freezes_is_told_beside_them():
    """Freezes at random, and every 50 loops 6 ms more of one call."""
    draw = np.random.default_rng(7)
    at = draw.choice(np.arange(30, 3900, 50), 40, replace=False)
    made = {}
    for name, ms in (("imu", 2), ("arm", 3), ("drive", 4), ("belt", 3)):
        took = ms * 1e6 * np.exp(draw.normal(0, 0.02, 4000))
        took[at] += 5e6
        took[20::50] += 6e6 * (name == "arm")
        made[name] = took.astype(np.int64)
    found = summarise(make_flat_run(sum(made.values()) + 300_000, made)).findings
    told = {f.code: f for f in found}
    assert told["everything_at_once"].text.startswith("40 times every call stretched at once")
    assert told["recurring_stall"].text.endswith(" every 50 loops.")
    assert told["recurring_stall"].value == pytest.approx(6, abs=0.1)
    assert told["recurring_stall"].evidence.calls == ("arm",)


def test_a_rhythm_of_the_whole_loop_is_no_pause_and_no_culprit_besides():
    """Every 50 loops 6 ms in whichever of three calls happens to run: told once, by its rhythm."""
    draw = np.random.default_rng(31)
    made = {name: ms * 1e6 * np.exp(draw.normal(0, 0.02, 4000))
            for name, ms in (("imu", 3), ("arm", 3), ("drive", 3))}  # fmt: skip
    for k in range(20, 4000, 50):
        made[("imu", "arm", "drive")[draw.integers(3)]][k] += 6e6
    ns = {name: took.astype(np.int64) for name, took in made.items()}
    found = summarise(make_flat_run(sum(ns.values()) + 300_000, ns)).findings
    slow = [f for f in found if f.code in ("recurring_stall", "pauses", "slow_culprit")]
    assert [f.code for f in slow] == ["recurring_stall"]
    assert slow[0].value == pytest.approx(6, abs=0.1)
    assert " every 50 loops (" in slow[0].text
    assert "in whatever call happens to run" in slow[0].text


def test_a_call_that_runs_into_its_timeout_is_told_by_that_alone():
    """A read that returns after 40 ms in 30 of 4,000 loops: no culprit besides."""
    draw = np.random.default_rng(32)
    made = {"work": 8e6 * np.exp(draw.normal(0, 0.02, 4000)),
            "read": 1e6 * np.exp(draw.normal(0, 0.05, 4000))}  # fmt: skip
    made["read"][draw.choice(np.arange(50, 3950), 30, replace=False)] = 40e6
    ns = {name: took.astype(np.int64) for name, took in made.items()}
    at = summarise(make_flat_run(sum(ns.values()) + 300_000, ns))
    assert any(s.code == "timeout" for b in at.blocking for s in b.signs if b.name == "read")
    assert "timeout" in " ".join(f.text for f in at.findings)
    assert "slow_culprit" not in {f.code for f in at.findings}


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ([("lift", 3.0), ("work", 2.0), (UNATTRIBUTED, -4.0)], "mostly in lift, whose own time"),
        ([("lift", 2.0), ("work", 1.9), (UNATTRIBUTED, 0.2)], "in whatever call happens to run"),
        ([(UNATTRIBUTED, 3.0), ("work", 2.0)], "in no timed call"),
    ],
)
def test_where_stalls_of_no_single_call_are(parts, said):
    """Most of what the loops take more is one call's or none's, or nobody has half of it."""
    work = np.full(2000, 9_000_000) + np.random.default_rng(3).integers(0, 40_000, 2000)
    lift = np.full(2000, 500_000)
    lift[20::50] += 5_000_000
    at = summarise(make_flat_run(work + lift + 500_000, {"work": work, "lift": lift}))
    (one,) = at.recurrence.found
    moved = replace(one, call=None, together=(), parts=tuple(Part(*p) for p in parts))
    assert _recurring(at, one).text.startswith("lift stalls the loop for 5 ms every 50 loops")
    text = _recurring(at, moved).text
    assert text.startswith("The loop stalls for 5 ms every 50 loops")
    assert said in text


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("of", ["all", "read"])
def test_pauses_of_a_paced_loop_whose_sleep_is_not_logged(seed, of):
    """Of 50 pauses of a minute those within the 12 ms of sleep do not show; the rest meet calls.

    Each is longer than what is left of the sleep, and falls on calls of 3.2, 2.7, 1.2 and 0.8 ms by
    their time; or all of those that show are the longest call's own.
    """
    rng = np.random.default_rng(seed)
    usual, n = {"read": 3.2, "write": 2.7, "steer": 1.2, "pose": 0.8}, 3000
    took = {name: rng.normal(ms, 0.05 * ms, n) for name, ms in usual.items()}
    share = np.array([*usual.values()]) / sum(usual.values())
    struck = rng.choice(n, 50, replace=False)
    for loop in struck[rng.random(50) < 0.6].tolist():
        name = rng.choice([*usual], p=share) if of == "all" else "read"
        took[name][loop] += rng.uniform(30, 42)
    work = sum(took.values())
    period = np.maximum(work + rng.uniform(0.05, 0.15, n), 20.0 + rng.normal(0, 0.05, n))
    ns = {name: np.rint(1e6 * ms).astype(np.int64) for name, ms in took.items()}
    first = summarise(make_flat_run(np.rint(1e6 * period).astype(np.int64), ns, {})).findings[0]
    assert first.code == ("pauses" if of == "all" else "slow_culprit")
    assert of == "all" or "read" in first.text
