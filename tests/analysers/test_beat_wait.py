"""Ticks that many loops are late for, or take several of."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.beat_wait import (
    _ends_evenly,
    _goes_against,
    at_tick,
    filled_tick,
    makes_up_for,
    whole_tick,
    with_wait_named,
)
from tests.build_run import make_flat_run, make_run


def test_late_loops_that_wait_for_a_later_tick_show_the_first():
    """Work of 6 to 14 ms, each loop up to the next 10 ms: multiples of ten, though work is not."""
    work = np.random.default_rng(1).uniform(6, 14, 500)
    period = 10 * np.ceil(work / 10)
    assert whole_tick(period, period - work) == pytest.approx(10)
    assert whole_tick(work + 4, np.full(500, 4.0)) is None


def test_what_fills_loops_up_to_a_tick_ends_with_it():
    """Two of three loops work for longer than 10 ms, the others wait for what is left of them."""
    work = np.random.default_rng(2).uniform(6, 18, 900)
    wait = np.maximum(10 - work, 0)
    assert filled_tick(work + wait, wait) == pytest.approx(10)
    assert at_tick(work + wait, 10.0) == pytest.approx(10, rel=0.01)
    assert len(at_tick(work + wait, 10.0)) == pytest.approx(900 / 3, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_a_sleep_or_work_beside_the_calls_fills_nothing(seed):
    """A sleep of 3 ms, or what varies by itself, is as long in loops whose calls leave time."""
    rng = np.random.default_rng(seed)
    work = rng.uniform(6, 9, 900)
    for rest in (np.full(900, 3.0), rng.uniform(2, 4, 900), 3 + rng.exponential(0.1, 900)):
        assert filled_tick(work + rest, rest) is None
    even = 8 + rng.normal(0, 0.02, 900)
    assert filled_tick(even + 2, np.full(900, 2.0)) is None


@pytest.mark.parametrize("share", [0.3, 0.72])
def test_a_wait_of_few_values_goes_against_the_rest(share):
    """Work of 12 or 13 ms and a wait that fills 20: equal ones rank alike, whatever comes first."""
    work = np.where(np.random.default_rng(3).random(400) < share, 12.0, 13.0)
    assert _goes_against(20 - work, work)
    assert not _goes_against(work, work)


@pytest.mark.parametrize("name", ["bus_wait", "scale.wait"])
def test_a_wait_beside_a_longer_rest_need_not_be_what_fills_the_loop(name):
    """Loops of 20 ms with 5 ms of work and a wait of 0.1 to 3: nobody says what the rest is."""
    wait = np.random.default_rng(4).uniform(0.1, 3, 300)
    run = make_run([20] * 300, lambda k: [("plan", 1, 5), (name, 7, wait[k])], {name: "wait"})
    assert prepare(run).waits.wait_ns is None


def _in_stretches(where, paced):
    """Three stretches of 600 loops: the base works in the second, the gripper in the others.

    Together they take as long in each; only a paced loop's base makes up for each single loop.
    """
    draw = np.random.default_rng(8)
    turn = np.repeat([0, 1, 0], 600)
    gripper = np.where(turn == 0, 4.1, 0.9) * draw.normal(1, 0.05, 1800)
    base = np.where(turn == 0, 5.2, 9.0) * draw.normal(1, 0.05, 1800)
    gyro = 1.7 * draw.normal(1, 0.05, 1800)
    if paced:
        base = 11.4 + draw.normal(0, 0.01, 1800) - gripper - gyro
    ends = np.cumsum([gyro, gripper, base], axis=0)
    calls = [("gyro", 0 * ends[0], gyro), ("gripper", ends[0], gripper), ("base", ends[1], base)]
    shown = calls if where == "call" else calls[:2]
    return make_run(
        (ends[-1] + (0.0 if paced else 0.2)).tolist(),
        lambda k: [(name, float(at[k]), float(took[k])) for name, at, took in shown],
        body_ms=ends[1].tolist() if where == "row" else None,
    )


@pytest.mark.parametrize("where", ["call", "gap", "row"])
@pytest.mark.parametrize("paced", [False, True])
def test_stretches_that_happen_to_be_as_long_as_each_other_are_no_wait(where, paced):
    """A wait makes up for what the others take in each loop, and not only for their mean."""
    basis = prepare(_in_stretches(where, paced))
    assert basis.pacing.fixed_rate is paced
    assert (basis.judged == "work") is (paced and where != "gap")


def test_a_call_that_varies_most_along_the_run_is_no_wait():
    """The arm takes 1 ms in one half and 5 in the other; the wait goes from 10 to 8, loop by loop.

    In even loops without a gap each call is what the others leave.
    """
    draw = np.random.default_rng(9)
    arm = np.repeat([1.0, 5.0], 600) * draw.normal(1, 0.05, 1200)
    base = np.repeat([9.0, 7.0], 600) * draw.normal(1, 0.05, 1200)
    rest = 20 - arm - base
    ends = np.cumsum([arm, base], axis=0)
    run = make_run([20] * 1200, lambda k: [
        ("arm", 0, arm[k]), ("base", arm[k], base[k]), ("remains", ends[1, k], rest[k])
    ])  # fmt: skip
    basis = prepare(run)
    assert [name.name for name in basis.run.names if name.kind == "pacing"] == ["remains"]
    assert basis.judged_ms == pytest.approx(ends[1], abs=1e-3)


def _paced_by(name, late, kind="other", others=0.15):
    """Loops of 10 ms, of which every fiftieth is late by up to 30: what then becomes of the wait.

    The next tick is waited for after a skipped one, or 10 ms count from the late loop's end, or
    late ones are made up for back to back, without a wait.
    """
    rng = np.random.default_rng(11)
    reads, solve = rng.normal(2, others, 1500), rng.normal(1.5, others / 3, 1500)
    flush = np.where(np.arange(1500) % 50 == 20, rng.uniform(12, 30, 1500), 0)
    wait, period = np.zeros(1500), np.zeros(1500)
    at, due = 0.0, 10.0
    for k, work in enumerate(reads + solve + flush):
        end = at + work
        if end < due or late == "skip":
            due = max(due, 10 * np.ceil(end / 10))
            wait[k] = due - end + abs(rng.normal(0, 0.01))
        due = end + 10 if late == "anew" and end > due else due + 10
        period[k] = work + wait[k]
        at += period[k]

    def calls(k):
        row = [("wheels", 0, reads[k]), ("solve", reads[k], solve[k])]
        row += [("flush", reads[k] + solve[k], flush[k])] if flush[k] else []
        return [*row, (name, period[k] - wait[k], wait[k])] if wait[k] else row

    kinds = {"wheels": "sensor read", "solve": "compute", "flush": "telemetry", name: kind}
    return make_run(
        period.tolist(), calls, {n: {"kind": k, "kind_from": "guessed"} for n, k in kinds.items()}
    )


@pytest.mark.parametrize("name", ["rest", "next_round"])
@pytest.mark.parametrize("late", ["skip", "anew", "catch up"])
def test_what_fills_the_loop_is_a_wait_whatever_its_name(name, late):
    """It is missing in late loops and in those that make up for them."""
    found = prepare(_paced_by(name, late))
    assert [found.run.names[k].name for k in found.waits.names] == [name]
    assert found.pacing.nominal_ms == pytest.approx(10, rel=0.01)
    assert found.pacing.wait_known
    assert found.pacing.mode_from.startswith(f"{name} is a wait by what it does: ")


def test_even_work_shows_its_wait_by_where_it_ends():
    """The calls vary by a third of a percent of the loop: the wait's ends are the more even."""
    found = prepare(_paced_by("rest", "catch up", others=0.03))
    assert [found.run.names[k].name for k in found.waits.names] == ["rest"]


