"""Stability and margins against closed forms, and logs planted to grow or to settle."""

import math
from dataclasses import replace

import numpy as np
import pytest

from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import (
    EvenLoop,
    even_matrix,
    even_settles,
    loop_matrices,
    spectral_radius,
)
from looptime.controlling.moves import even_loop
from looptime.controlling.stability import growth_per_s, mean_square, period_range, stability
from looptime.errors import NotEnoughError
from looptime.heading.pattern import Sampling, blocks_of, even
from tests.controlling.build import DRIFT
from tests.heading.logs import jittered


def without_latency(hold):
    """Loops that read and use at one instant."""
    use = np.concatenate([[0.0], np.cumsum(hold)])
    return Sampling(use, use, use, use, blocks_of(len(hold)))


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25, 0.3, 0.5, 0.8, 1.0])
def test_slowest_stable_loop(share):
    """Proportional control of x' = K u by Jury's test: a < 2/(1 - 2 lam), from a quarter 1/lam."""
    law = Law("per loop", 3.0)
    slowest = period_range(law, DRIFT, EvenLoop(0.01, share))[1]
    edge = 2 / (1 - 2 * share) if share <= 0.25 else 1 / share
    assert slowest * 7.0 * 3.0 == pytest.approx(edge, rel=1e-9)


def test_periods_judged_together_are_those_judged_alone():
    """With a delay of up to eighty loops; where no matrix is made, none settles."""
    law, delayed = Law("fixed step", 3.0, 0.1, 0.02, 0.02), EvenLoop(0.01, 0.3, 0.04)
    periods = np.geomspace(5e-4, 1.0, 40)
    alone = []
    for period in periods.tolist():
        try:
            made = even_matrix(law, DRIFT, replace(delayed, period_s=period))
        except NotEnoughError:
            alone.append(False)
        else:
            alone.append(spectral_radius(made.each[0]) < 1)
    assert even_settles(law, DRIFT, delayed, periods).tolist() == alone
    assert 5 < sum(alone) < 35


@pytest.mark.parametrize("delay", [0.01, 0.035])
def test_a_fixed_delay_longer_than_the_loop(delay):
    """With a dead time of m whole loops, z^m (z - 1) + a = 0 is stable below 2 sin(pi/(4m+2))."""
    for m in (1, 2, 5):
        period = delay / m
        edge = 2 * math.sin(math.pi / (4 * m + 2))
        for factor, settles in ((0.999, True), (1.001, False)):
            law = Law("measured step", factor * edge / (7.0 * period))
            made = even_matrix(law, DRIFT, EvenLoop(period, 0.0, delay))
            assert (spectral_radius(made.each[0]) < 1) == settles


@pytest.mark.parametrize("form", ["per loop", "fixed step", "measured step"])
def test_growth_of_even_loops(form):
    """An even log grows by the logarithm of its matrix's spectral radius a loop."""
    law = Law(form, 0.3, 0.002, 0.01 if form != "per loop" else 0.5, step_s=0.01)
    plant = Plant("position", 8.0, 0.03)
    made = even(100, 3000, 0.004)
    alone = even_matrix(law, plant, EvenLoop(0.01, 0.4)).each[0]
    loops = loop_matrices(law, plant, made)
    np.testing.assert_allclose(loops.each[5], alone, atol=1e-9)
    assert growth_per_s(loops) == pytest.approx(math.log(spectral_radius(alone)) / 0.01, rel=1e-8)


def test_growth_of_uneven_loops_in_one_dimension():
    """X' = K u, proportional: the growth is the mean of log |1 - K kp T| over the mean period."""
    rng = np.random.default_rng(5)
    hold = rng.uniform(0.004, 0.03, 4000)
    kp = 9.0
    found = growth_per_s(loop_matrices(Law("per loop", kp), DRIFT, without_latency(hold)))
    assert found == pytest.approx(np.log(np.abs(1 - 63 * hold)).mean() / hold.mean(), rel=1e-9)


def test_limit_of_the_mean_square():
    """K kp may rise to 2 E[T]/E[T^2] where periods are independent; even loops to 2/T."""
    rng = np.random.default_rng(6)
    hold = rng.exponential(0.02, 5000) + 0.002
    law = Law("per loop", 2.0)
    loop = even_loop(without_latency(hold))
    found = stability(law, DRIFT, without_latency(hold), loop)
    edge = 2 * hold.mean() / np.mean(hold**2)
    assert found.mean_square_limit == pytest.approx(edge, rel=1e-9)
    assert found.mean_square_factor == pytest.approx(edge / 14.0, rel=1e-9)
    assert found.mean_square_radius == pytest.approx(np.mean((1 - 14 * hold) ** 2), rel=1e-9)


