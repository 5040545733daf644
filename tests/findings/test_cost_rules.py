"""Findings of what calls cost."""

from pathlib import Path

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.project import Project
from tests.build_run import make_flat_run, make_run
from tests.findings.build import codes
from tests.parsers.build import read


@pytest.mark.parametrize(("first_ms", "told"), [(90.0, True), (30.0, False)])
def test_a_first_call_is_told_where_it_costs_several_loops(first_ms, told):
    """Usually 0.5 ms in a loop of 10 ms; the first takes nine loops, or three."""
    run = make_run(
        [max(10.0, first_ms + 8), *[10.0] * 400],
        lambda k: [("camera.read", 0, first_ms if k == 0 else 0.5)],
        {"camera.read": "sensor read"},
    )
    assert ("first_call" in codes(run, keep_warmup=True)) is told


def test_a_call_that_is_slow_for_long_is_warm_up_and_not_its_first_call():
    """90 ms in each of the first 60 loops: to call it once before the round would mend nothing."""
    draw = np.random.default_rng(3).uniform(0, 0.2, 661)
    run = make_run(
        [(98.0 if k < 60 else 10.0) + draw[k] for k in range(660)],
        lambda k: [("camera.read", 0, (90.0 if k < 60 else 0.5) + draw[k])],
        {"camera.read": "sensor read"},
    )
    found = codes(run)
    assert ("warm_up" in found, "first_call" in found) == (True, False)


def test_blocking_is_worth_less_where_the_wait_swallows_it():
    """A read of a quarter of the work in a paced loop with headroom is no reason to hurry."""
    read, work = np.full(400, 2_500_000), np.full(400, 7_500_000)
    rng = np.random.default_rng(2)
    work = (work * np.exp(rng.normal(0, 0.05, 400))).astype(np.int64)
    names = {"gyro.read": "sensor read", "update": "compute", "pace": "pacing"}
    free = make_flat_run(read + work, {"gyro.read": read, "update": work}, names)
    wait = 18_000_000 - read - work
    paced = make_flat_run(
        read + work + wait, {"gyro.read": read, "update": work, "pace": wait}, names
    )
    worth = [
        next(f.worth for f in summarise(r).findings if f.code == "blocking_call")
        for r in (free, paced)
    ]
    assert worth[1] == pytest.approx(0.4 * worth[0], rel=0.05)


@pytest.mark.parametrize("severity", ["look", "act"])
def test_a_read_that_never_made_a_paced_loop_late_is_looked_at_and_no_more(severity):
    """40 % of 20 ms, whose wait nobody logged: in a loop that follows it, it matters more."""
    draw = np.random.default_rng(5)
    read = (8e6 * np.exp(draw.normal(0, 0.05, 2000))).astype(np.int64)
    paced = 20_000_000 + draw.integers(0, 40_000, 2000)
    period = paced if severity == "look" else read + 12_000_000
    run = make_flat_run(period, {"gyro.read": read}, {"gyro.read": "sensor read"})
    (told,) = [f for f in summarise(run).findings if f.code == "blocking_call"]
    assert told.severity == severity


@pytest.mark.parametrize(("period_ms", "told"), [(40, False), (16, True), (None, True)])
def test_a_small_cost_in_a_loop_that_mostly_waits_is_no_fault(period_ms, told):
    """2 ms of 6 are nothing to act on where 34 of 40 ms are left; they are where 10 of 16 are."""
    draw = np.random.default_rng(4)
    calls = {"gyro.read": 2.0, "belt.plan": 4.0}
    took = {n: (1e6 * draw.normal(v, 0.1, 400)).astype(np.int64) for n, v in calls.items()}
    names = {"gyro.read": "sensor read", "belt.plan": "compute", "pace": "pacing"}
    period = sum(took.values()) + 20_000
    if period_ms:
        took["pace"] = period_ms * 1_000_000 - period
        period = period + took["pace"]
    found = {f.code: f.text for f in summarise(make_flat_run(period, took, names)).findings}
    assert ("blocking_call" in found) is ("dear_call" in found) is told
    if period_ms and told:
        assert "66 % of the loop's work" in found["dear_call"]
    if not told:
        assert "Of the work, the most goes to belt.plan (4 ms" in found["healthy"]


@pytest.mark.parametrize(("each_ms", "told"), [(0.8, True), (0.2, False)])
def test_many_small_writes_are_told_together(each_ms, told):
    """Eight writes of 0.8 ms are 64 % of a loop of 10 ms, of which none is dear by itself."""
    names = {f"pod{k // 2}.{('turn', 'roll')[k % 2]}.write": "actuator write" for k in range(8)}
    run = make_run(
        [10.0] * 300, lambda _: [(name, k, each_ms) for k, name in enumerate(names)], names
    )
    found = {f.code: f for f in summarise(run).findings}
    assert ("many_writes" in found) is told
    if told:
        assert found["many_writes"].value == pytest.approx(6.4)
        assert "64 % of the loop (8 x pod*.*.write)" in found["many_writes"].text


