"""Effective gains and the derivative's noise against hand computation."""

import math

import numpy as np
import pytest

from looptime.controllers import Controller
from looptime.controlling.effective import derivative_noise, effective_gains
from looptime.controlling.law import Law

STEPS = np.array([0.010] * 2 + [0.020] * 96 + [0.040] * 2)


def test_per_loop():
    """ki/T and kd T, as factors of the median step."""
    made = effective_gains(Controller(form="per loop", kp=1, ki=0.3, kd=2), STEPS)
    assert made.steps_ms == pytest.approx({"p1": 10.0, "p50": 20.0, "p99": 40.0})
    assert made.ki == pytest.approx({"p1": 30.0, "p50": 15.0, "p99": 7.5})
    assert made.kd == pytest.approx({"p1": 0.02, "p50": 0.04, "p99": 0.08})
    assert made.integral == pytest.approx({"p1": 2.0, "p50": 1.0, "p99": 0.5})
    assert made.derivative == pytest.approx({"p1": 0.5, "p50": 1.0, "p99": 2.0})


def test_fixed_step():
    """Ki h/T and kd T/h, as factors of the stated step."""
    stated = Controller(form="fixed step", step_ms=25, kp=1, ki=0.4, kd=0.1)
    made = effective_gains(stated, STEPS)
    assert made.ki["p50"] == pytest.approx(0.4 * 25 / 20)
    assert made.kd["p99"] == pytest.approx(0.1 * 40 / 25)
    assert made.integral["p1"] == pytest.approx(2.5)


@pytest.mark.parametrize("more", [{"form": "measured step"}, {"runs_on": "device"}])
def test_the_pace_leaves_these_alone(more):
    """Code that measures the step, and a motor's own controller."""
    made = effective_gains(Controller(kp=1, ki=0.4, kd=0.1, **more), STEPS)
    assert made.ki == {"p1": 0.4, "p50": 0.4, "p99": 0.4}
    assert set(made.derivative.values()) == {1.0}


@pytest.mark.parametrize("filter_s", [0.0, 0.03])
def test_noise_of_the_derivative(filter_s):
    """The rms over all speeds, held against readings that are really rounded and differenced."""
    law = Law("measured step", 1.0, kd=0.7, filter_s=filter_s)
    found = derivative_noise(law, 0.25, 0.01)
    rng = np.random.default_rng(3)
    squares, k = [], np.arange(4000)
    for speed in rng.uniform(30, 300, 300):
        where = speed * 0.01 * k + rng.random()
        wrong = np.round(where / 0.25) * 0.25 - where
        change = np.diff(wrong) / 0.01
        if filter_s:
            share = 0.01 / (0.01 + filter_s)
            for i in range(1, len(change)):
                change[i] = change[i - 1] + share * (change[i] - change[i - 1])
        squares.append(np.mean(change[500:] ** 2))
    assert found.rms == pytest.approx(0.7 * math.sqrt(np.mean(squares)), rel=0.05)


def test_noise_of_code_that_ignores_the_step():
    """One step of the reading moves the derivative term by kd r, whatever the pace."""
    found = derivative_noise(Law("per loop", 1.0, kd=2.0), 0.5, 0.01)
    assert found.step == 1.0
    assert found.rms == pytest.approx(1 / math.sqrt(6))
    assert derivative_noise(Law("per loop", 1.0), 0.5, 0.01) is None
