"""Who waits for whom, held against what each call truly waited."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.contention import contention, shared_buses
from looptime.analysers.summary import summarise
from tests.build_run import make_run
from tests.two_threads import Job, play

ON_A = {"enc.1", "enc.2", "motor.1"}


def main_round(rng):
    """Three calls on lock a, one on b, one that computes."""
    return [
        Job("enc.1", 1.2, "a"),
        Job("enc.2", 1.2, "a"),
        Job("range.read", 2.0, "b"),
        Job("calc", 0.5 + rng.uniform(0, 0.6)),
        Job("motor.1", 0.7, "a"),
    ]


def gyro(rng):
    """A reader with an uneven rest."""
    return [Job("gyro.read", 2.6, "a", gap_ms=rng.uniform(1, 5))]


@pytest.fixture(scope="module")
def played():
    """A loop and a reader on one lock."""
    return play({"main": main_round, "gyro": gyro}, 900, seed=3)


def found_in(run):
    """What the analyser says of a run."""
    return contention(prepare(run))


def test_waits_as_played(played):
    """Calls, partner, waiting and service of the one lock are those of the play."""
    found = found_in(played.run()).found
    true = played.wait_ms()
    assert len(found) == 1
    entry = found[0]
    assert (set(entry.calls), entry.partners, entry.thread) == (ON_A, ("gyro.read",), "gyro")
    assert (entry.lock, entry.source) == ("fair", "timing")
    wait = entry.wait_ms_per_loop
    assert wait.value == pytest.approx(sum(true.values()), rel=0.05)
    assert wait.low <= sum(true.values()) <= wait.high
    assert entry.service_ms_per_loop.value == pytest.approx(3.1, rel=0.05)
    for call in entry.by_call:
        assert call.wait_ms_per_loop.value == pytest.approx(true[call.name], abs=0.05)
    assert list(entry.calls) == sorted(ON_A, key=lambda name: -true[name])


@pytest.mark.parametrize("label", [None, "port"])
def test_calls_that_wait_for_each_other_share_a_bus(played, label):
    """The one that any of them is labelled with, else one called after the other thread's call."""
    run = played.run()
    names = [replace(n, bus=label) if n.name == "enc.2" else n for n in run.names]
    run = replace(run, names=tuple(names))
    bus = label or "shared with gyro.read"
    assert shared_buses(run, found_in(run)) == {
        **dict.fromkeys([*ON_A, "gyro.read"], bus), "range.read": None, "calc": None,
    }  # fmt: skip


@pytest.mark.parametrize(("burst", "first"), [(1, 0.0), (4, 0.9)])
def test_waits_for_calls_that_vary_in_length(burst, first):
    """A thread's frames of 3 to 6 ms, whose rows hold their own waits, are waited for as played."""

    def scan(rng):
        gaps = [rng.uniform(12, 30), *[0.004] * (burst - 1)]
        return [Job("scan.poll", rng.uniform(3, 6), "a", gap_ms=gap) for gap in gaps]

    threads = {"main": main_round, "scan": scan}
    made = play(threads, 1200, seed=5, chance=lambda lost: 0.3 if lost else first)
    (entry,) = found_in(made.run()).found
    assert (set(entry.calls), entry.partners) == (ON_A, ("scan.poll",))
    assert entry.wait_ms_per_loop.value == pytest.approx(sum(made.wait_ms().values()), rel=0.05)


def test_waiting_and_service_add_up_to_the_calls(played):
    """A call's waiting and service are together what it costs the loop."""
    made = summarise(played.run(), keep_warmup=True).to_dict()
    cost = {c["name"]: c for c in made["calls"]}
    entry = made["contention"][0]
    for call in entry["by_call"]:
        both = call["wait_ms_per_loop"]["value"] + call["service_ms_per_loop"]
        assert both == pytest.approx(cost[call["name"]]["self_ms_per_loop"], abs=1e-6)
        assert cost[call["name"]]["wait_ms_per_loop"] == pytest.approx(
            call["wait_ms_per_loop"]["value"]
        )
    assert cost["calc"]["wait_ms_per_loop"] == 0.0
    assert cost["gyro.read"]["wait_ms_per_loop"] is None
    assert entry["from"] == "timing"


