"""Long slow starts, planted in loops whose lengths hang together, and runs without one."""

import math

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.drift import changes
from looptime.analysers.slow_start import slow_start
from looptime.questions.asked import Asked
from looptime.questions.steering import control, heading
from looptime.questions.timing import summarise
from tests.build_run import make_run

LOOPS = 3000


def wandering(seed, rho=0.6, sd=0.05, loops=LOOPS):
    """Loops of 20 ms, each of which takes after the one before."""
    step = np.random.default_rng(seed).normal(0, math.sqrt(1 - rho**2), loops)
    made = np.empty(loops)
    last = step[0] / math.sqrt(1 - rho**2)
    for k in range(loops):
        last = made[k] = rho * last + step[k] if k else last
    return 20 * (1 + sd * made)


def found(periods):
    basis = prepare(make_run(periods))
    return slow_start(basis, changes(basis))


def level(share):
    return 1 + 0.2 * (np.arange(LOOPS) < share * LOOPS)


def cooling(share):
    """At its height for half of the time, then down along a line."""
    part = np.arange(LOOPS) / (share * LOOPS)
    return 1 + 0.2 * np.clip(2 * (1 - part), 0, 1)


@pytest.mark.parametrize("share", [0.4, 0.5, 0.6])
@pytest.mark.parametrize("rho", [0.6, 0.9])
@pytest.mark.parametrize("shape", [level, cooling])
def test_a_start_of_half_the_run_is_told_with_its_end(shape, share, rho):
    """Behind the end hardly any of the planted 20 % is left; one that holds ends at its loop."""
    for seed in range(3):
        planted = shape(share)
        periods = wandering(seed, rho) * planted
        told, begun = found(periods), np.append(0, np.cumsum(periods))[:-1] / 1e3
        assert told is not None
        assert planted[begun > told.until_s].mean() - 1 < 0.03
        if shape is level:
            assert told.until_s == pytest.approx(begun[round(share * LOOPS)], rel=0.02)
            assert told.share == pytest.approx(told.until_s / (periods.sum() / 1e3), rel=1e-3)


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9, 0.98])
def test_a_run_without_one_is_told_none(rho):
    """Fewer than one in a hundred: of 960 in all, of up to 15 % and 6,000 loops, one was."""
    seeds = range(25)
    assert not any(found(wandering(100 + s, rho, 0.1, 1500)) for s in seeds)


def test_what_gets_faster_all_along_or_slower_has_no_such_start():
    """A line down to the end never settles; a level that rises is no slower start."""
    along = 1 + 0.3 * (1 - np.arange(LOOPS) / LOOPS)
    assert found(wandering(1) * along) is None
    assert found(wandering(1) * level(0.5)[::-1]) is None


def test_it_is_said_where_the_figures_are():
    """In the summary, of a heading and of a controller; and gone from there on, or if asked to."""
    periods = wandering(4) * level(0.5)
    run = make_run(periods)
    end = math.ceil(periods[: LOOPS // 2].sum() / 100) / 10
    at = summarise(run)
    (step,) = [f.text for f in at.findings if f.code == "change_point"]
    assert "The figures mix a slower start, 55 % of the time, with the rest" in step
    assert f"--from {end:g} leaves it out" in step
    lift = {"kp": 4.0, "plant": "position", "full_speed": 10.0}
    for asked, told in (
        (Asked(), True),
        (Asked(from_s=end), False),
        (Asked(keep_warmup=True), False),
    ):
        heads = heading(asked, run, curve=False).notes
        controls = control(asked, run, lift, curve=False).notes
        assert any("mix a slower start" in note for note in heads) == told
        assert any("mix a slower start" in note for note in controls) == told
    assert looptime.summarise(run, from_s=end).pace.period_ms.mean.value == pytest.approx(
        20, rel=0.01
    )