def test_writes_that_take_more_together_stand_before_a_single_read():
    """Four writes of 0.9 ms are 44 % of a loop of 8.2 ms, the read of 2.1 is 26 %."""
    writes = {f"motor.{w}.write": "actuator write" for w in ("fl", "fr", "rl", "rr")}
    run = make_run([8.2] * 300, lambda _: [("enc.all", 0.1, 2.1), ("plan", 2.3, 1.5),
                                           *((name, 4 + k, 0.9) for k, name in enumerate(writes))],
                   {"enc.all": "sensor read", "plan": "compute", **writes})  # fmt: skip
    told = [f.code for f in summarise(run).findings]
    assert told.index("many_writes") < told.index("blocking_call")


@pytest.mark.parametrize("makes_up", [True, False])
def test_a_wait_of_16_ms_is_no_adapter_s_tick_where_it_makes_up_for_the_others(tmp_path, makes_up):
    """20 ms with 4 of steady work, and a rest: as much less as the work is more, or always 16."""
    draw = np.random.default_rng(8)
    work = 4 * np.exp(draw.normal(0, 0.015, 2000))
    jitter = draw.uniform(-0.02, 0.02, 2000)
    rest = 16 + jitter + (4 - work) * makes_up
    begin = np.cumsum(work + rest) - work - rest
    rows = "".join(f"{t:.3f},{a:.3f},{b:.3f}\n" for t, a, b in zip(begin, work, rest, strict=True))
    told = {
        f.code: f for f in summarise(read(tmp_path, "t_ms,wheels_ms,rest_ms\n" + rows)).findings
    }
    assert ("likely_wait" in told, "adapter_tick" in told) == (makes_up, not makes_up)
    assert "dear_call" not in told
    if makes_up:
        assert told["likely_wait"].evidence.calls == ("rest",)
        assert told["healthy"].severity == "fine"


def test_where_nothing_stands_out_the_dearest_are_named():
    """Four like parts of 1.5 ms are 60 % of the loop together; what is left is the pacing's."""
    parts = [
        ("sFL", 0, 1.5),
        ("sFR", 1.5, 1.5),
        ("sRL", 3, 1.5),
        ("sRR", 4.5, 1.5),
        ("arm", 6, 1.5),
    ]
    found = summarise(make_run([10.0] * 300, lambda _: parts, {})).findings
    assert found[0].code == "healthy"
    assert "The most goes to 4 x s* (6 ms, 60 %)." in found[0].text


@pytest.mark.parametrize(("solve_ms", "leads"), [(8.9, "dear_call"), (3.5, "healthy")])
def test_half_of_what_is_timed_is_dear_whatever_no_call_covers(solve_ms, leads):
    """8.9 of 13.9 ms that calls take are told, though 4.1 ms more may be a sleep; a quarter not."""
    draw = np.random.default_rng(5)
    calls = {"solve": solve_ms, "imu": 1.6, "steer": 2.0, "out": 1.4, "belt": 8.9 - solve_ms}
    took = {n: (1e6 * draw.normal(v, 0.08 * v, 600)).astype(np.int64) for n, v in calls.items()}
    found = summarise(make_flat_run(sum(took.values()) + 4_100_000, took, {})).findings[0]
    assert found.code == leads
    assert "solve" in found.text or leads == "healthy"


def test_a_wait_of_another_name_is_no_adapter_s_tick():
    """What is left of 20 ms, woken up to 0.2 ms late: 15 ms as a rule, and no fault."""
    rng = np.random.default_rng(7)
    work = rng.normal(4.8e6, 0.17e6, 900).astype(np.int64)
    wait = 20_000_000 - work + rng.normal(0, 0.05e6, 900).astype(np.int64)
    run = make_flat_run(work + wait, {"calcul": work, "attente": wait}, {})
    assert "adapter_tick" not in codes(run)


@pytest.mark.parametrize(
    ("read_ms", "kind_from", "told"),
    [(2.4, "guessed", False), (2.4, "log", True), (4.0, "guessed", True)],
)
def test_by_its_name_alone_only_a_dear_call_is_told_to_block(read_ms, kind_from, told):
    """A quarter of the loop is told where the log says that it is a read, else two fifths are."""
    draw = np.random.default_rng(5)
    calls = {"steer.read": read_ms, "belt": 3.0, "tray": 3.0, "lamp": 4.2 - read_ms}
    took = {n: (1e6 * draw.normal(v, 0.04, 600)).astype(np.int64) for n, v in calls.items()}
    names = {"steer.read": {"kind": "sensor read", "kind_from": kind_from}}
    first = summarise(make_flat_run(sum(took.values()) + 20_000, took, names)).findings[0]
    assert (first.code == "blocking_call") is told


