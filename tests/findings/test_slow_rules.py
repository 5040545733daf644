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


def test_what_comes_back_outside_the_calls_hides_no_culprit():
    """Every 100 loops 4 ms in no call, and a read that now and then takes longer: both told."""
    rng = np.random.default_rng(9)
    work = 5e6 * np.exp(rng.normal(0, 0.03, 4000))
    read = 1e6 * np.exp(rng.normal(0, 0.03, 4000))
    read[rng.choice(4000, 40, replace=False)] += rng.uniform(6e6, 18e6, 40)
    rest = np.full(4000, 500_000)
    rest[60::100] += 4_000_000
    made = {"work": work.astype(np.int64), "read": read.astype(np.int64)}
    found = summarise(make_flat_run(made["work"] + made["read"] + rest, made)).findings
    said = {f.code: f.text for f in found}
    assert "every 100 loops, in no timed call" in said["recurring_stall"]
    assert said["slow_culprit"].startswith("read makes ")


def test_a_call_that_makes_loops_late_comes_before_one_that_the_wait_makes_up_for():
    """Paced to 20 ms: 3 ms more in every tenth loop delays none, 15 ms more in 36 loops does."""
    rng = np.random.default_rng(4)
    work = 9e6 * np.exp(rng.normal(0, 0.01, 3000))
    check = np.full(3000, -1.0)
    check[3::10] = 3e6
    send = np.full(3000, 300_000.0)
    send[rng.choice(3000, 36, replace=False)] += 15e6 + rng.exponential(6e6, 36)
    busy = work + np.maximum(check, 0) + send
    wait = np.maximum(20e6 - busy, 0)
    calls = {"work": work, "check": check, "send": send, "pace": wait}
    run = make_flat_run(busy + wait, calls, {"pace": "pacing"})
    said = [f for f in summarise(run).findings if f.code in ("slow_culprit", "recurring_stall")]
    assert said[0].text.startswith("send makes ")
    told = r"check takes 3 ms more every 10 loops.*; as a rule the pacing wait, 10\.\d ms, makes up"
    assert re.match(told, said[1].text)
    assert (said[0].severity, said[1].severity) == ("act", "look")


@pytest.mark.parametrize(("more_ms", "swallowed"), [(4.0, True), (9.0, False)])
def test_a_culprit_that_the_wait_makes_up_for_is_said_to_be(more_ms, swallowed):
    """Of 20 ms the loop works 9.3: the wait of 10.7 makes up for turns of 4 ms, hardly of 9."""
    made = irregular(40, more_ms)
    work = made["work"] + made["read"] + 300_000
    made["wait"] = np.maximum(20_000_000 - work, 0)
    at = summarise(make_flat_run(work + made["wait"], made, {"wait": "pacing"}))
    (text,) = [f.text for f in at.findings if f.code == "slow_culprit"]
    assert ("as a rule the pacing wait, 10.7 ms, makes up for it." in text) is swallowed


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


def irregular(count, more_ms, loops=3000):
    """A read that takes longer in so many loops, at no regular interval, beside steady work."""
    draw = np.random.default_rng(21)
    took = {"work": 8e6 * np.exp(draw.normal(0, 0.01, loops)),
            "read": 1e6 * np.exp(draw.normal(0, 0.01, loops))}  # fmt: skip
    at = np.sort(draw.choice(np.arange(100, loops - 100), count, replace=False))
    took["read"][at] += more_ms * 1e6 * np.exp(draw.normal(0, 0.3, count))
    return {name: ns.astype(np.int64) for name, ns in took.items()}


@pytest.mark.parametrize(("count", "told"), [(11, True), (6, False)])
def test_a_call_that_is_half_of_the_loop_is_a_culprit_where_all_stalls_are_its_own(count, told):
    """By chance 0.54 of them would be: 11 of 11 at 0.0012 are beyond it, 6 of 6 at 0.03 are not."""
    made = irregular(count, 25.0)
    made["read"] += 6_500_000
    made["work"] -= 2_000_000
    found = summarise(make_flat_run(made["work"] + made["read"] + 300_000, made)).findings
    assert [f.text.split(":")[0] for f in found if f.code == "slow_culprit"] == [
        f"read makes {count} of {count} slow events"
    ] * told


@pytest.mark.parametrize(
    ("count", "more_ms", "told"),
    [(40, 6.0, True), (40, 1.0, False), (4, 6.0, False), (4, 30.0, True), (2, 30.0, False)],
)
def test_a_culprit_is_one_from_five_events_of_a_fifth_of_the_loop_on(count, more_ms, told):
    """40 of 6 ms in loops of 9.3 are told as 40 of all slow events; 40 of 1 ms or four are not.

    Three and more are told that are longer than two loops.
    """
    made = irregular(count, more_ms)
    found = summarise(make_flat_run(made["work"] + made["read"] + 300_000, made)).findings
    culprits = [f for f in found if f.code == "slow_culprit"]
    assert bool(culprits) is told
    if told:
        assert culprits[0].text.startswith(f"read makes {count} of {count} slow events: typically ")
        assert f"in {count / 30:.2g} % of the loops, at no regular interval" in culprits[0].text
        assert culprits[0].evidence.calls == ("read",)


