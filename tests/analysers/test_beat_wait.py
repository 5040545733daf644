"""Ticks that many loops are late for, or take several of."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.beat_wait import _goes_against, at_tick, filled_tick, whole_tick
from tests.build_run import make_run


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