@pytest.mark.parametrize("share", [0.2, 0.6, 0.9])
def test_a_loop_that_takes_longer_uses_its_reading_later(share):
    """X' = K u with the latency in step with the period: two states by hand, as the loops go."""
    rng = np.random.default_rng(8)
    period = rng.choice([0.015, 0.047], 4000, p=[0.8, 0.2])
    taken = np.concatenate([[0.0], np.cumsum(period)])
    late = share * np.append(period, 0.015)
    at = Sampling(taken, taken, taken + late, taken, blocks_of(len(period)))
    gain = 40.0
    found = stability(Law("per loop", gain / 7.0), DRIFT, at, even_loop(at))
    squares = []
    for t in (0.015, 0.047):  # x and the output held, from reading to reading
        loop = np.array([[1 - gain * (1 - share) * t, share * t], [-gain, 0.0]])
        squares.append(np.kron(loop, loop))
    slow = np.mean(period > 0.03)
    by_hand = np.abs(np.linalg.eigvals((1 - slow) * squares[0] + slow * squares[1])).max()
    assert found.mean_square_radius == pytest.approx(by_hand, rel=1e-9)


def test_unevenness_raises_one_limit_and_lowers_the_other():
    """Just above 2/T the mean square of uneven loops grows while almost every log settles."""
    rng = np.random.default_rng(7)
    hold = rng.choice([0.005, 0.015], 6000)
    law = Law("per loop", 1.05 * 2 / (0.01 * 7))
    found = stability(law, DRIFT, without_latency(hold), EvenLoop(0.01, 0.0))
    assert found.growth_per_s < 0
    assert found.mean_square_radius > 1
    assert found.state == "grows"


def test_rings():
    """A = 1.8 without latency turns round every loop and keeps 0.8^2 = 0.64 of it in two."""
    at = even(100, 500)
    for a, state in ((0.5, "settles"), (1.8, "rings"), (2.1, "grows")):
        law = Law("per loop", a / (0.01 * 7))
        assert stability(law, DRIFT, at, EvenLoop(0.01, 0.0)).state == state


def planted(seed):
    """A log, and a law and plant at 0.85 and 1.18 of the gain at which a plain count goes off."""
    rng = np.random.default_rng(seed)
    at = jittered(1500, float(rng.uniform(0.005, 0.04)), 0.15, 0.01, seed, float(rng.uniform(0, 1)))
    kind = str(rng.choice(["position", "speed"]))
    plant = Plant(kind, float(rng.uniform(0.5, 9)), float(rng.uniform(0.02, 0.2)))
    law = Law("measured step", 1.0, float(rng.choice([0.0, 0.3])), float(rng.choice([0.0, 0.01])))
    return at, law, plant


def grown(law, plant, at):
    """Mean square after the log over that before, played loop by loop from plain formulas.

    Independent of the matrices under test: each of many moves goes through the log's loops drawn
    in any order.
    """
    rng = np.random.default_rng(1)
    n, moves = 400, 400
    x, v, o, total, last = (rng.standard_normal(moves) for _ in range(5))
    o, total, last = 0 * o, 0 * total, 0 * last
    size = []
    hold, late, step = at.hold_s, (at.use_s - at.taken_s)[1:], np.diff(at.read_s)
    for _ in range(n):
        k = rng.integers(0, len(hold), moves)
        T, wait, dt = hold[k], np.maximum(hold[k] - late[k], 0.0), step[k]
        w = plant.full_speed * o
        seen_v = w + (v - w) * np.exp(-wait / plant.time_constant_s)
        seen_x = (
            x
            + w * wait
            + (v - w) * plant.time_constant_s * (1 - np.exp(-wait / plant.time_constant_s))
        )
        x = x + w * T + (v - w) * plant.time_constant_s * (1 - np.exp(-T / plant.time_constant_s))
        v = w + (v - w) * np.exp(-T / plant.time_constant_s)
        error = -(seen_x if plant.kind == "position" else seen_v)
        total = total + error * dt
        o = law.kp * error + law.ki * total + law.kd * (error - last) / np.maximum(dt, 1e-9)
        last = error
        size.append(np.log(np.mean(o**2) + 1e-300))
        if size[-1] > 200:
            break
    return size


@pytest.mark.parametrize("seed", range(50))
def test_planted_logs_are_told_apart(seed):
    """The same log with gains a fifth beyond the edge grows and a fifth below it does not."""
    at, law, plant = planted(seed)
    factor = mean_square(loop_matrices(law, plant, at))[1]
    assert factor is not None
    for share, grows in ((0.8, False), (1.25, True)):
        gains = {k: getattr(law, k) * factor * share for k in ("kp", "ki", "kd")}
        made = Law("measured step", **gains)
        told = stability(made, plant, at, even_loop(at)).state
        assert (told == "grows") == grows
        if seed < 6 and grows:  # and what is called growing does grow when it is played
            size = grown(made, plant, at)
            assert size[-1] > size[len(size) // 4]