@pytest.mark.parametrize(
    ("count", "more_ms", "told"), [(40, 6.0, True), (40, 1.0, False), (3, 6.0, False)]
)
def test_long_turns_behind_a_wait_that_is_not_logged_are_told(count, more_ms, told):
    """Paced to 25 ms: no loop is late by them, and what no call covers is the shorter for it."""
    made = irregular(count, more_ms)
    made["read"] = made["read"].astype(np.int64)
    period = 25_000_000 + np.random.default_rng(9).integers(0, 40_000, len(made["read"]))
    found = [f for f in summarise(make_flat_run(period, made)).findings if f.code == "hidden_turns"]
    assert bool(found) is told
    if told:
        assert found[0].evidence.calls == ("read",)
        assert found[0].value == pytest.approx(more_ms, rel=0.1)
        assert f"in {count / 30:.2g} % of the loops" in found[0].text
    logged = {**made, "sleep": period - made["work"] - made["read"] - 1000}
    known = make_flat_run(period, logged, {"sleep": "pacing"})
    codes = [f.code for f in summarise(known).findings]
    assert ("slow_culprit" in codes, "hidden_turns" in codes) == (told, False)


def test_pauses_behind_a_wait_that_is_not_logged_accuse_no_call():
    """7 ms in whichever of three like calls happens to run."""
    draw = np.random.default_rng(31)
    made = {name: 3e6 * np.exp(draw.normal(0, 0.02, 4000)) for name in ("imu", "arm", "drive")}
    for k in np.flatnonzero(draw.random(4000) < 0.02):
        made[("imu", "arm", "drive")[draw.integers(3)]][k] += 7e6
    calls = {name: own.astype(np.int64) for name, own in made.items()}
    period = 25_000_000 + draw.integers(0, 40_000, 4000)
    codes = [f.code for f in summarise(make_flat_run(period, calls)).findings]
    assert "hidden_turns" not in codes


@pytest.mark.parametrize(
    ("count", "more_ms", "told"), [(40, 8.0, True), (40, 3.0, False), (4, 8.0, False)]
)
def test_without_calls_stalls_count_from_half_a_loop_on(count, more_ms, told):
    """The same loops without their calls: how many there are and how long, and what to time."""
    made = irregular(count, more_ms)
    found = summarise(make_flat_run(made["work"] + made["read"] + 300_000)).findings
    texts = [f.text for f in found if f.code == "slow_unexplained"]
    assert bool(texts) is told
    if told:
        (stalls,) = re.findall(r"^(\d+) stalls of about .* at no regular interval", texts[0])
        made_ms = (made["read"] - 1e6) / 1e6
        assert int(stalls) == pytest.approx((made_ms >= 0.5 * 9.3).sum(), abs=1)


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


def test_loops_of_slow_events_are_counted_as_loops():
    """Stalls over 2 loops each, 40 times in 2000: 40 events, and 80 loops, 4 of a hundred."""
    n = 2000
    rng = np.random.default_rng(4)
    arm = 3 + rng.normal(0, 0.05, n)
    at = np.cumsum(rng.integers(10, 80, 40))
    arm[at] += rng.uniform(10, 20, 40)
    arm[at + 1] += rng.uniform(10, 20, 40)
    ns = {"arm": (1e6 * arm).astype(np.int64), "belt": np.full(n, 4_000_000)}
    found = [f for f in summarise(make_flat_run(sum(ns.values()), ns)).findings
             if f.code == "slow_culprit"]  # fmt: skip
    assert "arm makes 40 of 40 slow events" in found[0].text
    assert "in 4 % of the loops" in found[0].text


@pytest.mark.parametrize("elsewhere", [0, 3])
def test_long_turns_of_what_holds_nearly_all_of_the_time_may_be_anything(elsewhere):
    """80 stalls of 9 ms in a planner of 14 of 14.7 ms, and none or 3 in what is left."""
    draw = np.random.default_rng(12)
    made = {name: usual * 1e6 * np.exp(draw.normal(0, 0.03, 4000))
            for name, usual in (("imu", 0.3), ("planner", 14.0), ("motors", 0.4))}  # fmt: skip
    at = draw.choice(4000, 80 + elsewhere, replace=False)
    made["planner"][at[elsewhere:]] += draw.normal(9e6, 1e6, 80)
    made["motors"][at[:elsewhere]] += draw.normal(9e6, 1e6, elsewhere)
    calls = {name: own.astype(np.int64) for name, own in made.items()}
    found = summarise(make_flat_run(sum(calls.values()) + 20_000, calls))
    code = "pauses" if elsewhere else "long_turns"
    (text,) = [f.text for f in found.findings if f.code in ("pauses", "long_turns", "slow_culprit")]
    assert [f.code for f in found.findings if f.text == text] == [code]
    assert "can't tell" in text
    assert ("2 % of the loops" in text) is (not elsewhere)


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


def test_what_stalls_add_is_no_part_of_where_chance_would_have_them():
    """Four of five long turns are those of a call that takes 0.3 ms else, of 5.3 in calls."""
    draw = np.random.default_rng(8)
    took = {"plan": draw.normal(0.3, 0.03, 1500), "wheels": draw.normal(5.0, 0.1, 1500)}
    rest = 20.0 - sum(took.values()) + np.diff(draw.normal(0, 0.05, 1501))
    took["plan"][[131, 420, 1003, 1320]] += [92.0, 140.0, 121.0, 107.0]
    took["wheels"][800] += 30.0
    ns = {name: (1e6 * ms).astype(np.int64) for name, ms in took.items()}
    run = make_flat_run(sum(ns.values()) + (1e6 * rest).astype(np.int64), ns)
    at = summarise(run)
    assert at.pacing.fixed_rate
    assert ("slow_culprit", ("plan",)) in [(f.code, f.evidence.calls) for f in at.findings]
