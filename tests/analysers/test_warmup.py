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


@pytest.mark.parametrize(("warm_ms", "found"), [(2.0, 1.0), (0.0, 0.0)])
def test_what_an_even_pace_hides_shows_in_the_calls(warm_ms, found):
    """Starts on ticks of 20 ms, the wait for them not logged: the drive cools down over 1.2 s.

    No loop is left out: what makes some of them late is nothing that cools down.

    The planted excess at the cut's end is 2 exp(-n / 60) ms, and within the noise of a block by
    then (0.02 ms); without warmth none of 20 runs has one.
    """
    cuts = []
    for seed in range(20):
        rng, k = np.random.default_rng(seed), np.arange(1500)
        drive = 5 + rng.normal(0, 0.2, 1500) + warm_ms * np.exp(-k / 60)
        gyro = rng.gamma(20, 0.05, 1500)
        start = k * 20_000_000 + np.abs(rng.normal(0, 50_000, 1500)).astype(np.int64)
        period = np.diff(start, append=30_000_000_000)
        parts = {n: (1e6 * v).astype(np.int64) for n, v in (("drive", drive), ("gyro", gyro))}
        cuts.append(warmup(prepare(make_flat_run(period, parts))))
    assert np.mean([cut.calls_loops > 0 for cut in cuts]) == found
    assert not any(cut.loops for cut in cuts)
    if warm_ms:
        assert all(60 <= cut.calls_loops <= 360 for cut in cuts)
        assert {cut.parts[0].name for cut in cuts} == {"drive"}
        assert all(cut.parts[0].ms == pytest.approx(cut.excess_ms, abs=0.1) for cut in cuts)


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