def test_entries_of_two_threads_add_up():
    """A call that waits for two threads is split between their entries."""
    rounds = {
        "main": main_round,
        "gyro": lambda rng: [Job("gyro.read", 2.0, "a", gap_ms=rng.uniform(2, 8))],
        "tilt": lambda rng: [Job("tilt.read", 1.5, "a", gap_ms=rng.uniform(3, 9))],
    }
    played = play(rounds, 1500, seed=5)
    run = played.run()
    found = found_in(run).found
    assert {e.thread for e in found} == {"gyro", "tilt"}
    total = sum(e.wait_ms_per_loop.value for e in found)
    assert total == pytest.approx(sum(played.wait_ms().values()), rel=0.05)
    both = total + sum(e.service_ms_per_loop.value for e in found)
    calls = run.calls
    mine = calls[calls["name"].isin({c for e in found for c in e.calls})]
    assert both == pytest.approx(mine["duration_ns"].sum() / 1e6 / len(run), abs=1e-6)


def test_empty_where_nobody_waits():
    """A thread on a lock of its own, one thread alone, and a few loops: nothing is said."""
    own = play(
        {"main": main_round, "gyro": lambda rng: [Job("gyro.read", 2.6, "c", rng.uniform(1, 5))]},
        500,
    )
    assert found_in(own.run()).found == ()
    assert found_in(make_run([10.0] * 50, [("enc.1", 0, 2)])).found == ()
    few = play({"main": main_round, "gyro": gyro}, 6)
    assert found_in(few.run()).found == ()


def labelled(run, buses):
    """The run with buses stated for some of its calls."""
    from dataclasses import replace

    return run.with_names(tuple(replace(n, bus=buses.get(n.name)) for n in run.names))


def test_labels_win_and_differences_are_said(played):
    """By its labels a call on another bus does not wait; the times say that it seems to."""
    right = labelled(played.run(), dict.fromkeys([*ON_A, "gyro.read"], "port"))
    assert found_in(right).found[0].source == "labels and timing"
    assert found_in(right).disagreements == ()
    wrong = {**dict.fromkeys(["enc.1", "range.read", "gyro.read"], "port"), "enc.2": "aux"}
    made = found_in(labelled(played.run(), wrong))
    said = {(d.call, d.labelled) for d in made.disagreements}
    assert said == {("enc.2", "two buses"), ("range.read", "one bus")}
    assert "enc.2" not in {c for e in made.found for c in e.calls}
    doubt = next(d for d in made.disagreements if d.call == "enc.2")
    assert doubt.wait_ms_per_loop == pytest.approx(played.wait_ms()["enc.2"], rel=0.05)


def test_coarse_clock_says_nothing(played):
    """With ticks of 1 ms no wait can be told from the times."""
    run = played.run()
    at = run.call_columns
    from dataclasses import replace

    tick = 1_000_000
    end = (at.start_ns + at.duration_ns) // tick * tick
    start = at.start_ns // tick * tick
    coarse = replace(
        run,
        call_columns=replace(at, start_ns=start, duration_ns=end - start),
        clock=replace(run.clock, tick_ns=tick),
    )
    assert found_in(coarse).found == ()


def test_waits_on_every_thread_count_once():
    """Calls inside calls: only the innermost one waits."""
    played = play({"main": main_round, "gyro": gyro}, 400, seed=8)
    run = played.run()
    calls = run.calls
    rows = [
        (int(loop), name, start, duration, thread)
        for loop, name, start, duration, thread in zip(
            calls["loop"], calls["name"], calls["start_ns"], calls["duration_ns"],
            calls["thread"], strict=True,
        )
    ]  # fmt: skip
    begin = run.loop_columns.start_ns

    def again(k):
        mine = [r for r in rows if r[0] == k]
        own = [r for r in mine if r[4] == "main"]
        yield "update", 0.0, max(r[2] + r[3] for r in own) / 1e6 - begin[k] / 1e6
        for _, name, start, duration, thread in mine:
            yield name, (start - begin[k]) / 1e6, duration / 1e6, thread

    nested = make_run((run.loop_columns.period_ns / 1e6).tolist(), again)
    flat, deep = (found_in(r).found[0].wait_ms_per_loop.value for r in (run, nested))
    assert deep == pytest.approx(flat, rel=1e-6)
    assert np.isfinite(deep)


def test_hundreds_of_threads_are_bounded_work():
    """Of 200 threads those of most time are held against the loop's calls, which wait for one."""
    late = np.random.default_rng(4).uniform(0, 1, 60)

    def calls(k):
        jobs = [(f"job{n}", 0.01 * n, 0.02, f"w{n}") for n in range(200)]
        return [
            ("bus.read", 3, 2 + late[k]), ("gyro.read", 0.5, 3.5 + late[k], "long"), *jobs,
        ]  # fmt: skip

    found = contention(prepare(make_run([10] * 60, calls)))
    assert 0 < len(found.verdicts) <= 64 * 64
    assert found.verdicts["bus.read", "long", "gyro.read"] in ("shares", "likely")
    assert found.left_out == 201 - 32