@pytest.mark.parametrize(("name", "kind"), [("gyro.read", "sensor read"), ("can_rx", "other")])
def test_a_call_that_is_named_for_a_device_waits_for_that(name, kind):
    """It fills the loop as well, but could be read elsewhere: it stays what it is."""
    found = prepare(_paced_by(name, "skip", kind))
    assert not found.waits.names
    assert found.pacing.fixed_rate


@pytest.mark.parametrize("seed", range(6))
def test_calls_of_any_length_are_no_wait(seed):
    """Three calls that know nothing of each other, with stalls: the loop takes what they do."""
    rng = np.random.default_rng(seed)
    took = rng.dirichlet([2, 2, 2])[:, None] * 10 * rng.normal(1, 0.05, (3, 1200))
    took[0, ::40] += 15
    off = np.cumsum(took, axis=0) - took
    run = make_run(
        (took.sum(axis=0) + 0.02).tolist(),
        lambda k: [(n, float(off[j, k]), float(took[j, k])) for j, n in enumerate("abc")],
    )
    assert not prepare(run).waits.names


def test_lengths_alone_tell_by_which_varies_most():
    """Rows of lengths, the wait first: where calls are laid says nothing of when they ended."""
    rng = np.random.default_rng(12)
    drive, lift = rng.normal(4, 0.3, 800), rng.normal(6, 0.4, 800)
    rest = 20 + rng.normal(0, 0.01, 800) - drive - lift
    run = make_run(
        (rest + lift + drive).tolist(),
        lambda k: [("rest", 0, rest[k]), ("lift", rest[k], lift[k]),
                   ("drive", rest[k] + lift[k], drive[k])],
    )  # fmt: skip
    laid = replace(run, clock=replace(run.clock, starts_from="column order"))
    found = prepare(laid)
    assert [found.run.names[k].name for k in found.waits.names] == ["rest"]


