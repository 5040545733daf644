"""Warm-up: where it ends, and what is none."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.warmup import warmup
from tests.build_run import make_flat_run, make_run


def run_of(factor, seed=1):
    """Loops of 10 ms times a factor each."""
    rng = np.random.default_rng(seed)
    n = len(factor)
    return make_flat_run((10e6 * factor * np.exp(rng.normal(0, 0.05, n))).astype(np.int64))


def test_settling_start():
    """A start 20 % slower that settles within 2 s is cut, and little else."""
    t = np.arange(6000) * 0.01
    cut = warmup(prepare(run_of(1 + 0.2 * np.exp(-t / 2))))
    assert 200 <= cut.loops <= 1200
    assert cut.excess > 0.02
    assert cut.excess_ms == pytest.approx(10 * cut.excess, rel=0.1)


def test_no_warm_up():
    """A steady run keeps all its loops."""
    assert warmup(prepare(run_of(np.ones(6000)))).loops == 0


@pytest.mark.parametrize("after", [0.9, 1.1])
def test_a_step_is_no_warm_up(after):
    """A level that holds for 20 s and then changes is left to the change points."""
    factor = np.where(np.arange(6000) < 2000, 1.0, after)
    assert warmup(prepare(run_of(factor))).loops == 0


def test_a_change_of_phase_is_no_warm_up():
    """Standby at a faster pace before the work is another phase, not a warm-up."""
    run = run_of(np.where(np.arange(6000) < 400, 0.6, 1.0))
    phase = (np.arange(6000) >= 400).astype(np.int16)
    columns = replace(run.loop_columns, phase=phase, phase_names=("standby", "operator"))
    assert warmup(prepare(replace(run, loop_columns=columns))).loops == 0


def test_loops_before_the_first_phase_are_no_phase_of_their_own():
    """A program that names its phase after its first loop began has its warm-up found still."""
    t = np.arange(6000) * 0.01
    run = run_of(1 + 0.2 * np.exp(-t / 2))
    plain = warmup(prepare(run))
    phase = np.minimum(np.arange(6000), 1).astype(np.int16)
    columns = replace(run.loop_columns, phase=phase, phase_names=("", "operator"))
    assert warmup(prepare(replace(run, loop_columns=columns))) == plain
    assert plain.loops > 0


@pytest.mark.parametrize("n", [0, 1, 50])
def test_too_short(n):
    """A few loops: no cut, and a note."""
    cut = warmup(prepare(run_of(np.ones(n))))
    assert cut.loops == 0
    assert cut.note


def test_a_short_warm_up_is_found_as_often_as_the_rule_finds_it():
    """10 % for 2 s: at least 29 of 30 runs, with a bias of the mean of at most 0.13 % left."""
    found, bias = 0, []
    t = np.arange(6000) * 0.01
    for seed in range(30):
        rng = np.random.default_rng(seed)
        steady = 10e6 * np.exp(rng.normal(0, 0.06, 6000))
        warm = steady * (1 + 0.1 * np.exp(-t / 2))
        cut = warmup(prepare(make_flat_run(warm.astype(np.int64)))).loops
        found += cut > 0
        bias.append(100 * (warm[cut:].mean() / steady[cut:].mean() - 1))
    assert found >= 29
    assert np.mean(bias) <= 0.13


def test_the_call_that_warms_up_is_named():
    """A call in every sixth loop is slow at first, all others are not: it carries the excess."""
    rng = np.random.default_rng(2)
    t = np.arange(6000) * 0.01
    every = np.arange(6000) % 6 == 0
    send = np.where(every, 2e6 + 40e6 * np.exp(-t), 0).astype(np.int64)
    read = (9e6 * rng.lognormal(0, 0.03, 6000)).astype(np.int64)
    run = make_flat_run(read + send, {"read": read, "send": send})
    cut = warmup(prepare(run))
    assert cut.parts[0].name == "send"
    assert cut.parts[0].ms == pytest.approx(cut.excess_ms, rel=0.05)


def test_a_faster_start_is_left_out_with_its_excess():
    """A fifth faster for two seconds."""
    cut = warmup(prepare(run_of(np.where(np.arange(6000) < 200, 0.8, 1.0))))
    assert cut.loops == cut.faster_loops == pytest.approx(200, abs=26)
    assert cut.excess == pytest.approx(-0.2, abs=0.02)


@pytest.mark.parametrize(("cools", "holds"), [(True, False), (False, True)])
def test_a_start_that_does_not_cool_down_is_told_from_one_that_does(cools, holds):
    """Loops of 12 ms, 6 ms longer for 3 s, or less and less so."""
    draw = np.random.default_rng(4)
    when = np.arange(3000) * 0.012
    more = 6 * (np.exp(-when / 1.5) if cools else (when < 2))
    found = warmup(prepare(make_run(12 + draw.normal(0, 0.2, 3000) + more)))
    assert found.loops > 100
    assert found.holds is holds
