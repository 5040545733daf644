"""The call behind slow loops that come back by no rule."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.findings import culprit_rules, summarise
from looptime.findings.culprit_rules import _usual_share, beside_late, made_up, made_up_ms
from looptime.schema import UNATTRIBUTED
from tests.build_run import make_flat_run


def irregular(count, more_ms, loops=3000):
    """A read that takes longer in so many loops, at no regular interval, beside steady work."""
    draw = np.random.default_rng(21)
    took = {"work": 8e6 * np.exp(draw.normal(0, 0.01, loops)),
            "read": 1e6 * np.exp(draw.normal(0, 0.01, loops))}  # fmt: skip
    at = np.sort(draw.choice(np.arange(100, loops - 100), count, replace=False))
    took["read"][at] += more_ms * 1e6 * np.exp(draw.normal(0, 0.3, count))
    return {name: ns.astype(np.int64) for name, ns in took.items()}


@pytest.mark.parametrize(("stall_ms", "told"), [(0.0, []), (6.0, [6.0])])
def test_what_a_slower_start_adds_is_no_stall_of_it(stall_ms, told):
    """The first fifth of the work is 9 ms longer and scatters more: only stalls beyond it count."""
    rng, n = np.random.default_rng(5), 2500
    early = np.arange(n) < n // 5
    vision = np.where(early, rng.normal(13, 0.9, n), rng.normal(4, 0.3, n))
    vision[rng.choice(n // 5, 30, replace=False)] += stall_ms
    drive = rng.normal(4, 0.15, n)
    parts = {"vision": vision, "drive": drive, "wait": 40 - vision - drive}
    run = make_flat_run(
        np.full(n, 40_000_000), {k: (1e6 * v).astype(np.int64) for k, v in parts.items()},
        {"wait": "pacing"},
    )  # fmt: skip
    found = [f for f in summarise(run).findings if f.code in ("slow_culprit", "long_turns")]
    assert [f.value for f in found] == [pytest.approx(ms, abs=1.2) for ms in told]
    assert all("those around" in f.text for f in found)


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


def test_the_share_of_a_name_is_that_of_the_time_without_what_the_stalls_added():
    """100 loops of 3, 5 and 2 ms, and a thread beside; one stall of 92 ms in the first."""
    took = (("a", 3.0, 0.3), ("b", 5.0, 0.5), (UNATTRIBUTED, 2.0, 0.2), ("t", 50.0, None))
    rows = [
        SimpleNamespace(name=name, self_ms_per_loop=ms, share=share) for name, ms, share in took
    ]
    at = SimpleNamespace(costs=SimpleNamespace(rows=rows), pace=SimpleNamespace(loops=100))

    def share(name, *stalls, without_rest=False):
        events = [
            SimpleNamespace(culprit=who, parts=[SimpleNamespace(ms=ms)]) for who, ms in stalls
        ]
        return _usual_share(at, name, events, without_rest=without_rest)

    assert share("a") == pytest.approx(300 / 1000)
    assert share("a", ("a", 92.0), ("t", 70.0)) == pytest.approx(208 / 908)
    assert share("b", ("a", 92.0)) == pytest.approx(500 / 908)
    assert share("a", ("a", 92.0), without_rest=True) == pytest.approx(208 / 708)
    assert share(UNATTRIBUTED) == pytest.approx(0.2)
    assert 0 < share("t") < share("a", ("a", 400.0)) * 2 < 1e-6
    assert 1 - 1e-6 < share("b", ("a", 300.0), ("b", 1.0), without_rest=True) < 1


@pytest.mark.parametrize(("height", "spare"), [(7.9, 10.0), (8.1, None)])
def test_a_wait_makes_up_for_what_fits_it_with_a_fifth_to_spare(height, spare):
    """Of a usual headroom of 10 ms; where it is not known, it makes up for nothing."""
    at = SimpleNamespace(pace=SimpleNamespace(headroom_ms={"p50": SimpleNamespace(value=10.0)}))
    assert made_up_ms(at, height) == spare
    assert beside_late(at, height) == (1.0 if spare is None else 0.4)
    assert made_up(spare).startswith("." if spare is None else "; as a rule the pacing wait, 10")
    assert made_up_ms(SimpleNamespace(pace=SimpleNamespace(headroom_ms=None)), height) is None


@pytest.mark.parametrize(
    ("planner", "count", "more_ms", "told"),
    [(14.0, 8, 9.0, True), (14.0, 7, 9.0, False), (14.0, 80, 2.6, False), (14.0, 80, 3.6, True),
     (10.0, 80, 9.0, False)],
)  # fmt: skip
def test_eight_long_turns_of_a_fifth_of_the_loop_may_be_anything(planner, count, more_ms, told):
    """In a call of 95 % of 14.7 ms; in one of 68 % a pause would fall outside now and then."""
    draw = np.random.default_rng(12)
    made = {name: usual * 1e6 * np.exp(draw.normal(0, 0.01, 4000)) for name, usual in
            (("imu", 14.3 - planner), ("planner", planner), ("motors", 0.4))}  # fmt: skip
    made["planner"][draw.choice(4000, count, replace=False)] += more_ms * 1e6
    calls = {name: own.astype(np.int64) for name, own in made.items()}
    found = summarise(make_flat_run(sum(calls.values()) + 20_000, calls)).findings
    assert ("long_turns" in [f.code for f in found]) == told


def who(monkeypatch, took, *stalls, known=True, cause="one call", explained=()):
    """Culprits, how many, their middle [ms] and their cost: of 1000 loops of a typical 10 ms."""
    whole = sum(took.values())
    rows = [
        SimpleNamespace(name=n, self_ms_per_loop=ms, share=ms / whole) for n, ms in took.items()
    ]
    events = [
        SimpleNamespace(
            culprit=n,
            cause=cause,
            excess_ms=ms,
            beyond_ms=ms,
            level_ms=0.0,
            parts=[SimpleNamespace(ms=own)],
        )
        for n, count, ms, own in stalls
        for _ in range(count)
    ]
    at = SimpleNamespace(
        costs=SimpleNamespace(calls=rows, rows=rows),
        slow=SimpleNamespace(events=events, moving=False),
        basis=SimpleNamespace(work_known=known), pace=SimpleNamespace(loops=1000),
    )  # fmt: skip
    stubs = {"_own_events": lambda at, events: events, "typical_ms": lambda at: 10.0,
             "_culprit": lambda at, name, mine, middle, cost: (name, len(mine), middle, cost),
             "_in_the_largest": lambda at, events: []}  # fmt: skip
    for name, stub in stubs.items():
        monkeypatch.setattr(culprit_rules, name, stub)
    return culprit_rules.culprits(at, set(explained))


@pytest.mark.parametrize(
    ("share", "count", "others", "more_ms", "told"),
    [
        (0.33, 5, 0, 10.0, True), (0.36, 5, 0, 10.0, False),  # 0.0039 and 0.0060, of 0.005
        (0.14, 4, 0, 30.0, True), (0.16, 4, 0, 30.0, False),  # 0.00038 and 0.00066, of 0.0005
        (0.01, 3, 0, 30.0, True), (0.01, 2, 0, 30.0, False),
        (0.001, 5, 45, 10.0, True), (0.001, 5, 55, 10.0, False),  # a tenth of the events
        (0.01, 4, 0, 20.0, True), (0.01, 4, 0, 19.9, False),  # two usual loops
        (0.01, 5, 0, 2.0, True), (0.01, 5, 0, 1.9, False),  # a fifth of one
    ],
)  # fmt: skip
def test_a_culprit_is_beyond_chance_and_worth_it(monkeypatch, share, count, others, more_ms, told):
    """So many of a share of the time to the power of their number, of a hundredth a name."""
    took = {"a": 10 * share, UNATTRIBUTED: 10 * (1 - share)}
    stalls = [("a", count, more_ms, 50.0), (UNATTRIBUTED, others, 10.0, 0.0)]
    took["a"] += count * 50.0 / 1000  # what they added is no part of the share
    found = [one for one in who(monkeypatch, took, *stalls) if one[0] == "a"]
    assert found == [("a", count, more_ms, pytest.approx(count * 0.05))] * told


def test_what_no_call_covers_counts_for_nothing_where_it_may_be_a_wait(monkeypatch):
    """5 of 5 stalls in calls at 0.3 of these; 5 of 25 are by chance at 0.09 of all."""
    took = {"a": 0.9, "b": 2.1, UNATTRIBUTED: 7.0}
    stalls = [("a", 5, 10.0, 0.0), (UNATTRIBUTED, 20, 10.0, 0.0)]
    assert who(monkeypatch, took, *stalls) == []
    assert who(monkeypatch, took, *stalls, known=False) == [("a", 5, 10.0, 0.0)]


def test_few_long_stalls_in_no_call_accuse_nothing(monkeypatch):
    """Nor do those that hold up everything, or are told by a rule."""
    took = {"a": 9.9, UNATTRIBUTED: 0.1}
    assert who(monkeypatch, took, (UNATTRIBUTED, 4, 30.0, 0.0)) == []
    five = (UNATTRIBUTED, 5, 30.0, 0.0)
    assert len(who(monkeypatch, took, five)) == 1
    assert who(monkeypatch, took, five, cause="everything at once") == []
    assert who(monkeypatch, took, five, explained=[UNATTRIBUTED]) == []