@pytest.mark.parametrize("every", [1, 2])
def test_ends_of_calls_are_compared_from_one_loop_to_the_next(every):
    """A call from 2 to 9 ms on until 10 of each 20 ms ends evenly; every other loop tells nothing.

    The other way round it begins evenly.
    """
    begin = np.random.default_rng(2).uniform(2, 9, 200)
    some = np.ones(200, bool)
    until = make_run([20] * 200, lambda k: [] if k % every else [("wait", begin[k], 10 - begin[k])])
    assert _ends_evenly(until, 0, some) == (every == 1)
    assert not _ends_evenly(make_run([20] * 200, lambda k: [("wait", 1, begin[k])]), 0, some)


def _paced(name, even=True):
    """A loop without a clock of its own: two calls, and one by this name that fills its period."""
    draw = np.random.default_rng(3)
    parts = draw.uniform(1, 3, (2, 200))
    wait = 20 - parts.sum(axis=0) if even else draw.uniform(12, 16, 200)
    rows = "".join(
        f"{k},{a:.3f},{b:.3f},{w:.3f},{a + b + w + 0.01:.3f}\n"
        for k, (a, b, w) in enumerate(zip(*parts, wait, strict=True))
    )
    return f"n,read_ms,move_ms,{name}_ms,period_ms\n{rows}"


@pytest.mark.parametrize("name", ["wait", "attesa", "attente", "warten", "espera", "wachten"])
def test_a_wait_that_makes_up_for_the_rest_is_the_loops(tmp_path, name) -> None:
    """Its name says that it waits, and its lengths that it does so for the tick."""
    log = tmp_path / "log.csv"
    log.write_text(_paced(name), encoding="utf-8")
    kinds = {call.name: call.kind for call in with_wait_named(looptime.read(log)).names}
    assert kinds[name] == "pacing"