def test_a_call_that_is_by_far_the_longest_is_told_by_its_name_too():
    """A quarter of the loop in one read, and no other call as long as two thirds of it."""
    draw = np.random.default_rng(5)
    calls = {"steer.read": 2.5, "belt": 1.6, "tray": 1.6, "lamp": 1.5, "fan": 1.4, "send": 1.4}
    took = {n: (1e6 * draw.normal(v, 0.04, 600)).astype(np.int64) for n, v in calls.items()}
    run = make_flat_run(sum(took.values()) + 20_000, took, {"steer.read": "sensor read"})
    assert summarise(run).findings[0].code == "blocking_call"


@pytest.mark.parametrize(("work_ms", "leads"), [(10.0, "healthy"), (15.0, "blocking_call")])
def test_a_loop_at_ease_is_fine_whatever_the_parts_of_its_work(work_ms, leads):
    """Of 20 ms half is left in every loop: that a read takes half of the work is a note then."""
    draw = np.random.default_rng(6)
    shares = {"gyro.read": 0.5, "belt": 0.3, "tray": 0.2}
    took = {
        n: (1e6 * draw.normal(s * work_ms, 0.1, 600)).astype(np.int64) for n, s in shares.items()
    }
    took["pace"] = 20_000_000 - sum(took.values())
    names = {"gyro.read": "sensor read", "belt": "other", "tray": "other", "pace": "pacing"}
    made = summarise(make_flat_run(np.full(600, 20_000_000), took, names)).findings
    assert made[0].code == leads
    assert any(f.code == "blocking_call" for f in made)


def test_single_reads_are_named_by_what_their_calls_have_in_common():
    """Two reads of 2 ms under one pattern are told by it; nobody said what bus they are on."""
    rng = np.random.default_rng(3)
    ns = {name: (2e6 * np.exp(rng.normal(0, 0.05, 600))).astype(np.int64)
          for name in ("enc.left.read", "enc.right.read", "drive.write")}  # fmt: skip
    kinds = {name: "actuator write" if name == "drive.write" else "sensor read" for name in ns}
    made = summarise(make_flat_run(sum(ns.values()) + 200_000, ns, kinds))
    (text,) = [f.text for f in made.findings if f.code == "batch_reads"]
    assert text.startswith("2 single reads a loop of enc.*.read take 4")


@pytest.mark.parametrize(("each_ms", "told"), [(0.7, True), (0.3, False)])
def test_like_calls_that_take_most_of_a_loop_together_are_told(each_ms, told):
    """Six calls of 0.7 ms are 58 % of a loop with 3 ms of other work: none takes a tenth."""
    draw = np.random.default_rng(6)
    calls = {f"leg{k}.pos": each_ms for k in range(1, 7)} | {"mix": 1.5, "lamp": 1.5}
    took = {n: (1e6 * draw.normal(v, 0.04, 600)).astype(np.int64) for n, v in calls.items()}
    found = summarise(make_flat_run(sum(took.values()) + 20_000, took, {})).findings
    assert (found[0].code == "dear_call") is told
    if told:
        assert found[0].text.startswith("6 calls alike (leg*.pos) take 4.2 ms in each pass, 58 %")
        assert found[0].value == pytest.approx(4.2, abs=0.01)
        assert set(found[0].evidence.calls) == set(list(calls)[:6])


@pytest.mark.parametrize(
    ("kind", "project", "then"),
    [
        ("other", None, "looptime summary LOG --draft-project looptime.toml"),
        ("other", Project(path=Path("looptime.toml")), "looptime guide project-file"),
        ("compute", None, "looptime guide recorders"),
    ],
)
def test_a_dear_call_leads_to_a_command_that_helps(kind, project, then):
    """No plan is made for what nobody knows: what calls are is to be said first."""
    took = {"mix": np.full(600, 8_000_000), "lamp": np.full(600, 2_000_000)}
    took["mix"] += np.random.default_rng(1).integers(0, 400_000, 600)
    run = make_flat_run(sum(took.values()) + 400_000, took, {"mix": kind})
    found = summarise(run, project=project).findings
    dear = next(f for f in found if f.code == "dear_call")
    assert dear.command == then
    assert ("say its kind in looptime.toml" in dear.text) == (kind == "other")
