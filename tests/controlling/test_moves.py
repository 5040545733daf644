"""Responses against closed forms, and that nothing hangs on an internal resolution."""

import numpy as np
import pytest

from looptime.controlling.law import Law, Plant
from looptime.controlling.margins import margins
from looptime.controlling.matrices import EvenLoop
from looptime.controlling.moves import Move, RateCurve, even_loop, even_starts
from looptime.controlling.outcome import Case, outcomes
from looptime.controlling.simulate import play, play_side_by_side, starts_in
from looptime.heading.kept_work import Work
from looptime.heading.pattern import Sampling, blocks_of
from tests.controlling.build import move, response_of
from tests.heading.logs import jittered


@pytest.mark.parametrize("text", ["ramp:2,0.5", "trapezoid:1,2,8", "sine:0.4,2"])
@pytest.mark.parametrize("tau", [0.003, 0.05])
def test_halving_the_resolution_moves_nothing(text, tau):
    """Half the points of the quadrature give the same following error within 1e-4."""
    at = jittered(1500, 0.02, 0.2, 0.02, 9)
    loop = even_loop(at)
    one = move(text, Law("measured step", 1.2, 0.3, 0.01), Plant("position", 5.0, tau), loop)
    starts = starts_in(at, one.horizon_s, 60, one.seed)
    fine, coarse = response_of(one, starts), response_of(one, starts, nodes=5)
    for name in ("following_rms", "following_max"):
        for part in ("mean", "p95", "worst"):
            both = [getattr(getattr(r, name), part) for r in (fine, coarse)]
            assert both[0] == pytest.approx(both[1], rel=1e-4)


def test_a_stall_at_its_worst():
    """One hold of 0.1 s: at its worst the first output of a step acts through it whole."""
    K, kp, T = 4.0, 2.5, 0.02
    at = jittered(800, T, 0.0, 0.0, 1, 0.0)
    hold = at.hold_s.copy()
    hold[400] = 0.1
    use = np.concatenate([[0.0], np.cumsum(hold)])
    at = type(at)(use, use, use, use, at.block)
    loop = EvenLoop(T, 0.0)
    one = move("step:1", Law("per loop", kp), Plant("position", K), loop, horizon=1.5)
    found = outcomes([Case(one, at, loop)])[0].stall
    assert found.hold_ms == pytest.approx(100.0)
    assert found.without.overshoot.worst == 0.0
    # a = K kp 0.1 = 1: in the stall the step is just reached, never exceeded
    assert found.worst.overshoot.worst == pytest.approx(0.0, abs=1e-9)
    stronger = Move(Law("per loop", 2 * kp), one.plant, one.path, 0.0, 0.02, 1.5)
    worst = outcomes([Case(stronger, at, loop)])[0].stall.worst
    assert worst.overshoot.worst == pytest.approx(1.0, rel=1e-9)


def test_other_rates():
    """Even loops at a rate go as if they had been asked for, and slow ones overshoot more."""
    at = jittered(3000, 0.01, 0.1, 0.01, 2)
    loop = even_loop(at)
    one = move("step:1", Law("measured step", 2.0, 0.0, 0.0), Plant("position", 5.0, 0.02), loop)
    curve = RateCurve(one, at, loop, (10.0, 100.0))
    points = outcomes([Case(one, at, loop, curve)])[0].curve
    assert [(p.pattern, p.rate_hz) for p in points] == [
        ("even", 10.0), ("log shape", 10.0), ("even", 100.0), ("log shape", 100.0),
    ]  # fmt: skip
    assert points[0].response.overshoot.mean > points[2].response.overshoot.mean
    there = EvenLoop(0.1, loop.latency_share)
    alone = response_of(one, even_starts(one, there, 20))
    assert points[0].response.overshoot == alone.overshoot


@pytest.mark.parametrize("kind", ["position", "speed"])
@pytest.mark.parametrize("delay", [0.0, 0.03])
def test_moves_played_side_by_side_are_those_played_alone(kind, delay):
    """Three rates, the quickest not first, readings up to three loops old: the same to the bit."""
    law, plant = Law("measured step", 1.2, 0.3, 0.01, filter_s=0.01), Plant(kind, 5.0, 0.05)
    made = []
    for rate in (20.0, 80.0, 35.0):
        loop = EvenLoop(1 / rate, 0.3, delay)
        one = move("trapezoid:1,2,8", law, plant, loop, horizon=1.0)
        made.append(even_starts(one, loop, 7))
    side_by_side = play_side_by_side(law, plant, one.path, made)
    for at, track in zip(made, side_by_side, strict=True):
        alone = play(law, plant, one.path, at)
        for name in ("use_s", "x", "v", "output"):
            np.testing.assert_array_equal(getattr(track, name), getattr(alone, name))
        assert np.ptp(alone.x if kind == "position" else alone.v) > 0.5


def test_the_curve_of_a_loop_that_waits_keeps_its_work_and_ends_there():
    """4 of 20 ms lie between reading and use: at 50 ms as well; 5 ms of work allow 200 a second."""
    use = 0.02 * np.arange(801)
    read = use - 0.004
    work = Work("waits", 0.005, read_share=1.0, start_share=1.0)
    base = Sampling(read, read, use, read, blocks_of(800), work=work)
    one = move("step:1", Law("per loop", 4.0), Plant("position", 5.0), even_loop(base))
    curve = RateCurve(one, base, even_loop(base))
    points = outcomes([Case(one, base, even_loop(base), curve)])[0].curve
    rates = {p.rate_hz: p for p in points}
    assert max(rates) == pytest.approx(200.0)
    for rate in (20.0, 80.0, 200.0):
        there = margins(one.law, one.plant, EvenLoop(1 / rate, 0.004 * rate))
        assert rates[rate].phase_margin_deg == pytest.approx(there.phase_margin_deg)
