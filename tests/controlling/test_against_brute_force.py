"""Responses held against a plain simulation in steps of 10 us."""

import math
from dataclasses import replace

import numpy as np
import pytest

from looptime.controllers import parse_target
from looptime.controlling.law import Law, Plant
from looptime.controlling.matrices import EvenLoop, loop_matrices
from looptime.controlling.moves import delayed, horizon_of
from looptime.controlling.response import figures
from looptime.controlling.simulate import Instants, play, starts_in
from looptime.controlling.stability import mean_square
from looptime.controlling.target import path_of
from tests.controlling.brute import Code, Machine, simulate
from tests.controlling.brute import figures as read_off
from tests.heading.logs import jittered


def draw(seed):
    """A random log, controller and mechanism whose loops settle, most with limits and delays."""
    rng = np.random.default_rng(seed)
    period = float(rng.uniform(0.006, 0.05))
    latency = float(rng.choice([0.0, 0.3, 0.8, 1.6]))
    base = jittered(900, period, float(rng.uniform(0.02, 0.2)), 0.01, seed, latency)
    delay = float(rng.choice([0.0, 0.004]))
    at = delayed(base, delay)
    kind = str(rng.choice(["position", "speed"]))
    tau = float(rng.choice([0.0, 0.02, 0.1]) if kind == "position" else rng.uniform(0.05, 0.3))
    plant = Plant(kind, float(rng.uniform(0.5, 20)), tau, float(rng.choice([0.0, 0.1])))
    form = str(rng.choice(["per loop", "fixed step", "measured step"]))
    h = period * float(rng.uniform(0.7, 1.4))
    unit = {"per loop": 1.0, "fixed step": h, "measured step": period}[form]
    ki, kd = float(rng.choice([0.0, 0.02])) / unit, float(rng.choice([0.0, 0.4])) * unit
    law = Law(
        form, 1.0, ki, kd, h, float(rng.choice([0.0, 0.01])) if kd else 0.0,
        of_measurement=bool(rng.random() < 0.5),
        feed_forward=float(rng.choice([0.0, 0.7 / plant.full_speed])),
    )  # fmt: skip
    share = (mean_square(loop_matrices(law, plant, at))[1] or 0.0) * float(rng.uniform(0.1, 0.5))
    law = replace(
        law, kp=share, ki=ki * share, kd=kd * share, limit=float(rng.choice([1e9, 1.0])),
        integral_limit=float(rng.choice([1e9, 2.0 / max(ki * share, 1e-9)])),
    )  # fmt: skip
    top = plant.full_speed * 0.5
    text = {
        "position": [
            f"step:{0.2 * top}", f"ramp:{0.6 * top},0.8", f"sine:{0.05 * top},1.5",
            f"trapezoid:{0.4 * top},{0.8 * top},{3 * top}",
        ],
        "speed": [f"step:{top}", f"ramp:{top},0.7", f"sine:{top},1.5"],
    }[kind]  # fmt: skip
    return at, law, plant, delay, parse_target(str(rng.choice(text)))


def compare(seed):
    """Worst relative difference of one move's figures, and its settling time's verdict."""
    at, law, plant, delay, target = draw(seed)
    path = path_of(target)
    loop = EvenLoop(float(at.hold_s.mean()), 0.0, delay)
    horizon = min(horizon_of(law, plant, path, loop), 1.5 + path.end_s)
    size = abs(target.numbers[0])
    tolerance = 0.03 * size
    moves = starts_in(at, horizon, 7, seed)
    instants = [a[:, 3] for a in (moves.read_s, moves.taken_s, moves.use_s)]
    track = play(law, plant, path, Instants(*(a[:, None] for a in instants)))
    ours = [float(f[0]) for f in figures(plant, path, track, horizon, tolerance)]
    code = Code(
        law.form, law.kp, law.ki, law.kd, h=law.step_s, filter_s=law.filter_s, limit=law.limit,
        sum_limit=law.integral_limit, of_measurement=law.of_measurement,
        forward=law.feed_forward,
    )  # fmt: skip
    machine = Machine(plant.kind, plant.full_speed, plant.time_constant_s, plant.load)
    asked = (target.kind, target.numbers)
    time, value = simulate(code, machine, asked, *instants, horizon)
    theirs = read_off(time, value, asked, tolerance)
    off = [
        abs(ours[k] - theirs[k]) / max(abs(theirs[k]), 0.1 * size if k == 0 else 1e-12)
        for k in (0, 2, 3)
        if not math.isnan(theirs[k])
    ]
    settles = True
    if not math.isnan(theirs[1]):
        ends = [read_off(time, value, asked, tolerance * f)[1] for f in (1.005, 0.995)]
        settles = ends[0] - 1e-3 <= ours[1] <= ends[1] + 1e-3
    return max(off), settles


@pytest.mark.parametrize("seed", range(6))
def test_a_move_goes_as_in_steps_of_10_us(seed):
    """Overshoot, settling time and following error within 0.5 % of the plain simulation."""
    off, settles = compare(seed)
    assert off < 0.005
    assert settles


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 160))
def test_sixty_moves_go_as_in_steps_of_10_us(seed):
    """The same for 60 random controllers, mechanisms and logs."""
    off, settles = compare(seed)
    assert off < 0.005
    assert settles