@pytest.mark.parametrize(("name", "even"), [("wait", False), ("bus_wait", True)])
def test_a_wait_for_something_else_is_not(tmp_path, name, even) -> None:
    """One that is as long whatever else the loop does, and one for a device."""
    log = tmp_path / "log.csv"
    log.write_text(_paced(name, even), encoding="utf-8")
    assert "pacing" not in [call.kind for call in with_wait_named(looptime.read(log)).names]


@pytest.mark.parametrize(
    ("last", "least", "most", "kind"),
    [("wait", 5.05, 5.1, "pacing"), ("wait", 1.0, 9.0, "wait"), ("drive", 5.05, 5.1, "other"),
     ("lock wait", 5.05, 5.1, "wait")],
)  # fmt: skip
def test_a_wait_of_set_length_ends_each_loop(tmp_path, last, least, most, kind):
    """After work of 3 to 9 ms it is 5 ms and a little, however long that took: a sleep.

    One that varies may be for anything, and so may that for a lock.
    """
    rng = np.random.default_rng(5)
    gyro, wait = rng.uniform(3, 9, 300), rng.uniform(least, most, 300)
    at = np.cumsum(gyro + wait) - gyro - wait
    rows = [f"{1e3 * t:.0f},{1e3 * g:.0f},{1e3 * w:.0f}"
            for t, g, w in zip(at, gyro, wait, strict=True)]  # fmt: skip
    log = tmp_path / "cart.csv"
    log.write_text("\n".join([f"t_us,gyro_us,{last}_us", *rows]) + "\n", encoding="utf-8")
    kinds = {call.name: call.kind for call in with_wait_named(looptime.read(log)).names}
    assert kinds[last] == kind


def test_a_wait_of_set_length_before_other_work_is_a_device_s(tmp_path):
    """Each loop waits 5 ms for a conversion and then drives: no sleep of the loop."""
    rng = np.random.default_rng(5)
    wait, drive = rng.uniform(5.05, 5.1, 300), rng.uniform(3, 9, 300)
    at = np.cumsum(drive + wait) - drive - wait
    rows = [f"{1e3 * t:.0f},{1e3 * w:.0f},{1e3 * d:.0f}"
            for t, w, d in zip(at, wait, drive, strict=True)]  # fmt: skip
    log = tmp_path / "cart.csv"
    log.write_text("\n".join(["t_us,wait_us,drive_us", *rows]) + "\n", encoding="utf-8")
    assert "pacing" not in [call.kind for call in with_wait_named(looptime.read(log)).names]


def test_a_loop_on_its_own_ticks_is_not_paced_by_the_device_that_it_waits_for():
    """Ticks of 20 ms; in each the next picture of a camera, one in 16.683 ms, is waited for.

    20 ms are 1.2 of those: no loop is as long as whole pictures, though each ends with one.
    """
    rng, k = np.random.default_rng(3), np.arange(3000)
    start = 20e6 * k + np.abs(rng.normal(0, 50_000, 3000))
    ready = start + 1.3e6 + rng.normal(0, 30_000, 3000)
    cam = np.ceil(ready / 16.683e6) * 16.683e6 - ready + rng.uniform(0, 2e4, 3000)
    calls = {"drive": (ready - start).astype(np.int64), "cam": cam.astype(np.int64)}
    run = make_flat_run(np.diff(start, append=6e10).astype(np.int64), calls)
    found = prepare(run).pacing
    assert (found.mode.split(",")[0], found.beat_call) == ("fixed rate", None)
    assert found.nominal_ms == pytest.approx(20.0, abs=0.01)


@pytest.mark.parametrize("seed", range(40))
def test_work_that_varies_far_more_than_the_others_makes_up_for_none(seed):
    """9 ms of planning, 2 off at random, beside reads that vary by 0.1: no slope is sure."""
    rng = np.random.default_rng(seed)
    plan, reads = rng.normal(9, 2, 300), rng.normal(4, 0.1, 300)
    assert not makes_up_for(plan, reads, 0.0)
    assert makes_up_for(13 - reads + rng.normal(0, 0.02, 300), reads, 0.0)
